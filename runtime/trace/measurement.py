"""A trace from file to charges: learned from its beginning, then cut as it streams."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError
from runtime.files import sha256_of
from runtime.trace.charges import PhaseFigures, figures, zeros_ua
from runtime.trace.cutting.frames import FrameShape, find_onsets, learn_shape
from runtime.trace.cutting.phases import Phase, name_segments
from runtime.trace.cutting.sums import Cutter, FrameRows, RunningRows
from runtime.trace.envelope import Envelope
from runtime.trace.health import (
    Clipping,
    check_markers,
    check_period,
    check_rate,
    check_unpowered,
    check_zero,
)
from runtime.trace.open_ends import Counts, cautions, grid_of, held_ua, hidden_ua
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import BLOCK, SampleBlock, Trace, joined
from runtime.trace.reading.sigrok import open_session
from runtime.trace.reading.tables import open_table

__all__ = ["Expected", "Measurement", "measure_trace", "open_trace"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LEARN = 1 << 22
"""Samples from which the shape is learned: at 100 kS/s 42 s, at 5 frames a second 200 frames."""
_REGULAR = 0.25
_UNLIKE = 0.2
_LONGEST_CARRY = 1 << 24


@dataclass(frozen=True, slots=True)
class Expected:
    """What the firmware was set to, by the bench file or a budget; None where nobody says."""

    pulse_us: float | None = None
    period_s: float | None = None


@dataclass(frozen=True, slots=True)
class Measurement:
    """What a trace says of one frame.

    Parameters
    ----------
    bench : BenchFile
    trace, sha256 : str
        Name and hash of the trace's file.
    rate_hz : float
    n_samples, n_frames, n_left_out : int
        Frames of another period than the rest are left out of the figures.
    period_s, jitter_s : float
        Mean time between frames, and its deviation from one to the next.
    phases : tuple of PhaseFigures
    mean_ua : float
        Mean of all samples, frames or not.
    shape : FrameShape
    names : tuple of str
        Phase of each of its segments.
    envelope : tuple of (float64, float64)
        Of the whole trace.
    envelope_step : int
        Samples a cell of it.
    cautions : tuple of str
        What costs accuracy, with its size.
    lost : dict of str to float
        Share of a phase's charge that the instrument may not have seen.
    held_ua : float64 (1 + n_draws,)
        Current while the sensor is on and nothing is lit or read, which is the lowest level among
        the readout's segments: its value, then draws.
    rows : FrameRows
        What the figures were worked out from.
    """

    bench: BenchFile
    trace: str
    sha256: str
    rate_hz: float
    n_samples: int
    n_frames: int
    n_left_out: int
    period_s: float
    jitter_s: float
    phases: tuple[PhaseFigures, ...]
    mean_ua: float
    shape: FrameShape
    names: tuple[Phase, ...]
    envelope: tuple[Floats, Floats]
    envelope_step: int
    cautions: tuple[str, ...]
    lost: dict[Phase, float]
    held_ua: Floats
    rows: FrameRows


def open_trace(path: Path, bench: BenchFile) -> Trace:
    """Open a trace by the ending of its name: ``.csv``, ``.parquet`` or ``.sr``.

    Raises
    ------
    UsageError
        It ends otherwise.
    FormatError
        It cannot be read.
    """
    ending = path.suffix.lower()
    if ending == ".sr":
        return open_session(path, bench)
    if ending in (".csv", ".parquet"):
        return open_table(path, bench)
    raise UsageError(str(path), "the trace's ending", ending or "none", ".csv, .parquet or .sr")


def measure_trace(
    trace: Trace, bench: BenchFile, expected: Expected, rng: np.random.Generator
) -> Measurement:
    """Measure the phases of a frame on a trace, in one pass and bounded memory.

    Raises
    ------
    FormatError
        The trace is damaged, clipped, too slow, of a wrong zero or unit, or holds no frames.
    """
    where = str(trace.path)
    stream = trace.blocks()
    beginning = _beginning(where, stream)
    rate = trace.rate_hz()
    check_unpowered(where, beginning, rate, bench)
    shape, names = _shape(where, beginning, rate, bench, expected)
    run = _Run(Cutter(shape, names, bench, rate), shape, bench)
    skip = round(bench.unpowered.to_s * rate) if bench.unpowered else 0
    for start in range(skip, len(beginning), BLOCK):
        run.take(beginning.part(start, min(start + BLOCK, len(beginning))))
    del beginning
    for block in stream:
        run.take(block)
    if bench.n_samples is not None and run.n_samples + skip != bench.n_samples:
        raise FormatError(
            where, "number of samples", run.n_samples + skip, bench.n_samples,
            "the trace is cut off; record or copy it again",
        )  # fmt: skip
    return _result(trace, bench, run, shape, names, rng)


def _beginning(where: str, stream: Iterator[SampleBlock]) -> SampleBlock:
    found: SampleBlock | None = None
    for block in stream:
        found = block if found is None else joined(found, block)
        if len(found) >= _LEARN:
            break
    if found is None or not len(found):
        raise FormatError(where, "number of samples", 0, "a second and more of frames")
    return found


def _shape(
    where: str, beginning: SampleBlock, rate: float, bench: BenchFile, expected: Expected
) -> tuple[FrameShape, tuple[Phase, ...]]:
    """Learn a frame's shape and name its segments; say first what makes that impossible."""
    check_markers(where, beginning, bench.markers.wired())
    offsets = [r.offset_error_ua for r in bench.current.range]
    apart = sum(sorted(offsets)[-2:]) if len(offsets) > 1 else 0.0
    skip = round(bench.unpowered.to_s * rate) if bench.unpowered else 0
    try:
        shape = learn_shape(where, beginning.part(skip, len(beginning)), apart)
    except FormatError:
        # Without an expected pulse nothing is known that could be too fast.
        if expected.pulse_us is not None:
            check_rate(where, rate, expected.pulse_us)
        raise
    check_period(
        where, shape.onsets.period / rate, expected.period_s, bench.time.channel is not None
    )
    pulse = None if expected.pulse_us is None else expected.pulse_us * 1e-6 * rate
    if expected.pulse_us is not None:
        check_rate(where, rate, expected.pulse_us)
    names = name_segments(where, shape, pulse)
    check_zero(where, shape, bench)
    return shape, names


