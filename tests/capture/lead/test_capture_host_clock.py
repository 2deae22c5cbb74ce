"""A recording with its host's clock beside it: the recording stays as it is, and can be aligned."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_sensor import PERSON, SCRIPT, BenchSensor
from click.testing import CliRunner

from capture.emulated.port.device import DeviceSettings, running_device
from capture.lead.aligned import ALIGNED_COLUMNS, align
from capture.lead.host_clock import CLOCK_COLUMNS, clock_path
from capture.lead.record import (
    Operator,
    RecordedSession,
    RecordingStatus,
    SessionNotes,
    record,
)
from capture.store.session import read_session
from capture.store.validate import validate
from capture.tsv_tables import read_table
from capture.wire.codec import Acknowledge, CommandKind, Result, encode
from capture.wire.link import SerialLink
from runtime.errors import FormatError, UsageError
from trainer.cli import palmwatt

BRIEF = """
name = "brief"
lead_in_s = 6.0
rest_s = [0.2, 0.2]
[[cue]]
trial_type = "push"
repetitions = 1
duration_s = 1.2
"""
NOTES = SessionNotes("01", host_clock=True)
QUIET = Operator(still_s=float("inf"))


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RecordedSession, float]]:
    """Record an emulated sensor whose clock runs 50 millionths fast; gives the time it ended."""
    folder = tmp_path_factory.mktemp("clock")
    script = folder / "brief.toml"
    script.write_text(BRIEF)
    from capture.cues.script import load_script

    settings = DeviceSettings(script=str(script), speed=1.00005)
    with running_device(settings) as url, SerialLink(url) as link:
        recording = record(link, PERSON, load_script(script), 1, folder / "set", notes=NOTES)
        yield recording, time.time()


def test_a_drift_that_was_planted_is_found(recorded: tuple[RecordedSession, float]) -> None:
    """Over a real serial port, 50 ppm and the sensor's start are within the bounds that are told.

    A few seconds do not tell it closely: the bound is the shortest round trip over the length.
    """
    recording, ended_s = recorded
    (fit,) = recording.clock
    assert fit is not None
    assert fit.n_exchanges >= 10
    assert abs(fit.drift_ppm - 50.0) <= fit.drift_error_ppm
    assert fit.wander_us < 100
    content = json.loads(clock_path(recording.path).with_suffix(".json").read_text())
    assert content["segments"] == [fit.to_json()]
    assert 0 < ended_s * 1e6 - content["utc_us_at_zero"] < 60e6


def test_frame_pairs_are_laid_on_the_clock_of_the_day(
    recorded: tuple[RecordedSession, float], tmp_path: Path
) -> None:
    """Each frame pair has its UTC time and its bound; it arrived after it was taken, not before."""
    recording, ended_s = recorded
    out = tmp_path / "aligned.tsv"
    told = CliRunner().invoke(palmwatt, ["align", str(recording.path), "--out", str(out)])
    assert (told.exit_code, told.output) == (0, f"{out}: {recording.n_pairs} frame pairs\n")
    rows = [row for _, row in read_table(out, ALIGNED_COLUMNS)]
    frames = read_session(recording.path).frames()
    assert [int(str(row["sequence"])) for row in rows] == frames.sequence.tolist()
    assert [int(str(row["time_us"])) for row in rows] == frames.time_us.tolist()
    for row in rows:
        utc_us, error_us, arrived_us = (int(str(row[column])) for column in ALIGNED_COLUMNS[2:])
        assert utc_us - error_us <= arrived_us
        assert ended_s * 1e6 - 60e6 < utc_us < ended_s * 1e6


def test_the_recording_is_the_same_bytes_with_and_without(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """What is noted of the host's clock never reaches the recording, nor makes a data set wrong."""
    found = []
    for name, notes in (("without", SessionNotes("01")), ("with", NOTES)):
        with SerialLink(bench_sensor.url) as link:
            found.append(
                record(link, PERSON, SCRIPT, 3, tmp_path / name, notes=notes, operator=QUIET)
            )
    without, beside = found
    assert without.path.read_bytes() == beside.path.read_bytes()
    assert (without.clock, len(beside.clock)) == ((), 1)
    assert not clock_path(without.path).exists()
    pairs = [
        row
        for _, row in read_table(clock_path(beside.path), CLOCK_COLUMNS)
        if row["kind"] == "pair"
    ]
    assert len(pairs) == beside.n_pairs
    arrived = [int(str(row["arrived_us"])) for row in pairs]
    assert arrived == sorted(arrived)
    assert validate(tmp_path / "with") == ()


