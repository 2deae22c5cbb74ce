"""A data set: a folder of sessions laid out after BIDS, and the people who gave them.

::

    dataset_description.json
    participants.tsv
    sub-P01/ses-01/sub-P01_ses-01_task-dynamic_readouts.mcap
    sub-P01/ses-01/sub-P01_ses-01_task-dynamic_events.tsv     labels; .json explains the columns
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from capture.store.forgotten import digest_of, forgotten_in
from capture.store.kind import kind_of
from capture.store.session import READOUTS_SUFFIX, events_path, read_session
from capture.tsv_tables import Row, alone_in, rows_of, write_table
from runtime.errors import FormatError, UsageError
from runtime.files import as_path, read_limited, write_whole

__all__ = [
    "PARTICIPANT_COLUMNS",
    "Dataset",
    "Participant",
    "SessionInfo",
    "add_participant",
    "find_sessions",
    "hold_kind",
    "open_dataset",
    "participant_from_row",
    "prepare_dataset",
    "read_description",
    "read_participants",
    "remembered",
    "require_consent",
    "session_path",
    "write_participants",
]

_PSEUDONYM = re.compile(r"[A-Za-z0-9]{1,32}")
_READOUTS = re.compile(
    r"sub-(?P<participant>[A-Za-z0-9]+)_ses-(?P<session>[A-Za-z0-9]+)"
    r"_task-(?P<task>[a-z][a-z0-9_]*)_readouts\.mcap"
)
_HANDEDNESS = ("right", "left", "ambidextrous")
_BIDS_VERSION = "1.10.0"
PARTICIPANT_COLUMNS = ("participant_id", "consent")
"""Columns that ``participants.tsv`` must have."""


@dataclass(frozen=True, slots=True)
class Participant:
    """One person, under a pseudonym.

    Parameters
    ----------
    participant_id : str
        Pseudonym, such as ``P01``: letters and digits, never a name.
    consent : bool
        The person has agreed to be recorded and to the use of the recordings for training.
    hand_length_mm, hand_breadth_mm : float or None
        Measured hand, millimetres.
    handedness : str or None
        ``right``, ``left`` or ``ambidextrous``.
    skin_reflectance : float or None
        Measured at the LED's wavelength, 0 to 1.
    locked : bool
        Kept for the final test: never trained or chosen on.

    Raises
    ------
    FormatError
        A value is out of range; the message names it.
    """

    participant_id: str
    consent: bool = False
    hand_length_mm: float | None = None
    hand_breadth_mm: float | None = None
    handedness: str | None = None
    skin_reflectance: float | None = None
    locked: bool = False

    def __post_init__(self) -> None:
        if not _PSEUDONYM.fullmatch(self.participant_id):
            raise FormatError(
                "participant", "pseudonym", repr(self.participant_id[:40]),
                "1 to 32 letters and digits",
            )  # fmt: skip
        limits = {"hand_length_mm": 400.0, "hand_breadth_mm": 200.0, "skin_reflectance": 1.0}
        for name, high in limits.items():
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and 0 < value <= high):
                raise FormatError("participant", name, value, f"above 0, at most {high:g}")
        if self.handedness not in (None, *_HANDEDNESS):
            raise FormatError("participant", "handedness", self.handedness, _HANDEDNESS)


@dataclass(frozen=True, slots=True)
class SessionInfo:
    """Where a session is; open it with `capture.store.session.read_session`."""

    path: Path
    participant_id: str
    session: str
    task: str

    @property
    def events_path(self) -> Path:
        """Its labels, which may be missing."""
        return events_path(self.path)


@dataclass(frozen=True, slots=True)
class Dataset:
    """A data set: `participants` by pseudonym, `sessions` by participant, session and task."""

    path: Path
    participants: tuple[Participant, ...]
    sessions: tuple[SessionInfo, ...]

    def participant(self, participant_id: str) -> Participant:
        """Return a participant by pseudonym; UsageError if there is none."""
        for participant in self.participants:
            if participant.participant_id == participant_id:
                return participant
        raise UsageError(
            str(self.path / "participants.tsv"),
            "participant",
            repr(participant_id),
            "one of the table",
        )


def session_path(root: Path, participant_id: str, session: str, task: str) -> Path:
    """Return where the readouts of a session belong."""
    stem = f"sub-{participant_id}_ses-{session}_task-{task}"
    return root / f"sub-{participant_id}" / f"ses-{session}" / f"{stem}{READOUTS_SUFFIX}"


def prepare_dataset(root: Path, name: str = "Lensless sensor readouts") -> None:
    """Make the folder of a data set, or leave one that is there as it is.

    A folder in which nothing but TOML files lie, a study's plan and its scripts, becomes one.

    Raises
    ------
    UsageError
        The folder holds something else, or cannot be made.
    """
    description = root / "dataset_description.json"
    try:
        root.mkdir(parents=True, exist_ok=True)
        with alone_in(root):
            if description.exists():
                return
            if any(path.suffix != ".toml" for path in root.iterdir()):
                raise UsageError(
                    str(root), "the folder", "no data set", "an empty one", "choose another"
                )
            content = {"Name": name, "BIDSVersion": _BIDS_VERSION, "DatasetType": "raw"}
            write_whole(description, (json.dumps(content, indent=2) + "\n").encode())
    except OSError as error:
        raise UsageError(
            str(root), "the folder", f"unusable ({error.strerror})", "a folder"
        ) from None


def hold_kind(root: Path, kind: str) -> None:
    """Write into a data set's description which kind of data it holds; it holds one only.

    Parameters
    ----------
    kind : str
        One of `capture.store.kind.KINDS`.

    Raises
    ------
    UsageError
        It says another kind already, or says none and holds sessions of another.
    """
    path = root / "dataset_description.json"
    with alone_in(root):
        content = read_description(root)
        said = content.get("DataKind")
        if said is None and any(root.glob(f"sub-*/ses-*/*{READOUTS_SUFFIX}")):
            kinds = {kind_of(read_session(info.path, with_labels=False).header.description.firmware)
                     for info in find_sessions(root)}  # fmt: skip
            said = " and ".join(sorted(kinds)) or None
        if said not in (None, kind):
            raise UsageError(
                str(root), "kind of data in it", f"{said}", kind,
                "keep each kind in a data set of its own",
            )  # fmt: skip
        if content.get("DataKind") != kind:
            content["DataKind"] = kind
            write_whole(path, (json.dumps(content, indent=2) + "\n").encode())


def require_consent(participant: Participant) -> None:
    """Refuse to go on without a participant's consent: UsageError."""
    if not participant.consent:
        raise UsageError(
            participant.participant_id,
            "consent",
            "not given",
            "given before the first frame",
            "ask the person, and record only with their consent",
        )