class _Run:
    """The pass over the trace."""

    def __init__(self, cutter: Cutter, shape: FrameShape, bench: BenchFile) -> None:
        self._cutter, self._shape = cutter, shape
        self.rows = RunningRows(2 * len(bench.current.range) + 1)
        self.clipping, self.envelope = Clipping(bench), Envelope()
        self.n_samples = self.n_frames = self.n_left_out = self.n_unlike = 0
        self._usual_charge = 0.0
        self.total_ua = 0.0
        self._carry: SampleBlock | None = None
        self._starts = np.zeros(0, dtype=np.int64)  # onsets within the carry
        self._since_burst = 0
        self.period_sums = np.zeros(3)  # number, sum and squares of periods about the median

    def take(self, block: SampleBlock) -> None:
        """Take the next samples."""
        current = block.current_ua
        self.clipping.take(current)
        self.envelope.take(current)
        self.total_ua += float(current.sum())
        self.n_samples += len(block)
        new, self._since_burst = find_onsets(current, self._shape.onsets, self._since_burst)
        before = 0 if self._carry is None else len(self._carry)
        whole = block if self._carry is None else joined(self._carry, block)
        onsets = np.concatenate((self._starts, new + before))
        self._frames(whole, onsets)
        # The last onset's frame is not over; nor may the next one's window begin before it is here.
        keep = int(onsets[-1]) + self._cutter.first if len(onsets) else len(whole) - self._reach
        keep = max(0, min(keep, len(whole)), len(whole) - _LONGEST_CARRY)
        self._carry = whole.part(keep, len(whole))
        self._starts = onsets[-1:] - keep
        self._starts = self._starts[self._starts >= 0]

    @property
    def _reach(self) -> int:
        return max(0, -self._cutter.first)

    def _frames(self, whole: SampleBlock, onsets: Ints) -> None:
        starts = onsets + self._cutter.first
        periods = np.diff(onsets)
        median = self._shape.onsets.period
        regular = np.abs(periods - median) <= _REGULAR * median
        fits = (starts[:-1] >= 0) & (starts[:-1] + self._cutter.width <= len(whole))
        use = regular & fits
        self.n_left_out += int(np.count_nonzero(~regular))
        if use.any():
            sums = self._cutter.sums(whole, starts[:-1][use], starts[1:][use])
            self.rows.add(sums)
            self._compare(sums)
            self.n_frames += int(np.count_nonzero(use))
            off = periods[use] - median
            self.period_sums += (len(off), off.sum(), (off**2).sum())

    def _compare(self, sums: Floats) -> None:
        """Count frames whose charge is unlike that of the first ones."""
        charge = sums[:, :, : sums.shape[2] // 2].sum(axis=(1, 2))
        if not self.n_frames:
            self._usual_charge = float(np.median(charge))
        off = np.abs(charge - self._usual_charge)
        self.n_unlike += int(np.count_nonzero(off > _UNLIKE * abs(self._usual_charge)))


def _result(
    trace: Trace, bench: BenchFile, run: _Run, shape: FrameShape, names: tuple[Phase, ...],
    rng: np.random.Generator,
) -> Measurement:  # fmt: skip
    where, rate = str(trace.path), trace.rate_hz()
    if run.n_frames < 1:
        raise FormatError(where, "number of whole frames", 0, "one and more")
    run.clipping.check(where, run.n_frames)
    n, total, squares = run.period_sums
    period = shape.onsets.period + total / n
    variance = max(0.0, squares / n - (total / n) ** 2)
    grid = grid_of(shape, names, period, variance, int(n), 1.0 / rate)
    hidden = hidden_ua(run.clipping, run.n_frames, shape, names)
    rows = run.rows.rows()
    found = figures(rows, bench, grid, hidden, rng)
    counts = Counts(
        run.n_frames, run.n_left_out, run.n_unlike, float(run.n_frames * period / run.n_samples)
    )
    lost = {
        f.phase: hidden[f.phase] / (hidden[f.phase] + f.charge_nc.mean * rate / 1e3)
        for f in found
        if f.phase in hidden
    }
    return Measurement(
        bench, trace.path.name, sha256_of(trace.path), rate, run.n_samples, run.n_frames,
        run.n_left_out, period / rate, math.sqrt(variance) / rate, found,
        run.total_ua / run.n_samples, shape, names, run.envelope.cells(),
        run.envelope.samples_a_cell,
        tuple(cautions(counts, found, grid, lost)), lost,
        held_ua(shape, names, bench, zeros_ua(rows, bench), rng), rows,
    )  # fmt: skip
