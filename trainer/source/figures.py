"""Figures of directions and ranges: errors beside the bound, over the field and distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64

__all__ = ["Errors", "error_figures", "over_distance", "over_field"]

_FIELD_SIDE = 7
_BASELINES = (0, 20, 50, 90, 150, 240, 360, 600, 1200)
"""Ends of the classes of distance, in baselines."""


@dataclass(frozen=True, slots=True)
class Errors:
    """Errors of frames.

    Parameters
    ----------
    errors, truth, bound : float64 (n_frames, n_values)
        In the values' units; the bound is the least standard deviation of each.
    valid : bool (n_frames,)
    """

    errors: Float64
    truth: Float64
    bound: Float64
    valid: NDArray[np.bool_]

    def of(self, chosen: NDArray[np.bool_]) -> Errors:
        """Return some of the frames."""
        return Errors(
            self.errors[chosen], self.truth[chosen], self.bound[chosen], self.valid[chosen]
        )


def _root(values: Float64) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _ratio(found: Errors, value: int) -> float:
    """Return the root mean square of errors, each over the bound of its own frame."""
    return _root(found.errors[:, value] / found.bound[:, value])


def error_figures(found: Errors, halves: Sequence[float]) -> list[dict[str, Any]]:
    """Return for each value what is said of frames that are valid.

    Root mean square error, bias, the bound's root mean square, their ratio (each error over the
    bound of its own frame), the bias in units of the bound, and how often the interval holds.
    """
    kept = found.of(found.valid)
    if not len(kept.truth):
        return []
    return [
        {
            "rmse": round(_root(kept.errors[:, i]), 6),
            "bias": round(float(kept.errors[:, i].mean()), 6),
            "bound": round(_root(kept.bound[:, i]), 6),
            "ratio": round(_ratio(kept, i), 4),
            "bias_over_bound": round(float((kept.errors[:, i] / kept.bound[:, i]).mean()), 4),
            "within": round(float((np.abs(kept.errors[:, i]) <= half).mean()), 4),
        }
        for i, half in enumerate(halves)
    ]


def over_field(found: Errors) -> dict[str, Any]:
    """Return maps over the field, row by row: frames, share valid, rms error in mrad, ratio, bias.

    Squares of equal tangents; null where no frame is valid. Error, ratio and bias are of both
    angles together, bias in units of the bound.
    """
    tangents = np.tan(found.truth[:, :2] * 1e-3)
    reach = float(np.abs(tangents).max()) + 1e-9
    place = np.minimum(((tangents / reach + 1) / 2 * _FIELD_SIDE).astype(int), _FIELD_SIDE - 1)
    maps: dict[str, list[list[float | None]]] = {
        name: [[None] * _FIELD_SIDE for _ in range(_FIELD_SIDE)]
        for name in ("n_frames", "valid", "rmse", "ratio", "bias")
    }
    for row in range(_FIELD_SIDE):
        for column in range(_FIELD_SIDE):
            own = found.of((place[:, 0] == column) & (place[:, 1] == row))
            maps["n_frames"][row][column] = len(own.truth)
            if not own.valid.any():
                continue
            maps["valid"][row][column] = round(float(own.valid.mean()), 4)
            kept = own.of(own.valid)
            maps["rmse"][row][column] = round(_root(kept.errors[:, :2]), 5)
            relative = kept.errors[:, :2] / kept.bound[:, :2]
            maps["ratio"][row][column] = round(_root(relative), 4)
            maps["bias"][row][column] = round(float(np.abs(relative.mean(axis=0)).max()), 4)
    return {"reach_deg": round(float(np.degrees(np.arctan(reach))), 3), **maps}


def over_distance(found: Errors, baseline_mm: float) -> list[dict[str, Any]]:
    """Return what is said of each class of distance: errors of range beside the bound."""
    baselines = found.truth[:, 3] / baseline_mm
    rows = []
    for low, high in pairwise(_BASELINES):
        own = found.of((baselines >= low) & (baselines < high))
        if not own.valid.any():
            continue
        kept = own.of(own.valid)
        relative = kept.errors[:, 3] / kept.truth[:, 3]
        inverse = kept.errors[:, 2] / kept.truth[:, 2]
        rows.append(
            {
                "distance_mm": round(float(kept.truth[:, 3].mean()), 3),
                "baselines": round(float(kept.truth[:, 3].mean() / baseline_mm), 2),
                "n_frames": len(own.truth),
                "valid": round(float(own.valid.mean()), 4),
                "relative_rmse": round(_root(relative), 6),
                "inverse_relative_rmse": round(_root(inverse), 6),
                "relative_bound": round(_root(kept.bound[:, 2] / kept.truth[:, 2]), 6),
                "ratio": round(_ratio(kept, 2), 4),
                "bias_over_bound": round(float((kept.errors[:, 2] / kept.bound[:, 2]).mean()), 4),
            }
        )
    return rows