def remembered(root: Path, participant: Participant) -> Participant:
    """Return a participant with what the data set knows of them already.

    What is None keeps its older value, and who is locked stays locked: forgotten once, the person
    would be trained on. Both are taken back by hand in ``participants.tsv``.
    """
    path = root / "participants.tsv"
    for known, _ in _people_in(path):
        if known.participant_id == participant.participant_id:
            given = {n: v for n in _FIELDS if (v := getattr(participant, n)) is not None}
            given["locked"] = participant.locked or known.locked
            return dataclasses.replace(known, **given)
    return participant


def add_participant(root: Path, participant: Participant) -> None:
    """Write a participant's row into ``participants.tsv``, in place of an older one.

    Raises
    ------
    UsageError
        The pseudonym is of somebody who was forgotten: merging would leave out what is recorded. Or
        it differs from another one by its case alone.
    """
    who = f"participant {participant.participant_id}"
    if digest_of(participant.participant_id) in forgotten_in(root):
        do = "pseudonyms are not given twice"
        raise UsageError(str(root), who, "forgotten", "a new pseudonym", do)
    path = root / "participants.tsv"
    with alone_in(root):
        known = [person for person, _ in _people_in(path)]
        others = [p for p in known if p.participant_id != participant.participant_id]
        for other in others:  # their folders would be one where case does not tell names apart
            if other.participant_id.casefold() == participant.participant_id.casefold():
                said = f"{other.participant_id} but for its case"
                raise UsageError(str(root), who, said, "another pseudonym")
        if participant not in known:
            write_participants(root, (*others, participant))


def write_participants(root: Path, participants: tuple[Participant, ...]) -> None:
    """Write ``participants.tsv``, ordered by pseudonym; further columns of an older one stay."""
    path = root / "participants.tsv"
    older = {known.participant_id: (known, row) for known, row in _people_in(path)}
    columns = dict.fromkeys((*_FIELDS, *next((row for _, row in older.values()), ())))
    rows = []
    for participant in sorted(participants, key=lambda p: p.participant_id):
        known, row = older.get(participant.participant_id, (None, {}))
        row = columns | row
        if known != participant:
            row |= {name: _as_text(getattr(participant, name)) for name in _FIELDS}
            row["participant_id"] = f"sub-{participant.participant_id}"
        rows.append(row)
    write_table(path, tuple(columns), rows)


