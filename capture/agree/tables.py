"""Who called which cue what: the first labels and every finished blind review of a data set."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

from capture.cues.labels import GOOD, REJECTED, Event, read_events
from capture.store.dataset import SessionInfo, find_sessions
from runtime.errors import FormatError
from runtime.files import read_limited

__all__ = ["FIRST", "Judged", "judged_cues", "name_of"]

FIRST = "first"
"""What the labels that training reads are called beside those of second labellers."""
_LABELLER = re.compile(r"[A-Z][A-Z0-9]{0,15}")


@dataclass(frozen=True, slots=True)
class Judged:
    """One cue that several labellers judged.

    Parameters
    ----------
    participant : str
        Whose recording it is in.
    session : str
        Name of its file.
    cue_onset_s : float
        Start of the cue, seconds.
    takes : dict of str to Event
        What each labeller made of it; at least two.
    """

    participant: str
    session: str
    cue_onset_s: float
    takes: dict[str, Event]


def name_of(event: Event) -> str:
    """Return what a take is called: its label, or ``rejected``."""
    return event.trial_type if event.status == GOOD else REJECTED


def judged_cues(root: Path) -> tuple[Judged, ...]:
    """Return the cues that at least two labellers judged, in order of session and time.

    A blind review counts when it is finished. Where a cue was given again, its last take counts.

    Raises
    ------
    FormatError
        A table or a log of edits is wrong; the message names it.
    """
    return tuple(cue for info in find_sessions(root) for cue in _session_cues(info))


def _session_cues(info: SessionInfo) -> list[Judged]:
    if not info.events_path.exists():
        return []
    tables = {FIRST: info.events_path} | _finished_reviews(info)
    if len(tables) < 2:
        return []
    by_cue: dict[float, dict[str, Event]] = {}
    for labeller, path in tables.items():
        for event in read_events(path):
            if event.cue_onset_s is not None:
                by_cue.setdefault(round(event.cue_onset_s, 6), {})[labeller] = event
    return [
        Judged(info.participant_id, info.path.name, cue, takes)
        for cue, takes in sorted(by_cue.items())
        if len(takes) > 1
    ]


def _finished_reviews(info: SessionInfo) -> dict[str, Path]:
    """Return the tables of second labellers whose review is over, by their pseudonyms."""
    stem = info.events_path.name.removesuffix("_events.tsv")
    found = {}
    for path in sorted(info.path.parent.glob(f"{stem}_labeller-*_events.tsv")):
        labeller = path.name.removeprefix(f"{stem}_labeller-").removesuffix("_events.tsv")
        log = path.with_name(path.name.replace("_events.tsv", "_edits.jsonl"))
        if _LABELLER.fullmatch(labeller) and log.exists() and _is_finished(log):
            found[labeller] = path
    return found


def _is_finished(log: Path) -> bool:
    lines = read_limited(log).split(b"\n")
    for number, line in enumerate(lines, start=1):
        try:
            entry = json.loads(line)
            if entry["act"] == "finish":
                return True
        except (ValueError, KeyError, TypeError, RecursionError):
            if number < len(lines):  # the last line may be cut
                raise FormatError(f"{log} line {number}", "the edit", "wrong", "an edit") from None
    return False
