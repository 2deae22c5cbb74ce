"""Labels of a session: the events table after BIDS, takes refined from readout energy."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.tsv_tables import Row, read_table, write_table
from runtime.errors import FormatError
from runtime.files import write_whole
from runtime.tomlfile import WORD, WORD_TEXT

__all__ = [
    "COLUMN_TEXTS",
    "EVENT_COLUMNS",
    "GOOD",
    "REJECTED",
    "Event",
    "event_from_row",
    "kappa",
    "read_events",
    "refine",
    "write_events",
]

EVENT_COLUMNS = ("onset", "duration", "trial_type")
"""Columns that an events table must have."""
GOOD = "good"
REJECTED = "rejected"
_WORD = re.compile(WORD)
_MAX_S = 1e6


@dataclass(frozen=True, slots=True)
class Event:
    """One row of the events table: a take, or a stretch of idle time.

    Parameters
    ----------
    onset_s, duration_s : float
        Start, from the first frame pair of the session, and length; seconds.
    trial_type : str
        Label.
    repetition : int
        How many cues of this label came before.
    status : str
        ``good`` or ``rejected``.
    reason : str
        Why it is rejected; else empty.
    cue_onset_s, cue_duration_s : float or None
        The cue that the take answered; None for a label without one.
    labeller : str
        Who set the row: ``script``, ``energy`` (refined from the readout), or a pseudonym.
    edited : str
        When, as ISO 8601, for a person's edit; else empty.
    further : tuple of (str, str or None)
        Columns that somebody added to the table, each with its value; kept as they are.

    Raises
    ------
    FormatError
        A value is out of range; the message names it.
    """

    onset_s: float
    duration_s: float
    trial_type: str
    repetition: int = 0
    status: str = GOOD
    reason: str = ""
    cue_onset_s: float | None = None
    cue_duration_s: float | None = None
    labeller: str = "script"
    edited: str = ""
    further: tuple[tuple[str, str | None], ...] = ()

    def __post_init__(self) -> None:
        for name in ("onset_s", "duration_s", "cue_onset_s", "cue_duration_s"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and 0 <= value <= _MAX_S):
                raise FormatError("event", name[:-2], value, f"0 to {_MAX_S:.0f} seconds")
        if not _WORD.fullmatch(self.trial_type):
            raise FormatError("event", "trial_type", repr(self.trial_type[:40]), WORD_TEXT)
        if self.status not in (GOOD, REJECTED):
            raise FormatError("event", "status", repr(self.status), f"{GOOD} or {REJECTED}")
        if not 0 <= self.repetition <= 1_000_000:
            raise FormatError("event", "repetition", self.repetition, "0 to 1000000")
        for name in ("reason", "labeller", "edited"):
            value = getattr(self, name)
            if len(value) > 200 or not value.isprintable() or '"' in value:
                raise FormatError(
                    "event", name, repr(value[:40]), "up to 200 printable signs without quotes"
                )

    @property
    def end_s(self) -> float:
        """End, seconds from the first frame pair."""
        return self.onset_s + self.duration_s


# column of the table -> (field of Event, what the sidecar says about it)
_COLUMNS = {
    "onset": ("onset_s", "Start of the take, from the first frame pair.", "s"),
    "duration": ("duration_s", "Length of the take.", "s"),
    "trial_type": ("trial_type", "Label.", ""),
    "repetition": ("repetition", "How many cues of this label came before.", ""),
    "status": ("status", "good, or rejected: not for training.", ""),
    "reason": ("reason", "Why the take is rejected.", ""),
    "cue_onset": ("cue_onset_s", "Start of the cue that the take answered.", "s"),
    "cue_duration": ("cue_duration_s", "Length of that cue.", "s"),
    "labeller": ("labeller", "Who set the row: script, energy (refined from the readout), "
                 "or a person's pseudonym.", ""),
    "edited": ("edited", "When a person last edited the row, ISO 8601.", ""),
}  # fmt: skip

COLUMN_TEXTS: dict[str, dict[str, object]] = {
    column: {"Description": text, **({"Units": unit} if unit else {})}
    for column, (_, text, unit) in _COLUMNS.items()
}
"""What each column of the events table holds, as the file beside it says."""


def event_from_row(row: Row, where: str) -> Event:
    """Build an event from one row of a table, without its further columns.

    Raises
    ------
    FormatError
        A value is not a number or out of range; the message names `where` and the column.
    """
    values: dict[str, str | int | float] = {}
    for column, (name, _, unit) in _COLUMNS.items():
        text = row.get(column)
        if text is None:
            continue
        number = int if name == "repetition" else float if unit else str
        try:
            values[name] = number(text)
        except ValueError:
            expected = "a whole number" if number is int else "a number such as 1.5"
            raise FormatError(where, column, repr(text[:40]), expected) from None
    for column in EVENT_COLUMNS:
        if _COLUMNS[column][0] not in values:
            raise FormatError(where, column, "n/a", "a value")
    try:
        return Event(**values)  # type: ignore[arg-type]  # each converted by its column above
    except FormatError as error:
        raise FormatError(where, error.what, error.got, error.expected) from None


def read_events(path: Path) -> tuple[Event, ...]:
    """Read an events table.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, a column is missing, or a value is wrong; the message names the
        row.
    """
    events = []
    for number, row in read_table(path, EVENT_COLUMNS):
        event = event_from_row(row, f"{path} row {number}")
        further = tuple((column, row[column]) for column in row if column not in _COLUMNS)
        events.append(dataclasses.replace(event, further=further))
    return tuple(events)


def write_events(path: Path, events: Iterable[Event]) -> None:
    """Write an events table in order of onset, and the JSON sidecar that explains its columns.

    BIDS (Brain Imaging Data Structure 1.10, "Events") asks for ``onset`` and ``duration`` in
    seconds as the first two columns and ``n/a`` for what is not known. Columns that somebody added
    come last.
    """
    known = sorted(events, key=lambda event: event.onset_s)
    further = dict.fromkeys(column for event in known for column, _ in event.further)
    rows = [
        dict.fromkeys(further)
        | dict(event.further)
        | {column: _as_text(getattr(event, name)) for column, (name, *_) in _COLUMNS.items()}
        for event in known
    ]
    write_table(path, (*_COLUMNS, *further), rows)
    write_whole(path.with_suffix(".json"), (json.dumps(COLUMN_TEXTS, indent=2) + "\n").encode())


def _as_text(value: str | float | None) -> str | None:
    if isinstance(value, float):
        return f"{value:.6f}"
    return str(value) if value not in ("", None) else None


def refine(
    events: Sequence[Event],
    energy: npt.NDArray[np.float64],
    time_s: npt.NDArray[np.float64],
) -> tuple[Event, ...]:
    """Move the ends of each good take from its cue to the movement inside it.

    Parameters
    ----------
    events : sequence of Event
        Takes as cued; idle time and rejected takes are left as they are.
    energy : float64 array, shape (n_frames,)
        Readout energy: sum over the pixels of the absolute change of lit minus dark from the
        frame pair before, counts.
    time_s : float64 array, shape (n_frames,)
        Time of each frame pair from the first, seconds, rising.

    Returns
    -------
    tuple of Event
        A take whose movement stands out of the session's rest has its onset and duration there;
        another keeps its cue's.

    Notes
    -----
    Rest is the lower half of the session's energy: its median, and its spread by the median
    absolute deviation. A movement is what passes rest by eight spreads and by a tenth of the
    take's own peak; pauses inside it belong to it.
    """
    if energy.size < 8:
        return tuple(events)
    calm = np.sort(energy)[: energy.size // 2]
    rest = float(np.median(calm))
    spread = 1.4826 * float(np.median(np.abs(calm - rest))) + 1e-9
    refined = []
    for event in events:
        first, last = np.searchsorted(time_s, (event.onset_s, event.end_s))
        inside = energy[first:last]
        if event.status != GOOD or event.trial_type.startswith("idle") or inside.size < 3:
            refined.append(event)
            continue
        peak = float(inside.max())
        moving = np.flatnonzero(inside > rest + max(8 * spread, 0.1 * (peak - rest)))
        if moving.size < 2:
            refined.append(event)
            continue
        # The change seen at a frame pair began after the one before it.
        onset = float(time_s[max(first + moving[0] - 1, 0)])
        end = float(time_s[first + moving[-1]])
        refined.append(
            dataclasses.replace(
                event,
                onset_s=max(onset, event.onset_s),
                duration_s=round(end - max(onset, event.onset_s), 6),
                labeller="energy",
            )
        )
    return tuple(refined)


def kappa(first: Sequence[str], second: Sequence[str]) -> float:
    """Agreement of two labellers beyond chance: Cohen, "A coefficient of agreement", 1960.

    Parameters
    ----------
    first, second : sequence of str
        What each called the same takes.

    Returns
    -------
    float
        1 for full agreement, 0 for what chance gives; 1 also when both use one same label only.

    Raises
    ------
    FormatError
        The lengths differ or are 0.
    """
    if not first or len(first) != len(second):
        raise FormatError("agreement", "number of labels", len(second), f"{len(first)}, above 0")
    n = len(first)
    observed = sum(a == b for a, b in zip(first, second, strict=True)) / n
    chance = sum(first.count(x) * second.count(x) for x in set(first)) / n**2
    return 1.0 if chance == 1.0 else (observed - chance) / (1.0 - chance)
