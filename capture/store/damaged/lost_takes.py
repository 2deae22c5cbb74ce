"""What becomes of labels when part of a recording is lost: times moved, cut takes rejected."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass

from capture.cues.labels import GOOD, REJECTED, Event

__all__ = ["Losses", "left_of"]

_REASON = "the recording is damaged here"


@dataclass(frozen=True, slots=True)
class Losses:
    """Where readouts are lost, seconds from what was the first frame pair.

    Parameters
    ----------
    stretches : tuple of (float, float)
        From the last frame pair before each loss to the first behind it, in order.
    first_s : float
        The first frame pair that is left; labels count from it from now on.
    last_s : float
        Up to where there are readouts; infinity if nothing is lost at the end.
    """

    stretches: tuple[tuple[float, float], ...]
    first_s: float
    last_s: float


def left_of(events: Iterable[Event], losses: Losses) -> tuple[Event, ...]:
    """Return what is left of labels: a good take that a loss cut is rejected from now on.

    A row that begins before the first frame pair that is left, or ends behind the last one, has no
    place any more and goes.
    """
    moved = (_moved(event, losses) for event in events)
    return tuple(event for event in moved if event is not None)


def _moved(event: Event, losses: Losses) -> Event | None:
    if event.onset_s < losses.first_s or event.end_s > losses.last_s:
        return None
    cut = event.status == GOOD and any(
        event.onset_s < end_s and event.end_s > start_s for start_s, end_s in losses.stretches
    )
    cue_s = event.cue_onset_s
    return dataclasses.replace(
        event,
        onset_s=round(event.onset_s - losses.first_s, 6),
        cue_onset_s=None if cue_s is None else round(max(0.0, cue_s - losses.first_s), 6),
        status=REJECTED if cut else event.status,
        reason=_REASON if cut else event.reason,
    )
