"""What the demo records: invented people, and lights that a rig moves, through serial ports."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from functools import partial
from pathlib import Path
from threading import Event

__all__ = [
    "LEAST_PEOPLE",
    "LIGHTS",
    "LIGHTS_FIELD_DEG",
    "MOST_PEOPLE",
    "MOVING_EXPOSURE_US",
    "N_PEOPLE",
    "PAIR",
    "PEOPLE",
    "SENSOR",
    "SHIPPED_PEOPLE",
    "STILL",
    "STILL_RATE_HZ",
    "n_sessions",
    "record_all",
]

SENSOR = "lensless32"
PEOPLE, LIGHTS = "recordings", "lights"
"""Folders of the two data sets: a data set holds the readouts of one kind of sensor."""
PARTICIPANTS = range(1, 13)
"""Who shows everything; the recordings of all others are of fingers alone, and short."""
ARRIVING = (10, 11, 12, 20, 30, 40, 50, 60)
"""Who comes from out of sight as well: locked people, by whom missed arrivals are counted. One of
three who is hardly seen would be a third of them, so rather eight people 12 times than fewer more
often."""
N_PEOPLE = 30
"""Who hold up fingers, unless another number is asked for: as many as leave the whole demo within
90 s on two idle cores: 88 s were measured (`tests/bench/MEASURED.md`, "The demo's time")."""
SHIPPED_PEOPLE = 1200
"""Of whom the model in ``models/`` is. Rather many people than many takes of each: 12 takes of
1,200 people taught as much as 90 of 400, and more about silhouettes of others than 18 of 800."""
LEAST_PEOPLE, MOST_PEOPLE = 24, 2000
"""Of fewer hardly anybody is left to be asked about; more are asked for by mistake."""
STILL, STILL_RATE_HZ = "finger_count", 3
"""Task of shapes that are held still, and its frame rate: what is held for two thirds of a second
is seen twice."""
MOVING_EXPOSURE_US = 50
"""Exposure of everything but held shapes. A quarter of the sensor's usual one costs motion little
and fingers much; shorter pulses bring less of the room's light and its noise than weaker ones."""
_SEED = 2026
_AT_A_TIME = 4
"""On two cores: some wait for their disk while others go on."""
PAIR, RIG_SCRIPT = "lensless32pair", "rig_points"
RIGS: tuple[tuple[int, bool], ...] = ((1, False), (2, False), (3, True))
"""Recordings of a rig, and which of them is locked: 240 stops to be calibrated by, 120 to be held
to."""
LIGHTS_FIELD_DEG = 15.0
"""Half of the field that the rig fills: the tables grow with its square."""
_SCENE = f"""half_field_deg = {LIGHTS_FIELD_DEG}
distances_mm = [55.8, 186.0, 558.0]
electrons = [5e5, 1e6]
clutter = 0
illuminance_lx = 0.0
auto_exposure = false
warming_k = 0.0
"""
"""A dark room, and distances of 30, 100 and 300 baselines."""


def _scripts(
    n_people: int,
) -> tuple[tuple[str, Sequence[int], int | None, int | None], ...]:
    """Return what is recorded, of whom, and at which frame rate (Hz) and exposure (us).

    Rate and exposure are None where they are the sensor's usual ones.
    """
    return (
        ("dynamic", PARTICIPANTS, None, MOVING_EXPOSURE_US),
        ("everyday_short", PARTICIPANTS, None, MOVING_EXPOSURE_US),
        ("arrival_short", ARRIVING, None, MOVING_EXPOSURE_US),
        ("finger_count_quick", range(1, n_people + 1), STILL_RATE_HZ, None),
    )


def _is_locked(participant: int) -> bool:
    """Return whether somebody is: three of those who show everything, a tenth of the others."""
    return participant in (10, 11, 12) or (participant > 12 and participant % 10 == 0)


def n_sessions(n_people: int) -> dict[str, int]:
    """Return how many sessions each data set has where so many people hold up fingers."""
    return {PEOPLE: sum(len(who) for _, who, *_ in _scripts(n_people)), LIGHTS: len(RIGS)}


