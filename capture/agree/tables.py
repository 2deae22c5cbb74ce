"""Who called which cue what: the first labels and every finished blind review of a data set."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from capture.agree.added import ABSENT, added_takes
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
    """One cue that several labellers judged, or one movement without a cue that one of them marked.

    Parameters
    ----------
    participant : str
        Whose recording it is in.
    session : str
        Name of its file.
    cue_onset_s : float
        Start of the cue, or of the movement as first marked, seconds.
    takes : dict of str to (Event or None)
        What each labeller made of it, at least two; None where they marked no take.
    """

    participant: str
    session: str
    cue_onset_s: float
    takes: Mapping[str, Event | None]


def name_of(event: Event | None) -> str:
    """Return what a take is called: its label, ``rejected``, or ``absent`` where there is none."""
    if event is None:
        return ABSENT
    return event.trial_type if event.status == GOOD else REJECTED


def judged_cues(root: Path) -> tuple[Judged, ...]:
    """Return the cues that at least two labellers judged, in order of session and time.

    Takes that were added without a cue are among them, once for each movement. A blind review
    counts when it is finished. Where a cue was given again, its last take counts.

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
    events = {labeller: read_events(path) for labeller, path in tables.items()}
    by_cue: dict[float, dict[str, Event | None]] = {}
    for labeller, rows in events.items():
        for event in rows:
            if event.cue_onset_s is not None:
                by_cue.setdefault(round(event.cue_onset_s, 6), {})[labeller] = event
    asked = [
        Judged(info.participant_id, info.path.name, cue, takes)
        for cue, takes in by_cue.items()
        if len(takes) > 1
    ]
    added = [
        Judged(
            info.participant_id,
            info.path.name,
            min(take.onset_s for take in takes.values() if take is not None),
            takes,
        )
        for takes in added_takes(events)
    ]
    return sorted([*asked, *added], key=lambda cue: cue.cue_onset_s)


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
