"""What stands beside microwatts: an error, or a share of what is right, over what is held out.

Both are made of sums over the units that are held out whole: sessions of a rig, or places. So the
bootstrap draws units, and adds up theirs.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from runtime.stages.contract.stage import Float64
from trainer.choice.worth.pick import GESTURES
from trainer.recipe import Recipe

__all__ = ["KNOBS_OF", "MEASURES", "Judged", "Measure", "measured_by", "quantities_of"]


@dataclass(frozen=True, slots=True)
class Measure:
    """One figure by which settings are judged.

    Parameters
    ----------
    key : str
        ``error`` or ``accuracy``, as a wish names it.
    title : str
        As it is printed.
    unit : str
        Empty for a share.
    is_error : bool
        Whether less is better.
    """

    key: str
    title: str
    unit: str
    is_error: bool

    def value(self, sums: Float64) -> Float64:
        """Return the figure from sums over units.

        Parameters
        ----------
        sums : float64 (..., 2)
            Of an error: squares, and how many of them. Of a share: each unit's own share, and how
            many units.

        Returns
        -------
        float64 (...)
            Of an error its root mean square; infinite, or a share of 0, where there is nothing.
        """
        n = np.maximum(sums[..., 1], 1e-12)
        if self.is_error:
            return np.asarray(np.where(sums[..., 1] > 0, np.sqrt(sums[..., 0] / n), np.inf))
        return np.asarray(np.where(sums[..., 1] > 0, sums[..., 0] / n, 0.0))

    def score(self, sums: Float64) -> Float64:
        """Return the same so that more is better."""
        return -self.value(sums) if self.is_error else self.value(sums)


MEASURES = {
    "range": Measure("error", "relative error of range, rms", "", True),
    "direction": Measure("error", "error of direction, rms", "mrad", True),
    "presence": Measure("accuracy", "balanced accuracy of presence", "", False),
    "count": Measure("accuracy", "exact count", "", False),
}

QUANTITIES_OF = {
    "range": ("uw", "error", "mm", "valid", "hz"),
    "direction": ("uw", "error", "mrad", "valid", "hz"),
    "presence": ("uw", "accuracy", "hz"),
    "count": ("uw", "accuracy", "exact", "within_one", "hz"),
}
"""What a wish may name, by measure."""
KNOBS_OF = {
    "range": "knobs_source.toml",
    "direction": "knobs_source.toml",
    "presence": "knobs_occupancy.toml",
    "count": "knobs_occupancy.toml",
}
"""Which built-in description of knobs is theirs."""


def quantities_of(measure: str | None) -> tuple[str, ...]:
    """Return what a wish may name, of a measure or, without any, of gestures."""
    return GESTURES if measure is None else QUANTITIES_OF[measure]


def measured_by(recipe: Recipe) -> str | None:
    """Return which of the measures a recipe is judged by; None where it is none of these."""
    if recipe.source is not None:
        return recipe.source.measures
    if recipe.occupancy is not None:
        return "presence" if recipe.occupancy.most == 1 else "count"
    return None


@dataclass(frozen=True, slots=True)
class Judged:
    """What a setting is worth on units that it was not made from.

    Parameters
    ----------
    sums : float64 (n_units, 2)
        As a measure takes them; units in order of their names.
    valid : float or None
        Share of frames of one source whose values are valid; None where all are told.
    figures : dict
        What else is told of it, plain values.
    """

    sums: Float64
    valid: float | None = None
    figures: dict[str, Any] = field(default_factory=dict)
