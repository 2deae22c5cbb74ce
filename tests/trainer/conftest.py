"""A small data set of invented participants, recorded once for all tests of the trainer."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from capture.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.emulated.optics import SENSORS
from capture.emulated.session import emulate_session
from capture.labels import Event, write_events
from capture.script import parse_script, schedule
from capture.session import events_path
from capture.store import SessionHeader, SessionWriter
from capture.wire import Description

SCRIPT = b"""\
name = "small"
lead_in_s = 1.0
rest_s = [0.3, 0.4]

[[cue]]
trial_type = "swipe_left"
repetitions = 4
duration_s = 1.5

[[cue]]
trial_type = "push"
repetitions = 4
duration_s = 1.5

[[cue]]
trial_type = "idle"
repetitions = 3
duration_s = 1.5
"""

RECIPE = """\
name = "small"
task = "small"
seed = 3
classes = ["swipe_left", "push"]
other = ["idle"]

[features]
bins = [4, 4]
level_bits = 16
directions = 4
direction_bits = 16

[classifier]
kind = "mlp"
hidden = 8
penalty = 1.0
epochs = 30
"""


def record_small(folder: Path, n_participants: int, n_locked: int) -> None:
    """Write a data set; the last `n_locked` participants are locked."""
    prepare_dataset(folder)
    sensor, script = SENSORS["lensless32"], parse_script(SCRIPT, "small")
    for number in range(1, n_participants + 1):
        name = f"P{number:02d}"
        locked = number > n_participants - n_locked
        add_participant(folder, Participant(name, consent=True, locked=locked))
        path = session_path(folder, name, "01", script.name)
        path.parent.mkdir(parents=True)
        description = Description(sensor, "unit-a", "emulated test")
        with SessionWriter(path, SessionHeader(name, "01", description, script, number)) as writer:
            blocks = emulate_session(script, participant=number, seed=number, sensor=sensor)
            for block in blocks:
                for pair in block:
                    writer.add(pair, pair.sequence, pair.time_us)
        cues = schedule(script, number)
        write_events(
            events_path(path),
            [
                Event(c.onset_us / 1e6, c.duration_us / 1e6, c.trial_type, c.repetition)
                for c in cues
            ],
        )


@pytest.fixture(scope="session")
def recorded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four participants, one of them locked; not to be changed."""
    folder = tmp_path_factory.mktemp("small") / "data"
    record_small(folder, n_participants=4, n_locked=1)
    return folder


@pytest.fixture
def small_data(recorded_once: Path, tmp_path: Path) -> Path:
    """Return a copy of the small data set that the test may change."""
    return Path(shutil.copytree(recorded_once, tmp_path / "data"))


@pytest.fixture
def small_recipe(tmp_path: Path) -> Path:
    """Return the file of a recipe for the small data set."""
    path = tmp_path / "small.toml"
    path.write_text(RECIPE, "utf-8")
    return path
