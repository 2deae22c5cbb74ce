"""Every violation in a data set, each with its file and row."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from capture.cues.labels import EVENT_COLUMNS, GOOD, Event, event_from_row
from capture.store.dataset import (
    PARTICIPANT_COLUMNS,
    Participant,
    SessionInfo,
    find_sessions,
    participant_from_row,
    read_description,
)
from capture.store.session import Session, read_session
from capture.store.source_truth import checked_truth, truth_path
from capture.tsv_tables import Row, read_rows
from runtime.errors import Error, FormatError

__all__ = ["validate"]


@dataclass(frozen=True, slots=True)
class Violation:
    """One thing that is wrong: the file, its row (the header is row 1; 0 for the whole file)."""

    file: str
    row: int
    text: str

    def __str__(self) -> str:
        place = f"{self.file} row {self.row}" if self.row else self.file
        return f"{place}: {self.text}"


def validate(root: Path) -> tuple[Violation, ...]:
    """Read everything in a data set and return all that is wrong, in order of the files.

    Raises
    ------
    UsageError
        The folder is no data set.
    """
    return tuple(_data_set(root))


def _data_set(root: Path) -> Iterator[Violation]:
    try:
        read_description(root)
    except FormatError as error:
        yield _of(error, "dataset_description.json")
    people: dict[str, Participant | None] = {}  # None: the row is wrong, which is said once
    table = root / "participants.tsv"
    for row, read in _rows(table, PARTICIPANT_COLUMNS, root):
        if isinstance(read, Violation):
            yield read
            continue
        try:
            person = participant_from_row(read, "")
        except FormatError as error:
            yield _of(error, table.name, row)
            people.setdefault((read["participant_id"] or "").removeprefix("sub-"), None)
            continue
        if person.participant_id in people:
            yield Violation(table.name, row, f"a second row of sub-{person.participant_id}")
        people[person.participant_id] = person
    found = find_sessions(root)
    known = {info.path for info in found}
    for stray in sorted(root.glob("sub-*/**/*.mcap")):
        if stray not in known:
            yield Violation(_name(stray, root), 0, "its name or folder is not that of a session")
    for info in found:
        name = _name(info.path, root)
        if info.participant_id not in people:
            yield Violation(name, 0, f"sub-{info.participant_id} is not in participants.tsv")
        giver = people.get(info.participant_id)
        if giver is not None and not giver.consent:
            yield Violation(name, 0, f"sub-{info.participant_id} has not given consent")
        yield from _session(info, root)


def _session(info: SessionInfo, root: Path) -> Iterator[Violation]:
    name = _name(info.path, root)
    # The readouts first: opening may finish a file that a killed recorder left, and label it.
    session, duration_s = None, 0.0
    try:
        session = read_session(info.path, with_labels=False)
        said = (session.participant, session.header.session, session.script.name)
        if said != (info.participant_id, info.session, info.task):
            yield Violation(name, 0, f"the file says that it is {' '.join(said)}")
        duration_s = _duration(session)
    except Error as error:
        yield _of(error, name)
    if session is not None and truth_path(info.path).exists():
        try:
            checked_truth(info.path, truth_path(info.path))
        except Error as error:
            yield _of(error, _name(truth_path(info.path), root))
    labels = info.events_path
    events: list[tuple[int, Event]] = []
    if not labels.exists():
        yield Violation(_name(labels, root), 0, "the labels are missing")
        return
    for row, read in _rows(labels, EVENT_COLUMNS, root):
        if isinstance(read, Violation):
            yield read
            continue
        try:
            events.append((row, event_from_row(read, "")))
        except FormatError as error:
            yield _of(error, _name(labels, root), row)
    if session is not None and duration_s:
        yield from _labels(events, session, duration_s, _name(labels, root))


def _duration(session: Session) -> float:
    first_us = last_us = None
    for block in session.blocks():
        for time_us in block.time_us.tolist():
            if last_us is not None and time_us <= last_us:
                raise FormatError("", "time of a frame pair", f"{time_us} us", f"above {last_us}")
            first_us, last_us = time_us if first_us is None else first_us, time_us
    return 0.0 if first_us is None or last_us is None else (last_us - first_us) / 1e6


def _labels(
    events: list[tuple[int, Event]], session: Session, duration_s: float, name: str
) -> Iterator[Violation]:
    known = session.script.trial_types
    period_s = session.sensor.frame_period_us / 1e6
    end_s = 0.0
    for row, event in sorted(events, key=lambda item: item[1].onset_s):
        if event.trial_type not in known:
            yield Violation(name, row, f"trial_type {event.trial_type!r} is not in the script")
        if event.end_s > duration_s + period_s:
            yield Violation(name, row, f"ends at {event.end_s:g} s, the readouts at {duration_s:g}")
        if event.status != GOOD:
            continue
        if event.onset_s < end_s - period_s:
            yield Violation(name, row, f"begins at {event.onset_s:g} s inside the take before it")
        end_s = max(end_s, event.end_s)


def _rows(
    path: Path, columns: tuple[str, ...], root: Path
) -> Iterator[tuple[int, Row | Violation]]:
    """Yield the rows of a table with their numbers, and what is wrong instead of the others."""
    name = _name(path, root)
    try:
        for number, row in read_rows(path, columns):
            yield number, _of(row, name, number) if isinstance(row, FormatError) else row
    except Error as error:
        yield 0, _of(error, name)


def _name(path: Path, root: Path) -> str:
    return path.relative_to(root).as_posix()


def _of(error: Error, file: str, row: int = 0) -> Violation:
    text = error.what
    if error.got is not None:
        text += f" is {error.got}"
    if error.expected is not None:
        text += f", expected {error.expected}"
    if error.do:
        text += f"; {error.do}"
    return Violation(file, row, text)