def record_all(out: Path, n_people: int) -> Iterator[tuple[str, str]]:
    """Record everything below a folder, some at a time; yield data set and session as it is done.

    `n_people` hold up fingers, at least :data:`LEAST_PEOPLE`. Lights come first, and long sessions
    before short ones: a model can be trained meanwhile, and the last to end is a short one.
    """
    ending = Event()
    with tempfile.TemporaryDirectory() as tables:
        jobs: list[Callable[[], tuple[str, str]]] = [
            partial(_record_rig, ending, number, locked, Path(tables), out / LIGHTS)
            for number, locked in RIGS
        ]
        jobs += [
            partial(_record_person, ending, participant, script, out / PEOPLE, *asked)
            for script, people, *asked in _scripts(n_people)
            for participant in people
        ]
        with ThreadPoolExecutor(max_workers=_AT_A_TIME) as pool:
            waiting = [pool.submit(job) for job in jobs]
            try:
                n_people_left = len(jobs) - len(RIGS)
                for done in as_completed(waiting):
                    told = done.result()
                    n_people_left -= told[0] == PEOPLE
                    if told[0] == PEOPLE and not n_people_left:  # before anybody learns of them
                        _note_sleeves(out / PEOPLE)
                    yield told
            finally:
                ending.set()  # nobody waits for sensors that Ctrl-C has ended as well
                for job in waiting:
                    job.cancel()


def _wish(ending: Event) -> str | None:
    return "stop" if ending.is_set() else None


def _note_sleeves(data: Path) -> None:
    """Add a column of one's own to the table of people, as collectors may: who wears a sleeve."""
    from capture.emulated.body.people import wears_sleeve
    from capture.store.dataset import PARTICIPANT_COLUMNS
    from capture.tsv_tables import alone_in, read_table, write_table

    path = data / "participants.tsv"
    with alone_in(data):
        rows = [row for _, row in read_table(path, PARTICIPANT_COLUMNS)]
        for row in rows:
            number = int(str(row["participant_id"]).removeprefix("sub-P"))
            row["sleeve"] = "worn" if wears_sleeve(number) else "none"
        write_table(path, tuple(rows[0]), rows)


def _record_person(
    ending: Event,
    participant: int,
    script: str,
    out: Path,
    frame_rate_hz: int | None,
    exposure_us: int | None,
) -> tuple[str, str]:
    from capture.cues.script import load_script
    from capture.emulated.body.people import participant_row
    from capture.emulated.port.device import DeviceSettings
    from capture.emulated.port.forked import running_fork
    from capture.emulated.session import noted_distance_mm
    from capture.lead.record import Operator, SessionNotes, record
    from capture.study.provenance import Origin
    from capture.wire.codec import CommandKind
    from capture.wire.link import SerialLink

    row = participant_row(participant, locked=_is_locked(participant))
    seed = _SEED + participant
    settings = DeviceSettings(
        participant=participant, script=script, sensor=SENSOR, seed=seed, speed=0.0
    )
    asked_for = load_script(script)
    distance_mm = noted_distance_mm(asked_for, participant, seed)
    with running_fork(settings) as port, SerialLink(port) as link:
        if frame_rate_hz is not None:
            link.ask(CommandKind.SET_FRAME_RATE, 1000 * frame_rate_hz)
        if exposure_us is not None:
            link.ask(CommandKind.SET_EXPOSURE, 1000 * exposure_us)
        record(
            link, row, asked_for, seed, out,
            # A busy machine makes an emulated sensor pause: the bytes must not show it, nor when.
            notes=SessionNotes("01", distance_mm, origin=Origin(None, notes="palmwatt demo")),
            operator=Operator(wish=partial(_wish, ending), still_s=float("inf")),
        )  # fmt: skip
    return PEOPLE, f"{row.participant_id} {script}"


def _record_rig(
    ending: Event, number: int, locked: bool, tables: Path, out: Path
) -> tuple[str, str]:
    from capture.cues.script import load_script
    from capture.emulated.port.device import DeviceSettings
    from capture.emulated.port.forked import running_fork
    from capture.lead.record import Operator, SessionNotes, record
    from capture.store.dataset import Participant
    from capture.study.provenance import Origin
    from capture.wire.link import SerialLink

    seed = _SEED + number
    scene, truth = tables / f"scene{number}.toml", tables / f"rig{number}.csv"
    scene.write_text(_SCENE, "utf-8")
    settings = DeviceSettings(
        participant=number, script=RIG_SCRIPT, sensor=PAIR, seed=seed, speed=0.0,
        led_current_ma=0.0, rig=str(scene), truth=str(truth),
    )  # fmt: skip
    row = Participant(f"P{number:02d}", consent=True, locked=locked)
    with running_fork(settings) as port, SerialLink(port) as link:
        notes = SessionNotes("01", origin=Origin(None, notes="palmwatt demo"), truth=truth)
        record(
            link, row, load_script(RIG_SCRIPT), seed, out,
            notes=notes, operator=Operator(wish=partial(_wish, ending), still_s=float("inf")),
        )  # fmt: skip
    return LIGHTS, f"{row.participant_id} {RIG_SCRIPT}"
