"""Samples of a trace as they come: blocks in one unit, evenly spaced in time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError

__all__ = ["BLOCK", "Clock", "SampleBlock", "Trace", "joined"]

Floats = NDArray[np.float64]

BLOCK = 1 << 18
"""Samples a block: some megabytes, whatever the trace's length."""
_MAX_SAMPLES = 1 << 40


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """Samples one after the other.

    Parameters
    ----------
    current_ua : float64 (n,)
    voltage_v : float64 (n,) or None
        None where the supply is one value.
    markers : dict of str to bool (n,)
        By phase.
    """

    current_ua: Floats
    voltage_v: Floats | None = None
    markers: dict[str, NDArray[np.bool_]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.current_ua)

    def part(self, start: int, stop: int) -> SampleBlock:
        """Return the samples from `start` to before `stop`."""
        cut = slice(start, stop)
        return SampleBlock(
            self.current_ua[cut],
            None if self.voltage_v is None else self.voltage_v[cut],
            {phase: high[cut] for phase, high in self.markers.items()},
        )


def joined(first: SampleBlock, second: SampleBlock) -> SampleBlock:
    """Return two blocks of the same channels as one."""
    voltage = None
    if first.voltage_v is not None and second.voltage_v is not None:
        voltage = np.concatenate((first.voltage_v, second.voltage_v))
    return SampleBlock(
        np.concatenate((first.current_ua, second.current_ua)),
        voltage,
        {k: np.concatenate((v, second.markers[k])) for k, v in first.markers.items()},
    )


class Clock:
    """Time stamps of a trace, held to one even spacing as they come.

    Parameters
    ----------
    where : str
        File, for errors.
    to_s : float
        Seconds in one unit of the stamps.
    """

    def __init__(self, where: str, to_s: float) -> None:
        self._where, self._to_s = where, to_s
        self._n, self._first, self._last = 0, 0.0, 0.0
        self.step_s = 0.0
        """Seconds between samples, as all stamps so far have it."""

    def take(self, stamps: Floats) -> None:
        """Take the next stamps.

        Raises
        ------
        FormatError
            They do not rise, or a gap says that samples are missing.
        """
        if not len(stamps):
            return
        time = self._to_s * stamps
        if self._n == 0:
            self._first = float(time[0])
        before = (
            self._last
            if self._n
            else float(time[0] - (time[1] - time[0] if len(time) > 1 else 0.0))
        )
        steps = np.diff(time, prepend=before)
        if self.step_s == 0.0 and len(steps) > 1:
            self.step_s = float(np.median(steps[1:]))
        self._check(steps)
        self._n += len(time)
        self._last = float(time[-1])
        if self._n > 1:
            self.step_s = (self._last - self._first) / (self._n - 1)

    def _check(self, steps: Floats) -> None:
        # Stamps are often rounded to a part of the spacing: half of it either way is no fault.
        backward = np.flatnonzero(steps < 0.0)
        row = 2 + self._n
        if len(backward) or self.step_s <= 0.0:
            at = int(backward[0]) if len(backward) else 0
            raise FormatError(
                f"{self._where}, row {row + at}", "time", "not rising", "one sample after the other"
            )
        wide = np.flatnonzero(steps > 1.5 * self.step_s)
        if len(wide):
            at = int(wide[0])
            raise FormatError(
                f"{self._where}, row {row + at}", "time since the row before",
                f"{steps[at]:.4g} s", f"{self.step_s:.4g} s as elsewhere",
                "record without gaps, samples are missing here",
            )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Trace:
    """A trace that can be read block by block.

    Parameters
    ----------
    path : Path
    blocks : callable
        Gives the blocks from the start, each at most `BLOCK` samples.
    rate_hz : callable
        Samples a second; right once all blocks have been taken.
    """

    path: Path
    blocks: Callable[[], Iterator[SampleBlock]]
    rate_hz: Callable[[], float]
