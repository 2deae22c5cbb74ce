"""Edits of one session's labels: saved at once, with who and when, one at a time.

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
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import pydantic
from pydantic import ConfigDict

from capture.booth.agreement import Agreement, agreement, measure_agreement, name_of
from capture.booth.editlog import Entry, append_entry, finished, read_log, stacks, stem_of
from capture.cues.labels import GOOD, REJECTED, Event, read_events, write_events
from capture.store.dataset import SessionInfo
from capture.tsv_tables import alone_in
from runtime.errors import UsageError
from runtime.files import read_limited

__all__ = [
    "UNLABELLED",
    "Edit",
    "StaleRevisionError",
    "Table",
    "apply_edit",
    "open_table",
]

UNLABELLED = "unlabelled"
"""What a take is called in a second labeller's table until they name it."""
_LABELLER = re.compile(r"[A-Z][A-Z0-9]{0,15}")
_SHORTEST_S = 0.01


class StaleRevisionError(UsageError):
    """The labels were changed elsewhere since the caller read them; nothing was saved."""


class Edit(pydantic.BaseModel):
    """One edit that a labeller requests.

    Parameters
    ----------
    labeller : str
        Pseudonym: capital letter, then capital letters and digits, at most 16.
    blind : bool
        Of their own table as a second labeller; else of the table that training reads.
    revision : str
        What the caller's labels were at.
    act : str
        ``change`` a take, ``undo`` or ``redo`` this labeller's last change, or ``finish`` a blind
        review.
    row : int, optional
        Which take to change, from 0 in order of onset.
    onset_s, duration_s, trial_type, status, reason : optional
        What it becomes; what is left out stays.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    labeller: str
    blind: bool
    revision: str
    act: Literal["change", "undo", "redo", "finish"]
    row: int | None = None
    onset_s: float | None = None
    duration_s: float | None = None
    trial_type: str | None = None
    status: str | None = None
    reason: str | None = None


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


class _Sheet:
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

    def save(self, before: Event, after: Event, now: str, act: str) -> int:
        """Put one row in the place of another, write it down, and return where it stands."""
        old = self.events
        events = [event for event in old if event is not before]
        events.append(after)
        self.events = tuple(sorted(events, key=lambda event: event.onset_s))
        # The row itself says who and when: cut between the two writes, nothing is unaccounted.
        write_events(self.path, self.events)
        try:
            self._note(now, act, {"before": before, "after": after})
        except UsageError:  # no room for it: the table goes back to what the log says
            write_events(self.path, old)
            raise
        return self.events.index(after)

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


def open_table(info: SessionInfo, labeller: str, blind: bool) -> Table:
    """Return a session's labels as this labeller may see them.

    Raises
    ------
    UsageError
        The pseudonym is none; a blind review is asked for by somebody who set the first labels,
        or those are asked for by somebody in the middle of a blind review.
    FormatError
        A table or log is wrong; the message names file and row.
    """
    with alone_in(info.path.parent):
        return _Sheet(info, labeller, blind).table()


def apply_edit(
    info: SessionInfo, edit: Edit, labels: Sequence[str], session_s: float, now: str
) -> Table:
    """Carry out an edit and return the labels as they are then.

    Parameters
    ----------
    info : SessionInfo
        Whose labels.
    edit : Edit
        What to do.
    labels : sequence of str
        Names that a take may be given.
    session_s : float
        Length of the session, seconds; no take ends behind it.
    now : str
        When, ISO 8601.

    Raises
    ------
    StaleRevisionError
        The labels are no longer at the edit's revision.
    UsageError
        The edit cannot be carried out; nothing was saved.
    FormatError
        A value is out of range, or a table or log is wrong.
    """
    where = info.path.name
    with alone_in(info.path.parent):
        sheet = _Sheet(info, edit.labeller, edit.blind)
        if edit.revision != sheet.revision:
            raise StaleRevisionError(
                where, "the revision", edit.revision[:40], sheet.revision,
                "the labels were changed elsewhere: look at them again",
            )  # fmt: skip
        if edit.blind and finished(sheet.log):
            raise UsageError(where, "the blind review", "finished", "open", "nothing was changed")
        if edit.act == "change":
            before = _chosen(sheet, edit.row, where)
            after = _changed(before, edit, labels, now)
            if after == dataclasses.replace(before, labeller=after.labeller, edited=after.edited):
                return sheet.table(edit.row)
            _check_place(sheet.events, before, after, session_s, where)
            return sheet.table(sheet.save(before, after, now, "change"))
        if edit.act == "finish":
            _check_finish(sheet, where)
            sheet.finish(now)
            return sheet.table()
        stack = stacks(sheet.log, sheet.labeller)[edit.act == "redo"]
        if not stack:
            raise UsageError(where, f"changes to {edit.act}", 0, "at least 1")
        old, new = stack[-1].before, stack[-1].after
        if edit.act == "redo":
            old, new = new, old
        present = next((event for event in sheet.events if event == new), None)
        if present is None or old is None:
            raise UsageError(where, "the take", "changed since by somebody else", "as it was left")
        _check_place(sheet.events, present, old, session_s, where)
        return sheet.table(sheet.save(present, old, now, edit.act))


def _chosen(sheet: _Sheet, row: int | None, where: str) -> Event:
    if row is None or not 0 <= row < len(sheet.events):
        got = "missing" if row is None else row
        raise UsageError(where, "the take's number", got, f"0 to {len(sheet.events) - 1}")
    return sheet.events[row]


def _changed(before: Event, edit: Edit, labels: Sequence[str], now: str) -> Event:
    given = edit.model_dump(include=set(_CHANGEABLE), exclude_none=True)
    for name in ("onset_s", "duration_s"):
        if name in given:
            given[name] = round(given[name], 6)
    if "trial_type" in given and given["trial_type"] not in labels:
        raise UsageError("take", "label", repr(given["trial_type"][:40]), ", ".join(labels))
    if given.get("status") == GOOD:
        given["reason"] = ""
    after = dataclasses.replace(before, **given, labeller=edit.labeller, edited=now)
    if (after.status == REJECTED) != bool(after.reason.strip()):
        raise UsageError("take", "reason", repr(after.reason), "one for each rejected take")
    return after


_CHANGEABLE = ("onset_s", "duration_s", "trial_type", "status", "reason")


def _check_place(
    events: Sequence[Event], before: Event, after: Event, session_s: float, where: str
) -> None:
    if after.duration_s < _SHORTEST_S or after.end_s > session_s + 1e-6:
        raise UsageError(
            where, "the take", f"{after.onset_s:.3f} s to {after.end_s:.3f} s",
            f"at least {_SHORTEST_S:g} s within the session's {session_s:.3f} s",
        )  # fmt: skip
    if after.status != GOOD:
        return
    for other in events:
        if other is before or other.status != GOOD:
            continue
        overlap_s = min(after.end_s, other.end_s) - max(after.onset_s, other.onset_s)
        if overlap_s > 1e-6:
            raise UsageError(
                where, "the take", f"over another by {overlap_s:.3f} s", "no overlap of good takes"
            )


def _check_finish(sheet: _Sheet, where: str) -> None:
    if not sheet.blind:
        raise UsageError(where, "finish", "asked of an open review", "a blind one")
    open_takes = sum(name_of(event) == UNLABELLED for event in sheet.events)
    if open_takes or not sheet.events:
        raise UsageError(where, "takes without a label", open_takes or "all", 0, "name them first")


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
