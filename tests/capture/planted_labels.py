"""Wrong labels planted into sound recordings, for the tests and the benchmark of label truth.

Only what an events table says is changed (and, for a session in which nothing is done, its
readouts): a label given to another take, a label laid on a stretch of idle time, every label of a
session one cue late.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from capture.cues.labels import GOOD, Event
from capture.frames import FrameBlock
from capture.store.session import Session

__all__ = ["Planted", "plant"]


@dataclass(frozen=True)
class Planted:
    """Sessions with what is wrong in them.

    Parameters
    ----------
    sessions : list of Session
    takes : dict of (session name, row) to str
        ``swapped`` or ``missed``.
    whole : dict of session name to str
        ``late`` or ``still``.
    """

    sessions: list[Session]
    takes: dict[tuple[str, int], str]
    whole: dict[str, str]


def plant(
    sessions: Sequence[Session],
    rng: np.random.Generator,
    *,
    swapped: float = 0.05,
    missed: float = 0.05,
    late: int = 1,
    still: int = 1,
) -> Planted:
    """Plant wrong labels into some takes, and make some whole sessions wrong.

    Parameters
    ----------
    sessions : sequence of Session
        Of one script.
    rng : Generator
        Chooses which.
    swapped, missed : float
        Shares of takes that get another label; that are laid on idle time.
    late, still : int
        Sessions whose labels come one cue late; in which nobody does anything.
    """
    order = [int(i) for i in rng.permutation(len(sessions))]
    kinds = dict.fromkeys(order[:late], "late") | dict.fromkeys(order[late : late + still], "still")
    out: list[Session] = []
    takes: dict[tuple[str, int], str] = {}
    for index, session in enumerate(sessions):
        kind = kinds.get(index)
        if kind == "late":
            out.append(dataclasses.replace(session, events=_late(session.events)))
        elif kind == "still":
            out.append(_still(session))
        else:
            changed, planted = _some(session, rng, swapped, missed)
            out.append(changed)
            takes |= {(session.path.name, row): what for row, what in planted.items()}
    whole = {sessions[index].path.name: kind for index, kind in kinds.items()}
    return Planted(out, takes, whole)


def _late(events: Sequence[Event]) -> tuple[Event, ...]:
    labels = [event.trial_type for event in events]
    moved = [labels[-1], *labels[:-1]]
    return tuple(
        dataclasses.replace(event, trial_type=label)
        for event, label in zip(events, moved, strict=True)
    )


def _some(
    session: Session, rng: np.random.Generator, swapped: float, missed: float
) -> tuple[Session, dict[int, str]]:
    events = list(session.events)
    names = sorted({event.trial_type for event in events})
    planted: dict[int, str] = {}
    idle = [i for i, e in enumerate(events) if e.trial_type == "idle" and e.status == GOOD]
    # Half of the idle time stays what it is: it is what stillness looks like.
    free = [int(i) for i in rng.permutation(idle)][: len(idle) // 2]
    gone: set[int] = set()
    for row, event in enumerate(events):
        draw = rng.random()
        if event.status != GOOD or row in gone or row in free:
            continue
        if draw < swapped:
            other = str(rng.choice([name for name in names if name != event.trial_type]))
            events[row] = dataclasses.replace(event, trial_type=other)
            planted[row] = "swapped"
        elif draw < swapped + missed and event.trial_type != "idle" and free:
            place = events[free.pop()]
            gone.add(events.index(place))
            cue_s = place.cue_onset_s if place.cue_onset_s is not None else place.onset_s
            events[row] = dataclasses.replace(
                event,
                onset_s=place.onset_s,
                duration_s=place.duration_s,
                cue_onset_s=cue_s,
                cue_duration_s=place.duration_s,
            )
            planted[row] = "missed"
    for row in gone:
        events[row] = dataclasses.replace(events[row], status="rejected", reason="taken away")
    return dataclasses.replace(session, events=tuple(events)), planted


class _StillSession(Session):
    """A recording whose every readout is one of its own idle time."""

    __slots__ = ()

    def blocks(self, max_frames: int = 256, since_us: int = 0) -> Iterator[FrameBlock]:
        """Yield the idle readouts over and over, at the times of the others."""
        blocks = list(super().blocks(max_frames, since_us))
        whole = FrameBlock.concatenate(blocks)
        time_s = (whole.time_us - whole.time_us[0]) / 1e6
        idle = np.concatenate(
            [
                np.flatnonzero((time_s >= event.onset_s) & (time_s < event.end_s))
                for event in self.events
                if event.trial_type == "idle" and event.status == GOOD
            ]
            or [np.arange(5)]
        )[:30]
        # There and back again, so that no jump looks like a movement.
        path = np.concatenate([idle, idle[::-1]])
        chosen = path[np.arange(len(whole.lit)) % len(path)]
        yield FrameBlock(
            whole.sequence, whole.time_us, whole.lit[chosen], whole.dark[chosen], whole.dark_time_us
        )


def _still(session: Session) -> Session:
    return _StillSession(session.path, session.header, session.events, session.finished)
