"""What instrument and sampling leave open of a trace: edges, held readings, and their sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from runtime.trace.charges import N_DRAWS, Grid, PhaseFigures
from runtime.trace.cutting.frames import FrameShape
from runtime.trace.cutting.phases import PHASES, Phase
from runtime.trace.cutting.segments import MEDIAN_ERROR
from runtime.trace.health import LEAST_SAMPLES, Clipping
from runtime.trace.reading.bench_file import BenchFile

__all__ = ["cautions", "grid_of", "held_ua", "hidden_ua"]

Floats = NDArray[np.float64]

_WANTED = 0.02
"""Phases are wanted to 2 %; wider intervals are said in words."""
_SELDOM_HELD = 0.05  # readings a frame: fewer are chance
_JITTERS = 0.5
"""Variance of a period, in squared samples, above which it is not the sampling grid's alone."""


def grid_of(
    shape: FrameShape, names: tuple[Phase, ...], period: float, variance: float, n: int,
    step_s: float,
) -> Grid:  # fmt: skip
    """Return how edges fall on the grid: in one place if the period is a whole number."""
    locked = 0.0
    if variance < _JITTERS:
        turns = np.exp(2j * np.pi * np.arange(min(n, 1 << 16)) * (period % 1.0))
        locked = float(abs(turns.mean()))
    edges, steps = dict.fromkeys(PHASES, 0.0), dict.fromkeys(PHASES, 0.0)
    for (one, a), (other, b) in pairwise(zip(names, shape.segments, strict=True)):
        share = locked if a.whole and b.whole else 1.0
        for phase in {one, other} if one != other else ():
            steps[phase] = math.hypot(steps[phase], share * (b.level_ua - a.level_ua))
            edges[phase] = math.hypot(edges[phase], share)
    return Grid(step_s, steps, edges, locked)


def held_ua(
    shape: FrameShape, names: tuple[Phase, ...], bench: BenchFile, zeros: Floats,
    rng: np.random.Generator,
) -> Floats:  # fmt: skip
    """Return the current while the sensor is on and nothing is lit or read, then draws of it.

    The lowest level among the readout's segments, (1 + n_draws,), with its range's gain and the
    error of its median.
    """
    reading = [s for s, name in zip(shape.segments, names, strict=True) if name == "readout"]
    if not reading:
        return np.zeros(1 + N_DRAWS)
    quiet = min(reading, key=lambda s: s.level_ua)
    tops = np.array([1e3 * r.up_to_ma for r in bench.current.range])
    at = min(int(np.searchsorted(tops, quiet.level_ua)), len(tops) - 1)
    gain = rng.uniform(-1.0, 1.0, N_DRAWS) * bench.current.range[at].gain_error_percent / 100.0
    chance = rng.standard_normal(N_DRAWS) * quiet.spread_ua / math.sqrt(shape.n_frames)
    level = quiet.level_ua - zeros[at]
    return np.concatenate(([level], level * (1.0 + gain) + MEDIAN_ERROR * chance))


def hidden_ua(
    clipping: Clipping, n_frames: int, shape: FrameShape, names: tuple[Phase, ...]
) -> dict[Phase, float]:
    """Return uA samples a frame that readings held at a range's end may hide of a frame's start."""
    held = clipping.n_held / n_frames
    ranges = clipping.bench.current.range
    if len(ranges) < 2 or held < _SELDOM_HELD:
        return {}
    phase = names[1]
    level = max(s.level_ua for s, name in zip(shape.segments, names, strict=True) if name == phase)
    return {phase: held * max(0.0, level - 1e3 * ranges[-2].up_to_ma)}


def cautions(
    n_frames: tuple[int, int],
    found: tuple[PhaseFigures, ...],
    grid: Grid,
    lost: dict[Phase, float],
) -> Iterator[str]:
    """Yield what costs accuracy, with its size, a sentence each.

    Parameters
    ----------
    n_frames : tuple of int
        Frames measured, and frames left out.
    found : tuple of PhaseFigures
    grid : Grid
    lost : dict of str to float
        Share of a phase's charge that readings at a range's end may hide.
    """
    measured, left_out = n_frames
    if left_out:
        yield (
            f"{left_out} of {left_out + measured} frames came early or late by "
            "more than a quarter of the period and are left out"
        )
    for phase, share in lost.items():
        yield (
            f"readings stood at the end of a range while the instrument switched: up to "
            f"{share:.1%} of the charge of {phase} was not seen"
        )
    for one in found:
        if 0.0 < one.n_samples < LEAST_SAMPLES:
            yield (
                f"{one.phase} lasts {one.n_samples:.1f} samples: its interval holds the error of "
                "the sampling grid"
            )
    for one in found:
        half = (one.charge_nc.both.high - one.charge_nc.both.low) / 2.0
        if half > _WANTED * abs(one.charge_nc.mean) > 0.0:
            by = {
                "frames": one.charge_nc.frames,
                "the instrument and its sampling": one.charge_nc.instrument,
            }
            most = max(by, key=lambda k: by[k].high - by[k].low)
            yield (
                f"the charge of {one.phase} is known to {half / abs(one.charge_nc.mean):.1%} only, "
                f"most of it by {most}"
            )
    if grid.locked > 0.5:
        yield (
            "the frame period is a whole number of samples, so that edges fall at one place "
            "between samples and their error does not average out"
        )
    for phase in PHASES:
        if not any(f.n_samples > 0.0 for f in found if f.phase == phase):
            yield f"no {phase} was seen: no step of the current tells it from its neighbours"
