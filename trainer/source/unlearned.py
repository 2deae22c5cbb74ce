"""What a calibration leaves unknown of an optic, over the noise of a frame; and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from runtime.stages.contract.stage import Float64
from trainer.align.learned import MOST_UNLEARNED, beyond_noise, misled, unexplained_share
from trainer.align.pattern import Pattern

__all__ = ["too_sparse", "unlearned", "widening"]


def unlearned(
    optic: Any, slopes: Float64, electrons: Float64, floor: float, frames: float
) -> tuple[float, float]:
    """Return how far an optic leads directions astray that it was not, and was, learned from.

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
        Over the noise of one frame, both as variances. Of pixels that were learned each by itself
        it is what they are off by themselves.
    """
    if isinstance(optic, Pattern):
        known = misled(optic, slopes, electrons, math.sqrt(floor / frames), frames)
        return optic.misled, min(optic.misled, known)
    noise = floor * electrons.shape[1] + electrons.sum(axis=1)
    share = unexplained_share(optic, slopes, electrons)
    unseen = beyond_noise(optic.unexplained, electrons, noise, frames)
    return unseen, min(unseen, beyond_noise(share, electrons, noise, frames))


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
        f"Aperture {aperture + 1}: calibration too sparse: between its {n_places} places "
        f"directions are off by {math.sqrt(unseen):.2f} of a frame's noise, expected at most "
        f"{math.sqrt(MOST_UNLEARNED):.2f}. Record at least {more} more places, or narrow the field."
    )
