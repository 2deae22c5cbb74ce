"""The way from serial bytes to a session on disk, through a pseudo-terminal."""

from __future__ import annotations

import dataclasses
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from capture.conductor import Conductor
from capture.dataset import Participant, open_dataset
from capture.labels import GOOD, REJECTED
from capture.link import Link
from capture.record import Progress, record
from capture.script import Cue, parse_script
from capture.session import read_session
from capture.wire import (
    Acknowledge,
    Command,
    CommandKind,
    Decoder,
    Description,
    Exposure,
    Result,
    Status,
    encode,
)
from runtime.errors import PortError, UsageError
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 4, 5)
SCRIPT = parse_script(
    b"""
name = "short"
lead_in_s = 0.3
rest_s = [0.2, 0.2]
[[cue]]
trial_type = "push"
repetitions = 2
duration_s = 0.6
[[cue]]
trial_type = "idle"
repetitions = 1
duration_s = 0.5
""",
    "test",
)
PERSON = Participant("P01", consent=True)


def counts(sequence: int, lit: bool) -> np.ndarray:
    rng = np.random.default_rng([sequence, lit])
    return rng.integers(60, 200 + 100 * lit, (SENSOR.n_rows, SENSOR.n_cols), np.uint16)


class BenchSensor:
    """A sensor on a pseudo-terminal, as fast as it is read; `damage` may change what it sends."""

    def __init__(self, damage: Callable[[int, bool, bytes], bytes] | None = None) -> None:
        self.host, self.device = pty.openpty()
        tty.setraw(self.device)
        self.url = os.ttyname(self.device)
        self.damage = damage or (lambda sequence, lit, packet: packet)
        self.stopping = threading.Event()
        self.commands: list[Command] = []
        self.thread = threading.Thread(target=self._serve, daemon=True)
        self.thread.start()

    def _send(self, data: bytes) -> None:
        while data and not self.stopping.is_set():
            if select.select([], [self.host], [], 0.1)[1]:
                data = data[os.write(self.host, data[:2048]) :]

    def _serve(self) -> None:
        decoder = Decoder()
        sequence = -1  # not started
        last = 0
        while not self.stopping.is_set():
            if select.select([self.host], [], [], 0 if sequence >= 0 else 0.05)[0]:
                for message in decoder.feed(os.read(self.host, 4096)):
                    assert isinstance(message, Command)
                    self._send(encode(Acknowledge(message.kind, Result.DONE, 0, message.sequence)))
                    if message.sequence == last:
                        continue
                    last = message.sequence
                    self.commands.append(message)
                    if message.kind in (CommandKind.DESCRIBE, CommandKind.START):
                        self._send(encode(Description(SENSOR, "unit-1", "test")))
                    sequence = {CommandKind.START: 0, CommandKind.STOP: -1}.get(
                        message.kind, sequence
                    )
            if sequence >= 0:
                time_us = 1_000_000 + round(sequence * SENSOR.frame_period_us)
                for lit in (True, False):
                    at_us = time_us + 300 * (not lit)
                    exposure = Exposure(lit, sequence, at_us, counts(sequence, lit))
                    self._send(self.damage(sequence, lit, encode(exposure)))
                if sequence % 30 == 0:
                    self._send(encode(Status(time_us, 25.5, 3300, 0)))
                sequence += 1

    def take_the_place_of(self, path: Path) -> None:
        """Be found under a name that outlives this port, as a plugged-in device is."""
        path.unlink(missing_ok=True)
        path.symlink_to(self.url)

    def close(self) -> None:
        if self.stopping.is_set():
            return
        self.stopping.set()
        self.thread.join(5)
        os.close(self.host)
        os.close(self.device)


@pytest.fixture
def bench_sensor() -> Iterator[BenchSensor]:
    sensor = BenchSensor()
    yield sensor
    sensor.close()


def expected_pairs() -> int:
    return 1 + round(30 * (0.3 + 3 * 0.2 + 2 * 0.6 + 0.5 + 0.3 - 0.2))


