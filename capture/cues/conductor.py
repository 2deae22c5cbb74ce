"""Leads a participant through the cues of a script, on the sensor's clock."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

from capture.cues.labels import GOOD, REJECTED, Event
from capture.cues.script import Cue

__all__ = ["Conductor", "Moment"]


@dataclass(frozen=True, slots=True)
class Moment:
    """What the participant sees now.

    Parameters
    ----------
    phase : str
        ``rest``, ``cue``, ``paused`` or ``done``.
    trial_type : str
        The cue that stands, or the one that comes next; empty when done.
    remaining_s : float
        Seconds until the phase ends; 0 while paused.
    """

    phase: str
    trial_type: str
    remaining_s: float


class Conductor:
    """The cues of a schedule, moved along when the session is paused or a take redone.

    Parameters
    ----------
    cues : sequence of Cue
        The schedule, at least one cue.
    tail_us : int
        Rest after the last cue, microseconds.
    lead_us : int
        Rest before a cue that is given again, microseconds.

    Notes
    -----
    All times are microseconds from the first frame pair and must not fall. `ended` holds the
    events in the order in which their cues ended; a redone take stays in it as rejected.
    """

    def __init__(self, cues: Sequence[Cue], tail_us: int, lead_us: int = 2_000_000) -> None:
        self._cues = tuple(cues)
        self._tail_us = tail_us
        self._lead_us = lead_us
        self._index = 0
        self._shift_us = 0
        self._paused_us: int | None = None
        self.ended: list[Event] = []

    @property
    def total_us(self) -> int:
        """When the script will be over as things stand."""
        return self._cues[-1].end_us + self._shift_us + self._tail_us

    @property
    def n_done(self) -> int:
        """Cues that are behind."""
        return self._index

    def advance(self, now_us: int) -> Moment:
        """Take the cues that ended into `ended` and return what stands now."""
        if self._paused_us is not None:
            return Moment("paused", self._cues[self._index].trial_type, 0.0)
        while self._index < len(self._cues) and now_us >= self._end(self._index):
            self.ended.append(self._event(self._index, self._end(self._index)))
            self._index += 1
        if self._index == len(self._cues):
            left_us = self.total_us - now_us
            return Moment("rest", "", left_us / 1e6) if left_us > 0 else Moment("done", "", 0.0)
        cue = self._cues[self._index]
        onset_us = cue.onset_us + self._shift_us
        if now_us < onset_us:
            return Moment("rest", cue.trial_type, (onset_us - now_us) / 1e6)
        return Moment("cue", cue.trial_type, (self._end(self._index) - now_us) / 1e6)

    def pause(self, now_us: int) -> None:
        """Stand still; a cue that is cut by it is rejected and given again afterwards."""
        self.advance(now_us)
        if self._paused_us is None and self._index < len(self._cues):
            self._reject_current(now_us, "paused")
            self._paused_us = now_us

    def resume(self, now_us: int) -> None:
        """Go on after a pause, with a moment of rest before the next cue."""
        if self._paused_us is not None:
            self._paused_us = None
            self._again(now_us)

    def redo(self, now_us: int, reason: str = "redone") -> None:
        """Give the cue that stands once more, or the last one if none stands."""
        self.advance(now_us)
        if self._paused_us is not None or (self._index == 0 and not self._stands(now_us)):
            return
        if self._stands(now_us):
            self._reject_current(now_us, reason)
        else:
            self._index -= 1
            last = max(i for i, event in enumerate(self.ended) if event.status == GOOD)
            self.ended[last] = dataclasses.replace(self.ended[last], status=REJECTED, reason=reason)
        self._again(now_us)

    def interrupt(self, before_us: int, now_us: int) -> None:
        """Account for a stretch without readouts: a cue that it touches is given again."""
        self.advance(before_us)
        if self._paused_us is None and self._index < len(self._cues):
            self._reject_current(before_us, "connection lost")
            self._again(now_us)

    def stop(self, now_us: int) -> None:
        """End early; a cue that stands is rejected."""
        self.advance(now_us)
        if self._paused_us is None and self._index < len(self._cues):
            self._reject_current(now_us, "stopped")
        self._index = len(self._cues)
        self._paused_us = None

    def _end(self, index: int) -> int:
        return self._cues[index].end_us + self._shift_us

    def _stands(self, now_us: int) -> bool:
        return (
            self._index < len(self._cues)
            and self._cues[self._index].onset_us + self._shift_us <= now_us
        )

    def _reject_current(self, now_us: int, reason: str) -> None:
        if self._stands(now_us):
            event = self._event(self._index, now_us)
            self.ended.append(dataclasses.replace(event, status=REJECTED, reason=reason))

    def _again(self, now_us: int) -> None:
        self._shift_us = now_us + self._lead_us - self._cues[self._index].onset_us

    def _event(self, index: int, end_us: int) -> Event:
        cue = self._cues[index]
        onset_us = cue.onset_us + self._shift_us
        onset_s, duration_s = onset_us / 1e6, (end_us - onset_us) / 1e6
        return Event(
            onset_s,
            duration_s,
            cue.trial_type,
            cue.repetition,
            cue_onset_s=onset_s,
            cue_duration_s=cue.duration_us / 1e6,
        )
