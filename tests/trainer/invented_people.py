"""Data sets of invented participants, written without a serial port between."""

from __future__ import annotations

from pathlib import Path

from capture.dataset import Participant, add_participant, prepare_dataset, session_path
from capture.emulated.optics import SENSORS
from capture.emulated.session import emulate_session
from capture.labels import Event, write_events
from capture.script import Script, schedule
from capture.session import events_path
from capture.store import SessionHeader, SessionWriter
from capture.wire import Description

__all__ = ["record_people"]


def record_people(folder: Path, script: Script, n_participants: int, n_locked: int) -> None:
    """Write a data set of P01 to Pnn with one session each; the last `n_locked` are locked."""
    prepare_dataset(folder)
    sensor = SENSORS["lensless32"]
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
