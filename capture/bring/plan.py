"""What is to be brought in: three tables and a sensor file, read together and checked."""

from __future__ import annotations

import collections
import dataclasses
import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.bring.columns import unread_columns
from capture.bring.readouts import ORDERS, Order
from capture.bring.tables import read_any_table
from capture.cues.labels import COLUMN_TEXTS, EVENT_COLUMNS, GOOD, Event, event_from_row
from capture.cues.script import CueKind, Script
from capture.store.dataset import Participant, participant_from_row, require_consent
from capture.store.kind import KINDS, RECORDED, firmware_of, kind_of
from capture.store.session import Session, read_session
from capture.store.source_truth import truth_path
from capture.store.writer import FARTHEST_MM, NEAREST_MM, SessionHeader
from capture.tsv_tables import Row
from capture.wire.codec import Description
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor
from runtime.tomlfile import WORD, WORD_TEXT, read_toml

__all__ = ["Plan", "Sources", "plan_all", "read_sensor", "script_of"]

_UNNUMBERED = "auto"
_MOST_LETTERS, _MOST_UNIT_BYTES = 32, 63
_RECORDING = ("session", "task", "unit", "distance_mm", "dark_file", "truth_file")
_PERSON = tuple(field.name for field in dataclasses.fields(Participant))


@dataclass(frozen=True, slots=True)
class Sources:
    """Where the readouts are that are brought in, and what they are.

    Parameters
    ----------
    recordings : Path
        Table with a row for each recording: ``file`` (its place, from this table's folder),
        ``participant``, and optionally ``session``, ``task``, ``unit``, ``distance_mm``,
        ``dark_file`` and ``truth_file``.
    events : Path or None
        Table with a row for each take: ``file``, ``onset``, ``duration``, ``trial_type`` and any
        other column of an events table. None where all recordings are MCAP files with an events
        table beside them.
    participants : Path
        Table with a row for each person: ``participant_id``, ``consent``, and any other column of
        ``participants.tsv``.
    sensor : Path or None
        TOML file with the fields of `runtime.sensor.Sensor`; None where all recordings are MCAP.
    order : str
        How lit and dark exposures lie: ``interleaved``, ``dark-first`` or ``two-arrays``.
    kind : str
        What the readouts are: ``recorded``, ``real shapes, emulated optic`` or ``invented``.
    task : str
        Task of recordings whose row names none.
    """

    recordings: Path
    events: Path | None
    participants: Path
    sensor: Path | None = None
    order: Order = "interleaved"
    kind: str = RECORDED
    task: str = "imported"

    def __post_init__(self) -> None:
        for name, value, allowed in (("order", self.order, ORDERS), ("kind", self.kind, KINDS)):
            if value not in allowed:
                raise UsageError("import", name, repr(value), f"one of {', '.join(allowed)}")


@dataclass(slots=True)
class Plan:
    """One recording to be brought in.

    Parameters
    ----------
    where : str
        Its row, as errors begin.
    source, dark_source : Path
        Its file, and that of the dark exposures where they lie apart.
    person : Participant
    header : SessionHeader
    session : Session or None
        The recording that the file is already, if it is one.
    events : tuple of Event
        By onset.
    truth : Path or None
        Where sources of light were; of a recording of ours, the table beside it.
    """

    where: str
    source: Path
    dark_source: Path | None
    person: Participant
    header: SessionHeader
    session: Session | None
    events: tuple[Event, ...]
    truth: Path | None = None


def read_sensor(path: Path) -> Sensor:
    """Read a sensor file: TOML whose keys are the fields of `runtime.sensor.Sensor`.

    Raises
    ------
    FormatError
        It cannot be read, or a key is unknown, missing or out of range; the message names it.
    """
    file = read_toml(path, expected="a sensor file (TOML)")
    try:
        return Sensor.from_json(file.data, str(path))
    except FormatError as error:
        raise FormatError(str(path), error.what, error.got, error.expected) from None


