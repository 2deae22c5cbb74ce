"""Bringing readouts in: a round trip of every form, all that is checked, nothing half-written."""

from __future__ import annotations

import csv
import json
import re
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_people import add_person, record_session

from capture.bring.bring import bring
from capture.bring.plan import Sources, read_sensor
from capture.cues.labels import EVENT_COLUMNS, Event, read_events, write_events
from capture.cues.script import load_script, parse_script
from capture.frames import FrameBlock, FramePair
from capture.store.dataset import (
    Participant,
    add_participant,
    open_dataset,
    prepare_dataset,
    read_description,
    session_path,
)
from capture.store.session import events_path, read_session
from capture.store.validate import validate
from capture.store.writer import SessionHeader, SessionWriter
from capture.tsv_tables import read_table
from capture.wire.codec import Description
from runtime.errors import Error, FormatError, UsageError
from runtime.sensor import Sensor
from trainer.cli import main
from trainer.recipe import parse_recipe

SENSOR = Sensor("bench", 4, 6, bit_depth=10, black_level_counts=20, frame_rate_hz=50.0)
N_FRAMES = 300
EVENTS = (
    Event(0.5, 1.25, "push", cue_onset_s=0.5, cue_duration_s=1.25, labeller="energy"),
    Event(2.0, 1.0, "swipe_left", 0, "rejected", "looked away"),
    Event(3.5, 0.75, "swipe_left", 1, labeller="anna"),
)
SENSOR_TEXT = "".join(
    f"{key} = {value!r}\n".replace("'", '"') for key, value in SENSOR.to_json().items()
)


def readouts(seed: int = 1) -> FrameBlock:
    rng = np.random.default_rng(seed)
    dark = rng.integers(10, 40, (N_FRAMES, 4, 6))
    lit = dark + rng.integers(0, 900, (N_FRAMES, 4, 6))
    sequence = np.arange(N_FRAMES, dtype=np.int64)
    sequence[120:] += 3  # frame pairs that are missing
    time_us = sequence * 20_000 + rng.integers(0, 50, N_FRAMES)
    return FrameBlock(sequence, time_us, lit.astype(np.uint16), dark.astype(np.uint16))


def write_rows(path: Path, rows: list[dict[str, object]], delimiter: str = ",") -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), delimiter=delimiter)
        writer.writeheader()
        writer.writerows(rows)


def event_rows(name: str) -> list[dict[str, object]]:
    return [
        {
            "file": name, "onset": e.onset_s, "duration": e.duration_s,
            "trial_type": e.trial_type, "repetition": e.repetition, "status": e.status,
            "reason": e.reason, "labeller": e.labeller,
            "cue_onset": "" if e.cue_onset_s is None else e.cue_onset_s,
            "cue_duration": "" if e.cue_duration_s is None else e.cue_duration_s,
        }
        for e in EVENTS
    ]  # fmt: skip


def tables(folder: Path, name: str, **more: object) -> None:
    write_rows(folder / "recordings.csv", [{"file": name, "participant": "P01", **more}])
    write_rows(
        folder / "people.csv",
        [{"participant_id": "P01", "consent": "yes", "locked": "yes", "hand_length_mm": "181.5"}],
    )
    write_rows(folder / "events.csv", event_rows(name))
    (folder / "sensor.toml").write_text(SENSOR_TEXT, "utf-8")


def sources(folder: Path, order: str = "two-arrays", **more: object) -> Sources:
    return Sources(
        folder / "recordings.csv", folder / "events.csv", folder / "people.csv",
        folder / "sensor.toml", order, **more,  # type: ignore[arg-type]
    )  # fmt: skip


def interleaved(block: FrameBlock, dark_first: bool = False) -> np.ndarray:
    pair = (block.dark, block.lit) if dark_first else (block.lit, block.dark)
    return np.stack(pair, axis=1).reshape(-1, 4, 6)


