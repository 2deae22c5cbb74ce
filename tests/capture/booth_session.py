"""A small recorded session for the tests of the booth, made without a sensor."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from capture.cues.labels import GOOD, REJECTED, Event, write_events
from capture.cues.script import parse_script
from capture.frames import FramePair
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import events_path
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 6, 5)
SCRIPT = parse_script(
    b"""
name = "short"
lead_in_s = 1.0
[[cue]]
trial_type = "swipe_left"
repetitions = 2
duration_s = 1.0
[[cue]]
trial_type = "push"
repetitions = 2
duration_s = 1.0
[[cue]]
trial_type = "idle"
repetitions = 1
duration_s = 1.0
""",
    "test",
)
N_PAIRS = 301
EVENTS = (
    Event(1.2, 0.5, "swipe_left", 0, cue_onset_s=1.0, cue_duration_s=1.0, labeller="energy"),
    Event(3.0, 0.4, "push", 0, REJECTED, "paused", cue_onset_s=3.0, cue_duration_s=1.0),
    Event(5.1, 0.6, "push", 0, GOOD, cue_onset_s=5.0, cue_duration_s=1.0, labeller="energy"),
    Event(7.0, 1.0, "idle", 0, cue_onset_s=7.0, cue_duration_s=1.0),
)


def counts(sequence: int) -> tuple[np.ndarray, np.ndarray]:
    """Return lit and dark of a frame pair; in each take there is movement."""
    rng = np.random.default_rng(sequence)
    time_s = sequence / 30.0
    lit = rng.integers(300, 310, (SENSOR.n_rows, SENSOR.n_cols), np.uint16)
    if any(event.onset_s <= time_s <= event.end_s for event in EVENTS[:3]):
        lit[:, sequence % SENSOR.n_cols] += np.uint16(200)
    return lit, rng.integers(60, 70, lit.shape, np.uint16)


def make_session(root: Path, participant: str = "P01", number: str = "01") -> Path:
    """Write one session of 10 s into a data set and return its readouts file."""
    prepare_dataset(root)
    add_participant(root, Participant(participant, consent=True))
    path = session_path(root, participant, number, SCRIPT.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    header = SessionHeader(participant, number, Description(SENSOR, "unit-1", "test"), SCRIPT, 3)
    with SessionWriter(path, header) as writer:
        for sequence in range(N_PAIRS):
            time_us = 5_000_000 + round(sequence * SENSOR.frame_period_us)
            writer.add(FramePair(sequence, time_us, *counts(sequence)), sequence, time_us)
    write_events(events_path(path), EVENTS)
    return path
