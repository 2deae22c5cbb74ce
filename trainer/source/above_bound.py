"""Whether a calibrated model's integers do what its optic, as it was learned, allows."""

from __future__ import annotations

import math
from typing import Any

from trainer.source.calibrated import Calibrated, Samples
from trainer.source.examined import frame_errors
from trainer.source.figures import error_figures
from trainer.source.readouts import Box

__all__ = ["LEAST_VALID", "MOST_ABOVE", "above_bound", "falls_short"]

MOST_ABOVE = math.sqrt(2.0)
"""Of what the optic as learned allows: twice the variance, as if half of the light were lost. Cells
may cost 1.16 of it."""
LEAST_VALID = 0.9
"""Of calibration's own readouts, of each of whose guards one in two hundred may be refused."""
_FRAMES = 600


def above_bound(calibrated: Calibrated, samples: Samples, box: Box) -> dict[str, Any]:
    """Hold the integers to readouts of the calibration.

    Parameters
    ----------
    calibrated : Calibrated
    samples : Samples
        That it was calibrated with; some of them are taken.
    box : Box

    Returns
    -------
    dict
        ``over_bound``: root mean square error over the bound of both directions and, with a range,
        of inverse distance, of valid readouts, none where no readout is valid; ``allowed``: the
        same of the optic as learned, by what it left unknown; ``valid``: share of valid readouts.
    """
    errors, _ = frame_errors(calibrated, samples.take(_FRAMES), box)
    figures = error_figures(errors, [math.inf] * errors.truth.shape[1])
    unknown = max(calibrated.found["unlearned"])
    return {
        "over_bound": [each["ratio"] for each in figures[:3]],
        "allowed": round(math.sqrt(1.0 + unknown), 4),
        "valid": round(float(errors.valid.mean()), 4),
    }


def falls_short(calibration: dict[str, Any]) -> tuple[float, str] | None:
    """Return by how much integers are above what their optic allows, and the line that says so.

    None where that is within `MOST_ABOVE` and `LEAST_VALID` of readouts are valid.

    Parameters
    ----------
    calibration : dict
        What a calibration found, with ``integers`` as `above_bound` returns it.
    """
    held, enough = calibration["integers"], calibration["cells_fit"]
    worst = max(held["over_bound"], default=0.0)
    above = round(worst / held["allowed"], 4)
    if above <= MOST_ABOVE and held["valid"] >= LEAST_VALID:
        return None
    *first, last = [f"{each:.2f}" for each in held["over_bound"]] or [""]
    off = f"{', '.join(first)} and {last}"
    told = f", off by {off} times the least error that light allows" if last else ""
    why = "" if enough else " No cells within the stage's limits are narrow enough for this optic."
    return above, (
        f"The integer model falls short of its optic: {held['valid']:.0%} of calibration's own "
        f"readouts have a value{told}; the optic as learned allows {held['allowed']:.2f}.{why} Do "
        "not rely on it: narrow half_field_deg of the recipe, or calibrate at more places."
    )
