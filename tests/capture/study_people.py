"""Emulated people who are recorded as a study's plan wants it, for the tests of study and merge."""

from __future__ import annotations

import dataclasses
import datetime
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from capture.cues.labels import Event, write_events
from capture.cues.script import Script, schedule
from capture.emulated.session import emulate_session
from capture.frames import FramePair
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import events_path
from capture.store.writer import SessionHeader, SessionWriter
from capture.study.orders import Step, steps_of
from capture.study.plan import StudyFile, open_study
from capture.study.provenance import Origin, keep_provenance, moment
from capture.wire.codec import Description
from runtime.sensor import Sensor

BRIEF = """
name = "{name}"
lead_in_s = 0.1
rest_s = [0.1, 0.1]
[[cue]]
trial_type = "swipe_left"
repetitions = 1
duration_s = 0.4
[[cue]]
trial_type = "push"
repetitions = 1
duration_s = 0.4
"""
PLAN = """
name = "Sixty people"
authors = ["The collectors", "The others"]
people = ["P01-P{n:02d}"]
seed = 5
n_locked = {locked}
[consent]
form = "2.1"
date = 2026-11-02
[[script]]
script = "brief_one.toml"
repetitions = 2
[[script]]
script = "brief_two.toml"
[[device]]
unit = "unit-a"
[[device]]
unit = "unit-b"
[[station]]
name = "a"
unit = "unit-a"
[[station]]
name = "b"
unit = "unit-b"
"""
FIRMWARE = "emulated (test)"
SENSOR = Sensor("lensless", 8, 8, frame_rate_hz=30.0)
BEGIN = datetime.datetime(2026, 11, 4, 8, 0, tzinfo=datetime.UTC)


def write_study(root: Path, n: int = 60, locked: int = 12) -> StudyFile:
    """Write a plan for `n` people and its two scripts."""
    root.mkdir(parents=True, exist_ok=True)
    for name in ("brief_one", "brief_two"):
        (root / f"{name}.toml").write_text(BRIEF.format(name=name))
    (root / "study.toml").write_text(PLAN.format(n=n, locked=locked))
    return open_study(root)


def planned(file: StudyFile) -> list[Step]:
    """Return all steps of a plan, person by person."""
    return [step for steps in steps_of(file).values() for step in steps]


def record_step(
    root: Path,
    file: StudyFile,
    step: Step,
    minute: int = 0,
    *,
    emulated: bool = False,
    firmware: str = FIRMWARE,
    **changes: object,
) -> Path:
    """Record a step, or a change of it, and return the session's file.

    An emulated person takes half a second; without one the readouts are noise.
    """
    step = dataclasses.replace(step, **changes)
    script = next(script for script in file.scripts if script.name == step.task)
    prepare_dataset(root)
    locked = step.person in file.study.locked
    add_participant(root, Participant(step.person, consent=True, locked=locked))
    name = f"{step.repetition + 1:02d}{step.station}"
    path = session_path(root, step.person, name, step.task)
    path.parent.mkdir(parents=True, exist_ok=True)
    description = Description(SENSOR, step.unit, firmware)
    header = SessionHeader(step.person, name, description, script, step.seed)
    with SessionWriter(path, header) as writer:
        for pair in _acted(script, step) if emulated else _noise(script, step):
            writer.add(pair, pair.sequence, pair.time_us)
    began = moment(BEGIN + datetime.timedelta(minutes=minute))
    keep_provenance(path, header, Origin(began, step.station, "K1", "", "2.1", file.sha256))
    events = [
        Event(
            cue.onset_us / 1e6, cue.duration_us / 1e6, cue.trial_type, cue.repetition,
            cue_onset_s=cue.onset_us / 1e6, cue_duration_s=cue.duration_us / 1e6,
        )
        for cue in schedule(script, step.seed)
    ]  # fmt: skip
    write_events(events_path(path), events)
    return path


def _acted(script: Script, step: Step) -> Iterator[FramePair]:
    number = int("".join(sign for sign in step.person if sign.isdigit()))
    for block in emulate_session(
        script, participant=number, seed=step.seed, sensor=SENSOR, unit=step.unit, tail_s=0.2
    ):
        yield from block


def _noise(script: Script, step: Step) -> Iterator[FramePair]:
    end_us = schedule(script, step.seed)[-1].end_us + 200_000
    shape = SENSOR.n_rows, SENSOR.n_cols
    rng = np.random.default_rng(step.seed)
    for sequence in range(int(end_us / SENSOR.frame_period_us) + 1):
        lit, dark = (rng.integers(60, high, shape, np.uint16) for high in (400, 80))
        yield FramePair(sequence, round(sequence * SENSOR.frame_period_us), lit, dark)
