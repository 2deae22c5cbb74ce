"""A sensor that is pulled, falls silent or changes in the middle of a session."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import PERSON, SCRIPT, SENSOR, BenchSensor, counts

from capture.cues.labels import GOOD
from capture.lead.record import Operator, RecordingStatus, record
from capture.measure.quality import quality_faults, session_quality
from capture.store.dataset import open_dataset
from capture.store.session import read_session
from capture.wire.codec import CommandKind, Description, Exposure, encode
from capture.wire.link import SerialLink
from capture.wording import recording_line
from runtime.errors import PortError


def test_another_setting_in_the_middle_ends_the_session(tmp_path: Path) -> None:
    """A sensor that changes its setting while it is recorded ends the session, which is kept."""
    other = encode(Description(dataclasses.replace(SENSOR, exposure_us=100.0), "unit-1", "test"))
    sensor = BenchSensor(lambda n, lit, packet: other + packet if n == 10 else packet)
    try:
        with SerialLink(sensor.url) as link, pytest.raises(PortError, match="setting"):
            record(link, PERSON, SCRIPT, 3, tmp_path / "set")
    finally:
        sensor.close()
    (info,) = open_dataset(tmp_path / "set").sessions
    assert len(read_session(info.path).frames()) == 10


def test_a_pulled_cable_costs_a_recorded_gap(tmp_path: Path) -> None:
    """Unplugged and plugged in again, the session waits, records the gap and goes on.

    Sequence and time keep rising over the gap, and the cue that it cut is given again.
    """
    name = tmp_path / "port"
    first = BenchSensor()
    first.take_the_place_of(name)
    second: list[BenchSensor] = []
    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})

    def show(progress: RecordingStatus) -> None:
        if progress.moment.phase == "disconnected" and not second:
            second.append(BenchSensor())
            second[0].take_the_place_of(name)
        elif not second and progress.n_pairs > 20:
            first.close()

    try:
        with SerialLink(str(name)) as link:
            recording = record(link, PERSON, script, 3, tmp_path / "set", operator=Operator(show))
    finally:
        for sensor in second:
            sensor.close()
    assert recording.n_gaps == 1
    session = read_session(recording.path)
    frames = session.frames()
    assert len(frames) == recording.n_pairs
    steps = np.diff(frames.sequence)
    assert np.count_nonzero(steps > 1) <= 1
    assert np.all(np.diff(frames.time_us) > 0)
    (gap,) = session.journal("/gaps")
    assert gap["run"] == 1
    restart = int(np.searchsorted(frames.sequence, int(str(gap["after_sequence"])), "right"))
    for index in (restart - 1, restart):
        lit = frames.lit[index]
        device_sequence = int(frames.sequence[index])
        if index == restart:
            device_sequence -= int(str(gap["sequence_offset"]))
        assert np.array_equal(lit, counts(device_sequence, True))
    good = [event for event in session.events if event.status == GOOD]
    assert sorted(event.trial_type for event in good) == ["idle", "push", "push"]
    quality = session_quality(session)
    assert quality.n_dropped == 0
    assert quality.n_gaps == np.count_nonzero(steps > 1)
    assert not any("missing" in reason for reason in quality_faults(quality, session.sensor))


def starts(sensor: BenchSensor) -> int:
    return sum(command.kind == CommandKind.START for command in sensor.commands)


def test_a_sensor_that_falls_silent_is_started_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cable pulled behind an adapter leaves the port there: the gap is recorded, it goes on."""
    monkeypatch.setattr("capture.lead.record._STALL_S", 0.3)
    sensor = BenchSensor(
        lambda sequence, lit, packet: packet if sequence < 40 or starts(sensor) > 1 else b""
    )
    script = SCRIPT.model_copy(update={"lead_in_s": 3.0})
    seen: list[RecordingStatus] = []
    try:
        with SerialLink(sensor.url) as link:
            recording = record(
                link, PERSON, script, 3, tmp_path / "set", operator=Operator(seen.append)
            )
    finally:
        sensor.close()
    assert recording.n_gaps == 1
    assert "disconnected" in {progress.moment.phase for progress in seen}
    session = read_session(recording.path)
    frames = session.frames()
    (gap,) = session.journal("/gaps")
    assert (gap["after_sequence"], frames.time_us[39]) == (39, 1_000_000 + 39_000_000 // 30)
    assert np.all(np.diff(frames.time_us) > 0)
    assert np.array_equal(frames.lit[40], counts(0, True))
    assert [event.status for event in session.events] == [GOOD] * 3


def test_a_sensor_that_stays_silent_ends_the_session(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sensor that sends nothing when started again ends the session in one clear line."""
    monkeypatch.setattr("capture.lead.record._STALL_S", 0.3)
    sensor = BenchSensor(
        lambda sequence, lit, packet: packet if sequence < 40 and starts(sensor) == 1 else b""
    )
    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})
    try:
        with SerialLink(sensor.url) as link, pytest.raises(PortError, match="silent") as error:
            record(link, PERSON, script, 3, tmp_path / "set")
    finally:
        sensor.close()
    (info,) = open_dataset(tmp_path / "set").sessions
    assert str(error.value).endswith(
        "silent for 0.3 s, expected frame pairs of the form it described. Look at it; what was "
        f"recorded before it is kept in {info.path}."
    )
    assert len(read_session(info.path).frames()) == 40


def test_a_stop_while_the_sensor_is_gone_is_a_session_that_ended_early(tmp_path: Path) -> None:
    """Who stops while the sensor is gone has wished it: no error, and what came is a session.

    Nobody then waits for the answer of a sensor that is not there.
    """
    sensor = BenchSensor()
    gone: list[float] = []

    def show(progress: RecordingStatus) -> None:
        if progress.moment.phase == "disconnected":
            gone.append(time.monotonic())
        elif progress.n_pairs > 20:
            sensor.close()

    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})
    with SerialLink(sensor.url) as link:
        recording = record(
            link,
            PERSON,
            script,
            3,
            tmp_path / "set",
            operator=Operator(show, lambda: "stop" if gone else None),
        )
    assert time.monotonic() - gone[0] < 3.0
    assert (recording.stopped_early, recording.events) == (True, ())
    (info,) = open_dataset(tmp_path / "set").sessions
    assert (info.path, len(read_session(info.path).frames())) == (recording.path, recording.n_pairs)
    assert recording.n_pairs > 20


def send(sensor: BenchSensor, lit: bool, sequence: int, time_us: int) -> bytes:
    return encode(Exposure(lit, sequence, time_us, counts(sequence, lit)))


def test_a_sound_packet_with_a_wild_number_costs_itself_alone(tmp_path: Path) -> None:
    """An exposure of the last sequence there is, or of the latest clock, takes no other with it."""

    def wild(sequence: int, lit: bool, packet: bytes) -> bytes:
        if sequence == 10 and lit:
            return send(sensor, True, 2**32 - 1, 1) + packet
        if sequence == 20 and lit:
            return send(sensor, True, 20, 2**64 - 1) + packet
        return packet

    sensor = BenchSensor(wild)
    try:
        with SerialLink(sensor.url) as link:
            recording = record(link, PERSON, SCRIPT, 3, tmp_path / "set")
    finally:
        sensor.close()
    # The wild clock came under the number of a true exposure, which then is a repeated one.
    assert (recording.wire.doubted, recording.pairs.foreign, recording.pairs.missing) == (1, 1, 1)
    assert recording.n_takes == 3
    assert len(read_session(recording.path).frames()) == recording.n_pairs


def test_a_clock_that_wraps_is_told_and_the_cues_go_on(tmp_path: Path) -> None:
    """A device clock of 32 bits that falls to 0 costs one frame pair; the session stays fit."""
    period_us = SENSOR.frame_period_us

    def wrapped(sequence: int, lit: bool, _: bytes) -> bytes:
        start_us = 2**32 - 1_000_000
        time_us = (start_us + round(sequence * period_us) + 300 * (not lit)) % 2**32
        return send(sensor, lit, sequence, time_us)

    seen: list[RecordingStatus] = []
    sensor = BenchSensor(wrapped)
    try:
        with SerialLink(sensor.url) as link:
            recording = record(
                link, PERSON, SCRIPT, 3, tmp_path / "set", operator=Operator(seen.append)
            )
    finally:
        sensor.close()
    assert (recording.n_clock_leaps, recording.pairs.missing, recording.n_gaps) == (1, 1, 0)
    assert seen[-1].clock_leaps == 1
    assert "1 leap of the sensor's clock mended" in recording_line(recording)
    session = read_session(recording.path)
    frames = session.frames()
    assert np.all(np.diff(frames.time_us) > 0)
    assert abs((frames.time_us[-1] - frames.time_us[0]) - 1e6 * recording.duration_s) < 1
    (told,) = session.journal("/gaps")
    assert abs(int(str(told["clock_leap_us"])) + 2**32) < 2
    assert [event.status for event in session.events] == [GOOD] * 3
    quality = session_quality(session)
    assert (quality.n_clock_falls, quality.n_gaps) == (0, 0)


def test_a_sensor_that_loses_its_place_is_started_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sensor whose numbers begin anew unasked is not waited for in vain: START puts it right."""
    monkeypatch.setattr("capture.lead.record._STALL_S", 0.3)

    def restarted(sequence: int, lit: bool, packet: bytes) -> bytes:
        if starts(sensor) > 1 or sequence < 100:
            return packet
        return send(sensor, lit, (sequence - 100) % 20, 5_000 + 1_000 * (sequence - 100))

    sensor = BenchSensor(restarted)
    script = SCRIPT.model_copy(update={"lead_in_s": 4.0})
    try:
        with SerialLink(sensor.url) as link:
            recording = record(link, PERSON, script, 3, tmp_path / "set")
    finally:
        sensor.close()
    assert recording.n_gaps == 1
    assert recording.n_takes == 3
