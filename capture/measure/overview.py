"""A data set as a whole, session after session: how much signal there is, of what, and of whom."""

from __future__ import annotations

from collections.abc import Iterator

from capture.cues.labels import Event
from capture.frames import FrameBlock
from capture.measure.headroom import Headroom, headroom_caution, headroom_of
from capture.measure.readiness import (
    Caution,
    Light,
    few_of_a_class,
    judged_light,
    near_copies,
    twin_words,
)
from capture.measure.signs import Signs, SignsOfBlocks, Twins, find_twins
from capture.store.kind import KINDS, RECORDED, kind_of
from capture.store.session import Session

__all__ = ["Overview"]


class Overview:
    """Takes sessions one by one and keeps a few numbers for each of their frame pairs."""

    def __init__(self) -> None:
        self._names: list[str] = []
        self._people: list[str] = []
        self._signs: list[Signs] = []
        self._events: list[tuple[str, Event]] = []
        self._events_of: list[tuple[Event, ...]] = []
        self._kinds: set[str] = set()
        self._found: list[Twins] | None = None
        self._judged: tuple[Light, list[Caution]] | None = None

    def passing(self, session: Session) -> Iterator[FrameBlock]:
        """Yield a session's readouts to whoever reads them all, and look at them and its labels.

        A session that is not read to its end, because it is damaged, is not among those looked at.

        Raises
        ------
        FormatError
            The file is damaged.
        """
        signs = SignsOfBlocks(session.sensor)
        for block in session.blocks():
            signs.add(block)
            yield block
        self._found = self._judged = None
        self._signs.append(signs.result())
        self._names.append(session.path.name)
        self._people.append(session.participant)
        self._events_of.append(session.events)
        self._events += [(session.participant, event) for event in session.events]
        self._kinds.add(kind_of(session.header.description.firmware))

    def kinds(self) -> list[str]:
        """Return the kinds of data that were added, of `capture.store.kind.KINDS`."""
        return [kind for kind in KINDS if kind in self._kinds]

    def copies(self) -> list[str]:
        """Say which recordings of different people hold the same frames."""
        return [twin_words(twins, self._names) for twins in self._twins()]

    def cautions(self) -> list[Caution]:
        """Return what should be known before a model is trained on all of it."""
        if not self._signs:
            return []
        little = headroom_caution(self.headroom())
        return [
            *self._light()[1],
            *([] if little is None else [little]),
            *near_copies(self._people, self._names, self._signs, self._twins()),
            *few_of_a_class(self._events),
        ]

    def headroom(self) -> Headroom:
        """Return how much is saturated, and how many takes that touches."""
        return headroom_of(zip(self._signs, self._events_of, strict=True))

    def _light(self) -> tuple[Light, list[Caution]]:
        if self._judged is None:  # flicker is fitted to every recording: once is enough
            self._judged = judged_light(self._signs)
        return self._judged

    def _twins(self) -> list[Twins]:
        if self._found is None:  # every frame is held against all others: once is enough
            self._found = find_twins(self._people, self._signs)
        return self._found

    def lines(self) -> Iterator[str]:
        """Yield the whole in lines: figures first, then what is not ready."""
        if not any(len(each.values) for each in self._signs):
            return
        kinds = self.kinds()
        if kinds != [RECORDED]:
            yield f"kind of data: {' and '.join(kinds)}"
        n_people = len(set(self._people))
        yield f"all {len(self._signs)} sessions of {n_people} people: {self._light()[0]}"
        for text in self.copies():
            yield f"not fit: {text}"
        for caution in self.cautions():
            yield f"caution: {caution.text}"
