"""The way from serial bytes to a session on disk, through a pseudo-terminal."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import PERSON, SCRIPT, SENSOR, BenchSensor, counts

from capture.cues.labels import GOOD
from capture.lead.record import Operator, RecordingStatus, SessionNotes, record
from capture.store.dataset import Participant, open_dataset
from capture.store.session import read_session
from capture.study.provenance import Origin
from capture.wire.codec import CommandKind, Exposure
from capture.wire.link import SerialLink
from runtime.errors import UsageError


def expected_pairs() -> int:
    return 1 + round(30 * (0.3 + 3 * 0.2 + 2 * 0.6 + 0.5 + 0.3 - 0.2))


def test_a_session_is_recorded_as_it_came(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """A recorded session holds every readout, time and cue exactly as the sensor sent them."""
    seen: list[RecordingStatus] = []
    with SerialLink(bench_sensor.url) as link:
        recording = record(
            link, PERSON, SCRIPT, 3, tmp_path / "set", operator=Operator(seen.append)
        )
    assert recording.wire.corrupt == recording.pairs.missing == 0
    assert seen[-1].moment.phase == "done"
    dataset = open_dataset(tmp_path / "set")
    assert dataset.participants == (PERSON,)
    (info,) = dataset.sessions
    assert (info.participant_id, info.session[:2], info.task) == ("P01", "01", "short")
    session = read_session(info.path)
    assert (session.sensor, session.unit, session.script) == (SENSOR, "unit-1", SCRIPT)
    frames = session.frames()
    assert expected_pairs() <= len(frames) == recording.n_pairs <= expected_pairs() + 40
    assert np.array_equal(frames.sequence, np.arange(len(frames)))
    for pair in frames:
        assert np.array_equal(pair.lit, counts(pair.sequence, True))
        assert np.array_equal(pair.dark, counts(pair.sequence, False))
        assert pair.time_us == 1_000_000 + round(pair.sequence * SENSOR.frame_period_us)
        assert pair.dark_time_us == pair.time_us + 300
    assert [event.status for event in session.events] == [GOOD] * 3
    assert sorted(event.trial_type for event in session.events) == ["idle", "push", "push"]
    assert session.events == tuple(sorted(recording.events, key=lambda e: e.onset_s))
    assert next(session.journal("/status"))["supply_mv"] == 3300
    assert sum(len(block) for block in session.blocks(7)) == len(frames)


def test_nobody_is_recorded_without_consent(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Without consent nothing is asked of the sensor and nothing is written."""
    with SerialLink(bench_sensor.url) as link, pytest.raises(UsageError, match="consent"):
        record(link, Participant("P02"), SCRIPT, 1, tmp_path / "set")
    assert not (tmp_path / "set").exists()
    assert bench_sensor.commands == []


def test_damage_on_the_wire_is_counted_and_costs_its_pairs(tmp_path: Path) -> None:
    """Corrupt, lost, repeated and swapped packets are counted; all stored readouts are right."""
    held: list[bytes] = []

    def damage(sequence: int, lit: bool, packet: bytes) -> bytes:
        if (sequence, lit) == (5, True):
            return packet[:9] + bytes([packet[9] ^ 0x40 or 1]) + packet[10:]
        if (sequence, lit) == (9, False):
            return b""
        if (sequence, lit) == (12, True):
            return packet * 2
        if (sequence, lit) == (20, True):
            held.append(packet)
            return b""
        if (sequence, lit) == (20, False):
            return packet + held.pop()
        return packet

    sensor = BenchSensor(damage)
    try:
        with SerialLink(sensor.url) as link:
            recording = record(link, PERSON, SCRIPT, 3, tmp_path / "set")
    finally:
        sensor.close()
    assert (recording.wire.corrupt, recording.wire.repeated, recording.wire.reordered) == (1, 1, 1)
    assert (recording.wire.missing, recording.pairs.missing) == (2, 2)
    frames = read_session(recording.path).frames()
    assert sorted(set(range(len(frames) + 2)) - set(frames.sequence.tolist())) == [5, 9]
    for pair in frames:
        assert np.array_equal(pair.lit, counts(pair.sequence, True))
        assert np.array_equal(pair.dark, counts(pair.sequence, False))


