"""What the samples of each frame add up to by phase, in memory bounded however long it runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.trace.cutting.frames import FrameShape
from runtime.trace.cutting.phases import PHASES, FrameCut, Phase, cut_frames, window_of
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import SampleBlock

__all__ = ["Cutter", "FrameRows", "RunningRows", "range_of", "sample_columns"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_MOST_ROWS = 4096
_CELLS = 1 << 21  # samples times segments cut at once


@dataclass(frozen=True, slots=True)
class FrameRows:
    """Sums over frames, or over several frames in a row.

    Parameters
    ----------
    values : float64 (n_rows, n_phases, n_columns)
        Columns: charge by range in uA samples, time by range in samples, energy in uW samples.
    n_frames : float64 (n_rows,)
    """

    values: Floats
    n_frames: Floats

    def __len__(self) -> int:
        return len(self.n_frames)


class RunningRows:
    """Rows as they come; neighbours are added together whenever there are too many."""

    def __init__(self, n_columns: int) -> None:
        self._values = np.zeros((0, len(PHASES), n_columns))
        self._part = np.zeros((1, len(PHASES), n_columns))
        self._in_part = 0
        self._a_row = 1

    def add(self, values: Floats) -> None:
        """Take the sums of some frames, (n_frames, n_phases, n_columns)."""
        room = self._a_row - self._in_part
        self._part += values[:room].sum(axis=0)
        self._in_part += min(room, len(values))
        if self._in_part == self._a_row:
            n_rows = len(values[room:]) // self._a_row
            after = room + n_rows * self._a_row
            whole = values[room:after].reshape(n_rows, self._a_row, *values.shape[1:]).sum(axis=1)
            self._values = np.concatenate((self._values, self._part, whole))
            self._part = values[after:].sum(axis=0, keepdims=True)
            self._in_part = len(values) - after
        while len(self._values) >= 2 * _MOST_ROWS:
            self._halve()

    def _halve(self) -> None:
        n = len(self._values) // 2
        if len(self._values) % 2:
            self._part = self._part + self._values[-1:]
            self._in_part += self._a_row
        self._values = self._values[: 2 * n].reshape(n, 2, *self._values.shape[1:]).sum(axis=1)
        self._a_row *= 2

    def rows(self) -> FrameRows:
        """Return the rows so far, the last one of fewer frames."""
        counts = np.full(len(self._values), float(self._a_row))
        if not self._in_part:
            return FrameRows(self._values, counts)
        return FrameRows(
            np.concatenate((self._values, self._part)), np.append(counts, float(self._in_part))
        )


def range_of(current: Floats, tops: Floats, hold: int) -> Ints:
    """Return the instrument's range of each reading: the narrowest, and a wider one held before.

    Parameters
    ----------
    current : float64 (n,)
    tops : float64 (n_ranges,)
        End of each range, rising.
    hold : int
        Readings for which a range that is needed no more is kept.
    """
    own = np.minimum(np.searchsorted(tops, np.abs(current)), len(tops) - 1)
    if not hold:
        return own
    at = np.arange(len(own))
    for wider in range(1, len(tops)):
        last = np.maximum.accumulate(np.where(own >= wider, at, -hold - 1))
        own = np.where(at - last <= hold, np.maximum(own, wider), own)
    return own


def sample_columns(block: SampleBlock, bench: BenchFile, hold: int) -> Floats:
    """Return what each sample adds, (n_samples, n_columns): see `FrameRows` and `range_of`."""
    tops = 1e3 * np.array([r.up_to_ma for r in bench.current.range])
    n = len(tops)
    current = block.current_ua
    of_range = range_of(current, tops, hold)
    found = np.zeros((len(current), 2 * n + 1))
    at = np.arange(len(current))
    found[at, of_range] = current
    found[at, n + of_range] = 1.0
    volts = block.voltage_v if block.voltage_v is not None else bench.voltage.supply_v
    found[:, -1] = current * np.asarray(volts)
    return found


class Cutter:
    """Cuts whole frames and sums their phases.

    Parameters
    ----------
    shape : FrameShape
    names : sequence of str
        Phase of each of its segments.
    bench : BenchFile
    rate_hz : float
    """

    def __init__(
        self, shape: FrameShape, names: Sequence[Phase], bench: BenchFile, rate_hz: float
    ) -> None:
        self._shape, self._names, self._bench = shape, tuple(names), bench
        self._hold = round(bench.current.hold_s * rate_hz)
        self.first, self.width = window_of(shape)
        self._to_phase = np.array(
            [[float(name == phase) for phase in PHASES] for name in self._names]
        )

    def sums(self, block: SampleBlock, starts: Ints, ends: Ints) -> Floats:
        """Return the sums of frames, (n_frames, n_phases, n_columns).

        Parameters
        ----------
        block : SampleBlock
        starts, ends : int64 (n_frames,)
            First sample of each frame's window in the block, and where the next one's begins;
            the whole window lies within the block.
        """
        columns = sample_columns(block, self._bench, self._hold)
        running = np.concatenate((np.zeros((1, columns.shape[1])), np.cumsum(columns, axis=0)))
        whole = running[ends] - running[starts]
        a_batch = max(1, _CELLS // (self.width * len(self._names)))
        parts = [
            self._active(block, columns, starts[i : i + a_batch])
            for i in range(0, len(starts), a_batch)
        ]
        active = np.concatenate(parts)
        sleep = PHASES.index("sleep")
        active[:, sleep] = 0.0
        active[:, sleep] = whole - active.sum(axis=1)
        return active

    def _active(self, block: SampleBlock, columns: Floats, starts: Ints) -> Floats:
        at = starts[:, None] + np.arange(self.width)
        marks = [(phase, high[at]) for phase, high in block.markers.items()]
        cut = cut_frames(block.current_ua[at], self._shape, marks, self._names)
        running = np.zeros((len(starts), self.width + 1, columns.shape[1]))
        np.cumsum(columns[at], axis=1, out=running[:, 1:])
        rows = np.arange(len(starts))[:, None]
        by_segment = np.diff(running[rows, cut.bounds], axis=1)
        self._move(by_segment, columns[at], block, at, cut)
        found: Floats = np.einsum("fsc,sp->fpc", by_segment, self._to_phase)
        return found

    def _move(
        self, by_segment: Floats, columns: Floats, block: SampleBlock, at: Ints, cut: FrameCut
    ) -> None:
        """Give shares of the samples on edges to the other side."""
        rows = np.arange(len(at))
        n = len(self._bench.current.range)
        volts = np.full(at.shape, self._bench.voltage.supply_v or 0.0)
        if block.voltage_v is not None:
            volts = block.voltage_v[at]
        for k in range(cut.moved.shape[1]):
            edge = cut.bounds[:, k + 1]
            for side, sample, source, target in ((0, edge - 1, k, k + 1), (1, edge, k + 1, k)):
                share = cut.moved[:, k, side]
                charge = share * cut.levels_ua[target]
                in_range = columns[rows, sample, n : 2 * n]
                given = np.concatenate(
                    (
                        in_range * charge[:, None],
                        in_range * share[:, None],
                        (charge * volts[rows, sample])[:, None],
                    ),
                    axis=1,
                )
                by_segment[:, source] -= given
                by_segment[:, target] += given
