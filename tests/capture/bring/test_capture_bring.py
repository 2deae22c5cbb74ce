"""Bringing readouts in: a round trip of every form, and nothing half-written."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from bring_files import (
    EVENTS,
    N_FRAMES,
    SENSOR,
    as_csv,
    as_npz,
    as_npz_interleaved,
    as_parquet,
    as_wide_tsv,
    readouts,
    recorded,
    sources,
    tables,
    write_rows,
)
from invented_people import add_person, record_session

from capture.bring.bring import bring
from capture.bring.plan import Sources, read_sensor
from capture.cues.labels import EVENT_COLUMNS, read_events
from capture.cues.script import parse_script
from capture.frames import FrameBlock
from capture.store.dataset import (
    open_dataset,
    read_description,
    session_path,
)
from capture.store.session import read_session
from capture.store.validate import validate
from capture.tsv_tables import read_table
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor
from trainer.cli import main
from trainer.recipe import parse_recipe


@pytest.mark.parametrize("form", [as_npz, as_npz_interleaved, as_csv, as_wide_tsv, as_parquet])
def test_a_round_trip_keeps_readouts_and_labels(
    form: Callable[[Path, FrameBlock], tuple[str, str, dict[str, object]]], tmp_path: Path
) -> None:
    """Readouts and labels written as arrays or tables come back as they were, in BIDS folders."""
    block = readouts()
    name, order, more = form(tmp_path, block)
    tables(tmp_path, name, task="dynamic", distance_mm="120", **more)
    out = tmp_path / "set"
    (done,) = bring(sources(tmp_path, order), out)
    assert done.path == session_path(out, "P01", "01", "dynamic")
    assert (done.n_pairs, done.n_takes) == (N_FRAMES, 2)
    assert not validate(out)
    session = read_session(done.path)
    found = session.frames()
    for field in ("sequence", "time_us", "lit", "dark"):
        np.testing.assert_array_equal(getattr(found, field), getattr(block, field))
    assert session.events == EVENTS
    assert session.sensor == SENSOR
    assert session.distance_mm == 120.0
    person = open_dataset(out).participant("P01")
    assert (person.locked, person.hand_length_mm) == (True, 181.5)
    assert read_description(out)["DataKind"] == "recorded"
    assert not list(out.rglob("*.part"))


def test_two_npy_files_without_times_come_at_the_frame_rate(tmp_path: Path) -> None:
    """Lit and dark in two files make frame pairs that stand a frame period apart."""
    block = readouts()
    np.save(tmp_path / "lit.npy", block.lit.astype(np.float32))
    np.save(tmp_path / "dark.npy", np.asfortranarray(block.dark))
    tables(tmp_path, "lit.npy", dark_file="dark.npy")
    (done,) = bring(sources(tmp_path), tmp_path / "set")
    found = read_session(done.path).frames()
    np.testing.assert_array_equal(found.lit, block.lit)
    np.testing.assert_array_equal(found.dark, block.dark)
    np.testing.assert_array_equal(found.time_us, 20_000 * np.arange(N_FRAMES))


def test_a_recording_from_elsewhere_comes_whole_under_another_pseudonym(tmp_path: Path) -> None:
    """An MCAP of ours needs no sensor file, keeps its journal and labels, and takes a new name."""
    path = recorded(tmp_path / "elsewhere")
    write_rows(
        tmp_path / "recordings.csv",
        [{"file": path.relative_to(tmp_path).as_posix(), "participant": "P01"}],
    )
    write_rows(tmp_path / "people.csv", [{"participant_id": "P01", "consent": "yes"}])
    given = Sources(tmp_path / "recordings.csv", None, tmp_path / "people.csv")
    (done,) = bring(given, tmp_path / "set")
    assert done.path.name == "sub-P01_ses-02_task-dynamic_readouts.mcap"
    before, after = read_session(path), read_session(done.path)
    assert after.participant == "P01"
    assert list(after.journal("/gaps")) == list(before.journal("/gaps"))
    assert after.header.description == before.header.description
    assert after.events == before.events == EVENTS
    np.testing.assert_array_equal(after.frames().lit, before.frames().lit)
    assert not validate(tmp_path / "set")


def test_a_data_set_holds_one_kind_of_data(tmp_path: Path) -> None:
    """Invented readouts are refused as recorded ones, and beside recorded ones."""
    path = recorded(tmp_path / "elsewhere", "emulated 1")
    write_rows(tmp_path / "recordings.csv", [{"file": str(path), "participant": "P01"}])
    write_rows(tmp_path / "people.csv", [{"participant_id": "P01", "consent": "yes"}])
    given = Sources(tmp_path / "recordings.csv", None, tmp_path / "people.csv")
    with pytest.raises(FormatError, match="kind of data is invented, expected recorded"):
        bring(given, tmp_path / "set")
    invented = Sources(*(getattr(given, n) for n in ("recordings", "events", "participants")),
                       kind="invented")  # fmt: skip
    bring(invented, tmp_path / "set")
    as_npz(tmp_path, readouts())
    tables(tmp_path, "a.npz")
    with pytest.raises(UsageError, match="kind of data in it is invented, expected recorded"):
        bring(sources(tmp_path), tmp_path / "set")


def test_a_set_that_is_there_keeps_all_it_has(tmp_path: Path) -> None:
    """A second import adds the next session; a fault in it changes nothing of the first."""
    as_npz(tmp_path, readouts())
    tables(tmp_path, "a.npz", session="1")
    out = tmp_path / "set"
    bring(sources(tmp_path), out)
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    with pytest.raises(UsageError, match="there already"):
        bring(sources(tmp_path), out)
    tables(tmp_path, "a.npz", session="2")
    write_rows(tmp_path / "people.csv", [{"participant_id": "P01", "consent": "yes"}])
    np.savez(tmp_path / "a.npz", lit=readouts().lit[:50], dark=readouts().dark[:50])
    with pytest.raises(FormatError, match="end of"):
        bring(sources(tmp_path), out)
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    as_npz(tmp_path, readouts(2))
    (second,) = bring(sources(tmp_path), out)
    assert second.path.name.startswith("sub-P01_ses-2_")
    assert open_dataset(out).participant("P01").locked, "who is locked stays locked"
    assert {p: p.read_bytes() for p in before if p.name != "participants.tsv"}.items() <= (
        before.items()
    )


def test_an_import_gives_the_same_bytes_each_time(tmp_path: Path) -> None:
    """Importing the same sources twice writes the same files."""
    as_npz(tmp_path, readouts())
    tables(tmp_path, "a.npz")
    written = []
    for name in ("first", "second"):
        bring(sources(tmp_path), tmp_path / name)
        root = tmp_path / name
        written.append(
            {p.relative_to(root): p.read_bytes() for p in root.rglob("*") if p.is_file()}
        )
    assert written[0] == written[1]


def test_the_tutorial_works_to_the_letter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Who follows IMPORT.md word by word ends with a data set that has nothing wrong in it."""
    page = Path(__file__).parents[3] / "capture" / "bring" / "IMPORT.md"
    text = page.read_text("utf-8")
    monkeypatch.chdir(tmp_path)
    code, again = re.findall(r"```python\n(.*?)```", text, re.S)
    exec(code, {})  # noqa: S102 - our own page
    sensor, recipe = re.findall(r"```toml\n(.*?)```", text, re.S)
    assert parse_recipe(recipe, "mine").answers == ("swipe_left", "push", "other")
    Path("sensor.toml").write_text(sensor, "utf-8")
    assert read_sensor(Path("sensor.toml")) == Sensor("bench8", 8, 8), "the defaults as written"
    for name, table in re.findall(r"^`(\w+\.csv)`:.*?```csv\n(.*?)```", text, re.S | re.M):
        Path(name).write_text(table, "utf-8")
    first, second = re.findall(r"```sh\npalmwatt (.*?)\n```", text, re.S)
    with pytest.raises(SystemExit) as end:
        main(first.split())
    assert not end.value.code, capsys.readouterr().err
    assert "3 sessions, 900 frame pairs, 6 takes" in capsys.readouterr().out
    with pytest.raises(SystemExit) as end:
        main(second.split())
    assert not end.value.code, capsys.readouterr().out
    assert [p.participant_id for p in open_dataset("recordings").participants if p.locked] == [
        "P03"
    ]
    labels = read_events(next(Path("recordings/sub-P01").rglob("*_events.tsv")))
    assert [event.trial_type for event in labels] == ["swipe_left", "push"]
    exec(again, {})  # noqa: S102 - our own page
    with np.load("P01.npz") as first_file, np.load("again.npz") as second_file:
        for name in ("lit", "dark"):
            np.testing.assert_array_equal(first_file[name], second_file[name])


