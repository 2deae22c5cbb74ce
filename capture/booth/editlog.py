"""The log of edits beside an events table: who changed what, and when; only ever appended."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

import pydantic
from pydantic import ConfigDict

from capture.cues.labels import Event
from runtime.errors import FormatError, UsageError
from runtime.files import read_limited

__all__ = ["Entry", "append_entry", "finished", "read_log", "stacks", "stem_of"]


class Entry(pydantic.BaseModel):
    """One line of the log.

    Parameters
    ----------
    revision : int
        Its number, from 1.
    time : str
        When, ISO 8601.
    labeller : str
        Who.
    act : str
        ``change``, ``add``, ``undo``, ``redo``, or ``finish`` of a blind review.
    before, after : Event or None
        The row as it was and as it became; none before a take was added, and after that was taken
        back.
    kappa, n_takes, n_alike : optional
        The agreement that a blind review ended with.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    revision: int
    time: str
    labeller: str
    act: Literal["change", "add", "undo", "redo", "finish"]
    before: Event | None = None
    after: Event | None = None
    kappa: float | None = None
    n_takes: int | None = None
    n_alike: int | None = None


def stem_of(events: Path) -> str:
    """Return what the names of a table and its log have in common."""
    return events.name.removesuffix("_events.tsv")


def _log_path(events: Path) -> Path:
    return events.with_name(f"{stem_of(events)}_edits.jsonl")


def read_log(events: Path) -> tuple[Entry, ...]:
    """Read the log of a table; a last line that a cut of power left unfinished is no edit.

    Raises
    ------
    FormatError
        A line is no edit; the message names it.
    """
    path = _log_path(events)
    if not path.exists():
        return ()
    lines = read_limited(path).split(b"\n")
    entries = []
    for number, line in enumerate(lines, start=1):
        try:
            entries.append(Entry.model_validate_json(line))
        except pydantic.ValidationError as error:
            if number == len(lines):
                break
            raise FormatError(
                f"{path} line {number}", "the edit", error.errors()[0]["msg"], "a JSON object"
            ) from None
    return tuple(entries)


def append_entry(events: Path, entry: Entry) -> None:
    """Append a line to the log of a table and bring it to the disk.

    Raises
    ------
    UsageError
        The disk refuses it.
    """
    path = _log_path(events)
    try:
        with path.open("ab") as file:
            file.truncate(read_limited(path).rfind(b"\n") + 1)  # a line that was cut is no edit
            file.write(entry.model_dump_json(exclude_none=True).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UsageError(
            str(path), "the edit", f"not writable ({error.strerror})", do="make room on the disk"
        ) from None


def finished(log: Sequence[Entry]) -> bool:
    """Tell whether a blind review is over."""
    return any(entry.act == "finish" for entry in log)


def stacks(log: Sequence[Entry], labeller: str) -> tuple[list[Entry], list[Entry]]:
    """Return a labeller's changes that can be taken back, and those taken back, newest last."""
    undo: list[Entry] = []
    redo: list[Entry] = []
    for entry in log:
        if entry.labeller != labeller or entry.act == "finish":
            continue
        source, target = (redo, undo) if entry.act == "redo" else (undo, redo)
        if entry.act in ("change", "add"):
            undo.append(entry)
            redo.clear()
        elif source:
            target.append(source.pop())
    return undo, redo
