"""Examination of a calibrated model: errors beside the bound, over field and range; refusals."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64
from trainer.align.bound import PixelNoise, direction_bound, inverse_distance_bound
from trainer.align.learned import unexplained_share
from trainer.recipe import Recipe
from trainer.source.calibrated import Calibrated, Samples, truth_of
from trainer.source.entered import as_one_exposure
from trainer.source.figures import Errors, error_figures, over_distance, over_field
from trainer.source.readouts import Box, SourceReadouts, slopes_at

__all__ = [
    "MOST_FRAMES",
    "Refused",
    "bounds_of",
    "examine_source",
    "frame_errors",
    "light_on",
    "refusals",
    "refused_frames",
    "unit_check",
    "unit_errors",
]

MOST_FRAMES = 1500
_OTHER = 2.0
"""A unit that leaves twice as much unexplained as the calibrated one has another optic in place."""


def examine_source(
    calibrated: Calibrated, errors: tuple[Errors, Errors], box: Box
) -> dict[str, Any]:
    """Hold the errors of frames of one source, as :func:`frame_errors` finds them, to the bound."""
    fixed, real = errors
    n, truth, valid = fixed.truth.shape[1], fixed.truth, fixed.valid
    scales = np.array([o.value(1) for o in calibrated.model.closing.outputs()[1 : 1 + n]])
    names = [o.name for o in calibrated.model.closing.outputs()[1 : 1 + n]]
    units = [o.unit for o in calibrated.model.closing.outputs()[1 : 1 + n]]
    halves = [h * s for h, s in zip(calibrated.model.closing.half_widths, scales, strict=True)]  # type: ignore[attr-defined]
    return {
        "names": names,
        "value_units": units,
        "n_frames": len(truth),
        "n_valid": int(valid.sum()),
        "half_widths": [round(float(h), 6) for h in halves],
        "fixed": error_figures(fixed, halves),
        "float": error_figures(real, halves),
        "over_field": over_field(fixed),
        "over_distance": over_distance(fixed, _baseline(box)) if n == 4 else [],
        "baseline_mm": round(_baseline(box), 6),
    }


def frame_errors(calibrated: Calibrated, samples: Samples, box: Box) -> tuple[Errors, Errors]:
    """Return the errors of frames of one source, at most 1,500, in fixed point and in floats."""
    some = samples.take(MOST_FRAMES)
    n = calibrated.model.closing.n_out // 2  # event, values and a flag for each
    outputs_of = calibrated.run(some.values.astype(np.int32))[1]
    evidence = calibrated.run_float(some.values.astype(np.int32))[:, :n]
    scales = np.array([o.value(1) for o in calibrated.model.closing.outputs()[1 : 1 + n]])
    valid = np.asarray(outputs_of[:, 1 + n :].all(axis=1))
    bound = _bounds(calibrated, some, box, n)
    truth = truth_of(some, n)
    fixed = Errors(outputs_of[:, 1 : 1 + n] * scales - truth, truth, bound, valid)
    return fixed, Errors(evidence * scales - truth, truth, bound, valid)


def _baseline(box: Box) -> float:
    places = box.places_mm
    return float(np.hypot(*(places[-1] - places[0])))


def _bounds(calibrated: Calibrated, samples: Samples, box: Box, n: int) -> Float64:
    """Return the bound of each value of each frame, in the values' units, (n_frames, n)."""
    light, electrons = light_on(calibrated, samples, box)
    return bounds_of(light, electrons, samples, box, n, PixelNoise(math.sqrt(calibrated.floor)))


def light_on(calibrated: Calibrated, samples: Samples, box: Box) -> tuple[list[Any], list[Any]]:
    """Return what each aperture sees of frames of one source.

    Returns
    -------
    light : list of (float64 (n_frames, n_pixels), three times)
        Of each aperture: the share of the source's light on each pixel, and its two derivatives.
    electrons : list of float64 (n_frames,)
        Of each aperture, at least 1.
    """
    gain = as_one_exposure(calibrated.model.sensor, box).conversion_gain_dn_per_e
    light, electrons = [], []
    for index, optic in enumerate(calibrated.optics):
        slopes = slopes_at(samples.tangents, samples.distance_mm, box.places_mm[index])
        light.append(
            [
                np.concatenate([optic.at(s, k) for s in np.array_split(slopes, 8)])
                for k in (None, 0, 1)
            ]
        )
        seen = box.of_aperture(samples.values, index).sum(axis=1) / gain
        electrons.append(np.maximum(seen, 1.0))
    return light, electrons


def bounds_of(
    light: Sequence[Any],
    electrons: Sequence[Float64],
    samples: Samples,
    box: Box,
    n: int,
    noise: PixelNoise,
) -> Float64:
    """Return the bound of `n` values of each frame, in the values' units, (n_frames, n).

    Parameters
    ----------
    light, electrons : as `light_on` returns them
    samples : Samples
    box : Box
    n : int
        2 for a direction, 4 with inverse distance and distance.
    noise : PixelNoise

    Raises
    ------
    ArgumentError
        The readout does not move with the direction.
    """
    places = box.places_mm
    parts = [
        [direction_bound(shares[i], along_x[i], along_y[i], float(seen[i]), noise)
         for i in range(len(seen))]
        for (shares, along_x, along_y), seen in zip(light, electrons, strict=True)
    ]  # fmt: skip
    covariance = np.array(parts)  # (n_apertures, n_frames, 2, 2)
    if n == 2:
        spread = np.sqrt(np.stack([covariance[0, :, k, k] for k in (0, 1)], axis=1))
        return np.asarray(spread / (1.0 + samples.tangents**2) * 1e3)
    information = np.linalg.inv(covariance).sum(axis=0)
    both = np.linalg.inv(information)
    spread = np.sqrt(np.stack([both[:, k, k] for k in (0, 1)], axis=1))
    angles = spread / (1.0 + samples.tangents**2) * 1e3
    depth = np.array(
        [inverse_distance_bound(covariance[:, i], places) for i in range(covariance.shape[1])]
    )
    cosine = 1.0 / np.sqrt(1.0 + (samples.tangents**2).sum(axis=1))
    inverse = depth * 1e3 * cosine
    return np.column_stack([angles, inverse, samples.distance_mm**2 * inverse * 1e-3])