def plan_all(
    sources: Sources, script: Script | None, tell: Callable[[str], None] = lambda _: None
) -> list[Plan]:
    """Read the tables, and return what is to be done, in the order of the recordings' table.

    Parameters and errors are those of `capture.bring.bring.bring`; arrays are not opened yet.
    """
    people = _people(sources.participants, tell)
    labels = _labels(sources.events, tell) if sources.events is not None else {}
    sensor = read_sensor(sources.sensor) if sources.sensor is not None else None
    table = sources.recordings
    rows = _read(table, ("file", "participant"), _RECORDING, tell)
    if not rows:
        raise FormatError(str(table), "number of recordings", 0, "at least 1")
    _check_files(table, rows, sources.events, labels)
    plans: list[Plan] = []
    for number, row in rows:
        where = f"{table} row {number}"
        who = (row["participant"] or "").removeprefix("sub-")
        if who not in people:
            raise FormatError(
                where, "participant", repr(who), f"a participant_id of {sources.participants.name}"
            )
        require_consent(people[who])
        events = labels.get(str(row["file"]), ())
        plan = _one(where, row, sources, sensor, people[who], events)
        plan.truth = _truth_of(row, plan, table)
        if script is not None or plan.session is None:
            asked_for = script or script_of(plan.header.script.name, plan.events)
            plan.header = dataclasses.replace(plan.header, script=asked_for)
        _check_events(plan)
        plans.append(plan)
    _number_sessions(plans)
    return plans


def _read(
    path: Path, required: Sequence[str], further: Collection[str], tell: Callable[[str], None]
) -> list[tuple[int, Row]]:
    """Read a table, and tell which of its columns nothing reads."""
    rows = read_any_table(path, required)
    unread = unread_columns(path, tuple(rows[0][1]) if rows else (), {*required, *further})
    if unread:
        tell(f"caution: {path}: not read: {', '.join(unread)[:200]}")
    return rows


def _check_files(
    table: Path, rows: Sequence[tuple[int, Row]], events: Path | None, labels: Collection[str]
) -> None:
    files: set[str] = set()
    for number, row in rows:
        name = row["file"]
        if name is None or name in files:
            wrong = "empty" if name is None else f"{name!r} a second time"
            raise FormatError(f"{table} row {number}", "file", wrong, "a file of its own")
        files.add(name)
    for name in labels:
        if name not in files:
            raise FormatError(str(events), "file", repr(name), f"one of the files in {table.name}")


def _people(path: Path, tell: Callable[[str], None]) -> dict[str, Participant]:
    people: dict[str, Participant] = {}
    for number, row in _read(path, ("participant_id", "consent"), _PERSON, tell):
        person = participant_from_row(row, f"{path} row {number}")
        if person.participant_id.casefold() in {name.casefold() for name in people}:
            raise FormatError(f"{path} row {number}", "participant_id", person.participant_id,
                              "once in the table, whatever its case")  # fmt: skip
        people[person.participant_id] = person
    return people


def _labels(path: Path, tell: Callable[[str], None]) -> dict[str, tuple[Event, ...]]:
    found: dict[str, list[Event]] = collections.defaultdict(list)
    for number, row in _read(path, ("file", *EVENT_COLUMNS), COLUMN_TEXTS, tell):
        where = f"{path} row {number}"
        name = row.pop("file")
        if name is None:
            raise FormatError(where, "file", "n/a", "a file of the recordings' table")
        found[name].append(event_from_row(row, where))
    return {name: tuple(sorted(each, key=lambda e: e.onset_s)) for name, each in found.items()}


def _one(
    where: str,
    row: Row,
    sources: Sources,
    sensor: Sensor | None,
    person: Participant,
    events: tuple[Event, ...],
) -> Plan:
    dark = row.get("dark_file")
    source = _named(sources.recordings, str(row["file"]), where)
    dark_source = None if dark is None else _named(sources.recordings, dark, where)
    distance_mm = _distance(row.get("distance_mm"), where)
    number = row.get("session") or ""
    if source.suffix.lower() == ".mcap":
        session = read_session(source)
        if sensor is not None and session.sensor != sensor:
            raise FormatError(str(source), "sensor", "another than the sensor file's", "the same")
        kind = kind_of(session.header.description.firmware)
        if kind != sources.kind:
            raise FormatError(
                str(source), "kind of data", kind, f"{sources.kind}, as was asked for"
            )
        header = dataclasses.replace(
            session.header,
            participant=person.participant_id,
            session=number or session.header.session,
            distance_mm=distance_mm or session.distance_mm,
        )
        if row.get("task") not in (None, session.script.name):
            raise FormatError(where, "task", row["task"], f"{session.script.name}, as in the file")
        return Plan(where, source, None, person, header, session, events or session.events)
    if sensor is None:
        raise UsageError(where, "the sensor file", "missing", "given: arrays do not say it")
    unit = row.get("unit") or "unit-1"
    _refuse_wrong_names(number, unit, where)
    description = Description(sensor, unit, firmware_of(sources.kind))
    task = row.get("task") or sources.task
    if re.fullmatch(WORD, task) is None:
        raise FormatError(where, "task", repr(task[:40]), WORD_TEXT)
    if not events:
        raise FormatError(where, "number of events", 0, "at least 1 in the table of events")
    placeholder = script_of(task, events)
    header = SessionHeader(
        person.participant_id, number or "01", description, placeholder, 0, distance_mm
    )
    plan = Plan(where, source, dark_source, person, header, None, events)
    if not number:
        plan.header = dataclasses.replace(header, session=_UNNUMBERED)
    return plan


