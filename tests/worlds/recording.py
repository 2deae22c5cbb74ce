"""Sessions of a world, written with the recorder's own writer, and what is known of each."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import joblib
import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from worlds.people.acting import Floats
from worlds.people.choreography import Manner
from worlds.people.person import Person, draw_person, moved
from worlds.product import (
    Cue,
    Description,
    EnergyMeter,
    Event,
    FramePair,
    Participant,
    Script,
    Sensor,
    SensorFile,
    SessionHeader,
    SessionWriter,
    add_participant,
    events_path,
    load_script,
    prepare_dataset,
    refine,
    schedule,
    session_path,
    write_events,
)
from worlds.world import Conditions, World, expose, script_for

__all__ = [
    "People", "Played", "conditions_at", "few_takes", "person_of", "play_session",
    "record_elsewhere", "record_world",
]  # fmt: skip

UNIT = "unit-1"
PROPPED = {"subtle": (2.0, 0.1)}
"""By script that asks to hold the hand still, far away: how many times as high as usual people hold
it (20 cm for 10), and how much of their usual sway is left on a propped-up elbow: a supported hand
moves by a few tenths of a millimetre (from memory)."""
MOVES, DAYS = 977, 7000
"""Seeds of where people sit on other days, and of what they do there: beyond any distance."""
ABOUT = 0.12
"""A person is asked to be nearer or farther than a distance by up to this share: where the next one
begins, as they are a quarter apart."""
RULER_MM = 2.0
"""By so much, one standard deviation, a hand is not where a collector noted it (invented)."""


@dataclass(frozen=True)
class Played:
    """A session as it came off a sensor.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
    time_us : int64 (n_frames,)
        Of the lit exposures.
    cues : tuple of Cue
    strokes : list of (float, float), one per cue
        When what was asked for truly began and ended, seconds.
    empty : bool (n_frames,)
        No part of a hand in sight.
    apart_us : int
        From a lit exposure to its dark one; 0 where the recording is not to say.
    """

    lit: NDArray[np.uint16]
    dark: NDArray[np.uint16]
    time_us: NDArray[np.int64]
    cues: tuple[Cue, ...]
    strokes: list[tuple[float, float]]
    empty: NDArray[np.bool_]
    apart_us: int = 0

    def pairs(self) -> Iterator[FramePair]:
        """Yield the frame pairs."""
        for i, (lit, dark) in enumerate(zip(self.lit, self.dark, strict=True)):
            time_us = int(self.time_us[i])
            yield FramePair(i, time_us, lit, dark, time_us + self.apart_us if self.apart_us else 0)


def few_takes(task: str, repetitions: int) -> Script:
    """Return a built-in script with so many takes of each label; the rest is as it is."""
    script = load_script(task)
    cues = tuple(c.model_copy(update={"repetitions": repetitions}) for c in script.cues)
    return script.model_copy(update={"cues": cues})


def person_of(world: World, number: int, day: int = 1) -> Person:
    """Return a world's person by number, always the same one; another day, who has moved."""
    person = draw_person(np.random.default_rng([world.seed, number]), world.temper)
    if day == 1:
        return person
    return moved(person, np.random.default_rng([MOVES, number, day]), world.temper)


def sensor_at(world: World, conditions: Conditions) -> Sensor:
    """Return the sensor that a recording describes: at the conditions, with the rows read."""
    sensor = world.set_to(conditions).sensor
    return sensor if conditions.rows is None else sensor.reading_rows(*conditions.rows)


def conditions_at(world: World, file: SensorFile) -> Conditions:
    """Return the conditions that set a world's sensor as a ``sensor.toml`` says.

    Raises
    ------
    ValueError
        It says what the world's sensor cannot be set to.
    """
    own, wanted = world.sensor, file.sensor
    conditions = Conditions(
        bit_depth=wanted.bit_depth,
        led=wanted.led_current_ma / own.led_current_ma,
        exposure_share=wanted.exposure_us / own.exposure_us,
        frame_rate_hz=wanted.frame_rate_hz,
        rows=(file.first_row, wanted.n_rows),
        stamped=True,
    )
    given = sensor_at(world, conditions)
    for field in fields(Sensor):
        got, asked = getattr(given, field.name), getattr(wanted, field.name)
        if got != asked and not (isinstance(got, float) and math.isclose(got, asked)):
            raise ValueError(f"{field.name} of {world.name} is {got}, not {asked}")
    return conditions


def play_session(
    world: World,
    script: Script,
    number: int,
    conditions: Conditions | None = None,
    distance_mm: float | None = None,
    day: int = 1,
) -> Played:
    """Let a person follow a script; the same person does the same under other conditions.

    Parameters
    ----------
    number : int
        Of the person, 1 and on: also the seed of the cues' order.
    distance_mm : float, optional
        At which the hand is asked to be; people choose without.
    day : int
        On each but the first they sit elsewhere, act anew, and the room is another.
    """
    conditions = conditions or Conditions()
    world = world.set_to(conditions)
    sensor, task = world.sensor, sum(script.name.encode())
    asked = [] if distance_mm is None else [round(distance_mm)]
    asked += [] if day == 1 else [DAYS + day]
    acting, noise, unit, place = (
        np.random.default_rng([world.seed, number, task, part, *asked]) for part in (1, 2, 3, 4)
    )
    script = script_for(script, conditions)
    cues = schedule(script, number)
    period_s = 1 / sensor.frame_rate_hz
    time_s: Floats = np.arange(0, cues[-1].end_us / 1e6 + script.lead_in_s, period_s)
    away = None if conditions.empty is None else conditions.empty > 0
    higher, unrest = PROPPED.get(script.name, (1.0, 1.0))
    manner = Manner(world.overlap, away, unrest=unrest)
    person = person_of(world, number, day)
    person = replace(person, z=higher * person.z)
    if distance_mm is not None:
        person = replace(person, z=distance_mm + RULER_MM * float(place.standard_normal()))
    postures, strokes = world.perform(person, cues, acting, time_s, manner)
    room = world.room(place)
    with threadpool_limits(1):
        view = world.look(person, postures)
        lit, dark = expose(
            world, view, room, noise, np.random.default_rng([world.seed, 0]), conditions
        )
    shape = len(time_s), sensor.n_rows, sensor.n_cols
    start_us = int(unit.integers(10**6, 10**8))
    time_us = start_us + np.rint(1e6 * time_s).astype(np.int64)
    empty = view.cover.sum(axis=1) < 0.5
    first, n_rows = conditions.rows or (0, sensor.n_rows)
    read = np.s_[:, first : first + n_rows]
    lit, dark = lit.reshape(shape)[read], dark.reshape(shape)[read]
    apart_us = round(1e6 * world.light.apart_s) if conditions.stamped else 0
    return Played(lit, dark, time_us, cues, strokes, empty, apart_us)


