"""A labeller's sheet of one session: the table, its log of edits, and what may be seen of them.

Beside the events table of a session, ``X_events.tsv``, which training reads, may lie

- ``X_edits.jsonl``: each edit of that table, one JSON object a line, only ever appended;
- ``X_labeller-L2_events.tsv`` and ``X_labeller-L2_edits.jsonl``: what a second labeller called the
  same cues without having seen the first table, and their edits.

All lie in the participant's folder, so that forgetting the participant removes them too.
"""

from __future__ import annotations

import dataclasses
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from capture.booth.agreement import Agreement, agreement, measure_agreement
from capture.booth.editlog import Entry, append_entry, finished, read_log, stacks, stem_of
from capture.cues.labels import Event, read_events, write_events
from capture.store.dataset import SessionInfo
from runtime.errors import UsageError
from runtime.files import read_limited

__all__ = ["UNLABELLED", "LabelSheet", "Table"]

UNLABELLED = "unlabelled"
"""What a take is called in a second labeller's table until they name it."""
_LABELLER = re.compile(r"[A-Z][A-Z0-9]{0,15}")


@dataclass(frozen=True, slots=True)
class Table:
    """One labeller's view of a session's labels.

    Parameters
    ----------
    events : tuple of Event
        In order of onset.
    revision : str
        Number of edits so far and a digest of the table; changes with every change, whoever makes
        it.
    can_undo, can_redo : bool
        Whether this labeller has a change to take back, or one taken back.
    finished : bool
        A blind review that is over and can no longer change.
    agreements : tuple of Agreement
        Of finished second labellers; in a blind review only its own, and only when finished.
    row : int or None
        Where the take stands that was just changed.
    """

    events: tuple[Event, ...]
    revision: str
    can_undo: bool
    can_redo: bool
    finished: bool
    agreements: tuple[Agreement, ...]
    row: int | None = None


class LabelSheet:
    """A labeller's table and edit log on disk; open it only alone in the session's folder."""

    def __init__(self, info: SessionInfo, labeller: str, blind: bool) -> None:
        if not _LABELLER.fullmatch(labeller):
            raise UsageError(
                "labeller", "the pseudonym", repr(labeller[:40]), "1 to 16 capitals and digits"
            )
        self.info, self.labeller, self.blind = info, labeller, blind
        self.path = _labeller_path(info, labeller) if blind else info.events_path
        self.log = read_log(self.path)
        first = self.log if not blind else read_log(info.events_path)
        self.first = _read_rounded(info.events_path)
        if blind and labeller in {entry.labeller for entry in first} | {
            event.labeller for event in self.first
        }:
            raise UsageError(
                info.path.name, f"a blind review by {labeller}", "refused",
                "somebody who has not set its labels", "let another labeller do it",
            )  # fmt: skip
        if (
            not blind
            and _labeller_path(info, labeller).exists()
            and not finished(read_log(_labeller_path(info, labeller)))
        ):
            raise UsageError(
                info.path.name, f"a look at its labels by {labeller}", "refused",
                "the end of their blind review first", "go back to the blind review and finish it",
            )  # fmt: skip
        self.events = self.first if not blind else self._second()

    def _second(self) -> tuple[Event, ...]:
        if self.path.exists():
            return _read_rounded(self.path)
        return tuple(
            Event(
                cue.cue_onset_s, cue.cue_duration_s or 0.0, UNLABELLED,
                cue_onset_s=cue.cue_onset_s, cue_duration_s=cue.cue_duration_s,
            )
            for cue in sorted(self.first, key=lambda event: event.cue_onset_s or 0.0)
            if cue.cue_onset_s is not None
        )  # fmt: skip

    @property
    def revision(self) -> str:
        """Number of edits and digest of the table."""
        content = read_limited(self.path) if self.path.exists() else b""
        return f"{len(self.log)}.{hashlib.sha256(content).hexdigest()[:12]}"

    def save(self, before: Event | None, after: Event | None, now: str, act: str) -> int | None:
        """Put one row in the place of another, write it down, and return where it stands.

        Without one before, a row is added; without one after, it goes.
        """
        old = self.events
        events = [event for event in old if event is not before]
        events += [after] if after is not None else []
        self.events = tuple(sorted(events, key=lambda event: event.onset_s))
        # The row itself says who and when: cut between the two writes, nothing is unaccounted.
        write_events(self.path, self.events)
        try:
            self._note(now, act, {"before": before, "after": after})
        except UsageError:  # no room for it: the table goes back to what the log says
            write_events(self.path, old)
            raise
        return None if after is None else self.events.index(after)

    def finish(self, now: str) -> None:
        """Close a blind review with its agreement."""
        if not self.path.exists():
            write_events(self.path, self.events)
        self._note(now, "finish", measure_agreement(self.first, self.events))

    def _note(self, now: str, act: str, content: dict[str, object]) -> None:
        head = {"revision": len(self.log) + 1, "time": now, "labeller": self.labeller, "act": act}
        entry = Entry.model_validate(head | content)
        append_entry(self.path, entry)
        self.log = (*self.log, entry)

    def table(self, row: int | None = None) -> Table:
        """Return what the labeller may see."""
        undo, redo = stacks(self.log, self.labeller)
        closed = self.blind and finished(self.log)
        own = ((self.labeller, self.log, self.events),) if closed else ()
        second = own if self.blind else _finished_reviews(self.info)
        return Table(
            self.events,
            self.revision,
            bool(undo) and not closed,
            bool(redo) and not closed,
            closed,
            tuple(agreement(self.first, *review) for review in second),
            row,
        )


def _finished_reviews(
    info: SessionInfo,
) -> tuple[tuple[str, tuple[Entry, ...], tuple[Event, ...]], ...]:
    stem = stem_of(info.events_path)
    reviews = []
    for path in sorted(info.path.parent.glob(f"{stem}_labeller-*_events.tsv")):
        labeller = path.name.removeprefix(f"{stem}_labeller-").removesuffix("_events.tsv")
        log = read_log(path)
        if _LABELLER.fullmatch(labeller) and finished(log):
            reviews.append((labeller, log, _read_rounded(path)))
    return tuple(reviews)


def _labeller_path(info: SessionInfo, labeller: str) -> Path:
    path = info.events_path
    return path.with_name(f"{stem_of(path)}_labeller-{labeller}_events.tsv")


def _read_rounded(path: Path) -> tuple[Event, ...]:
    """Read a table to the microsecond, as it is written back, in order of onset."""
    events = read_events(path) if path.exists() else ()
    return tuple(
        sorted(
            (
                dataclasses.replace(
                    event,
                    **{
                        name: round(value, 6)
                        for name in ("onset_s", "duration_s", "cue_onset_s", "cue_duration_s")
                        if (value := getattr(event, name)) is not None
                    },
                )
                for event in events
            ),
            key=lambda event: event.onset_s,
        )
    )
