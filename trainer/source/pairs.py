"""Two sources from a calibration of one: readouts of two are sums of those of single ones."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.alignment.geometry import SLOPE_BITS
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Float64
from runtime.stages.pair.bearings import Bearings
from runtime.stages.pair.pair import Pair
from trainer.align.pair import lower_pair, with_pair_tolerance
from trainer.recipe import Recipe
from trainer.source.calibrated import Calibrated, Samples

__all__ = ["APART_DEG", "Added", "added", "apart_deg", "calibrate_pair", "in_order"]

APART_DEG = 4.0
"""From here on two sources are told apart."""
_PAIRS = 600
_SHARES = (1.0, 0.5, 0.2)
"""Of the second source's light that is kept."""
_ROOM = 1.5
_TRIES = 40
_LESS = 16
"""Steps of the level below the dimmest source, half of its energy: what one source makes of two of
that brightness is more. Guards are at least as far above what noise explains."""
_NEARER = 4.0
"""Standard deviations of what both are apart by."""
_UNIT_MRAD = 125 / (1 << 15)
_NAMES = ("direction_x", "direction_y", "second_x", "second_y", "found")


def apart_deg(first: Float64, second: Float64) -> Float64:
    """Return the angle between directions given as tangents (n, 2), degrees."""
    a, b = (np.column_stack([t, np.ones(len(t))]) for t in (first, second))
    cosine = (a * b).sum(axis=1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    return np.asarray(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


@dataclass(frozen=True, eq=False)
class Added:
    """Readouts of two sources, added up from those of single ones.

    Parameters
    ----------
    values : int32 (n, n_box)
    tangents : float64 (n, 2, 2)
    """

    values: NDArray[np.int32]
    tangents: Float64


def added(samples: Samples, gain: float, full: int, rng: np.random.Generator) -> Added:
    """Add frames of one source to others from at least 4 degrees beside, a part of their light.

    Light adds, and so does its noise: a share q of a frame has the noise ``q**2`` of it, where a
    source as dim would have q, so that the difference is drawn. Sums that would fill a pixel are
    left out.

    Parameters
    ----------
    samples : Samples
    gain : float
        Conversion gain, counts an electron.
    full : int
        Counts at which a pixel is full, above black.
    rng : Generator
    """
    n = len(samples.values)
    values, places = [], []
    for _ in range(_TRIES):
        first, second = rng.integers(0, n, (2, _PAIRS // 4))
        kept = apart_deg(samples.tangents[first], samples.tangents[second]) >= APART_DEG
        first, second = first[kept], second[kept]
        share = rng.choice(_SHARES, len(first))[:, None]
        other = samples.values[second].astype(np.float64)
        more = np.maximum(other, 0.0) * gain * (share - share**2)
        other = share * other + rng.normal(0.0, 1.0, other.shape) * np.sqrt(more)
        whole = np.round(samples.values[first] + other).astype(np.int32)
        fits = whole.max(axis=1) <= full
        values.append(whole[fits])
        places.append(np.stack([samples.tangents[first], samples.tangents[second]], axis=1)[fits])
        if sum(len(v) for v in values) >= _PAIRS:
            break
    return Added(np.concatenate(values)[:_PAIRS], np.concatenate(places)[:_PAIRS])


def in_order(angles: Float64, truth: Float64) -> Float64:
    """Return true angles (n, 2, 2) in the order of those found, by the smaller whole error."""
    plain, turned = (np.abs(angles - t).sum(axis=(1, 2)) for t in (truth, truth[:, ::-1]))
    return np.where((plain <= turned)[:, None, None], truth, truth[:, ::-1])


def calibrate_pair(
    calibrated: Calibrated, samples: Samples, sensor: Sensor, recipe: Recipe
) -> Calibrated:
    """Return the model of two sources, from that of one and the frames it was calibrated with.

    Intervals are those of both: of frames of one source, and of sums of two. The sensor is one
    whose exposures are as the samples are: see `trainer.source.entered.as_one_exposure`.
    """
    assert recipe.source is not None  # noqa: S101 - asked only of recipes of a source
    *entry, one, _, closing = calibrated.model.stages
    assert isinstance(closing, Quantity)  # noqa: S101 - as `calibrate` makes it
    gain = sensor.conversion_gain_dn_per_e
    stage = lower_pair(one, calibrated.optics[0], sensor.max_counts, gain, calibrated.floor)  # type: ignore[arg-type]
    full = sensor.saturation_counts - sensor.black_level_counts
    both = added(samples, gain, full, np.random.default_rng([recipe.seed, 2]))
    # Guards of one source: its level, and that nothing is left.
    bearings = Bearings(max(closing.low[2], 0), max(closing.high[2], 0))
    stage = replace(stage, least_level=max(bearings.low - _LESS, 0))
    stage = with_pair_tolerance(stage, both.values, both.tangents, _ROOM)
    halves = _halves(stage, bearings, both, recipe.source.coverage)
    one_deviation = NormalDist().inv_cdf((1.0 + recipe.source.coverage) / 2.0)
    deviations = [half / one_deviation for half in halves]
    stage = replace(stage, apart=_least_apart(stage.apart, deviations))
    first = [max(a, b) for a, b in zip(closing.half_widths, halves[:2], strict=True)]
    widest = [
        math.ceil(math.radians(recipe.source.half_field_deg) * 1e3 / _UNIT_MRAD) + half
        for half in (max(first), max(halves[2:]))
    ]
    ends = (widest[0], widest[0], widest[1], widest[1])
    last = Quantity(
        names=_NAMES, units=("mrad",) * 4 + ("sources",), numerators=(125,) * 4 + (1,),
        denominators=(1 << 15,) * 4 + (1,), half_widths=(*first, *halves[2:], 0),
        low=(*(-end for end in ends), 1), high=(*ends, 2), settle=1,
    )  # fmt: skip
    model = Model(
        recipe.name, recipe.task, calibrated.model.sensor, (), (*entry, stage, bearings, last),
        calibrated.model.provenance,
    )  # fmt: skip
    found = calibrated.found | {
        "table_bytes": sum(a.nbytes for s in model.stages for a in s.arrays().values()),
        "half_widths": [round(h * _UNIT_MRAD, 6) for h in (*first, *halves[2:])],
    }
    return replace(calibrated, model=model, found=found)


def _least_apart(apart: int, deviations: list[float]) -> int:
    """Return how near two may seem, steps of 2**-18: what noise leaves of those 4 degrees apart.

    `deviations` are the standard deviations of the four angles, in a value's steps.

    What seems nearer than four standard deviations of the difference is nearer: there places that
    were fitted together are off by far more than intervals say.
    """
    least = math.radians(APART_DEG) * 1e3 / _UNIT_MRAD
    least -= _NEARER * math.hypot(max(deviations[:2]), max(deviations[2:]))
    return max(apart, round(math.tan(least * _UNIT_MRAD * 1e-3) * (1 << SLOPE_BITS)))


def _halves(stage: Pair, bearings: Bearings, both: Added, coverage: float) -> list[int]:
    """Return the half-widths of four angles, in steps, that hold of sums of two sources."""
    y = bearings.run(stage.run(both.values, {})[0], {})[0]
    kept = y[:, 4] == 2
    if not kept.any():
        return [1, 1, 1, 1]
    angles = np.asarray(y[kept, :4].reshape(-1, 2, 2) * _UNIT_MRAD, dtype=np.float64)
    errors = np.abs(angles - in_order(angles, np.arctan(both.tangents[kept]) * 1e3))
    found = np.quantile(errors.reshape(-1, 4), coverage, axis=0) / _UNIT_MRAD
    return [max(1, math.ceil(v)) for v in found]