def as_npz(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    times = {"sequence": block.sequence, "time_us": block.time_us}
    np.savez_compressed(folder / "a.npz", lit=block.lit, dark=block.dark, **times)
    return "a.npz", "two-arrays", {}


def as_npz_interleaved(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    times = {"sequence": block.sequence, "time_us": block.time_us}
    np.savez(folder / "a.npz", frames=interleaved(block).reshape(-1, 24), **times)
    return "a.npz", "interleaved", {}


def frame_table(block: FrameBlock, dark_first: bool) -> tuple[list[str], np.ndarray]:
    frames = interleaved(block, dark_first).reshape(-1, 24)
    is_lit = np.tile([0, 1] if dark_first else [1, 0], N_FRAMES)
    head = np.stack([np.repeat(block.sequence, 2), np.repeat(block.time_us, 2), is_lit], axis=1)
    names = ["sequence", "time_us", "lit", *(f"pixel_{i}" for i in range(24))]
    return names, np.concatenate([head, frames], axis=1)


def as_csv(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    names, values = frame_table(block, dark_first=True)
    np.savetxt(
        folder / "a.csv", values, "%d", ",", header=",".join(names), comments="", encoding="utf-8"
    )
    return "a.csv", "dark-first", {}


def as_wide_tsv(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    names = ["time_us", "sequence", *(f"lit_{i}" for i in range(24))]
    names += [f"dark_{i}" for i in range(24)]
    times = np.stack([block.time_us, block.sequence], axis=1)
    values = np.concatenate([times, block.lit.reshape(-1, 24), block.dark.reshape(-1, 24)], axis=1)
    np.savetxt(folder / "a.tsv", values, "%d", "\t", header="\t".join(names), comments="")
    return "a.tsv", "two-arrays", {}


def as_parquet(folder: Path, block: FrameBlock) -> tuple[str, str, dict[str, object]]:
    pyarrow = pytest.importorskip("pyarrow")
    parquet = pytest.importorskip("pyarrow.parquet")
    names, values = frame_table(block, dark_first=False)
    parquet.write_table(pyarrow.table(list(values.T), names), folder / "a.parquet")
    return "a.parquet", "interleaved", {}


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


def recorded(folder: Path, firmware: str = "1.2") -> Path:
    """Write a session as the recorder does, with labels and a gap."""
    prepare_dataset(folder)
    add_participant(folder, Participant("P07", True))
    path = session_path(folder, "P07", "02", "dynamic")
    path.parent.mkdir(parents=True)
    header = SessionHeader(
        "P07", "02", Description(SENSOR, "u3", firmware), load_script("dynamic"), 5
    )
    with SessionWriter(path, header) as writer:
        for pair in readouts():
            dated = FramePair(pair.sequence, pair.time_us, pair.lit, pair.dark, pair.time_us + 300)
            writer.add(dated, pair.sequence, pair.time_us)
        writer.add_json("/gaps", {"after_sequence": 119})
    write_events(events_path(path), EVENTS)
    return path


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


WRONG: list[tuple[str, Callable[[Path], object], str]] = [
    ("counts above the range", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), 1024), dark=np.zeros((N_FRAMES, 4, 6), int)),
     "frame pair 0: counts at row 0, column 0 is 1024, expected a whole number from 0 to 1023"),
    ("a fraction", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), 0.5), dark=np.zeros((N_FRAMES, 4, 6))),
     "is 0.5, expected a whole number"),
    ("no number", lambda f: np.savez(
        f / "a.npz", lit=np.full((N_FRAMES, 4, 6), np.nan), dark=np.zeros((N_FRAMES, 4, 6))),
     "is nan"),
    ("another shape", lambda f: np.savez(
        f / "a.npz", lit=np.ones((N_FRAMES, 6, 4), int), dark=np.ones((N_FRAMES, 6, 4), int)),
     "shape of an array is \\(300, 6, 4\\)"),
    ("fewer dark exposures", lambda f: np.savez(
        f / "a.npz", lit=np.ones((N_FRAMES, 4, 6), int), dark=np.ones((9, 4, 6), int)),
     "number of dark exposures is 9, expected 300"),
    ("one array only", lambda f: np.savez(f / "a.npz", lit=np.ones((N_FRAMES, 4, 6), int)),
     "array dark is missing"),
    ("an object array", lambda f: np.savez(
        f / "a.npz", lit=np.array([{}]), dark=np.array([{}])), "damaged"),
    ("lit and dark swapped", lambda f: np.savez(
        f / "a.npz", lit=readouts().dark, dark=readouts().lit), "seem to be swapped"),
    ("times that stand still", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.zeros(N_FRAMES, int)), "frame pair 1: time_us is 0, expected rising"),
    ("times of another rate", lambda f: np.savez(
        f / "a.npz", lit=readouts().lit, dark=readouts().dark,
        time_us=np.arange(N_FRAMES) * 30_000), "frame rate by its times is 33.33 Hz"),
    ("text", lambda f: (f / "a.npz").write_text("no archive"), "damaged"),
    ("no file", lambda f: (f / "a.npz").unlink(), "unreadable"),
    ("no consent", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P01", "consent": "no"}]), "consent is not given"),
    ("an unknown person", lambda f: write_rows(
        f / "people.csv", [{"participant_id": "P02", "consent": "yes"}]), "participant is 'P01'"),
    ("a take after the end", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": 5.9, "duration": 9, "trial_type": "push"}]),
     "end of push is 14.9 s"),
    ("takes over each other", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": t, "duration": 1, "trial_type": "push"} for t in (1, 1.5)]),
     "onset of push is 1.5 s, expected after 2 s"),
    ("takes of another file", lambda f: write_rows(
        f / "events.csv",
        [*event_rows("a.npz"), *event_rows("b.npz")]), "file is 'b.npz'"),
    ("no takes", lambda f: (f / "events.csv").write_text("file,onset,duration,trial_type\n"),
     "number of events is 0"),
    ("a label of two words", lambda f: write_rows(
        f / "events.csv",
        [{"file": "a.npz", "onset": 1, "duration": 1, "trial_type": "To push"}]), "row 2"),
    ("a session twice", lambda f: write_rows(
        f / "recordings.csv",
        [{"file": n, "participant": "P01", "session": "1"} for n in ("a.npz", "a.npz")]),
     "number of events is 0|a second time"),
    ("an unknown sensor key", lambda f: (f / "sensor.toml").write_text(
        SENSOR_TEXT + "colour = 1\n"), "sensor key is colour"),
    ("a table with quotes left open", lambda f: (f / "people.csv").write_text(
        'participant_id,consent\n"P01,yes\n'), "damaged|number of values"),
]  # fmt: skip


