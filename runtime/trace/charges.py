"""Charge, energy and time of each phase, with what frames and what the instrument leave open.

Two kinds of uncertainty are kept apart and then combined (JCGM 100:2008, the GUM, 4.2 and 4.3):
how frames differ among themselves, by a block bootstrap, since neighbours are alike (circular
blocks: Politis and Romano, "A circular block-resampling procedure for stationary data", 1992); and
bounds of the instrument's errors and of the sampling grid, any value within them as likely as
another (GUM 4.3.7). They are carried through by drawing (JCGM 101:2008), not by formulas.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.uncertainty import Interval, interval_of
from runtime.trace.cutting.phases import PHASES, Phase
from runtime.trace.cutting.sums import FrameRows
from runtime.trace.reading.bench_file import BenchFile

__all__ = ["Grid", "PhaseFigures", "Spread", "figures", "zeros_ua"]

Floats = NDArray[np.float64]

N_DRAWS = 2_000
_FEWEST_BLOCKS = 10
_FEWEST_HELD = 10.0
_LEAST_SLEEP = 0.1


@dataclass(frozen=True, slots=True)
class Grid:
    """What the sampling grid leaves open at edges, besides what frames show by differing.

    An edge counts in full where it falls at one place between two samples in every frame, or
    beside a segment that no sample sees whole; not at all where it falls anywhere, since then the
    error of a sample differs from frame to frame and averages out.

    Parameters
    ----------
    step_s : float
        Time between samples.
    edges_ua : dict of str to float
        Steps of current at the edges of each phase that count, added up in quadrature.
    edges : dict of str to float
        Number of them, likewise: the square root of the sum of their shares' squares.
    locked : float
        1 where edges fall at one place in every frame, 0 where anywhere.
    """

    step_s: float
    edges_ua: dict[Phase, float]
    edges: dict[Phase, float]
    locked: float


@dataclass(frozen=True, slots=True)
class Spread:
    """One figure: its mean, and 90 % intervals by frames, by the instrument, and by both."""

    mean: float
    frames: Interval
    instrument: Interval
    both: Interval

    def to_json(self) -> dict[str, object]:
        """Return the mean and the three intervals."""
        return {
            "mean": self.mean,
            **{
                key: {"low": one.low, "high": one.high}
                for key, one in (
                    ("by_frames", self.frames), ("by_instrument", self.instrument),
                    ("combined", self.both),
                )
            },
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class PhaseFigures:
    """What one phase takes in one frame.

    Parameters
    ----------
    phase : str
    time_us, charge_nc, energy_uj : Spread
        Of one frame.
    current_ua : Spread
        Mean current while it lasts.
    n_samples : float
        Samples that it lasts on average.
    draws : dict of str to float64 (n_draws,)
        Drawn values of ``time_us``, ``charge_nc`` and ``energy_uj``.
    """

    phase: Phase
    time_us: Spread
    charge_nc: Spread
    energy_uj: Spread
    current_ua: Spread
    n_samples: float
    draws: dict[str, Floats]


def block_length(values: Floats) -> int:
    """Return how many rows are drawn together.

    Notes
    -----
    n^(1/3), the rate of the best length for a variance (Hall, Horowitz and Jing, Biometrika 82,
    1995), and more where neighbours are alike: (2 r / (1 - r^2))^(2/3) n^(1/3) for a first-order
    correlation r (Carlstein, Ann. Statist. 14, 1986); both from memory. The longest of all columns.
    """
    n = len(values)
    centred = values - values.mean(axis=0)
    power = (centred**2).sum(axis=0)
    along = (centred[1:] * centred[:-1]).sum(axis=0)
    r = np.clip(np.divide(along, power, out=np.zeros_like(along), where=power > 0.0), 0.0, 0.99)
    wanted = math.ceil(n ** (1 / 3) * max(1.0, float(np.max((2 * r / (1 - r**2)) ** (2 / 3)))))
    return int(max(1, min(wanted, n // _FEWEST_BLOCKS)))


def bootstrap_means(rows: FrameRows, rng: np.random.Generator) -> Floats:
    """Return drawn means a frame, (n_draws, n_phases, n_columns)."""
    n, shape = len(rows), rows.values.shape[1:]
    flat = rows.values.reshape(n, -1)
    length = block_length(flat / rows.n_frames[:, None])
    ring = np.concatenate((flat, flat[: length - 1]))
    counts = np.concatenate((rows.n_frames, rows.n_frames[: length - 1]))
    of_blocks = np.cumsum(np.concatenate((np.zeros((1, flat.shape[1])), ring)), axis=0)
    of_blocks = of_blocks[length:] - of_blocks[:-length]
    in_blocks = np.convolve(counts, np.ones(length), "valid")
    n_blocks = max(1, round(n / length))
    found = np.empty((N_DRAWS, flat.shape[1]))
    for i in range(N_DRAWS):
        chosen = np.bincount(rng.integers(0, n, n_blocks), minlength=n)
        found[i] = (chosen @ of_blocks) / (chosen @ in_blocks)
    return found.reshape(N_DRAWS, *shape)


def zeros_ua(rows: FrameRows, bench: BenchFile) -> Floats:
    """Return by how much each range's zero stands above the narrowest one's, (n_ranges,).

    Notes
    -----
    Sleep is seen in a wider range while the instrument holds it after a frame, and in the narrowest
    one later; what differs is taken as the wider range's zero. 0 where either saw less than a tenth
    of the sleep or fewer than 10 samples of it a frame, or where they differ by more than the
    bounds of both zeros allow: then it is the device that differs.
    """
    n = len(bench.current.range)
    mean = rows.values[:, PHASES.index("sleep")].sum(axis=0) / rows.n_frames.sum()
    charge, time = mean[: 2 * n].reshape(2, n)
    seen = (time >= _FEWEST_HELD) & (time[0] >= _LEAST_SLEEP * time.sum())
    level = np.divide(charge, time, out=np.zeros(n), where=time > 0.0)
    apart = np.where(seen, level - level[0], 0.0)
    offsets = np.array([r.offset_error_ua for r in bench.current.range])
    return np.where(np.abs(apart) <= offsets + offsets[0], apart, 0.0)


def figures(
    rows: FrameRows,
    bench: BenchFile,
    grid: Grid,
    hidden_ua: Mapping[Phase, float],
    rng: np.random.Generator,
) -> tuple[PhaseFigures, ...]:
    """Return what each phase takes, with its intervals.

    Where zeros of ranges differ by no more than their bounds allow, the wider ones are brought to
    the narrowest one's; the bounds stand in the intervals all the same.

    Parameters
    ----------
    rows : FrameRows
        At least one.
    bench : BenchFile
        Bounds of the instrument's errors.
    grid : Grid
    hidden_ua : mapping of str to float
        Charge of a phase that the instrument may not have seen, in uA samples a frame.
    rng : numpy.random.Generator
        Draws frames and errors.
    """
    n_ranges = len(bench.current.range)
    mean = rows.values.sum(axis=0) / rows.n_frames.sum()
    drawn = bootstrap_means(rows, rng)
    for sums in (mean, drawn):
        _bring_to_one_zero(sums, zeros_ua(rows, bench))
    gain = _bounded(rng, [r.gain_error_percent / 100.0 for r in bench.current.range])
    offset = _bounded(rng, [r.offset_error_ua for r in bench.current.range])
    clock = _bounded(rng, [bench.time.error_ppm * 1e-6])
    volts = _bounded(rng, [bench.voltage.error_percent / 100.0])
    found = []
    for i, phase in enumerate(PHASES):
        edge = _edge_errors(rng, grid, phase)
        # Half of the draws hide nothing, so that the mean stays within the interval.
        unseen = np.maximum(0.0, rng.uniform(-1.0, 1.0, N_DRAWS)) * hidden_ua.get(phase, 0.0)
        of_phase = {}
        for key, sums in (("none", mean[i][None]), ("frames", drawn[:, i])):
            for errors in (False, True):
                on = 1.0 if errors else 0.0
                charge = sums[:, :n_ranges] * (1.0 + on * gain)
                charge = charge - on * offset * sums[:, n_ranges : 2 * n_ranges]
                raw, charge_sum = sums[:, :n_ranges].sum(axis=1), charge.sum(axis=1)
                time = sums[:, n_ranges : 2 * n_ranges].sum(axis=1) + on * edge[0]
                total = charge_sum + on * (edge[1] + unseen)
                # Energy follows charge: the supply hardly moves within a phase.
                mean_v = np.divide(sums[:, -1], raw, out=np.zeros_like(raw), where=raw != 0.0)
                step = grid.step_s * (1.0 + on * clock[:, 0])
                of_phase[key, errors] = {
                    "time_us": 1e6 * step * time,
                    "charge_nc": 1e3 * step * total,
                    "energy_uj": step * total * mean_v * (1.0 + on * volts[:, 0]),
                    "current_ua": total / np.maximum(time, 1e-12),
                }  # fmt: skip
        n_samples = float(mean[i, n_ranges : 2 * n_ranges].sum())
        spreads = {
            key: Spread(
                float(of_phase["none", False][key][0]),
                _interval(of_phase["none", False][key], of_phase["frames", False][key]),
                _interval(of_phase["none", False][key], of_phase["none", True][key]),
                _interval(of_phase["none", False][key], of_phase["frames", True][key]),
            )
            for key in ("time_us", "charge_nc", "energy_uj", "current_ua")
        }
        both = of_phase["frames", True]
        found.append(PhaseFigures(phase, **spreads, n_samples=n_samples, draws=both))
    return tuple(found)


def _bring_to_one_zero(sums: Floats, zeros: Floats) -> None:
    """Take each range's zero off sums in place, (..., n_columns)."""
    n = len(zeros)
    raw = sums[..., :n].sum(axis=-1)
    sums[..., :n] -= zeros * sums[..., n : 2 * n]
    kept = np.divide(sums[..., :n].sum(axis=-1), raw, out=np.ones_like(raw), where=raw != 0.0)
    sums[..., -1] *= kept


def _interval(middle: Floats, draws: Floats) -> Interval:
    return interval_of(float(middle[0]), draws)


def _bounded(rng: np.random.Generator, bounds: list[float]) -> Floats:
    """Draw errors within bounds, (n_draws, n_bounds)."""
    found: Floats = rng.uniform(-1.0, 1.0, (N_DRAWS, len(bounds))) * np.array(bounds)
    return found


def _edge_errors(rng: np.random.Generator, grid: Grid, phase: Phase) -> tuple[Floats, Floats]:
    """Draw what the grid leaves open of a phase: samples of time, and uA samples of charge.

    Half a sample either way at each edge that counts.
    """
    time = rng.uniform(-0.5, 0.5, N_DRAWS) * grid.edges[phase]
    charge = rng.uniform(-0.5, 0.5, N_DRAWS) * grid.edges_ua[phase]
    return time, charge
