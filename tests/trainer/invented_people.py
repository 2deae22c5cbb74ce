"""Data sets of invented participants, as the recorder writes them, without a serial port between.

The frame pairs and labels are those that ``palmwatt record`` gives for the same arguments, as fast
as they can be worked out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from capture.cues.labels import Event, refine, write_events
from capture.cues.script import Script, schedule
from capture.emulated.body.people import participant_row
from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import EmulatedSession, emulate_session, noted_distance_mm
from capture.store.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.store.session import events_path
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.sensor import Sensor

__all__ = ["add_person", "record_people", "record_place", "record_session", "strokes"]

STROKES = {"swipe": 1, "push": 1, "pull": 1, "circle": 0}
"""Which movement of its cue is the gesture itself."""


def add_person(folder: Path, number: int, locked: bool) -> None:
    """Write a participant's row, with the hand that the emulated sensor will see."""
    prepare_dataset(folder)
    add_participant(folder, participant_row(number, locked=locked))


def _seed(number: int, session: int) -> int:
    return number + 1000 * (session - 1)


def strokes(script: Script, number: int, session: int = 1) -> list[tuple[float, float, str]]:
    """Return when each gesture of a session truly begins and ends, seconds, and its trial type.

    A swipe, push or pull is the movement between getting ready and coming back, a circle the only
    one; the refined labels of a recording also take in the way back.
    """
    seed = _seed(number, session)
    acted = EmulatedSession(script, number, seed, SENSORS["lensless32"])
    movements = acted.world.timeline.movements
    made = []
    for cue in acted.cues:
        kind = cue.trial_type.partition("_")[0]
        if kind in STROKES:
            begin_s = cue.onset_us / 1e6
            stroke = [m for m in movements if m.start_s >= begin_s][STROKES[kind]]
            made.append((stroke.start_s, stroke.end_s, cue.trial_type))
    return made


def record_session(
    folder: Path,
    script: Script,
    number: int,
    session: int = 1,
    unit: str = "unit-a",
    *,
    with_distance: bool = False,
    sensor: Sensor = SENSORS["lensless32"],
) -> None:
    """Write one session of one participant: readouts, and labels refined from them.

    With the distance that a collector with a ruler would note, if asked for.
    """
    name, seed = f"P{number:02d}", _seed(number, session)
    path = session_path(folder, name, f"{session:02d}", script.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    description = Description(sensor, unit, "emulated test")
    noted = noted_distance_mm(script, number, seed) if with_distance else None
    header = SessionHeader(name, f"{session:02d}", description, script, seed, distance_mm=noted)
    energy, time_s, before = [], [], None
    with SessionWriter(path, header) as writer:
        blocks = emulate_session(script, participant=number, seed=seed, sensor=sensor, unit=unit)
        for block in blocks:
            for pair in block:
                writer.add(pair, pair.sequence, pair.time_us)
                difference = pair.lit.astype(np.int64) - pair.dark
                energy.append(float(np.abs(difference - before).sum()) if time_s else 0.0)
                time_s.append(pair.time_us / 1e6)
                before = difference
    events: Sequence[Event] = [
        Event(
            cue.onset_us / 1e6,
            cue.duration_us / 1e6,
            cue.trial_type,
            cue.repetition,
            cue_onset_s=cue.onset_us / 1e6,
            cue_duration_s=cue.duration_us / 1e6,
        )
        for cue in schedule(script, seed)
    ]
    if script.movement:
        events = refine(events, np.array(energy), np.array(time_s))
    write_events(events_path(path), events)


def record_people(folder: Path, script: Script, n_participants: int, n_locked: int) -> None:
    """Write a data set of P01 to Pnn with one session each; the last `n_locked` are locked."""
    for number in range(1, n_participants + 1):
        add_person(folder, number, number > n_participants - n_locked)
        record_session(folder, script, number)


def record_place(
    folder: Path, script: Script, number: int, *, locked: bool, scene: str = "corridor"
) -> None:
    """Write one session of a place and its people by ambient light, labelled by its cues."""
    prepare_dataset(folder)
    name, sensor = f"P{number:02d}", SENSORS["ambient32"]
    add_participant(folder, Participant(name, consent=True, locked=locked))
    path = session_path(folder, name, "01", script.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    header = SessionHeader(name, "01", Description(sensor, "unit-a", "emulated test"), script, 1)
    with SessionWriter(path, header) as writer:
        for block in emulate_session(
            script, participant=number, seed=number, sensor=sensor, scene=scene
        ):
            for pair in block:
                writer.add(pair, pair.sequence, pair.time_us)
    write_events(
        events_path(path),
        [
            Event(cue.onset_us / 1e6, cue.duration_us / 1e6, cue.trial_type, cue.repetition)
            for cue in schedule(script, number)
        ],
    )