def test_what_the_recorder_wrote_comes_back_through_arrays(tmp_path: Path) -> None:
    """A recording taken out as arrays and tables and brought in again is the same recording."""
    script = parse_script(
        b"""name = "small"
[[cue]]
trial_type = "push"
repetitions = 2
duration_s = 1.5
""",
        "small",
    )
    add_person(tmp_path / "recorded", 1, locked=False)
    record_session(tmp_path / "recorded", script, 1)
    (info,) = open_dataset(tmp_path / "recorded").sessions
    before = read_session(info.path)
    block = before.frames()
    np.savez(
        tmp_path / "a.npz", lit=block.lit, dark=block.dark,
        time_us=block.time_us, sequence=block.sequence,
    )  # fmt: skip
    tables(tmp_path, "a.npz", task="small")
    rows = read_table(info.events_path, EVENT_COLUMNS)
    write_rows(tmp_path / "events.csv", [{"file": "a.npz", **row} for _, row in rows])
    sensor = before.sensor.to_json()
    (tmp_path / "sensor.toml").write_text(
        "".join(f"{key} = {json.dumps(value)}\n" for key, value in sensor.items()), "utf-8"
    )
    (done,) = bring(sources(tmp_path, kind="invented"), tmp_path / "set", script)
    after = read_session(done.path)
    assert after.events == before.events
    assert (after.sensor, after.script) == (before.sensor, before.script)
    for field in ("sequence", "time_us", "lit", "dark"):
        np.testing.assert_array_equal(getattr(after.frames(), field), getattr(block, field))


def test_frames_that_times_leave_out_are_missing_where_nothing_numbers_them(
    tmp_path: Path,
) -> None:
    """Without a sequence, a step of time_us of three frames is two frame pairs that are missing."""
    block = readouts()
    time_us = np.arange(N_FRAMES) * 20_000
    time_us[200:] += 40_000
    np.savez(tmp_path / "a.npz", lit=block.lit, dark=block.dark, time_us=time_us)
    tables(tmp_path, "a.npz")
    (done,) = bring(sources(tmp_path), tmp_path / "set")
    steps = np.diff(read_session(done.path).frames().sequence)
    assert steps[199] == 3
    assert steps.sum() == N_FRAMES + 1
