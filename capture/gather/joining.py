"""Tables and descriptions of several data sets, joined into one; every disagreement is told."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from capture.store.dataset import PARTICIPANT_COLUMNS, read_description, read_participants
from capture.store.forgotten import digest_of
from capture.tsv_tables import Row, read_table, write_table
from runtime.errors import FormatError
from runtime.files import read_limited

__all__ = ["JOINED", "Joined", "is_log", "join_descriptions", "join_logs", "join_people"]

PEOPLE = "participants.tsv"
DESCRIPTION = "dataset_description.json"
JOINED = (PEOPLE, DESCRIPTION)
"""Files that are joined; any other must be the same wherever it is."""
_LOGS = "derivatives/palmwatt/"


class Joined:
    """What came of joining: the content, and each conflict in a line."""

    def __init__(self) -> None:
        self.conflicts: list[str] = []
        self.people: dict[str, Row] = {}
        self.columns: dict[str, None] = {}
        self.description: dict[str, object] = {}
        self.logs: dict[str, list[object]] = {}

    def write_people(self, path: Path) -> None:
        """Write the joined table, ordered by pseudonym."""
        rows = [dict.fromkeys(self.columns) | self.people[key] for key in sorted(self.people)]
        write_table(path, tuple(self.columns), rows)


def join_people(joined: Joined, roots: Sequence[Path], gone: frozenset[str]) -> None:
    """Join the tables of participants, column by column; n/a gives way to a value.

    Parameters
    ----------
    joined : Joined
    roots : sequence of Path
    gone : frozenset of str
        Digests of those who were forgotten: their rows are left out.

    Raises
    ------
    FormatError
        A table is wrong.
    """
    said_by: dict[tuple[str, str], Path] = {}
    for root in roots:
        path = root / PEOPLE
        if not path.exists():
            continue
        read_participants(path)  # so that a wrong table is refused before it is joined
        for _, row in read_table(path, PARTICIPANT_COLUMNS):
            pseudonym = (row["participant_id"] or "").removeprefix("sub-")
            if digest_of(pseudonym) in gone:
                continue
            name = f"sub-{pseudonym}"
            known = joined.people.setdefault(name, {})
            joined.columns |= dict.fromkeys(row)
            for column, value in (row | {"participant_id": name}).items():
                before = known.get(column)
                if value is None:
                    continue
                if before is not None and before != value:
                    joined.conflicts.append(
                        f"{PEOPLE} {name}: {column} is {before} in {said_by[name, column]} and "
                        f"{value} in {root}"
                    )
                    continue
                known[column] = value
                said_by.setdefault((name, column), root)


def join_descriptions(joined: Joined, roots: Sequence[Path]) -> None:
    """Join the descriptions of the data sets, key by key.

    Raises
    ------
    UsageError, FormatError
        A folder is no data set, or its description is wrong.
    """
    said_by: dict[str, Path] = {}
    for root in roots:
        for key, value in read_description(root).items():
            before = joined.description.setdefault(key, value)
            said_by.setdefault(key, root)
            if before != value:
                joined.conflicts.append(
                    f"{DESCRIPTION}: {key} is {_short(before)} in {said_by[key]} and "
                    f"{_short(value)} in {root}"
                )


def is_log(name: str) -> bool:
    """Tell whether a file is a log that is joined: a list in JSON that training keeps."""
    folder, _, file = name.rpartition("/")
    return f"{folder}/" == _LOGS and file.endswith(".json")


def join_logs(joined: Joined, name: str, paths: Sequence[Path]) -> None:
    """Join lists in JSON: every entry once, in the order of the sets.

    Raises
    ------
    FormatError
        One of them is no list.
    """
    entries: list[object] = []
    for path in paths:
        try:
            content = json.loads(read_limited(path))
        except (ValueError, RecursionError):
            content = None
        if not isinstance(content, list):
            raise FormatError(str(path), "the log", "no list", "a list in JSON")
        entries += [entry for entry in content if entry not in entries]
    joined.logs[name] = entries


def _short(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
