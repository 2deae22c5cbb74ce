"""A disk that fills while a session is recorded, and one on which nothing can be written.

The limit on a file's size (setrlimit of POSIX.1-2017, RLIMIT_FSIZE) stands for a full disk: a write
beyond it is cut short and then refused, as on a full disk, wherever the tests run.
"""

from __future__ import annotations

import multiprocessing
import resource
import subprocess
import sys
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import PERSON, SCRIPT, BenchSensor, counts

from capture.cues.labels import Event, read_events, write_events
from capture.lead.record import SessionNotes, record
from capture.store.dataset import Participant, add_participant, open_dataset, prepare_dataset
from capture.store.session import read_session
from capture.store.validate import validate
from capture.study.provenance import provenance_path
from capture.wire.link import SerialLink
from runtime.errors import Error

SMALL = 100_000
LONG_SCRIPT = """
name = "long"
lead_in_s = 2.0
[[cue]]
trial_type = "push"
repetitions = 500
duration_s = 2.0
"""


def limit_files(n_bytes: int) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, n_bytes))


def where_nothing_fits(act: Callable[[Path], str], path: Path, n_bytes: int) -> str:
    """Return what an act gives in a process whose files cannot grow beyond a few bytes."""
    context = multiprocessing.get_context("spawn")
    host, child = context.Pipe(duplex=False)
    process = context.Process(target=_limited, args=(act, path, n_bytes, child))
    process.start()
    answer = host.recv()
    process.join()
    assert isinstance(answer, str)
    return answer


def _limited(act: Callable[[Path], str], path: Path, n_bytes: int, answer: Connection) -> None:
    limit_files(n_bytes)
    answer.send(act(path))


@pytest.fixture
def interrupted(bench_sensor: BenchSensor, tmp_path: Path) -> Path:
    """Return the file of a session whose disk filled while `palmwatt record` wrote it."""
    script = tmp_path / "long.toml"
    script.write_text(LONG_SCRIPT)
    out = tmp_path / "set"
    words = ["--port", bench_sensor.url, "--participant", "P01", "--script", script, "--out", out]
    words += ["--consent", "--json"]
    ended = subprocess.run(
        [sys.executable, "-c", "from trainer.cli import main; main()", "record", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        preexec_fn=lambda: limit_files(SMALL),
        check=False,
    )
    assert ended.returncode == 2
    assert ended.stdout == ""
    (line,) = ended.stderr.splitlines()
    assert "writing is refused" in line
    assert "Make room on the disk" in line
    (info,) = open_dataset(out).sessions
    return info.path


def pairs_in(path: Path) -> int:
    """Return how many readouts a session holds: all there from the first on, each as sent."""
    frames = read_session(path).frames()
    assert np.array_equal(frames.sequence, np.arange(len(frames)))
    for pair in frames:
        assert np.array_equal(pair.lit, counts(pair.sequence, True))
        assert np.array_equal(pair.dark, counts(pair.sequence, False))
    return len(frames)


def test_a_full_disk_ends_a_recording_and_loses_nothing_written(interrupted: Path) -> None:
    """A disk that fills ends the recording with one line and exit code 2; the session opens.

    Its readouts run from the first to the last one that found room, and its labels with them.
    """
    assert interrupted.stat().st_size == SMALL
    whole_s = read_session(interrupted).frames().time_us[-1] / 1e6 - 1.0
    assert pairs_in(interrupted) > 500
    events = read_session(interrupted).events
    assert [event.onset_s for event in events] == sorted(event.onset_s for event in events)
    assert len(events) >= int((whole_s - 2.0) / 2.3) - 1


def read_where_full(path: Path) -> str:
    session = read_session(path)
    return f"{len(session.frames())} {len(session.events)} {session.finished}"


def test_an_unfinished_session_opens_where_nothing_can_be_written(interrupted: Path) -> None:
    """On a full disk an unfinished session is read as far as it goes and left as it is."""
    for labels in interrupted.parent.glob("*_events.*"):
        labels.unlink()
    before = interrupted.read_bytes()
    n_pairs, n_events, finished = where_nothing_fits(read_where_full, interrupted, 50).split()
    assert finished == "False"
    assert interrupted.read_bytes() == before
    there = {interrupted, provenance_path(interrupted)}
    assert set(interrupted.parent.iterdir()) == there
    assert int(n_pairs) == pairs_in(interrupted)
    session = read_session(interrupted)
    assert session.finished
    assert int(n_events) == len(session.events)


def test_labels_that_find_no_room_come_from_the_journal_later(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """When only the labels cannot be written, the next opening makes them from the journal."""
    out = tmp_path / "set"
    folder = out / "sub-P01" / "ses-01"
    in_the_way = folder / "sub-P01_ses-01_task-short_events.tsv"
    prepare_dataset(out)
    in_the_way.mkdir(parents=True)
    with SerialLink(bench_sensor.url) as link, pytest.raises(Error, match="not writable"):
        record(link, PERSON, SCRIPT, 3, out, notes=SessionNotes("01"))
    in_the_way.rmdir()
    (info,) = open_dataset(out).sessions
    assert pairs_in(info.path) >= 80
    events = read_session(info.path).events
    assert sorted(event.trial_type for event in events) == ["idle", "push", "push"]


def test_a_session_is_finished_before_it_is_judged(interrupted: Path) -> None:
    """Labels that opening a session brings back are not listed as missing."""
    for labels in interrupted.parent.glob("*_events.*"):
        labels.unlink()
    assert validate(interrupted.parents[2]) == ()


def write_tables(root: Path) -> str:
    said = []
    for write in (
        lambda: add_participant(root, Participant("P02", consent=True)),
        lambda: write_events(root / "x_events.tsv", [Event(0.1, 0.2, "push")] * 50),
        lambda: prepare_dataset(root / "new"),
    ):
        try:
            write()
        except Error as error:
            said.append(str(error))
    return "\n".join(said)


def test_tables_stay_as_they_are_on_a_full_disk(tmp_path: Path) -> None:
    """A table that finds no room is refused in one line; the old one stays, nothing is beside it.

    The folder of a data set that could not be begun can be begun later.
    """
    prepare_dataset(tmp_path)
    add_participant(tmp_path, PERSON)
    events = (Event(0.5, 0.25, "pull"),)
    write_events(tmp_path / "x_events.tsv", events)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    said = where_nothing_fits(write_tables, tmp_path, 20).splitlines()
    assert len(said) == 3
    for line, name in zip(said, ("participants.tsv", "x_events.tsv", "new"), strict=True):
        assert name in line
        assert "not writable" in line
    assert list((tmp_path / "new").iterdir()) == []
    (tmp_path / "new").rmdir()
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert read_events(tmp_path / "x_events.tsv") == events
