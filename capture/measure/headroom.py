"""Headroom: how much of a data set is saturated, and how many of its takes that touches.

A saturated pixel does not know what it would have been. At the recorded setting it is what the
sensor gives; for a weaker setting it is wrong, and makes that setting look worse than it is.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from capture.cues.labels import GOOD, Event
from capture.measure.readiness import Caution
from capture.measure.signs import Signs, read_signs
from capture.store.session import Session
from runtime.errors import UsageError

__all__ = [
    "MOST_TOUCHED",
    "Headroom",
    "headroom",
    "headroom_caution",
    "headroom_of",
    "refuse_little_headroom",
]

MOST_TOUCHED = 0.05
"""Two points are taken as the same accuracy, and of the takes that saturation touches, two in five
that are told wrongly for it would make two points."""


@dataclass(frozen=True, slots=True)
class Headroom:
    """What of some recordings is saturated.

    Parameters
    ----------
    saturated_fraction : float
        Share of all lit pixels that are saturated.
    n_takes, n_touched : int
        Good takes, and those in which a frame is saturated (more than 1 % of its lit pixels).
    """

    saturated_fraction: float
    n_takes: int
    n_touched: int

    @property
    def touched_fraction(self) -> float:
        """Share of the takes in which a frame is saturated."""
        return self.n_touched / max(1, self.n_takes)

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return dataclasses.asdict(self) | {"touched_fraction": self.touched_fraction}


def headroom(sessions: Iterable[Session]) -> Headroom:
    """Return what of some sessions is saturated; each is read once, in bounded memory.

    Raises
    ------
    FormatError
        A file is damaged.
    """
    return headroom_of((read_signs(s.blocks(), s.sensor), s.events) for s in sessions)


def headroom_of(recordings: Iterable[tuple[Signs, Iterable[Event]]]) -> Headroom:
    """Return the same from the signs of each recording's frame pairs, and its events."""
    saturated, n_frames, n_takes, n_touched = 0.0, 0, 0, 0
    for signs, events in recordings:
        saturated += float(signs.values[:, 2].sum())
        n_frames += len(signs.values)
        before = np.concatenate([[0], np.cumsum(signs.saturated)])
        for event in events:
            if event.status != GOOD:
                continue
            span = (event.onset_s, event.onset_s + event.duration_s)
            start, stop = np.searchsorted(signs.time_s, span)
            n_takes += 1
            n_touched += bool(before[stop] > before[start])
    return Headroom(saturated / max(1, n_frames), n_takes, n_touched)


def headroom_caution(found: Headroom) -> Caution | None:
    """Tell a collector that weaker settings cannot be judged from these recordings."""
    if found.touched_fraction <= MOST_TOUCHED:
        return None
    return Caution(
        "little headroom", round(found.touched_fraction, 6),
        f"{found.touched_fraction:.0%} of the takes have saturated frames: weaker settings cannot "
        f"be judged from them, at most {MOST_TOUCHED:.0%} may: record with less LED current or "
        "exposure where that is asked.",
    )  # fmt: skip


def refuse_little_headroom(found: Headroom, where: str, most_touched: float = MOST_TOUCHED) -> None:
    """Refuse recordings whose takes are saturated too often to tell of a weaker setting.

    Parameters
    ----------
    found : Headroom
    where : str
        The data set, for the message.
    most_touched : float
        Largest share of takes with a saturated frame.

    Raises
    ------
    UsageError
        More of them have one.
    """
    if found.touched_fraction > most_touched:
        raise UsageError(
            where,
            "share of takes with saturated frames",
            f"{found.touched_fraction:.1%} ({found.saturated_fraction:.1%} of all lit pixels)",
            f"at most {most_touched:.1%} to tell of weaker light",
            "record with headroom: less LED current or exposure, or the hand further away",
        )