def test_a_second_session_takes_the_next_number(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Recording the same task again makes session 02 and leaves session 01 as it is."""
    here = SessionNotes(origin=Origin(station="a"))
    with SerialLink(bench_sensor.url) as link:
        first = record(link, PERSON, SCRIPT, 1, tmp_path / "set", notes=SessionNotes("01"))
        before = first.path.read_bytes()
        second = record(link, PERSON, SCRIPT, 2, tmp_path / "set", notes=here)
        with pytest.raises(UsageError, match="there already"):
            record(link, PERSON, SCRIPT, 2, tmp_path / "set", notes=SessionNotes("01"))
    assert second.path.name == "sub-P01_ses-02a_task-short_readouts.mcap"
    assert first.path.read_bytes() == before
    assert len(open_dataset(tmp_path / "set").sessions) == 2


def test_a_second_session_forgets_nothing_about_the_person(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """Who is locked stays locked, and what was measured stays, where a session says nothing."""
    first = Participant("P01", True, hand_length_mm=180.0, handedness="left", locked=True)
    again = Participant("P01", True, hand_breadth_mm=80.0, handedness="right")
    with SerialLink(bench_sensor.url) as link:
        for person in (first, again):
            record(
                link, person, SCRIPT, 1, tmp_path / "set", operator=Operator(wish=lambda: "stop")
            )
    assert open_dataset(tmp_path / "set").participants == (
        Participant("P01", True, 180.0, 80.0, "right", locked=True),
    )


def test_stopping_early_keeps_what_came(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """A session that is stopped early is finished and labelled as far as it went."""
    wishes = iter([None, "stop"])
    with SerialLink(bench_sensor.url) as link:
        slow = SCRIPT.model_copy(update={"lead_in_s": 500.0})
        recording = record(
            link,
            PERSON,
            slow,
            1,
            tmp_path / "set",
            operator=Operator(wish=lambda: next(wishes, None)),
        )
    assert recording.stopped_early
    session = read_session(recording.path)
    assert len(session.frames()) == recording.n_pairs > 0
    assert session.events == ()


def test_ctrl_c_stops_as_the_key_does(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Ctrl-C ends the session in order: the take that stands is rejected, all that came is kept."""
    pressed: list[bool] = []

    def show(progress: RecordingStatus) -> None:
        if progress.moment.phase == "cue" and not pressed:
            pressed.append(True)
            raise KeyboardInterrupt

    long_cue = SCRIPT.cues[0].model_copy(update={"duration_s": 500.0})
    script = SCRIPT.model_copy(update={"cues": (long_cue,)})
    with SerialLink(bench_sensor.url) as link:
        recording = record(link, PERSON, script, 1, tmp_path / "set", operator=Operator(show))
    assert recording.stopped_early
    assert (recording.n_takes, recording.n_rejected) == (0, 1)
    assert recording.events[0].reason == "stopped"
    assert len(read_session(recording.path).frames()) == recording.n_pairs > 0
    assert bench_sensor.commands[-1].kind == CommandKind.STOP


def test_counts_are_of_one_session(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Two sessions on one link are counted apart."""
    with SerialLink(bench_sensor.url) as link:
        first = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
        n_first = first.wire.good
        second = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
    assert first.wire.good == n_first >= 2 * first.n_pairs
    assert second.wire.good >= 2 * second.n_pairs


def test_readouts_of_before_the_start_are_not_recorded(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """A sensor that was running already is started anew: the session begins at its pair 0."""
    with SerialLink(bench_sensor.url) as link:
        link.ask(CommandKind.START)
        while not any(isinstance(m, Exposure) and m.sequence > 50 for m in link.read()):
            pass
        recording = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
    assert read_session(recording.path).frames().sequence[0] == 0
    assert recording.pairs.missing == recording.pairs.late == 0


def test_a_recording_is_the_same_bytes_at_any_pace(tmp_path: Path) -> None:
    """Two recordings of the same readouts are the same file, however fast the host was fed."""

    def slow(sequence: int, lit: bool, packet: bytes) -> bytes:
        if sequence % 7 == 0:
            time.sleep(0.02)
        return packet

    found = []
    for damage in (None, slow):
        sensor = BenchSensor(damage)
        try:
            with SerialLink(sensor.url) as link:
                out = tmp_path / str(len(found))
                notes = SessionNotes("01", origin=Origin(None))
                done = record(link, PERSON, SCRIPT, 1, out, notes=notes)
                found.append([path.read_bytes() for path in sorted(done.path.parent.iterdir())])
        finally:
            sensor.close()
    assert found[0] == found[1]
