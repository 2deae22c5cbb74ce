"""A session's file made whole again: what can be read is kept, what cannot is marked."""

from __future__ import annotations

import contextlib
import math
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from capture.cues.labels import GOOD, Event, read_events, write_events
from capture.store.damaged.lost_takes import Losses, left_of
from capture.store.damaged.salvage import Damage, salvaged
from capture.store.writer import FRAME_TOPIC, SessionHeader, SessionWriter
from runtime.errors import UsageError

__all__ = ["Mended", "mend"]


@dataclass(frozen=True, slots=True)
class Mended:
    """What came of a damaged or unfinished session.

    Parameters
    ----------
    n_pairs, n_chunks : int
        Frame pairs and chunks that were whole and are kept.
    n_stretches, n_bytes : int
        Damaged stretches of the file, and their bytes.
    n_lost : int
        Frame pairs known to be lost by their numbers; those behind the last one are not.
    n_cut : int
        Good takes of the events table that are so no more.
    original : Path or None
        Where the file is kept as it was; None if it was merely cut, and nothing else is in it.
    """

    n_pairs: int
    n_chunks: int
    n_stretches: int
    n_bytes: int
    n_lost: int
    n_cut: int
    original: Path | None


def mend(
    path: Path,
    header: SessionHeader,
    labels: Path,
    found_takes: Callable[[Path, Losses | None], tuple[Event, ...]],
) -> Mended:
    """Put what is whole of a session in its place, and the labels that still hold beside it.

    A file that is merely cut is finished. Where more than the end of its last record is unreadable,
    the file and its tables stay beside the mended ones under their names and ``.damaged``, and each
    loss is noted in ``/gaps``.

    Parameters
    ----------
    path : Path
        The file, held for writing by the caller.
    header : SessionHeader
        As its file says.
    labels : Path
        Its events table, which may be missing; other labellers' tables lie beside it.
    found_takes : callable
        Gives the labels of a session's file without a table, and given what it lost.

    Raises
    ------
    UsageError
        The original of an earlier damage is there already.
    Error
        The disk is full; everything stays as it was.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    damage, kept = Damage(), _Kept()
    try:
        with SessionWriter(part, header) as writer:
            _copy(path, writer, damage, kept)
        losses = kept.losses(header.description.sensor.frame_period_us)
        events = None if labels.exists() else found_takes(part, losses)
        if events is not None and losses is None:
            write_events(labels, events)  # first: cut short, all of it is done again
        original = _keep(path) if losses is not None else None
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    n_cut = 0
    if losses is not None:
        n_cut = _mark(labels, losses)
        if events is not None:
            write_events(labels, events)
    return Mended(
        kept.n, damage.n_whole, damage.n_stretches, damage.n_bytes, kept.n_lost, n_cut, original
    )


def _copy(path: Path, writer: SessionWriter, damage: Damage, kept: _Kept) -> None:
    for message in salvaged(path, damage):
        if message is None:
            kept.note_damage()
            continue
        if message.topic == FRAME_TOPIC:
            if not kept.take(message.sequence, message.time_us):
                continue
            if kept.gap is not None:
                writer.add_json("/gaps", kept.gap)
        writer.copy(message.topic, message.data, message.sequence, message.time_us)


def _keep(path: Path) -> Path:
    """Give a file a second name, under which it stays when it is replaced."""
    original = path.with_name(f"{path.name}.damaged")
    if original.exists():
        raise UsageError(
            str(original), "the original of an earlier damage", "there", do="move it elsewhere"
        )
    with contextlib.suppress(OSError):
        os.link(path, original)
        return original
    shutil.copyfile(path, original)  # a file system without links
    return original


def _mark(labels: Path, losses: Losses) -> int:
    """Bring the tables of all labellers in step with what is left; return how many takes are cut.

    The number is of `labels` alone.
    """
    n_cut = 0
    stem = labels.name.removesuffix("_events.tsv")
    for table in sorted(labels.parent.glob(f"{stem}*_events.tsv")):
        before = read_events(table)
        after = left_of(before, losses)
        if after == before:
            continue
        _keep(table)
        write_events(table, after)
        if table == labels:
            n_cut = _n_good(before) - _n_good(after)
    return n_cut


def _n_good(events: tuple[Event, ...]) -> int:
    return sum(event.status == GOOD for event in events)


@dataclass(slots=True)
class _Kept:
    """The frame pairs that are kept, and where others are lost between them."""

    n: int = 0
    n_lost: int = 0
    gap: dict[str, object] | None = None
    """What is to be noted before the frame pair that was just taken."""
    _damaged: bool = False
    _ever: bool = False
    _began_lost: bool = False
    _first: tuple[int, int] | None = None
    _last: tuple[int, int] = (-1, 0)
    _stretches_us: list[tuple[int, int]] = field(default_factory=list)

    def note_damage(self) -> None:
        self._damaged = self._ever = True
        self._began_lost |= self._first is None

    def take(self, sequence: int, time_us: int) -> bool:
        """Take the next frame pair; false for one that is out of order."""
        before, before_us = self._last
        if sequence <= before or (self._first is not None and time_us <= before_us):
            return False
        self.gap = None
        if self._damaged:
            self.gap = {"damaged_after_sequence": before, "damaged_until_sequence": sequence}
            self.n_lost += sequence - before - 1
            if self._first is not None:
                self._stretches_us.append((before_us, time_us))
            self._damaged = False
        self._first = self._first or (sequence, time_us)
        self._last = (sequence, time_us)
        self.n += 1
        return True

    def losses(self, period_us: float) -> Losses | None:
        """Return where readouts are lost; a lost beginning was as long as its numbers say."""
        if not self._ever:
            return None
        sequence, first_us = self._first or (0, 0)
        last, last_us = self._last
        if last > sequence:
            period_us = (last_us - first_us) / (last - sequence)
        began_us = first_us - (round(sequence * period_us) if self._began_lost else 0)
        return Losses(
            tuple(((a - began_us) / 1e6, (b - began_us) / 1e6) for a, b in self._stretches_us),
            (first_us - began_us) / 1e6,
            (last_us + period_us - began_us) / 1e6 if self._damaged else math.inf,
        )