@dataclass(frozen=True, eq=False)
class Refused:
    """Frames of one cue and recording that are not to be measured.

    Parameters
    ----------
    readouts : SourceReadouts
    cue : str
    frames : intp (n,)
    valid : bool (n,)
        A value was called valid all the same.
    """

    readouts: SourceReadouts
    cue: str
    frames: NDArray[np.intp]
    valid: NDArray[np.bool_]


def refused_frames(
    calibrated: Calibrated, readouts: Sequence[SourceReadouts], recipe: Recipe
) -> list[Refused]:
    """Return the frames of each cue that is not to be measured, and which were measured."""
    wanted = {"rig_none": 0, "rig_outside": 1, "rig_bright": 1, "rig_two": 2, "rig_three": 3}
    n = calibrated.model.closing.n_out // 2
    found = []
    for each in readouts:
        for cue in sorted(set(each.cue) - {""} - set(recipe.classes)):
            of_cue = np.array([c == cue for c in each.cue])
            frames = np.flatnonzero(of_cue & (each.n_sources == wanted.get(cue, 0)))
            if frames.size:
                flags = calibrated.run(each.int32(frames))[1][:, 1 + n :]
                found.append(Refused(each, cue, frames, np.asarray(flags.any(axis=1))))
    return found


def refusals(refused: Sequence[Refused]) -> dict[str, Any]:
    """Return, for each cue that is not to be measured, in how many frames a value was valid."""
    found: dict[str, list[int]] = {}
    for each in refused:
        counts = found.setdefault(each.cue, [0, 0])
        counts[0] += int(each.valid.sum())
        counts[1] += len(each.frames)
    return {cue: {"n_valid": a, "n_frames": b} for cue, (a, b) in sorted(found.items())}


def unit_errors(calibrated: Calibrated, samples: Samples) -> tuple[Samples, Float64]:
    """Return at most 1,500 frames of a unit, and how far their values are off before clipping."""
    some = samples.take(MOST_FRAMES)
    evidence = calibrated.run(some.values.astype(np.int32))[0]
    n = calibrated.model.closing.n_out // 2
    scales = np.array([o.value(1) for o in calibrated.model.closing.outputs()[1 : 1 + n]])
    return some, np.asarray(evidence[:, :n] * scales - truth_of(some, n))


def unit_check(
    calibrated: Calibrated, samples: Samples, off_by: tuple[Samples, Float64], box: Box
) -> dict[str, Any]:
    """Hold another unit to the calibration: what it leaves unexplained, and how far it is off.

    `off_by` is what :func:`unit_errors` finds of the samples.

    A unit is called uncalibrated where its readouts leave twice as much unexplained as those of the
    calibrated one do, or its directions are off by more than the interval on average. Calibration
    averages the frames of a stop, whose noise is less than a frame's: what noise alone leaves
    unexplained does not count.
    """
    values, tangents, distances, counts = samples.averaged()
    gain = as_one_exposure(calibrated.model.sensor, box).conversion_gain_dn_per_e
    shares = []
    for index, optic in enumerate(calibrated.optics):
        slopes = slopes_at(tangents, distances, box.places_mm[index])
        electrons = np.asarray(box.of_aperture(values, index)) / gain  # type: ignore[arg-type]
        noise = (calibrated.floor * electrons.shape[1] + electrons.sum(axis=1)) / counts
        shares.append(unexplained_share(optic, slopes, electrons, noise))
    some, errors = off_by
    n = errors.shape[1]
    scales = np.array([o.value(1) for o in calibrated.model.closing.outputs()[1 : 1 + n]])
    off = np.median(errors, axis=0)
    halves = np.array(calibrated.model.closing.half_widths) * scales  # type: ignore[attr-defined]
    before = calibrated.found["unexplained"]
    other = any(s > _OTHER * max(b, 1e-6) for s, b in zip(shares, before, strict=True))
    return {
        "unexplained": [round(s, 6) for s in shares],
        "offset": [round(float(v), 6) for v in off],
        "calibrated": bool(not other and (np.abs(off[: min(n, 3)]) <= halves[: min(n, 3)]).all()),
        "map": residual_map(some, errors),
    }


def residual_map(samples: Samples, errors: Float64, n_side: int = 5) -> list[list[float | None]]:
    """Return the median error of direction, mrad, in squares over the field, row by row."""
    reach = float(np.abs(samples.tangents).max()) + 1e-9
    column, row = (
        np.minimum(((samples.tangents[:, k] / reach + 1) / 2 * n_side).astype(int), n_side - 1)
        for k in (0, 1)
    )
    size: NDArray[np.float64] = np.hypot(errors[:, 0], errors[:, 1])
    return [
        [
            round(float(np.median(size[inside])), 4)
            if (inside := (row == r) & (column == c)).any() else None
            for c in range(n_side)
        ]
        for r in range(n_side)
    ]  # fmt: skip
