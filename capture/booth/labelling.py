"""Edits of one session's labels: saved at once, with who and when, one at a time."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any, Literal

import pydantic
from pydantic import ConfigDict

from capture.agree.tables import name_of
from capture.booth.editlog import finished, stacks
from capture.booth.label_sheet import UNLABELLED, LabelSheet, Table
from capture.cues.labels import GOOD, REJECTED, Event
from capture.store.dataset import SessionInfo
from capture.tsv_tables import alone_in
from runtime.errors import UsageError

__all__ = ["Edit", "StaleRevisionError", "apply_edit", "open_table"]

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
        ``change`` a take, ``add`` one that no cue asked for, ``undo`` or ``redo`` this labeller's
        last change, or ``finish`` a blind review.
    row : int, optional
        Which take to change, from 0 in order of onset.
    onset_s, duration_s, trial_type, status, reason : optional
        What it becomes; what is left out stays. A take that is added needs the first three.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    labeller: str
    blind: bool
    revision: str
    act: Literal["change", "add", "undo", "redo", "finish"]
    row: int | None = None
    onset_s: float | None = None
    duration_s: float | None = None
    trial_type: str | None = None
    status: str | None = None
    reason: str | None = None


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
        return LabelSheet(info, labeller, blind).table()


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
        sheet = LabelSheet(info, edit.labeller, edit.blind)
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
        if edit.act == "add":
            added = _added(edit, labels, now)
            _check_place(sheet.events, None, added, session_s, where)
            return sheet.table(sheet.save(None, added, now, "add"))
        if edit.act == "finish":
            _check_finish(sheet, where)
            sheet.finish(now)
            return sheet.table()
        return sheet.table(_taken_back(sheet, edit.act, session_s, now))


def _taken_back(
    sheet: LabelSheet, act: Literal["undo", "redo"], session_s: float, now: str
) -> int | None:
    """Put back what the labeller's last change was made of, or that change again."""
    where = sheet.info.path.name
    stack = stacks(sheet.log, sheet.labeller)[act == "redo"]
    if not stack:
        raise UsageError(where, f"changes to {act}", 0, "at least 1")
    last = stack[-1]
    old, new = (last.after, last.before) if act == "redo" else (last.before, last.after)
    present = next((event for event in sheet.events if event == new), None)
    lost = present is None and new is not None
    if lost or (old is None and last.act != "add"):
        raise UsageError(where, "the take", "changed since by somebody else", "as it was left")
    if old is not None:
        _check_place(sheet.events, present, old, session_s, where)
    return sheet.save(present, old, now, act)


def _chosen(sheet: LabelSheet, row: int | None, where: str) -> Event:
    if row is None or not 0 <= row < len(sheet.events):
        got = "missing" if row is None else row
        raise UsageError(where, "the take's number", got, f"0 to {len(sheet.events) - 1}")
    return sheet.events[row]


def _changed(before: Event, edit: Edit, labels: Sequence[str], now: str) -> Event:
    given = _given(edit, labels)
    if given.get("status") == GOOD:
        given["reason"] = ""
    after = dataclasses.replace(before, **given, labeller=edit.labeller, edited=now)
    if (after.status == REJECTED) != bool(after.reason.strip()):
        raise UsageError("take", "reason", repr(after.reason), "one for each rejected take")
    return after


def _added(edit: Edit, labels: Sequence[str], now: str) -> Event:
    given = _given(edit, labels)
    if set(given) != {"onset_s", "duration_s", "trial_type"} or edit.row is not None:
        raise UsageError(
            "take", "what is added", ", ".join(sorted(given)) or "nothing",
            "onset_s, duration_s and trial_type alone",
        )  # fmt: skip
    return Event(**given, labeller=edit.labeller, edited=now)


def _given(edit: Edit, labels: Sequence[str]) -> dict[str, Any]:
    """Return the fields of a row that an edit sets."""
    given = edit.model_dump(include=set(_CHANGEABLE), exclude_none=True)
    for name in ("onset_s", "duration_s"):
        if name in given:
            given[name] = round(given[name], 6)
    if "trial_type" in given and given["trial_type"] not in labels:
        raise UsageError("take", "label", repr(given["trial_type"][:40]), ", ".join(labels))
    return given


_CHANGEABLE = ("onset_s", "duration_s", "trial_type", "status", "reason")


def _check_place(
    events: Sequence[Event], before: Event | None, after: Event, session_s: float, where: str
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


def _check_finish(sheet: LabelSheet, where: str) -> None:
    if not sheet.blind:
        raise UsageError(where, "finish", "asked of an open review", "a blind one")
    open_takes = sum(name_of(event) == UNLABELLED for event in sheet.events)
    if open_takes or not sheet.events:
        raise UsageError(where, "takes without a label", open_takes or "all", 0, "name them first")
