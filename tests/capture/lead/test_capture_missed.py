"""Cues that nothing answered: told while a session is recorded, and given again where wished."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import PERSON, SCRIPT, SENSOR, BenchSensor

from capture.cues.labels import GOOD, REJECTED, Event
from capture.lead.missed import NO_MOVEMENT, Missed
from capture.lead.record import Operator, RecordingStatus, record
from capture.store.dataset import find_sessions
from capture.store.session import read_session
from capture.wire.codec import Exposure, encode
from capture.wire.link import SerialLink


def take(trial_type: str, onset_s: float, status: str = GOOD) -> Event:
    return Event(onset_s, 1.0, trial_type, 0, status, "" if status == GOOD else "redone")


def test_a_cue_in_which_nothing_moved_is_missed() -> None:
    """A movement cue without movement is missed; rest cues and takes given again are not."""
    rng = np.random.default_rng(2)
    time_s = np.arange(300) / 30
    energy = 100 + rng.normal(0, 2, 300)
    energy[35:55] += 5000
    events = [take("push", 1.0), take("pull", 3.0), take("idle", 5.0), take("push", 7.0)]
    missed = Missed(movement=True)
    assert missed.look(events[:1], list(energy[:61]), list(time_s[:61])) == ()
    assert missed.look(events, list(energy), list(time_s)) == ("pull", "push")
    events[3] = take("push", 7.0, REJECTED)
    assert missed.look(events, list(energy), list(time_s)) == ("pull",)
    assert Missed(movement=False).look(events, list(energy), list(time_s)) == ()


@pytest.fixture
def still_sensor() -> Iterator[BenchSensor]:
    """A sensor before which nothing moves."""
    still = np.full((SENSOR.n_rows, SENSOR.n_cols), 300, np.uint16)

    def calm(sequence: int, lit: bool, packet: bytes) -> bytes:
        noise = np.random.default_rng([sequence, lit]).integers(0, 3, still.shape, np.uint16)
        time_us = 1_000_000 + round(sequence * SENSOR.frame_period_us) + 300 * (not lit)
        return encode(Exposure(lit, sequence, time_us, still + noise))

    sensor = BenchSensor(calm)
    yield sensor
    sensor.close()


def test_the_recorder_tells_missed_cues(still_sensor: BenchSensor, tmp_path: Path) -> None:
    """While a session is recorded in which nothing moves, each movement cue is told as missed."""
    seen: list[RecordingStatus] = []
    with SerialLink(still_sensor.url) as link:
        record(link, PERSON, SCRIPT, 3, tmp_path / "set", operator=Operator(seen.append))
    assert seen[-1].missed == ("push", "push")
    assert dataclasses.asdict(seen[-1])["missed"] == ("push", "push")
    assert len(find_sessions(tmp_path / "set")) == 1


def test_a_missed_cue_is_given_again_twice_at_most(
    still_sensor: BenchSensor, tmp_path: Path
) -> None:
    """A cue that nothing answers comes again at once; after the third time the session goes on."""
    seen: list[RecordingStatus] = []
    operator = Operator(seen.append, repeat_missed=True)
    with SerialLink(still_sensor.url) as link:
        recording = record(link, PERSON, SCRIPT, 3, tmp_path / "set", operator=operator)
    pushes = [e for e in recording.events if e.trial_type == "push"]
    for repetition in (0, 1):
        told = [(e.status, e.reason) for e in pushes if e.repetition == repetition]
        assert told == [(REJECTED, NO_MOVEMENT), (REJECTED, NO_MOVEMENT), (GOOD, "")]
    idle = [e for e in recording.events if e.trial_type == "idle"]
    assert [e.status for e in idle] == [GOOD]
    assert seen[-1].missed == ("push",) * 6
    onsets = [e.onset_s for e in recording.events]
    assert onsets == sorted(onsets)
    # The journal says the same: a killed recording keeps them.
    told = {int(str(e["index"])): e for e in read_session(recording.path).journal("/events")}
    assert [told[i]["status"] for i in sorted(told)] == [e.status for e in recording.events]


def test_takes_with_movement_are_not_given_again() -> None:
    """A cue that was answered is not given again."""
    energy = [100.0] * 30 + [5000.0] * 10 + [100.0] * 60
    time_s = [n / 30 for n in range(100)]
    events = [take("push", 1.0)]
    missed = Missed(movement=True)
    missed.look(events, energy, time_s)
    assert not missed.wants_again(events)
    assert not missed.wants_again([])