@pytest.mark.parametrize(("what", "spoil", "words"), WRONG, ids=[w[0] for w in WRONG])
def test_what_is_wrong_is_one_line_and_nothing_is_written(
    what: str, spoil: Callable[[Path], object], words: str, tmp_path: Path
) -> None:
    """Each fault of a source is refused with file, value and expectation, and leaves nothing."""
    as_npz(tmp_path, readouts())
    tables(tmp_path, "a.npz")
    spoil(tmp_path)
    with pytest.raises(Error, match=words) as caught:
        bring(sources(tmp_path), tmp_path / "set")
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "set").exists(), what


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


@pytest.mark.parametrize("form", [as_npz, as_csv])
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=25)
@given(data=st.data())
def test_no_damage_of_a_file_escapes_as_another_error(
    form: Callable[[Path, FrameBlock], tuple[str, str, dict[str, object]]],
    tmp_path: Path,
    data: st.DataObject,
) -> None:
    """A file of frames cut or flipped anywhere is brought in or refused in one line."""
    name, order, _ = form(tmp_path, readouts())
    tables(tmp_path, name)
    content = bytearray((tmp_path / name).read_bytes())
    at = data.draw(st.integers(0, len(content) - 1) | st.integers(0, min(400, len(content) - 1)))
    if data.draw(st.booleans()):
        del content[at:]
    else:
        content[at] ^= data.draw(st.integers(1, 255))
    (tmp_path / name).write_bytes(content)
    out = Path(tempfile.mkdtemp(dir=tmp_path)) / "set"
    try:
        bring(sources(tmp_path, order), out)
    except Error as error:
        assert "\n" not in str(error)
        assert not out.exists()


def test_parquet_without_pyarrow_is_one_clear_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where pyarrow is missing, a Parquet table says what to install or to do instead."""
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    tables(tmp_path, "a.parquet")
    (tmp_path / "a.parquet").write_bytes(b"PAR1")
    with pytest.raises(UsageError, match=r"not possible without pyarrow.*pip install pyarrow"):
        bring(sources(tmp_path, "interleaved"), tmp_path / "set")


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