def test_a_sensor_that_does_not_know_the_clock_is_recorded_all_the_same(tmp_path: Path) -> None:
    """An older sensor refuses once, is not asked again, and its recording lacks nothing else."""

    class Older(BenchSensor):
        def _send(self, data: bytes) -> None:
            if self.commands and self.commands[-1].kind == CommandKind.CLOCK:
                refused = self.commands[-1]
                done = encode(Acknowledge(refused.kind, Result.DONE, 0, refused.sequence))
                unknown = Acknowledge(refused.kind, Result.UNKNOWN, 0, refused.sequence)
                data = encode(unknown) if data == done else data
            super()._send(data)

    sensor = Older()
    try:
        with SerialLink(sensor.url) as link:
            recording = record(link, PERSON, SCRIPT, 3, tmp_path / "set", notes=NOTES)
    finally:
        sensor.close()
    asked = [command for command in sensor.commands if command.kind == CommandKind.CLOCK]
    assert (len(asked), recording.clock, recording.n_takes) == (1, (None,), 3)
    out = tmp_path / "aligned.tsv"
    assert align(recording.path, out) == recording.n_pairs
    assert all(row["utc_us"] is None for _, row in read_table(out, ALIGNED_COLUMNS))


def test_a_lost_connection_begins_another_segment(tmp_path: Path) -> None:
    """Over a restart nothing says how the clocks stand: each side of a gap has its own line."""
    name = tmp_path / "port"
    sensors = [BenchSensor()]
    sensors[0].take_the_place_of(name)

    def show(progress: RecordingStatus) -> None:
        if progress.moment.phase == "disconnected" and len(sensors) == 1:
            sensors.append(BenchSensor())
            sensors[1].take_the_place_of(name)
        elif len(sensors) == 1 and progress.n_pairs > 20:
            sensors[0].close()

    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})
    try:
        with SerialLink(str(name)) as link:
            operator = Operator(show)
            recording = record(
                link, PERSON, script, 3, tmp_path / "set", notes=NOTES, operator=operator
            )
    finally:
        for sensor in sensors:
            sensor.close()
    assert (recording.n_gaps, len(recording.clock)) == (1, 2)
    rows = [row for _, row in read_table(clock_path(recording.path), CLOCK_COLUMNS)]
    assert {row["segment"] for row in rows} == {"0", "1"}
    assert align(recording.path, tmp_path / "out.tsv") == recording.n_pairs


def test_what_a_killed_recorder_noted_can_be_aligned(
    recorded: tuple[RecordedSession, float], tmp_path: Path
) -> None:
    """Cut anywhere, the table gives all of its whole rows."""
    recording, _ = recorded
    table = clock_path(recording.path).read_bytes()
    readouts = tmp_path / recording.path.name
    clock_path(readouts).with_suffix(".json").write_text('{"utc_us_at_zero": 5}')
    end = table.index(b"\n", 2000) + 1
    for length in range(end, end + 60, 7):
        clock_path(readouts).write_bytes(table[:length])
        n_pairs = table[:length].rpartition(b"\n")[0].count(b"\npair")
        assert align(readouts, tmp_path / "out.tsv") == n_pairs


def test_a_session_without_the_host_s_clock_cannot_be_aligned(tmp_path: Path) -> None:
    """What was not noted is not made up: one line says how to record it."""
    with pytest.raises(UsageError, match="Record with --host-clock"):
        align(tmp_path / "sub-P01_ses-01_task-short_readouts.mcap", tmp_path / "out.tsv")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("pair\t0\t0\t0\tn/a\tn/a", "number of values"),
        ("pair\t0\t0\tn/a\tn/a\tn/a\t1", "time_us"),
        ("pair\t0\tx\t0\tn/a\tn/a\t1", "sequence"),
        ("exchange\t0\t0\t0\tn/a\t0\t1", "held_us"),
        ("exchange\t0\t0\t0\t5\t0\t1", "held_us"),
        ("nap\t0\t0\t0\tn/a\tn/a\t1", "kind"),
    ],
)
def test_a_wrong_row_is_told(tmp_path: Path, row: str, words: str) -> None:
    """A table of times that was damaged is refused by row and column."""
    readouts = tmp_path / "sub-P01_ses-01_task-short_readouts.mcap"
    path = clock_path(readouts)
    path.write_text("\t".join(CLOCK_COLUMNS) + f"\n{row}\n")
    path.with_suffix(".json").write_text('{"utc_us_at_zero": 1}')
    with pytest.raises(FormatError, match=words):
        align(readouts, tmp_path / "out.tsv")


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"utc_us_at_zero": true}', "[" * 5000])
def test_a_wrong_zero_is_told(tmp_path: Path, content: str) -> None:
    """Without a sound zero nothing can be laid on the clock of the day."""
    readouts = tmp_path / "sub-P01_ses-01_task-short_readouts.mcap"
    path = clock_path(readouts)
    path.write_text("\t".join(CLOCK_COLUMNS) + "\n")
    path.with_suffix(".json").write_text(content)
    with pytest.raises(FormatError):
        align(readouts, tmp_path / "out.tsv")
