"""One time line over the runs of a sensor: each start counts and clocks from 0 again."""

from __future__ import annotations

from dataclasses import dataclass

from capture.frames import FramePair

__all__ = ["Gap", "TimeLine"]


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
class Place:
    """Where a frame pair is on the time line, and the gap that it ends, if it ends one."""

    sequence: int
    time_us: int
    gap: Gap | None


class TimeLine:
    """Gives each frame pair a sequence and a time that go on rising over lost connections.

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
        self.run = 0
        self.now_us = 0

    def begin_run(self, silent_s: float) -> None:
        """Expect the pairs of another start, `silent_s` seconds after the last pair came."""
        self.run += 1
        self._silent_s = silent_s

    def place(self, pair: FramePair) -> Place:
        """Return where the next frame pair is."""
        gap = None if self._silent_s is None else self._end_gap(pair, self._silent_s)
        sequence = pair.sequence + self._sequence_offset
        time_us = pair.time_us + self._time_offset_us
        if self._first_us is None:
            self._first_us = time_us
        self._next_sequence = sequence + 1
        self.now_us = time_us - self._first_us
        return Place(sequence, time_us, gap)

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