def _as_text(value: str | float | bool | None) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return None if value is None else str(value)


def participant_from_row(row: Row, where: str) -> Participant:
    """Build a participant from a row of ``participants.tsv``; FormatError names `where`."""
    try:
        return _participant(*map(row.get, _FIELDS))
    except FormatError as error:
        raise FormatError(where, error.what, error.got, error.expected) from None


_FIELDS = tuple(field.name for field in dataclasses.fields(Participant))


@functools.lru_cache(maxsize=1 << 14)  # a study's table is read anew with each recording
def _participant(name: str | None, *told: str | None) -> Participant:
    consent, length, breadth, handedness, reflectance, locked = told
    return Participant(
        (name or "").removeprefix("sub-"), _flag(consent, "consent"),
        _number(length, "hand_length_mm"), _number(breadth, "hand_breadth_mm"), handedness,
        _number(reflectance, "skin_reflectance"), _flag(locked, "locked"),
    )  # fmt: skip


def read_participants(path: Path) -> tuple[Participant, ...]:
    """Read ``participants.tsv``; FormatError names the first wrong row."""
    return tuple(person for person, _ in _people_of(read_limited(path), str(path)))


def _people_in(path: Path) -> tuple[tuple[Participant, Row], ...]:
    return _people_of(read_limited(path), str(path)) if path.exists() else ()


@functools.lru_cache(maxsize=2)  # whoever begins a recording asks three times
def _people_of(content: bytes, where: str) -> tuple[tuple[Participant, Row], ...]:
    """Return who is in a table, each with the row, which is not to be changed."""
    people = []
    for number, row in rows_of(content, where, PARTICIPANT_COLUMNS):
        if isinstance(row, FormatError):
            raise row
        people.append((participant_from_row(row, f"{where} row {number}"), row))
    for name, count in Counter(known.participant_id for known, _ in people).most_common(1):
        if count > 1:
            raise FormatError(where, f"number of rows of sub-{name}", count, 1)
    return tuple(people)


def _flag(text: str | None, column: str) -> bool:
    if text is not None and text not in ("yes", "no"):
        raise FormatError("row", column, repr(text[:40]), "yes, no or n/a")
    return text == "yes"


def _number(text: str | None, column: str) -> float | None:
    if text is None:
        return None
    try:
        return float(text)
    except ValueError:
        raise FormatError("row", column, repr(text[:40]), "a number such as 85.5, or n/a") from None


def open_dataset(path: Path | str) -> Dataset:
    """Open a data set: its people, and where its sessions are.

    Raises
    ------
    UsageError
        There is no such folder, or it is no data set.
    FormatError
        Its description or its table of participants is wrong, or a session belongs to nobody.
    """
    root = as_path(path, "data set")
    read_description(root)
    participants = read_participants(root / "participants.tsv")
    known = {participant.participant_id for participant in participants}
    sessions = find_sessions(root)
    for info in sessions:
        if info.participant_id not in known:
            raise FormatError(
                str(info.path), "participant", repr(info.participant_id), "in participants.tsv"
            )
    return Dataset(root, participants, sessions)


def find_sessions(root: Path) -> tuple[SessionInfo, ...]:
    """Return the sessions below a data set's folder, whoever they belong to."""
    sessions = []
    for file in sorted(root.glob(f"sub-*/ses-*/*{READOUTS_SUFFIX}")):
        match = _READOUTS.fullmatch(file.name)
        # Other names are files that are still being finished, or no sessions.
        if match is not None and session_path(root, *match.groups()) == file:
            sessions.append(SessionInfo(file, *match.groups()))
    return tuple(sessions)


def read_description(root: Path) -> dict[str, object]:
    """Read ``dataset_description.json``.

    Raises
    ------
    UsageError
        There is none: the folder is no data set.
    FormatError
        It is not what BIDS asks for.
    """
    description = root / "dataset_description.json"
    if not description.is_file():
        raise UsageError(
            str(root), "the folder", "no data set", "one with dataset_description.json"
        )
    try:
        content = json.loads(read_limited(description))
    except (ValueError, RecursionError):
        raise FormatError(str(description), "the text", "not JSON") from None
    if not isinstance(content, dict):
        raise FormatError(str(description), "the text", type(content).__name__, "an object")
    for key in ("Name", "BIDSVersion"):
        if not isinstance(content.get(key), str):
            raise FormatError(str(description), f"key {key!r}", "missing", "a text")
    return content
