"""Calibration: from readouts of one source at known places to the integer model."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.alignment.registration import Registration
from runtime.stages.alignment.triangulation import Triangulation
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Float64, Int32, Stage
from trainer.align.cells import Design
from trainer.align.learned import learn_optic
from trainer.align.light import with_quiet
from trainer.align.lowered import Lowering, lower_registration, with_tolerance
from trainer.align.pattern import Pattern
from trainer.recipe import Recipe
from trainer.source.entered import as_one_exposure, entry_stages
from trainer.source.readouts import Box, SourceReadouts, WithoutSource, slopes_at
from trainer.source.unlearned import unlearned, widening

__all__ = ["Calibrated", "Samples", "calibrate", "evenly", "samples_of", "truth_of"]

_MOST_FRAMES = 600
"""Calibration readouts that guards and intervals are learned from."""
_ROOM = 1.5
"""Room above the error that all but one in two hundred calibration readouts show."""
_NOISE_FRAMES = 400
_OCTAVE = 16
"""Steps of the level for a factor of two of energy."""
_DIMMER = _OCTAVE // 2
"""Steps of the level below the dimmest calibrated source, a sixth less light, for which an interval
is still given: by shot noise a tenth too narrow."""
_CLASSES = 4
"""Classes of brightness, and of distance, in each of which an interval is to hold."""
_NEARER = 2.5
"""Half-widths of inverse distance that a source may seem nearer than the nearest calibrated: four
standard deviations where nine tenths lie within one of them."""
_UNITS = ("mrad", "mrad", "1/m", "mm")
_NAMES = ("direction_x", "direction_y", "inverse_distance", "distance")
_SCALES = ((125, 1 << 15), (125, 1 << 15), (1, 1 << 12), (1, 1 << 6))


def evenly(n: int, most: int) -> NDArray[np.intp]:
    """Return which of n samples are taken where at most so many are, evenly spread."""
    return np.unique(np.linspace(0, n - 1, most).astype(np.intp)) if n > most else np.arange(n)


@dataclass(frozen=True, eq=False)
class Samples:
    """Frames of one source, of one recording or more.

    Parameters
    ----------
    values : int16 (n, n_box)
    tangents : float64 (n, 2)
    distance_mm : float64 (n,)
    """

    values: NDArray[np.int16]
    tangents: Float64
    distance_mm: Float64

    def take(self, most: int) -> Samples:
        """Return at most so many, evenly spread."""
        chosen = evenly(len(self.values), most)
        return Samples(self.values[chosen], self.tangents[chosen], self.distance_mm[chosen])

    def averaged(self) -> tuple[Float64, Float64, Float64, Float64]:
        """Average the frames of each stop: values, tangents, distances, and how many frames."""
        same = np.zeros(len(self.values), dtype=bool)
        same[1:] = (np.abs(np.diff(self.tangents, axis=0)) < 1e-9).all(axis=1)
        stop = np.cumsum(~same) - 1
        counts = np.bincount(stop).astype(np.float64)
        sums = np.zeros((len(counts), self.values.shape[1]))
        np.add.at(sums, stop, self.values)
        first = np.flatnonzero(~same)
        return sums / counts[:, None], self.tangents[first], self.distance_mm[first], counts


def samples_of(readouts: Sequence[SourceReadouts], recipe: Recipe, box: Box) -> Samples:
    """Gather the frames of one source within the field.

    A direction alone is that from the aperture; what is told with a range, from the sensor's
    origin.

    Raises
    ------
    UsageError
        There is none, or a range is wanted and a distance is not known.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    chosen = [(r, r.single(recipe)) for r in readouts]
    samples = Samples(
        np.concatenate([r.values[frames] for r, frames in chosen]),
        np.concatenate([r.tangents[frames] for r, frames in chosen]),
        np.concatenate([r.distance_mm[frames] for r, frames in chosen]),
    )
    where = str(readouts[0].recording.path.parent)
    if not len(samples.values):
        raise UsageError(
            where, "frames of one source within the field", 0, "a calibration",
            "record a rig that stops at many directions, with its truth",
        )  # fmt: skip
    if recipe.source.measures == "range" and np.isnan(samples.distance_mm).any():
        raise UsageError(
            where, "distance_mm of the truth", "not known in some frames", "known in all of them",
            "write the distance into the rig's table, or take the recipe point",
        )  # fmt: skip
    if recipe.source.measures == "direction":
        seen = slopes_at(samples.tangents, samples.distance_mm, box.places_mm[0])
        return Samples(samples.values, seen, np.full(len(seen), np.nan))
    return samples


