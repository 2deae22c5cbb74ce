"""Examination of a model of two sources: errors beside the bound, by angle and brightness."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import ArgumentError
from runtime.stages.contract.stage import Float64
from trainer.align.bound import PixelNoise, pair_bound
from trainer.recipe import Recipe
from trainer.source.calibrated import Calibrated
from trainer.source.entered import as_one_exposure
from trainer.source.pairs import APART_DEG, apart_deg, in_order
from trainer.source.readouts import Box, SourceReadouts, slopes_at

__all__ = ["PairFrames", "examine_pair", "pair_frames", "pair_rows"]

_MOST = 900
_APART = (0.0, 3.0, APART_DEG, 6.0, 10.0, 20.0, 180.0)
_RATIOS = (0.0, 0.1, 0.25, 0.7, 1.01)
"""Ends of the classes of the dimmer's light over the brighter's: nearly alike, a half, a fifth."""
_WRONG = 5.0
"""Of the bound, and of the interval: a valid direction that is off by more than both is wrong."""


@dataclass(frozen=True, eq=False)
class PairFrames:
    """Frames of two sources, with what a model told of each.

    Parameters
    ----------
    apart_deg, ratio : float64 (n,)
        Angle between both, and the dimmer's electrons over the brighter's.
    errors, bound : float64 (n, 2, 2)
        Of both angles of the brighter and the dimmer source, mrad; errors NaN where there are not
        two values.
    found : int64 (n,)
        Sources that were valid.
    wrong : bool (n,)
        A valid direction is off by more than five times its bound and its interval, of both
        sources where two were found, and of the brighter where one was.
    """

    apart_deg: Float64
    ratio: Float64
    errors: Float64
    bound: Float64
    found: NDArray[np.int64]
    wrong: NDArray[np.bool_]


def examine_pair(
    calibrated: Calibrated, readouts: Sequence[SourceReadouts], box: Box, recipe: Recipe
) -> dict[str, Any]:
    """Measure frames of two sources whose places are known, at most 900."""
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    widest = math.tan(math.radians(recipe.source.half_field_deg))
    values, both = [], []
    for each in readouts:
        with np.errstate(invalid="ignore"):
            inside = np.hypot(each.both[:, :, 0], each.both[:, :, 1]).max(axis=1) <= widest
        frames = np.flatnonzero((each.n_sources == 2) & inside & ~each.saturated)
        values.append(each.int32(frames))
        both.append(each.both[frames])
    whole, places = np.concatenate(values), np.concatenate(both)
    some = np.unique(np.linspace(0, max(len(whole) - 1, 0), min(len(whole), _MOST)).astype(int))
    found: dict[str, Any] = {
        "least_apart_deg": APART_DEG, "n_frames": len(some),
        "half_widths": calibrated.found["half_widths"], "rows": [],
    }  # fmt: skip
    if len(some):
        frames_of = pair_frames(calibrated, whole[some], places[some], box)
        found["rows"] = pair_rows(frames_of)
    return found


def pair_frames(
    calibrated: Calibrated, values: NDArray[np.int32], places: Float64, box: Box
) -> PairFrames:
    """Return what a model tells of frames of two sources beside their truth and its bound.

    Parameters
    ----------
    calibrated : Calibrated
        Of two sources.
    values : int32 (n, n_box)
    places : float64 (n, 2, 3)
        Tangents and distance of each source.
    box : Box
    """
    sensor = as_one_exposure(calibrated.model.sensor, box)
    gain, optic = sensor.conversion_gain_dn_per_e, calibrated.optics[0]
    noise = PixelNoise(math.sqrt(calibrated.floor))
    slopes = np.stack(
        [slopes_at(places[:, k, :2], places[:, k, 2], box.places_mm[0]) for k in (0, 1)], axis=1
    )
    outputs = calibrated.run(values)[1]
    n = calibrated.model.closing.n_out // 2
    unit = calibrated.model.closing.outputs()[1].value(1)
    angles = np.asarray(outputs[:, 1:5].reshape(-1, 2, 2) * unit, dtype=np.float64)
    count = (outputs[:, 1 + n : 5 + n : 2] & outputs[:, 2 + n : 6 + n : 2]).sum(axis=1)
    electrons = np.asarray(box.of_aperture(values, 0)) / gain
    bounds, share = np.full((len(values), 2, 2), np.nan), np.full((len(values), 2), np.nan)
    for i, (seen, at) in enumerate(zip(electrons, slopes, strict=True)):
        light = [optic.at(at, k) for k in (None, 0, 1)]
        amounts = _amounts(seen, light[0])
        order = np.argsort(-amounts)
        slopes[i] = at[order]
        share[i] = amounts[order]
        try:
            shown, along_x, along_y = (part[order] for part in light)
            covariance = pair_bound(shown, along_x, along_y, amounts[order], noise)
        except ArgumentError:
            continue
        bounds[i] = np.sqrt(np.diag(covariance)).reshape(2, 2)
    truth = np.arctan(slopes) * 1e3
    bounds = bounds / (1.0 + slopes**2) * 1e3
    halves = np.array(calibrated.found["half_widths"]).reshape(2, 2)
    errors = angles - in_order(angles, truth)
    two, one = count == 2, count == 1
    errors[one, 0] = (angles - truth)[one, 0]
    limit = _WRONG * np.maximum(np.nan_to_num(bounds, nan=0.0), halves)
    off = (np.abs(errors) > limit).any(axis=2)
    wrong = (two & off.any(axis=1)) | (one & off[:, 0])
    errors[~two] = np.nan
    return PairFrames(
        apart_deg(slopes[:, 0], slopes[:, 1]), share[:, 1] / share[:, 0], errors, bounds, count,
        wrong,
    )  # fmt: skip


def _amounts(seen: Float64, light: Float64) -> Float64:
    """Return the electrons of each source, at least 1, from what a frame shows: least squares."""
    columns = np.column_stack([light.T, np.ones(len(seen))])
    found = np.linalg.lstsq(columns, seen, rcond=None)[0]
    return np.maximum(np.asarray(found[:2]), 1.0)


def pair_rows(frames: PairFrames) -> list[dict[str, Any]]:
    """Return figures of each class of angle and of brightness that has frames."""
    rows = []
    for (near, far), (low, high) in product(pairwise(_APART), list(pairwise(_RATIOS))[::-1]):
        own = (frames.apart_deg >= near) & (frames.apart_deg < far)
        own &= (frames.ratio >= low) & (frames.ratio < high)
        if not own.any():
            continue
        two = own & (frames.found == 2) & np.isfinite(frames.bound).all(axis=(1, 2))
        row: dict[str, Any] = {
            "apart_deg": [near, far], "ratio": [low, min(high, 1.0)],
            "n_frames": int(own.sum()), "two": round(float((frames.found[own] == 2).mean()), 4),
            "one": round(float((frames.found[own] == 1).mean()), 4),
            "wrong": int(frames.wrong[own].sum()),
        }  # fmt: skip
        for k, name in enumerate(("first", "second")):
            if two.any():
                off, least = frames.errors[two, k], frames.bound[two, k]
                row[name] = {
                    "rmse": round(float(np.sqrt((off**2).mean())), 6),
                    "bound": round(float(np.sqrt((least**2).mean())), 6),
                    "ratio": round(float(np.sqrt(((off / least) ** 2).mean())), 4),
                }
        rows.append(row)
    return rows
