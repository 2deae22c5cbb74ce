"""One time line over the runs of a sensor: each start counts and clocks from 0 again."""

from __future__ import annotations

from dataclasses import dataclass

from capture.frames import FramePair

__all__ = ["ClockLeap", "Gap", "TimeLine"]

_SLOWER = 10.0
"""How many times longer than it says a sensor may take for a frame pair and still be believed."""
_REST_US = 1e6
"""What it may rest besides."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without readouts, because the connection was lost.

    Parameters
    ----------
    after_sequence : int
        Last frame pair before it; -1 if there was none.
    silent_s : float
        How long it lasted on the host's clock, seconds.
    sequence_offset, time_offset_us : int
        What is added from here on to the sensor's own sequence and clock.
    before_us, now_us : int
        Its two ends, microseconds from the first frame pair.
    """

    after_sequence: int
    silent_s: float
    sequence_offset: int
    time_offset_us: int
    before_us: int
    now_us: int


@dataclass(frozen=True, slots=True)
class ClockLeap:
    """A sensor's clock that fell or leapt while its sequence went on: a wrap, a restart, a fault.

    Parameters
    ----------
    after_sequence : int
        Last frame pair before it.
    leap_us : int
        How far the clock moved more than the sequence did, microseconds; below 0 when it fell.
    time_offset_us : int
        What is added from here on to the sensor's own clock.
    """

    after_sequence: int
    leap_us: int
    time_offset_us: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where a frame pair is on the time line; the gap, or leap of the clock, that it ends."""

    sequence: int
    time_us: int
    gap: Gap | None
    leap: ClockLeap | None = None


class TimeLine:
    """Gives each frame pair a sequence and a time that go on rising over lost connections.

    A frame pair whose clock falls, or leaps by more than ten times what its sequence says and a
    second besides, is not believed alone: it is left out. When the next one bears it out, the clock
    is taken to have begun anew, and time goes on by the sequence and the frame period.

    Parameters
    ----------
    period_us : float
        From one frame pair to the next, microseconds.

    Attributes
    ----------
    run : int
        How often the sensor was started again.
    now_us : int
        Time of the newest frame pair, microseconds from the first.
    """

    def __init__(self, period_us: float) -> None:
        self._period_us = period_us
        self._first_us: int | None = None
        self._next_sequence = 0
        self._sequence_offset = 0
        self._time_offset_us = 0
        self._silent_s: float | None = None  # at the first pair of a run
        self._doubted: tuple[int, int] | None = None  # sequence and clock of the pair left out
        self.run = 0
        self.now_us = 0

    @property
    def offset_us(self) -> int:
        """What is added to the sensor's own clock for the time line."""
        return self._time_offset_us

    def begin_run(self, silent_s: float) -> None:
        """Expect the pairs of another start, `silent_s` seconds after the last pair came."""
        self.run += 1
        self._silent_s = silent_s

    def place(self, pair: FramePair) -> Place | None:
        """Return where the next frame pair is; None for one whose clock is not to be believed."""
        gap = None if self._silent_s is None else self._end_gap(pair, self._silent_s)
        sequence = pair.sequence + self._sequence_offset
        leap = None
        if self._first_us is None:
            self._first_us = pair.time_us + self._time_offset_us
        elif gap is None and not self._believed(
            sequence - self._next_sequence + 1,
            pair.time_us + self._time_offset_us - self._first_us - self.now_us,
        ):
            leap = self._begin_clock_anew(pair, sequence, self._first_us + self.now_us)
            if leap is None:
                return None
        self._doubted = None
        time_us = pair.time_us + self._time_offset_us
        self._next_sequence = sequence + 1
        self.now_us = time_us - self._first_us
        return Place(sequence, time_us, gap, leap)

    def _believed(self, n_pairs: int, passed_us: int) -> bool:
        return 0 < passed_us <= _SLOWER * n_pairs * self._period_us + _REST_US

    def _begin_clock_anew(self, pair: FramePair, sequence: int, last_us: int) -> ClockLeap | None:
        """Move the clock to where the sequence says, if the pair before bears this one out."""
        before, self._doubted = self._doubted, (sequence, pair.time_us)
        if before is None or not self._believed(sequence - before[0], pair.time_us - before[1]):
            return None
        said_us = pair.time_us + self._time_offset_us
        went_us = round((sequence - self._next_sequence + 1) * self._period_us)
        self._time_offset_us += last_us + went_us - said_us
        leap_us = said_us - last_us - went_us
        return ClockLeap(self._next_sequence - 1, leap_us, self._time_offset_us)

    def _end_gap(self, pair: FramePair, silent_s: float) -> Gap:
        self._silent_s = None
        lost = max(0, round(1e6 * silent_s / self._period_us) - 1)
        before_us = self.now_us
        first_us = self._first_us or 0
        last_us = first_us + before_us
        self._sequence_offset = self._next_sequence + lost - pair.sequence
        # The device's clock may have gone on, or begun anew with the device.
        if pair.time_us + self._time_offset_us <= last_us:
            self._time_offset_us = last_us + round((lost + 1) * self._period_us) - pair.time_us
        return Gap(
            self._next_sequence - 1,
            silent_s,
            self._sequence_offset,
            self._time_offset_us,
            before_us,
            pair.time_us + self._time_offset_us - first_us,
        )
