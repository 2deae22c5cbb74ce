"""What is whole in a damaged recording: every chunk whose check sum holds, wherever it stands."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from mcap.opcode import Opcode

from capture.store.container import (
    DAMAGE,
    ENDS,
    MAGIC,
    MAX_RECORD,
    RECORD,
    StoredMessage,
    chunk_messages,
    unpack_chunk,
)
from capture.store.writer import FRAME_TOPIC, JSON_TOPICS

__all__ = ["Damage", "salvaged"]

_WINDOW = 1 << 20
_MAX_GUESSES = 10_000
"""How many places that look like a chunk are tried in one file: a bound for files made to cheat."""
_LONGEST_CUT = 2 * 2**20
"""More than any one record that a recorder writes."""
_KINDS = frozenset(int(opcode) for opcode in Opcode)


@dataclass(slots=True)
class Damage:
    """What was met in a file; grows as it is read.

    Parameters
    ----------
    n_whole : int
        Chunks whose check sum holds.
    n_stretches : int
        Stretches of the file that are not whole records; the cut end of a file is none.
    n_bytes : int
        Their bytes.
    """

    n_whole: int = 0
    n_stretches: int = 0
    n_bytes: int = 0


def salvaged(path: Path, damage: Damage) -> Iterator[StoredMessage | None]:
    """Yield the messages of every whole chunk in the order of the file; None for damage between.

    A record that is not whole is passed over by its length if another record stands behind it, else
    the next whole chunk is looked for byte by byte.
    """
    with path.open("rb") as file:
        records = _Records(file, path, file.seek(0, os.SEEK_END))
        place = len(MAGIC)
        while not records.end_at(place):
            found = records.whole_at(place)
            if found is not None:
                damage.n_whole += records.is_chunk(place)
                yield from found
                place = records.behind(place)
                continue
            resumed = records.next_whole(place)
            if resumed is None and records.cut_at(place):
                return
            damage.n_stretches += 1
            damage.n_bytes += (resumed or records.size) - place
            yield None
            if resumed is None:
                return
            place = resumed


@dataclass(slots=True)
class _Records:
    """The places of a file, and what stands there."""

    file: BinaryIO
    path: Path
    size: int
    # The first chunk names the channels; if it is lost, they are in the order of the writer's.
    topics: dict[int, str] = field(
        default_factory=lambda: dict(enumerate((FRAME_TOPIC, *JSON_TOPICS), 1))
    )
    guesses: int = 0

    def head(self, place: int) -> tuple[int, int]:
        """Kind and length of the record at a place; (-1, 0) if no record fits there."""
        self.file.seek(place)
        head = self.file.read(RECORD.size)
        kind, length = RECORD.unpack(head) if len(head) == RECORD.size else (-1, 0)
        return (kind, length) if kind in _KINDS and length <= MAX_RECORD else (-1, 0)

    def behind(self, place: int) -> int:
        return place + RECORD.size + self.head(place)[1]

    def is_chunk(self, place: int) -> bool:
        return self.head(place)[0] == Opcode.CHUNK

    def end_at(self, place: int) -> bool:
        """Whether the records of readouts end here: by their closing record, or with the file."""
        kind, length = self.head(place)
        return place >= self.size or (length == ENDS.get(Opcode(kind), -1) if kind > 0 else False)

    def cut_at(self, place: int) -> bool:
        """Whether the record at a place is merely cut off by the end of the file."""
        left = self.size - place
        cut_head = left < RECORD.size
        return left <= _LONGEST_CUT and (
            cut_head or (self.head(place)[0] > 0 and self.behind(place) > self.size)
        )

    def whole_at(self, place: int) -> list[StoredMessage] | None:
        """The messages of the record at a place; None if it is not whole."""
        kind, length = self.head(place)
        if kind < 0 or place + RECORD.size + length > self.size:
            return None
        if kind != Opcode.CHUNK:
            return []
        named = dict(self.topics)
        try:
            found = list(
                chunk_messages(unpack_chunk(self.file.read(length), str(self.path)), named)
            )
        except DAMAGE:
            return None
        self.topics = named
        return found

    def next_whole(self, place: int) -> int | None:
        """The place of the next record behind one that is not whole; None if there is none."""
        behind = self.behind(place)
        if self.head(place)[0] > 0 and behind < self.size and self.whole_at(behind) is not None:
            return behind
        found = self._next_chunk(place + 1)
        while found is not None and self.whole_at(found) is None:
            self.guesses += 1
            found = self._next_chunk(found + 1) if self.guesses < _MAX_GUESSES else None
        return found

    def _next_chunk(self, place: int) -> int | None:
        """The first place from here on that looks like the head of a chunk that fits."""
        sign = bytes([Opcode.CHUNK])
        while place + RECORD.size <= self.size:
            self.file.seek(place)
            window = self.file.read(_WINDOW + RECORD.size - 1)
            at = window.find(sign)
            while 0 <= at <= len(window) - RECORD.size:
                _, length = RECORD.unpack_from(window, at)
                if length <= MAX_RECORD and place + at + RECORD.size + length <= self.size:
                    return place + at
                at = window.find(sign, at + 1)
            place += _WINDOW
        return None