@dataclass(frozen=True, eq=False)
class Calibrated:
    """A calibrated model and what it rests on.

    Parameters
    ----------
    model : Model
    optics : tuple
        Of each aperture, see `trainer.align.lowered.LearnedOptic`.
    floor : float
        Variance of a pixel without light, electrons squared.
    found : dict
        What calibration has to say of itself.
    """

    model: Model
    optics: tuple[Any, ...]
    floor: float
    found: dict[str, Any]

    def run(self, values: Int32) -> tuple[Int32, Int32]:
        """Return evidence and outputs of frames given as values of the box."""
        *_, registration, triangulation, closing = self.model.stages
        aligned, _ = registration.run(values, {})
        evidence, _ = triangulation.run(aligned, {})
        outputs, _ = closing.run(evidence, closing.initial_state())
        return evidence, outputs

    def run_float(self, values: Int32) -> Float64:
        """Return evidence on real numbers."""
        *_, registration, triangulation, _ = self.model.stages
        return triangulation.run_float(registration.run_float(values.astype(np.float64)))


def calibrate(
    samples: Samples, box: Box, sensor: Sensor, quiet: WithoutSource, recipe: Recipe,
    provenance: dict[str, str], tell: Callable[[str], None],
) -> Calibrated:  # fmt: skip
    """Learn each aperture's optic, lower it, and learn guards and intervals.

    Raises
    ------
    UsageError
        The calibration is too small, or does not follow its truth.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    whole, sensor = sensor, as_one_exposure(sensor, box)
    gain, floor = sensor.conversion_gain_dn_per_e, quiet.floor
    values, tangents, distances, counts = samples.averaged()
    frames = float(np.median(counts))
    optics, sums, slopes, unknown = [], [], [], []
    for index, place in enumerate(box.places_mm):
        tell(f"{recipe.name}: learning aperture {index + 1} from {len(values)} directions")
        electrons = np.asarray(box.of_aperture(values, index)) / gain  # type: ignore[arg-type]
        seen = slopes_at(tangents, distances, place)
        optics.append(learn_optic(seen, electrons, box.shape, math.sqrt(floor / frames), frames))
        unknown.append(unlearned(optics[-1], seen, electrons, floor, frames))
        sums.append(electrons.sum(axis=1))
        slopes.append(seen)
    total = np.concatenate(sums)
    design = Design(
        recipe.source.electrons or float(np.exp(np.median(np.log(np.maximum(total, 1.0))))),
        float(np.quantile(total, 0.99)), floor,
    )  # fmt: skip
    apart = 0.0 if len(slopes) == 1 else float(np.abs(slopes[0] - slopes[1]).max())
    tell(f"{recipe.name}: making cells")
    lowering = Lowering(
        *box.shape, box.n_cols, box.n_rows * box.n_cols, box.firsts,
        sensor.max_counts, gain, design, 1.2 * apart,
    )  # fmt: skip
    stage, cost = lower_registration(optics, lowering)
    some = samples.take(_MOST_FRAMES)
    stage = with_quiet(stage, quiet.values)
    stage = with_tolerance(stage, some.values.astype(np.int32), _ROOM)
    triangulation = _triangulation(box)
    closing, widths = _closing(
        stage, triangulation, some, recipe, (sensor, quiet), widening(unknown)
    )
    model = Model(
        recipe.name, recipe.task, whole, (),
        (*entry_stages(box, whole), stage, triangulation, closing), provenance,
    )  # fmt: skip
    kinds = sorted({type(each).__name__.lower() for each in optics})
    found = {
        "learned_as": {"pattern": "one pattern that moves", "templates": "each pixel by itself"}[
            kinds[-1]
        ],
        "n_directions": len(values),
        "n_frames": len(samples.values),
        "unexplained": [round(float(each.unexplained), 6) for each in optics],
        "unlearned": [round(unseen, 4) for unseen, _ in unknown],
        "floor_electrons": round(math.sqrt(floor), 3),
        "design_electrons": round(design.electrons, 1),
        "predicted_loss": _known(cost["loss"]),
        "predicted_bias": _known(cost["bias"]),
        "cells_fit": cost["enough"],
        "tolerance": round(stage.energy[-1] / 2**17, 6),
        "cell_mrad": round(stage.fine[4] / 2**18 * 1e3, 3),
        "n_cells": stage.fine[0] * stage.fine[1],
        "table_bytes": sum(a.nbytes for s in model.stages for a in s.arrays().values()),
        "half_widths": widths,
        "shift_inverse": _shift_inverse(optics[0], box),
    }
    return Calibrated(model, tuple(optics), floor, found)


def _known(cost: float) -> float | None:
    return round(cost, 4) if math.isfinite(cost) else None


def _shift_inverse(optic: Any, box: Box) -> float | None:
    """Return the inverse distance, 1/m, that a hundredth of a pixel's shift along the baseline is.

    None for one aperture, and where no pattern was learned whose pixels a slope moves.
    """
    if len(box.apertures) == 1 or not isinstance(optic, Pattern):
        return None
    apart = box.places_mm[1] - box.places_mm[0]
    baseline = float(np.hypot(*apart))
    step = 1e-3 * np.array([apart, -apart]) / baseline
    across, down = (float(of[0].mean() - of[1].mean()) / 2e-3 for of in optic.places(step))
    return round(10.0 / (math.hypot(across, down) * baseline), 6)


def _triangulation(box: Box) -> Triangulation:
    if len(box.apertures) == 1:
        return Triangulation(1, 0, 0, 1, 17, 0, 0)
    places = box.places_mm
    apart = places[1] - places[0]
    baseline = float(np.hypot(*apart))
    unit = np.round(apart / baseline * 8192).astype(int)
    real = 2.0**-14 / (baseline * 1e-3)
    shift = int(np.clip(15 - math.frexp(real)[1], 17, 46))
    middle = np.round(places.mean(axis=0) * 1e-3 * 2**20).astype(int)
    return Triangulation(
        2, int(unit[0]), int(unit[1]), round(math.ldexp(real, shift)), shift,
        int(middle[0]), int(middle[1]),
    )  # fmt: skip


def truth_of(samples: Samples, n_values: int) -> Float64:
    """Return the true values in the units of the outputs, (n, n_values)."""
    angles = np.arctan(samples.tangents) * 1e3
    inverse = 1e3 / samples.distance_mm
    every = np.column_stack([angles, inverse, samples.distance_mm])
    return np.asarray(every[:, :n_values])


def _half_widths(errors: Float64, keys: Sequence[Float64], coverage: float) -> Float64:
    """Return the half-widths of intervals that hold in each class of brightness and of distance.

    Of all frames together a share `coverage` would be within narrower ones; but of dim sources,
    whose noise is more, and of far ones, whose distance is less certain, not as many.
    """
    found = [np.quantile(errors, coverage, axis=0)]
    for key in keys:
        ends = np.unique(np.quantile(key, np.linspace(0, 1, _CLASSES + 1)))
        of_class = np.searchsorted(ends, key)
        for each in range(len(ends)):
            own = errors[of_class == each]
            if len(own) * (1.0 - coverage) >= 1.0:
                found.append(np.quantile(own, coverage, axis=0))
    return np.asarray(np.max(found, axis=0))


def _closing(
    stage: Registration,
    triangulation: Stage,
    samples: Samples,
    recipe: Recipe,
    dark: tuple[Sensor, WithoutSource],
    wider: float,
) -> tuple[Quantity, list[float]]:
    """Learn ranges, guards and half-widths from calibration readouts.

    A source is there while it explains twice the energy that noise, and what was read without a
    source, ever do; is about as bright as the dimmest that was calibrated, as intervals are of
    those; is no brighter than where some calibrated direction would saturate, or than it was in
    calibration; and leaves nothing beyond what is allowed. What seems nearer than all that was
    calibrated has no value: a shift of one optic along the baseline looks like that.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    evidence, _ = triangulation.run(stage.run(samples.values.astype(np.int32), {})[0], {})
    n = 4 if recipe.source.measures == "range" else 2
    scales = np.array([a / b for a, b in _SCALES[:n]])
    errors = np.abs(evidence[:, :n] * scales - truth_of(samples, n))
    keys = evidence[:, n].astype(np.float64), samples.distance_mm
    halves = wider * _half_widths(errors, keys, recipe.source.coverage)
    edge = math.radians(recipe.source.half_field_deg)
    widest = math.ceil((edge * 1e3 + halves[:2].max()) / scales[0])
    low, high = [-widest, -widest], [widest, widest]
    if n == 4:
        inverse = 1e3 / samples.distance_mm
        nearest = float(inverse.max()) + _NEARER * float(halves[2])
        ends = max(0.5 * float(inverse.min()), 16 * scales[2]), nearest
        low += [round(ends[0] / scales[2]), math.floor(1e3 / ends[1] / scales[3])]
        high += [round(ends[1] / scales[2]), math.ceil(1e3 / ends[0] / scales[3])]
    rng = np.random.default_rng(recipe.seed)
    sensor, quiet = dark
    sigma = math.sqrt(quiet.floor) * sensor.conversion_gain_dn_per_e
    drawn = np.round(rng.normal(0.0, sigma, (_NOISE_FRAMES, stage.n_in))).astype(np.int32)
    nothing = np.concatenate([drawn, quiet.values.astype(np.int32)])
    noise = stage.run(nothing, {})[0].reshape(len(nothing), -1, 4)[:, :, 2].max()
    full = sensor.saturation_counts - sensor.black_level_counts
    peaks = samples.values.max(axis=1)
    room = 2 * _OCTAVE * np.log2(full / np.maximum(peaks, 1))
    for aperture in range(len(stage.offsets)):
        seen = evidence[:, n + 2 * aperture]
        dimmest = max(int(noise) + _OCTAVE, int(seen.min()) - _DIMMER)
        low += [dimmest, -(2**31) + 1]
        most = max(float((seen + room).min()), float(seen.max()))
        high += [int(max(most, dimmest)), 0]
    if n == 4:
        reach = math.ceil(float(np.quantile(np.abs(evidence[:, -2]), 0.995)) * _ROOM) + 1
        along = evidence[:, -1].astype(np.float64)
        by_inverse = float(np.median(along / np.maximum(evidence[:, 2], 1)))
        low += [-reach, 1]
        high += [reach, math.ceil(along.max() + _NEARER * halves[2] / scales[2] * by_inverse)]
    widths = [max(1, math.ceil(h / s)) for h, s in zip(halves, scales, strict=True)]
    closing = Quantity(
        names=_NAMES[:n], units=_UNITS[:n],
        numerators=tuple(a for a, _ in _SCALES[:n]), denominators=tuple(b for _, b in _SCALES[:n]),
        half_widths=tuple(widths), low=tuple(low), high=tuple(high), settle=1,
    )  # fmt: skip
    return closing, [round(float(h), 6) for h in halves]
