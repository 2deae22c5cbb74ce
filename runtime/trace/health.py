"""What can be wrong with a trace: clipped, too slow, wrong zero, wrong unit of time, dead pins.

Each fault is one line of the tree of errors; what only costs accuracy is a sentence with its size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.trace.cutting.frames import FrameShape
from runtime.trace.cutting.phases import Phase
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import SampleBlock

__all__ = [
    "Clipping", "check_markers", "check_period", "check_rate", "check_unpowered", "check_zero",
]  # fmt: skip

Floats = NDArray[np.float64]

LEAST_SAMPLES = 4.0
"""Samples that a pulse must hold: its two edges each fall into one, and a level takes two more."""
_AT_LIMIT = 1e-3  # share of a range's end within which a reading is its end
_CLEARLY = 0.05
_CLIPPED_FRAMES = 1e-3  # share of frames above which the charge cannot be trusted
_FLAT_PAIRS = 0.5
_AWAKE = 0.01  # share of the highest current above which tops are compared with other levels
_FEWEST_AT_TOP = 20
_UNITS_APART = 1.3
"""How near to a thousand the ratio of two periods must be to be a mistaken unit."""


def check_rate(where: str, rate_hz: float, pulse_us: float) -> None:
    """Refuse a trace that is sampled too slowly to see the LED's pulse.

    Raises
    ------
    FormatError
        The pulse holds fewer than `LEAST_SAMPLES`.
    """
    n = pulse_us * 1e-6 * rate_hz
    if n < LEAST_SAMPLES:
        raise FormatError(
            where, "sampling rate",
            f"{rate_hz:,.0f} Hz, {n:.2g} samples in a pulse of {pulse_us:g} us",
            f"at least {LEAST_SAMPLES * 1e6 / pulse_us:,.0f} Hz",
            "sample faster: pulses alias (or check the unit of time)",
        )  # fmt: skip


def check_period(where: str, period_s: float, expected_s: float | None, channel: bool) -> None:
    """Refuse a frame period that is a thousand times off: a unit of time was mistaken.

    Raises
    ------
    FormatError
        As said, or the period is not the expected one within a factor of 2.
    """
    if expected_s is None:
        return
    ratio = period_s / expected_s
    for factor, words in ((1e3, "larger"), (1e6, "larger"), (1e-3, "smaller"), (1e-6, "smaller")):
        if 1.0 / _UNITS_APART < ratio / factor < _UNITS_APART:
            key = "time.unit" if channel else "time.rate_hz"
            raise FormatError(
                where, "frame period", f"{period_s:.4g} s", f"{expected_s:.4g} s",
                f"check {key}: the time is a thousand times {words} than it should be, "
                "as when seconds are taken for milliseconds",
            )  # fmt: skip
    if not 0.5 < ratio < 2.0:
        raise FormatError(
            where, "frame period", f"{1e3 * period_s:.4g} ms", f"{1e3 * expected_s:.4g} ms",
            "check the state that was traced, its frame rate, and the unit of time",
        )  # fmt: skip


def check_markers(where: str, block: SampleBlock, channels: dict[Phase, str]) -> None:
    """Refuse a pin that never changes over the frames of `block`.

    Raises
    ------
    FormatError
        As said.
    """
    for phase, high in block.markers.items():
        if high.all() or not high.any():
            raise FormatError(
                where, f"marker {phase} (channel {channels[phase]})",
                f"{'high' if high.any() else 'low'} all the time", "one pulse a frame",
                "check the wire, or leave the marker out",
            )  # fmt: skip


def check_zero(where: str, shape: FrameShape, bench: BenchFile) -> None:
    """Refuse a current that lies below zero asleep by more than the instrument's zero may err.

    Raises
    ------
    FormatError
        As said.
    """
    allowed = bench.current.range[0].offset_error_ua + shape.floor_noise_ua / 10.0
    if shape.floor_ua < -allowed:
        raise FormatError(
            where, "current asleep", f"{shape.floor_ua:.4g} uA", f"at least {-allowed:.2g} uA",
            f"the zero is wrong: measure it without the device, and subtract it by "
            f"current.offset_ua (now {bench.current.offset_ua:g})",
        )  # fmt: skip


def check_unpowered(where: str, block: SampleBlock, rate_hz: float, bench: BenchFile) -> None:
    """Refuse a zero that is off, as read while the device had no power.

    Raises
    ------
    FormatError
        As said, or the stretch does not lie within the beginning of the trace.
    """
    if bench.unpowered is None:
        return
    start, stop = (round(s * rate_hz) for s in (bench.unpowered.from_s, bench.unpowered.to_s))
    if stop > len(block) or stop - start < 16:
        raise FormatError(
            where, "unpowered stretch", f"{stop - start} samples to sample {stop}",
            f"16 and more within the first {len(block)}",
        )  # fmt: skip
    zero = float(np.median(block.current_ua[start:stop]))
    allowed = bench.current.range[0].offset_error_ua
    if abs(zero) > allowed:
        raise FormatError(
            where, "current without power", f"{zero:.4g} uA", f"0 within {allowed:g} uA",
            f"the zero is wrong: set current.offset_ua to {bench.current.offset_ua + zero:.4g}",
        )  # fmt: skip


def _held_on_the_way_up(current: Floats, end: float) -> int:
    """Count readings at the end of a range, on the way from below it to above it."""
    at = np.flatnonzero(np.abs(current - end) <= _AT_LIMIT * end)
    if not len(at):
        return 0
    begins = at[np.diff(at, prepend=-2) > 1]
    ends = at[np.diff(at, append=len(current) + 1) > 1]
    inner = (begins > 0) & (ends < len(current) - 1)
    begins, ends = begins[inner], ends[inner]
    below = current[begins - 1] < (1.0 - _CLEARLY) * end
    above = current[ends + 1] > (1.0 + _CLEARLY) * end
    return int((ends - begins + 1)[below & above].sum())


@dataclass(slots=True)
class Clipping:
    """Counts readings at the end of a range, and flat tops, as samples come.

    Parameters
    ----------
    bench : BenchFile
    """

    bench: BenchFile
    n_over: int = 0
    n_held: int = 0
    top_ua: float = -np.inf
    n_top: int = 0
    n_top_pairs: int = 0
    n_pairs: int = 0
    n_equal_pairs: int = 0

    def take(self, current: Floats) -> None:
        """Count among the next samples."""
        ranges = [1e3 * r.up_to_ma for r in self.bench.current.range]
        self.n_over += int(np.count_nonzero(np.abs(current) >= (1.0 - _AT_LIMIT) * ranges[-1]))
        for end in ranges[:-1]:
            self.n_held += _held_on_the_way_up(current, end)
        if not len(current):
            return
        top = float(current.max())
        if top > self.top_ua:
            self.top_ua, self.n_top, self.n_top_pairs = top, 0, 0
        busy = current > _AWAKE * self.top_ua
        equal = (current[1:] == current[:-1]) & busy[1:] & busy[:-1]
        at_top = current == self.top_ua
        self.n_top += int(np.count_nonzero(at_top))
        self.n_top_pairs += int(np.count_nonzero(at_top[1:] & at_top[:-1]))
        below = busy & ~at_top
        self.n_pairs += int(np.count_nonzero(below))
        self.n_equal_pairs += int(np.count_nonzero(equal & below[1:]))

    def check(self, where: str, n_frames: int) -> None:
        """Refuse a trace that is clipped.

        Raises
        ------
        FormatError
            Readings lie at the end of the widest range, or stay at one highest value where others
            change from sample to sample.
        """
        end_ma = self.bench.current.range[-1].up_to_ma
        if self.n_over > max(1.0, _CLIPPED_FRAMES * n_frames):
            raise FormatError(
                where, "current", f"clipped: {self.n_over} samples at the range's end",
                f"below {end_ma:g} mA", "measure in a wider range",
            )  # fmt: skip
        flat = self.n_top_pairs / max(self.n_top, 1)
        elsewhere = self.n_equal_pairs / max(self.n_pairs, 1)
        if self.n_top >= _FEWEST_AT_TOP and flat > max(_FLAT_PAIRS, 2.0 * elsewhere):
            raise FormatError(
                where, "current",
                f"clipped: {self.n_top} samples at exactly {self.top_ua / 1e3:.4g} mA, its highest",
                "tops as noisy as the rest", "measure in a wider range",
            )  # fmt: skip
