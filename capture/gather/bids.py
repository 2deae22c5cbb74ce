"""A copy of a data set as BIDS has it, for people and programs that know nothing of this sensor.

BIDS (Brain Imaging Data Structure 1.10.0) knows no readouts of such a sensor. Its data type ``beh``
("Behavioral experiments with no neural recordings") takes the labels; "Source data" says that what
lies below ``sourcedata/`` may have any form, and there the recordings stay as they are. Labels of
entities hold letters and digits only ("Entities"), so that tasks lose their underscores.
"""

from __future__ import annotations

import importlib.metadata
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from capture.cues.labels import COLUMN_TEXTS
from capture.gather.bids_texts import bids_tasks, events_json, participants_json, readme
from capture.gather.tree import copy_checked, list_files
from capture.store.dataset import (
    PARTICIPANT_COLUMNS,
    SessionInfo,
    open_dataset,
    read_description,
    require_consent,
)
from capture.store.kind import kind_of
from capture.store.session import Session, read_session
from capture.study.plan import open_study, study_path
from capture.study.provenance import read_provenance
from capture.tsv_tables import read_table, write_table
from runtime.errors import UsageError
from runtime.files import whole_folder, write_whole

__all__ = ["BIDS_VERSION", "Exported", "export"]

BIDS_VERSION = "1.10.0"


@dataclass(frozen=True, slots=True)
class Exported:
    """What was exported.

    Parameters
    ----------
    out : Path
    n_sessions, n_people : int
    tasks : dict of str to str
        Name of each script, and what it is called there.
    authors : tuple of str
        Who is named.
    """

    out: Path
    n_sessions: int
    n_people: int
    tasks: dict[str, str]
    authors: tuple[str, ...]

    def to_json(self) -> dict[str, object]:
        """Return it as plain JSON values."""
        return {
            "out": str(self.out),
            "n_sessions": self.n_sessions,
            "n_people": self.n_people,
            "tasks": self.tasks,
            "authors": list(self.authors),
        }

    def lines(self) -> list[str]:
        """Return it in lines."""
        told = [f"{task} is task-{label}" for task, label in self.tasks.items() if task != label]
        if not self.authors:
            told.append("caution: no author is named; give --author, or authors in study.toml")
        return [*told, f"{self.out}: {self.n_sessions} sessions of {self.n_people} people"]


def export(root: Path, out: Path, authors: Sequence[str] = ()) -> Exported:
    """Copy a data set as BIDS has it; the recordings go below ``sourcedata``.

    Parameters
    ----------
    root : Path
        Data set. Sessions that a killed recorder left are finished first.
    out : Path
        Missing or empty folder, outside `root`.
    authors : sequence of str
        Who is named; by default the study's, else those that the data set names.

    Raises
    ------
    UsageError
        There is no data set, nothing in it, or somebody in it has not given consent; `out` is in
        use or inside `root`.
    FormatError
        A table or a session is wrong.
    Error
        The disk is full; nothing is left of `out`.
    """
    if root.resolve() in (out.resolve(), *out.resolve().parents):
        raise UsageError(str(out), "output folder", f"in {root}", "outside the data set")
    dataset = open_dataset(root)
    if not dataset.sessions:
        raise UsageError(str(root), "number of sessions", 0, "at least 1", "record one first")
    givers = list(dict.fromkeys(info.participant_id for info in dataset.sessions))
    for name in givers:
        require_consent(dataset.participant(name))
    tasks = bids_tasks(info.task for info in dataset.sessions)
    described = read_description(root)
    named = _authors(root, authors, described)
    with whole_folder(out) as part:
        asked: dict[str, str] = {}
        kinds = set()
        for info in dataset.sessions:
            session = _labels(info, part, tasks[info.task])
            kinds.add(kind_of(session.header.description.firmware))
            asked[info.task] = session.script.instruction
        _moments(dataset.sessions, part)
        _people(root, part, set(givers))
        content = {
            "Name": described["Name"],
            "BIDSVersion": BIDS_VERSION,
            "DatasetType": "raw",
            **({"Authors": list(named)} if named else {}),
            "GeneratedBy": [
                {"Name": "palmwatt export", "Version": importlib.metadata.version("palmwatt")}
            ],
        }
        _write_json(part / "dataset_description.json", content)
        text = readme(str(described["Name"]), sorted(kinds), tasks, asked, len(givers))
        write_whole(part / "README", text.encode())
        for name, file in list_files(root).files.items():
            if not name.startswith("derivatives/"):
                copy_checked(file, part / "sourcedata" / name)
    return Exported(out, len(dataset.sessions), len(givers), tasks, named)


def _authors(root: Path, authors: Sequence[str], described: dict[str, object]) -> tuple[str, ...]:
    if authors:
        return tuple(authors)
    if study_path(root).exists() and (named := open_study(root).study.authors):
        return named
    before = described.get("Authors")
    return tuple(str(name) for name in before) if isinstance(before, list) else ()


def _labels(info: SessionInfo, part: Path, task: str) -> Session:
    """Write the labels of a session and what their columns are; return the session."""
    session = read_session(info.path)
    stem = f"sub-{info.participant_id}_ses-{info.session}_task-{task}_events"
    folder = part / f"sub-{info.participant_id}" / f"ses-{info.session}" / "beh"
    folder.mkdir(parents=True, exist_ok=True)
    rows = [row for _, row in read_table(info.events_path, ("onset", "duration"))]
    columns = ["onset", "duration"]
    columns += [column for column in (rows[0] if rows else ()) if column not in columns]
    rows.sort(key=lambda row: float(row["onset"] or 0))
    write_table(folder / f"{stem}.tsv", columns, rows)
    _write_json(folder / f"{stem}.json", events_json(COLUMN_TEXTS, columns, session.script))
    return session


def _moments(sessions: Sequence[SessionInfo], part: Path) -> None:
    """Write when each session began, as far as that is known."""
    began: dict[str, dict[str, str | None]] = {}
    for info in sessions:
        said = read_provenance(info.path)
        moment = said.recorded if said else None
        mine = began.setdefault(info.participant_id, {})
        before = mine.get(info.session)
        mine[info.session] = min(filter(None, (before, moment)), default=None)
    for name, mine in began.items():
        rows = [{"session_id": f"ses-{key}", "acq_time": mine[key]} for key in sorted(mine)]
        path = part / f"sub-{name}" / f"sub-{name}_sessions.tsv"
        write_table(path, ("session_id", "acq_time"), rows)


def _people(root: Path, part: Path, givers: set[str]) -> None:
    """Write the people of whom there are recordings, and what the columns are."""
    rows = []
    for _, row in read_table(root / "participants.tsv", PARTICIPANT_COLUMNS):
        name = (row["participant_id"] or "").removeprefix("sub-")
        if name in givers:
            rows.append(row | {"participant_id": f"sub-{name}"})
    columns = ["participant_id", *(name for name in rows[0] if name != "participant_id")]
    write_table(part / "participants.tsv", columns, rows)
    _write_json(part / "participants.json", participants_json(columns))


def _write_json(path: Path, content: dict[str, object]) -> None:
    write_whole(path, (json.dumps(content, indent=2) + "\n").encode())