def test_a_session_is_recorded_as_it_came(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """A recorded session holds every readout, time and cue exactly as the sensor sent them."""
    seen: list[Progress] = []
    with Link(bench_sensor.url) as link:
        recording = record(link, PERSON, SCRIPT, 3, tmp_path / "set", progress=seen.append)
    assert recording.wire.corrupt == recording.pairs.missing == 0
    assert seen[-1].moment.phase == "done"
    dataset = open_dataset(tmp_path / "set")
    assert dataset.participants == (PERSON,)
    (info,) = dataset.sessions
    assert (info.participant_id, info.session, info.task) == ("P01", "01", "short")
    session = read_session(info.path)
    assert (session.sensor, session.unit, session.script) == (SENSOR, "unit-1", SCRIPT)
    frames = session.frames()
    assert expected_pairs() <= len(frames) == recording.n_pairs <= expected_pairs() + 40
    assert np.array_equal(frames.sequence, np.arange(len(frames)))
    for pair in frames:
        assert np.array_equal(pair.lit, counts(pair.sequence, True))
        assert np.array_equal(pair.dark, counts(pair.sequence, False))
        assert pair.time_us == 1_000_000 + round(pair.sequence * SENSOR.frame_period_us)
    assert [event.status for event in session.events] == [GOOD] * 3
    assert sorted(event.trial_type for event in session.events) == ["idle", "push", "push"]
    assert session.events == tuple(sorted(recording.events, key=lambda e: e.onset_s))
    assert next(session.journal("/status"))["supply_mv"] == 3300
    assert sum(len(block) for block in session.blocks(7)) == len(frames)


def test_nobody_is_recorded_without_consent(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Without consent nothing is asked of the sensor and nothing is written."""
    with Link(bench_sensor.url) as link, pytest.raises(UsageError, match="consent"):
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
        with Link(sensor.url) as link:
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
    with Link(bench_sensor.url) as link:
        first = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
        before = first.path.read_bytes()
        second = record(link, PERSON, SCRIPT, 2, tmp_path / "set")
        with pytest.raises(UsageError, match="there already"):
            record(link, PERSON, SCRIPT, 2, tmp_path / "set", session="01")
    assert second.path.name == "sub-P01_ses-02_task-short_readouts.mcap"
    assert first.path.read_bytes() == before
    assert len(open_dataset(tmp_path / "set").sessions) == 2


def test_stopping_early_keeps_what_came(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """A session that is stopped early is finished and labelled as far as it went."""
    wishes = iter([None, "stop"])
    with Link(bench_sensor.url) as link:
        slow = SCRIPT.model_copy(update={"lead_in_s": 500.0})
        recording = record(
            link, PERSON, slow, 1, tmp_path / "set", controls=lambda: next(wishes, None)
        )
    assert recording.stopped_early
    session = read_session(recording.path)
    assert len(session.frames()) == recording.n_pairs > 0
    assert session.events == ()


def test_a_missing_port_is_one_clear_line(tmp_path: Path) -> None:
    """A port that is not there, or an impossible URL, is refused by name."""
    for url in (str(tmp_path / "tty"), "socket://nowhere", "socket://127.0.0.1:1", "odd://x"):
        with pytest.raises(PortError, match="the port is not open") as error:
            Link(url)
        assert "\n" not in str(error.value)


def cue_list() -> list[Cue]:
    return [Cue(1_000_000 * (2 * i + 1), 1_000_000, "push", i) for i in range(3)]


def test_the_cues_follow_the_clock() -> None:
    """Rest, cue and end follow the schedule when nobody intervenes."""
    conductor = Conductor(cue_list(), tail_us=500_000)
    assert conductor.advance(0).phase == "rest"
    assert conductor.advance(1_500_000).phase == "cue"
    assert conductor.advance(1_500_000).remaining_s == 0.5
    assert conductor.advance(6_200_000).phase == "rest"
    assert conductor.advance(6_500_000).phase == "done"
    assert [(e.onset_s, e.duration_s, e.status) for e in conductor.ended] == [
        (1.0, 1.0, GOOD),
        (3.0, 1.0, GOOD),
        (5.0, 1.0, GOOD),
    ]


def test_a_pause_moves_the_rest_along() -> None:
    """A cue that a pause cuts is rejected and given again; later cues keep their distances."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=1_000_000)
    conductor.pause(3_400_000)
    assert conductor.advance(9_000_000).phase == "paused"
    conductor.resume(10_000_000)
    conductor.advance(20_000_000)
    assert [(e.onset_s, e.status, e.reason) for e in conductor.ended] == [
        (1.0, GOOD, ""),
        (3.0, REJECTED, "paused"),
        (11.0, GOOD, ""),
        (13.0, GOOD, ""),
    ]


def test_a_take_is_redone() -> None:
    """Redo during a rest rejects the take before it and gives its cue again."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=500_000)
    conductor.redo(0)  # nothing to give again yet
    conductor.redo(2_200_000)
    conductor.advance(9_000_000)
    assert [(e.onset_s, e.repetition, e.status) for e in conductor.ended] == [
        (1.0, 0, REJECTED),
        (2.7, 0, GOOD),
        (4.7, 1, GOOD),
        (6.7, 2, GOOD),
    ]
    assert conductor.ended[0].reason == "redone"


def test_a_lost_connection_costs_the_cue_it_touches() -> None:
    """A stretch without readouts rejects the cue it cuts and gives it again."""
    conductor = Conductor(cue_list(), tail_us=0, lead_us=500_000)
    conductor.interrupt(3_500_000, 8_000_000)
    conductor.advance(12_000_000)
    assert [(e.onset_s, e.status) for e in conductor.ended] == [
        (1.0, GOOD),
        (3.0, REJECTED),
        (8.5, GOOD),
        (10.5, GOOD),
    ]
    assert dataclasses.replace(conductor.ended[1], reason="") != conductor.ended[1]


def test_another_setting_in_the_middle_ends_the_session(tmp_path: Path) -> None:
    """A sensor that changes its setting while it is recorded ends the session, which is kept."""
    other = encode(Description(dataclasses.replace(SENSOR, exposure_us=100.0), "unit-1", "test"))
    sensor = BenchSensor(lambda n, lit, packet: other + packet if n == 10 else packet)
    try:
        with Link(sensor.url) as link, pytest.raises(PortError, match="setting"):
            record(link, PERSON, SCRIPT, 3, tmp_path / "set")
    finally:
        sensor.close()
    (info,) = open_dataset(tmp_path / "set").sessions
    assert len(read_session(info.path).frames()) == 10


def test_messages_of_a_link_are_those_of_the_wire(bench_sensor: BenchSensor) -> None:
    """A link hands out what the sensor sends and numbers its commands."""
    with Link(bench_sensor.url) as link:
        assert link.describe() == Description(SENSOR, "unit-1", "test")
        assert link.ask(CommandKind.STOP).result == Result.DONE
    assert [command.sequence for command in bench_sensor.commands] == [1, 2]


def test_a_pulled_cable_costs_a_recorded_gap(tmp_path: Path) -> None:
    """Unplugged and plugged in again, the session waits, records the gap and goes on.

    Sequence and time keep rising over the gap, and the cue that it cut is given again.
    """
    name = tmp_path / "port"
    first = BenchSensor()
    first.take_the_place_of(name)
    second: list[BenchSensor] = []
    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})

    def show(progress: Progress) -> None:
        if progress.moment.phase == "disconnected" and not second:
            second.append(BenchSensor())
            second[0].take_the_place_of(name)
        elif not second and progress.n_pairs > 20:
            first.close()

    try:
        with Link(str(name)) as link:
            recording = record(link, PERSON, script, 3, tmp_path / "set", progress=show)
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


def test_a_sensor_that_stays_silent_ends_the_session(tmp_path: Path) -> None:
    """A sensor that stops sending ends the session in one clear line; what came is kept."""
    sensor = BenchSensor(lambda sequence, lit, packet: packet if sequence < 40 else b"")
    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})
    try:
        with Link(sensor.url) as link, pytest.raises(PortError, match="silent for 10 s"):
            record(link, PERSON, script, 3, tmp_path / "set")
    finally:
        sensor.close()
    (info,) = open_dataset(tmp_path / "set").sessions
    assert len(read_session(info.path).frames()) == 40


def test_giving_up_on_a_lost_sensor_keeps_what_came(tmp_path: Path) -> None:
    """When the sensor is gone and the operator stops waiting, the session so far is kept."""
    sensor = BenchSensor()
    gone: list[bool] = []

    def show(progress: Progress) -> None:
        if progress.moment.phase == "disconnected":
            gone.append(True)
        elif progress.n_pairs > 20:
            sensor.close()

    script = SCRIPT.model_copy(update={"lead_in_s": 30.0})
    with Link(sensor.url) as link, pytest.raises(PortError, match="the port is not open"):
        record(
            link,
            PERSON,
            script,
            3,
            tmp_path / "set",
            progress=show,
            controls=lambda: "stop" if gone else None,
        )
    (info,) = open_dataset(tmp_path / "set").sessions
    assert len(read_session(info.path).frames()) > 20


def test_counts_are_of_one_session(bench_sensor: BenchSensor, tmp_path: Path) -> None:
    """Two sessions on one link are counted apart."""
    with Link(bench_sensor.url) as link:
        first = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
        n_first = first.wire.good
        second = record(link, PERSON, SCRIPT, 1, tmp_path / "set")
    assert first.wire.good == n_first >= 2 * first.n_pairs
    assert second.wire.good >= 2 * second.n_pairs


def test_readouts_of_before_the_start_are_not_recorded(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """A sensor that was running already is started anew: the session begins at its pair 0."""
    with Link(bench_sensor.url) as link:
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
            with Link(sensor.url) as link:
                out = tmp_path / str(len(found))
                found.append(record(link, PERSON, SCRIPT, 1, out).path.read_bytes())
        finally:
            sensor.close()
    assert found[0] == found[1]
