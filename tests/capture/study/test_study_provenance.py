"""What stands beside each recording, and the names that two laptops give."""

from __future__ import annotations

import datetime
import json
import random
from pathlib import Path

import pytest
from bench_sensor import PERSON, SCRIPT, BenchSensor
from booth_session import make_session

from capture.lead.record import Operator, SessionNotes, record
from capture.store.dataset import find_sessions, session_path
from capture.store.forget import forget
from capture.store.session import read_session
from capture.study.provenance import (
    Origin,
    keep_provenance,
    moment,
    provenance_path,
    read_provenance,
    script_sha256,
)
from capture.study.session_names import next_session
from capture.wire.link import SerialLink
from runtime.errors import FormatError, UsageError

ORIGIN = Origin("2026-11-02T09:30:00Z", "left", "K3", "window open", "2.1")


def stopping() -> Operator:
    return Operator(wish=lambda: "stop")


def test_a_recording_says_where_it_comes_from(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Date, station, operator, version, script hash, unit, firmware and notes stand beside it."""
    root = tmp_path / "set"
    with SerialLink(bench_sensor.url) as link:
        done = record(
            link, PERSON, SCRIPT, 1, root,
            notes=SessionNotes(origin=ORIGIN), operator=stopping(),
        )  # fmt: skip
    assert done.path.name == "sub-P01_ses-01left_task-short_readouts.mcap"
    found = read_provenance(done.path)
    assert found is not None
    assert (found.recorded, found.station, found.operator) == (
        "2026-11-02T09:30:00Z", "left", "K3",
    )  # fmt: skip
    assert (found.unit, found.firmware, found.notes) == ("unit-1", "test", "window open")
    assert found.script_sha256 == script_sha256(read_session(done.path).script)
    assert found.consent_form == "2.1"
    assert found.palmwatt
    forget(root, "P01")
    assert not list(root.rglob("*readouts*"))


def test_a_recording_says_when_it_was_made(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Without a word from anybody the date is now, in UTC; who gives none gets none."""
    before = moment()
    with SerialLink(bench_sensor.url) as link:
        for origin in (None, Origin(None)):
            notes = SessionNotes(origin=origin)
            record(link, PERSON, SCRIPT, 1, tmp_path / "set", notes=notes, operator=stopping())
    first, second = (read_provenance(info.path) for info in find_sessions(tmp_path / "set"))
    assert first is not None
    assert second is not None
    assert before <= str(first.recorded) <= moment()
    assert second.recorded is None


def test_a_moment_is_told_in_utc() -> None:
    """Half past ten in a zone two hours ahead is half past eight."""
    zone = datetime.timezone(datetime.timedelta(hours=2))
    assert moment(datetime.datetime(2026, 11, 2, 10, 30, tzinfo=zone)) == "2026-11-02T08:30:00Z"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("recorded", "yesterday"),
        ("recorded", "2026-02-31T10:00:00Z"),
        ("station", "Left"),
        ("station", "1a"),
        ("station", "../x"),
        ("operator", "Jo Smith"),
        ("notes", "two\nlines"),
        ("notes", "x" * 401),
        ("consent_form", ""),
    ],
)
def test_what_is_said_of_a_recording_has_limits(name: str, value: str) -> None:
    """A value that cannot be kept is refused before anything is recorded."""
    with pytest.raises(UsageError, match=name):
        Origin(**{name: value})


def test_an_older_recording_has_no_provenance(tmp_path: Path) -> None:
    """A recording without the file opens as before."""
    path = make_session(tmp_path / "set")
    assert read_provenance(path) is None
    assert read_session(path).events


def test_a_day_that_is_none_is_named(tmp_path: Path) -> None:
    """The 31st of February in the file is told by its key."""
    path = make_session(tmp_path / "set")
    keep_provenance(path, read_session(path).header, Origin("2026-02-28T10:00:00Z"))
    text = provenance_path(path).read_text().replace("02-28", "02-31")
    provenance_path(path).write_text(text)
    with pytest.raises(FormatError, match="recorded"):
        read_provenance(path)


@pytest.mark.parametrize("text", ["{", "[]", '{"palmwatt": 3}', '{"recorded": "now"}', "\xff"])
def test_wrong_provenance_is_named(tmp_path: Path, text: str) -> None:
    """Whatever stands in the file, what is wrong is one line with its name."""
    path = make_session(tmp_path / "set")
    provenance_path(path).write_bytes(text.encode("latin-1"))
    with pytest.raises(FormatError, match=r"readouts\.json"):
        read_provenance(path)


def test_a_later_key_is_passed_over(tmp_path: Path) -> None:
    """What a later version adds does not make a recording unreadable."""
    path = make_session(tmp_path / "set")
    content = {"palmwatt": "9", "script_sha256": "0" * 64, "unit": "u", "firmware": "f", "room": 3}
    provenance_path(path).write_text(json.dumps(content))
    found = read_provenance(path)
    assert found is not None
    assert found.palmwatt == "9"


def test_a_session_without_readouts_leaves_nothing(tmp_path: Path) -> None:
    """A recording of which nothing came leaves no provenance behind."""
    sensor = BenchSensor(lambda sequence, lit, packet: b"")
    try:
        with SerialLink(sensor.url) as link:
            record(link, PERSON, SCRIPT, 1, tmp_path / "set", operator=stopping())
    finally:
        sensor.close()
    assert not list((tmp_path / "set").rglob("*readouts*"))


def test_two_laptops_never_give_one_name(tmp_path: Path) -> None:
    """Stations are told apart by their names, laptops without one by chance."""
    named = {next_session(tmp_path, "P01", "short", name, random.Random(1)) for name in "ab"}
    assert named == {"01a", "01b"}
    drawn = {next_session(tmp_path, "P01", "short", None, random.Random(n)) for n in range(200)}
    assert len(drawn) == 200
    assert all(name.isalnum() and name.islower() and name[:2] == "01" for name in drawn)


def test_numbers_of_sessions_rise(tmp_path: Path) -> None:
    """The number is one above those that are there, whoever gave them."""
    for name in ("01", "02a1", "20261102"):
        path = session_path(tmp_path, "P01", name, "short")
        path.parent.mkdir(parents=True)
        path.touch()
    assert next_session(tmp_path, "P01", "short", "a", random.Random(1)) == "03a"
    assert next_session(tmp_path, "P01", "other", "a", random.Random(1)) == "01a"
    path = session_path(tmp_path, "P01", "999", "short")
    path.parent.mkdir(parents=True)
    path.touch()
    with pytest.raises(UsageError, match="999"):
        next_session(tmp_path, "P01", "short", "a", random.Random(1))