@dataclass(frozen=True)
class _Session:
    """Which of a person's sessions: its number, about where the hand is asked to be, the day."""

    order: int
    distance_mm: float | None = None
    day: int = 1


def _record(
    folder: Path,
    world: World,
    script: Script,
    number: int,
    conditions: Conditions,
    session: _Session,
) -> dict[str, float]:
    distance_mm = session.distance_mm
    if distance_mm is not None:  # no two people at the same: it is to be measured, not guessed
        rng = np.random.default_rng([world.seed, number, session.order])
        distance_mm = float(round(distance_mm * rng.uniform(1 - ABOUT, 1 + ABOUT)))
    played = play_session(world, script, number, conditions, distance_mm, session.day)
    name, named = f"P{number:02d}", f"{session.order:02d}"
    path = session_path(folder, name, named, script.name)
    path.parent.mkdir(parents=True, exist_ok=True)
    sensor = sensor_at(world, conditions)
    description = Description(sensor, UNIT, "1.0")
    header = SessionHeader(name, named, description, script, number, distance_mm)
    meter, energy = EnergyMeter(), [np.zeros(0)]
    with SessionWriter(path, header) as writer:
        for pair in played.pairs():
            writer.add(pair, pair.sequence, pair.time_us)
    for at in range(0, len(played.lit), 256):
        energy.append(meter.add(played.lit[at : at + 256], played.dark[at : at + 256]))
    events: Sequence[Event] = [
        Event(
            cue.onset_us / 1e6, cue.duration_us / 1e6, cue.trial_type, cue.repetition,
            cue_onset_s=cue.onset_us / 1e6, cue_duration_s=cue.duration_us / 1e6,
        )
        for cue in played.cues
    ]  # fmt: skip
    if script.movement:
        seconds = (played.time_us - played.time_us[0]) / 1e6
        events = refine(events, np.concatenate(energy), seconds)
    write_events(events_path(path), events)
    saturated = (played.lit >= sensor.saturation_counts).mean(axis=(1, 2))
    return {
        "n_frames": float(len(played.lit)),
        "empty": float(played.empty.sum()),
        "saturated": float((saturated > 0.02).sum()),
    }


@dataclass(frozen=True)
class People:
    """Who is recorded.

    Parameters
    ----------
    n_people, n_locked : int
        In all, and those at the end who are locked.
    first : int
        Number of the first one: others are other people of the same world.
    """

    n_people: int
    n_locked: int
    first: int = 1

    @property
    def numbers(self) -> range:
        """The people by number."""
        return range(self.first, self.first + self.n_people)


def record_world(
    folder: Path,
    world: World,
    scripts: Sequence[Script],
    people: People,
    conditions: Conditions | None = None,
    n_jobs: int = 1,
    distances_mm: Sequence[float] = (),
) -> dict[str, float]:
    """Write a data set of people, a session each of every script; the last people are locked.

    Parameters
    ----------
    distances_mm : sequence of float
        A session at about each of them, noted with where it was; without, one session at what
        distance people like.

    Returns
    -------
    dict
        ``n_frames``, and the shares ``empty`` and ``saturated`` (of frames with more than 2 % of
        the lit pixels saturated).
    """
    conditions = conditions or Conditions()
    prepare_dataset(folder)
    locked = people.numbers[people.n_people - people.n_locked :]
    for number in people.numbers:
        person = person_of(world, number)
        row = Participant(
            f"P{number:02d}", consent=True, hand_length_mm=round(187 * person.size, 1),
            handedness="left" if person.left else "right",
            skin_reflectance=round(person.reflectance, 2), locked=number in locked,
        )  # fmt: skip
        add_participant(folder, row)
    sessions = [_Session(*one) for one in enumerate(distances_mm or [None], start=1)]
    told = joblib.Parallel(n_jobs)(
        joblib.delayed(_record)(folder, world, script, number, conditions, session)
        for number in people.numbers
        for script in scripts
        for session in sessions
    )
    total = {key: sum(one[key] for one in told) for key in told[0]}
    n_frames = total["n_frames"]
    return {
        "n_frames": n_frames,
        "empty": total["empty"] / n_frames,
        "saturated": total["saturated"] / n_frames,
    }


def record_elsewhere(
    folder: Path, world: World, scripts: Sequence[Script], people: People, day: int = 2
) -> None:
    """Add a session of another day of everybody to a data set of :func:`record_world`.

    They are the same people before the same sensor: at another place and height, the forearm
    turned otherwise and in another sleeve, in another room.
    """
    for number in people.numbers:
        for script in scripts:
            _record(folder, world, script, number, Conditions(), _Session(day, day=day))
