"""What a calibration leaves unknown of an optic, over the noise of a frame; and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from runtime.stages.contract.stage import Float64
from trainer.align.learned import MOST_UNLEARNED, beyond_noise, unexplained_share

__all__ = ["too_sparse", "unlearned", "widening"]


def unlearned(
    optic: Any, slopes: Float64, electrons: Float64, floor: float, frames: float
) -> tuple[float, float]:
    """Return what an optic is off by in readouts it was not, and was, learned from.

    Parameters
    ----------
    optic : LearnedOptic
    slopes : float64 (n_readouts, 2)
    electrons : float64 (n_readouts, n_pixels)
    floor : float
        Variance of a pixel without light in one frame, electrons squared.
    frames : float
        That each readout is the average of.

    Returns
    -------
    unseen, seen : float
        Over the noise of one frame, both as variances.
    """
    noise = floor * electrons.shape[1] + electrons.sum(axis=1)
    known = unexplained_share(optic, slopes, electrons)
    unseen = beyond_noise(optic.unexplained, electrons, noise, frames)
    return unseen, min(unseen, beyond_noise(known, electrons, noise, frames))


def widening(errors: Sequence[tuple[float, float]]) -> float:
    """Return how much wider intervals must be than errors in calibration's own readouts say.

    They were learned from, and show less of what the optic is off by than others will.
    """
    return max(math.sqrt((1.0 + unseen) / (1.0 + seen)) for unseen, seen in errors)


def too_sparse(aperture: int, unseen: float, n_places: int) -> str:
    """Return the line for an optic that is known worse than `MOST_UNLEARNED` allows.

    Its error falls with the number of places at best in proportion: so many are the least.
    """
    more = math.ceil(n_places * (unseen / MOST_UNLEARNED - 1.0))
    return (
        f"aperture {aperture + 1}: calibration too sparse: between its {n_places} places the optic "
        f"is off by {math.sqrt(unseen):.2f} of a frame's noise, expected at most "
        f"{math.sqrt(MOST_UNLEARNED):.2f}. Record at least {more} more places, or narrow the field"
    )