def _named(table: Path, name: str, where: str) -> Path:
    """Return where a file is; folders and devices, which never end, are none."""
    path = table.parent / name
    try:
        another = path.exists() and not path.is_file()
    except OSError:  # a name that no file system would hold
        another = True
    if another or not name.isprintable():
        raise FormatError(where, "file", repr(name[:40]), "a file, and no folder or device")
    return path


def _refuse_wrong_names(session: str, unit: str, where: str) -> None:
    """Refuse what no file's name and no description packet could hold, and say in which row."""
    if session and not (session.isascii() and session.isalnum() and len(session) <= _MOST_LETTERS):
        raise FormatError(where, "session", repr(session[:40]), "1 to 32 letters and digits")
    if not unit.isprintable() or len(unit.encode()) > _MOST_UNIT_BYTES:
        raise FormatError(where, "unit", repr(unit[:40]), "printable, up to 63 bytes")


def _truth_of(row: Row, plan: Plan, table: Path) -> Path | None:
    named = row.get("truth_file")
    if named is not None:
        return table.parent / named
    beside = truth_path(plan.source)
    return beside if plan.session is not None and beside.exists() else None


def _distance(text: str | None, where: str) -> float | None:
    try:
        distance_mm = None if text is None else float(text)
    except ValueError:
        raise FormatError(where, "distance_mm", repr(text), "a number such as 120") from None
    if distance_mm is not None and not NEAREST_MM <= distance_mm <= FARTHEST_MM:
        expected = f"{NEAREST_MM:g} to {FARTHEST_MM:g}"
        raise FormatError(where, "distance_mm", text, expected)
    return distance_mm


def script_of(task: str, events: Sequence[Event]) -> Script:
    """Return a script that asks for what the events say was done; its rests are not known."""
    import pydantic

    counts = collections.Counter(event.trial_type for event in events)
    try:
        return Script(
            name=task,
            shuffle=False,
            cues=tuple(
                CueKind(
                    trial_type=kind,
                    repetitions=n,
                    duration_s=min(600.0, max(1e-3, float(np.median(
                        [e.duration_s for e in events if e.trial_type == kind]
                    )))),
                )
                for kind, n in counts.items()
            ),
        )  # fmt: skip
    except pydantic.ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise FormatError(f"task {task[:40]}", "its script", f"wrong ({first['msg']})") from None


def _check_events(plan: Plan) -> None:
    known = plan.header.script.trial_types
    end_s = 0.0
    period_s = plan.header.description.sensor.frame_period_us / 1e6
    for event in plan.events:
        if event.trial_type not in known:
            raise FormatError(
                plan.where, "trial_type of an event", event.trial_type, f"one of {', '.join(known)}"
            )
        if event.status == GOOD and event.duration_s < period_s:
            raise FormatError(
                plan.where, f"duration of {event.trial_type} at {event.onset_s:g} s",
                f"{event.duration_s:g} s", f"at least a frame ({period_s:.3g} s)",
            )  # fmt: skip
        if event.status == GOOD and event.onset_s < end_s - period_s:
            raise FormatError(
                plan.where, f"onset of {event.trial_type}", f"{event.onset_s:g} s",
                f"after {end_s:g} s, where the take before it ends",
            )  # fmt: skip
        if event.status == GOOD:
            end_s = max(end_s, event.end_s)


def _number_sessions(plans: Sequence[Plan]) -> None:
    """Number the sessions that have none yet, in the table's order; no two may share a name."""
    taken: set[tuple[str, str, str]] = set()
    for plan in sorted(plans, key=lambda p: p.header.session == _UNNUMBERED):
        head = plan.header
        key = (head.participant, head.script.name)
        if head.session == _UNNUMBERED:
            free = (f"{n:02d}" for n in range(1, 1000))
            number = next(n for n in free if (*key, n) not in taken)
            plan.header = head = dataclasses.replace(head, session=number)
        if (*key, head.session) in taken:
            raise FormatError(
                plan.where, "session", f"{head.session} of {head.participant} a second time",
                "one number for each recording of a participant and task",
            )  # fmt: skip
        taken.add((*key, head.session))
