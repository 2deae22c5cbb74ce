"""Rehearsing: real shapes and movements go by an emulated optic, and become recordings.

Optic, LED, noise and room light are those of the emulated sensor; what is in front of it is not
invented. Between the takes the field is empty, or a moving hand holds. A still stands still.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.bring.new_sessions import Filled, NewSession, Written, write_sessions
from capture.bring.plan import script_of
from capture.cues.labels import Event
from capture.emulated.body.hand import build_hand
from capture.emulated.body.motion import rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.body.scene import HandActor, Placed
from capture.emulated.optic.light import Ambient, draw_ambient
from capture.emulated.optic.render import render
from capture.emulated.session import BLOCK_FRAMES, Bench, dark_offset_us
from capture.frames import FramePair
from capture.rehearse.scenes import Scene, load_scene, participants_of, read_scenes
from capture.rehearse.surfaces import surfaces
from capture.store.dataset import Participant, require_consent
from capture.store.kind import REHEARSED, firmware_of
from capture.store.writer import SessionHeader, SessionWriter
from capture.wire.codec import Description
from runtime.errors import FormatError, UsageError
from runtime.sensor import Sensor

__all__ = ["Rehearsal", "rehearse"]

Floats = NDArray[np.float32]
_LEAD_S = 0.5
_MOVING = ("joints", "path")


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """How scenes are shown.

    Parameters
    ----------
    sensor : Sensor
        Whose optic looks.
    unit : str
        Name of the physical sensor that is played.
    task : str
        Task of the recordings.
    hold_s : float
        How long a still is shown, 0.1 to 60 s.
    rest_s : float
        Time between takes, 0 to 60 s.
    seed : int
        Seed of room light and noise.
    locked : tuple of str
        Participants kept for the final test.
    consent : bool
        The people agreed to the use of their shapes, or the licence they gave them under does.
    """

    sensor: Sensor
    unit: str = "unit-a"
    task: str = "rehearsed"
    hold_s: float = 1.0
    rest_s: float = 0.5
    seed: int = 1
    locked: tuple[str, ...] = ()
    consent: bool = False

    def __post_init__(self) -> None:
        for name, low in (("hold_s", 0.1), ("rest_s", 0.0)):
            value = getattr(self, name)
            if not low <= value <= 60.0:
                raise UsageError("rehearsal", name, value, f"{low:g} to 60")
        if self.seed < 0:
            raise UsageError("rehearsal", "seed", self.seed, "0 or more")


def rehearse(
    table: Path,
    rehearsal: Rehearsal,
    out: Path,
    tell: Callable[[str], None] = lambda _: None,
) -> tuple[Written, ...]:
    """Make recordings of real shapes seen through the emulated optic, one session a person.

    Parameters
    ----------
    table : Path
        Scenes, as `capture.rehearse.scenes.read_scenes` reads them.
    rehearsal : Rehearsal
    out : Path
        Data set; made if missing. It holds nothing else: its description, each session and every
        later page say ``real shapes, emulated optic``.
    tell : callable, optional
        Is told in a few words what was done.

    Raises
    ------
    UsageError
        Consent is missing, a session is there already, or `out` holds data of another kind.
    FormatError
        A row or a file is wrong; nothing was written.
    """
    scenes = read_scenes(table, tell)
    people = participants_of(scenes)
    for name in rehearsal.locked:
        if name not in people:
            raise UsageError("rehearsal", "a locked participant", repr(name), "one of the table")
    sessions = []
    for who in people:
        own = [scene for scene in scenes if scene.participant == who]
        person = Participant(who, rehearsal.consent, locked=who in rehearsal.locked)
        require_consent(person)
        sessions.append(_session(own, person, rehearsal))
    return write_sessions(sessions, REHEARSED, out, tell)


def _session(scenes: Sequence[Scene], person: Participant, rehearsal: Rehearsal) -> NewSession:
    sensor = rehearsal.sensor
    events, now_s, counts = [], _LEAD_S, dict.fromkeys({s.label for s in scenes}, 0)
    for scene in scenes:
        length_s = _length_frames(scene, rehearsal) / sensor.frame_rate_hz
        events.append(
            Event(
                round(now_s, 6), round(length_s, 6), scene.label, counts[scene.label],
                cue_onset_s=round(now_s, 6), cue_duration_s=round(length_s, 6),
            )
        )  # fmt: skip
        counts[scene.label] += 1
        now_s += length_s + rehearsal.rest_s
    number = zlib.crc32(person.participant_id.encode())
    header = SessionHeader(
        person.participant_id, "01",
        Description(sensor, rehearsal.unit, firmware_of(REHEARSED)),
        script_of(rehearsal.task, events), rehearsal.seed,
    )  # fmt: skip
    fill = partial(_fill, scenes, tuple(events), number, rehearsal)
    return NewSession(scenes[0].where, person, header, tuple(events), fill)


def _length_frames(scene: Scene, rehearsal: Rehearsal) -> int:
    """Return how many frame pairs of the sensor a scene takes."""
    values, _ = load_scene(scene)
    rate_hz = rehearsal.sensor.frame_rate_hz
    if len(values) == 1:
        return round(rehearsal.hold_s * rate_hz)
    return max(2, round(len(values) / (scene.rate_hz or rate_hz) * rate_hz))


def _fill(
    scenes: Sequence[Scene],
    events: Sequence[Event],
    number: int,
    rehearsal: Rehearsal,
    writer: SessionWriter,
) -> Filled:
    sensor = rehearsal.sensor
    bench = Bench(sensor, rehearsal.unit)
    light_rng, noise_rng = (
        np.random.default_rng([number, rehearsal.seed, part]) for part in (1, 2)
    )
    ambient = draw_ambient(bench.optic.grid, light_rng)
    n_frames = round((events[-1].end_s + _LEAD_S) * sensor.frame_rate_hz)
    seen = _Seen(bench, ambient, n_frames)
    for scene, event in zip(scenes, events, strict=True):
        first = round(event.onset_s * sensor.frame_rate_hz)
        n_shown = round(event.duration_s * sensor.frame_rate_hz)
        radiances = _radiances(scene, bench, ambient, number)
        seen.show(first, n_shown, radiances, rehearsal.rest_s / 2 if scene.kind in _MOVING else 0.0)
    time_us = np.rint(np.arange(n_frames) * sensor.frame_period_us).astype(np.int64)
    later_us = dark_offset_us(sensor)
    for begin in range(0, n_frames, BLOCK_FRAMES):
        rows = slice(begin, min(n_frames, begin + BLOCK_FRAMES))
        times_s = time_us[rows] * 1e-6
        factors = ambient.factor(times_s), ambient.factor(times_s + later_us * 1e-6)
        lit, dark = bench.expose(*seen.rows(rows), factors, noise_rng)
        for k, (one_lit, one_dark) in enumerate(zip(lit, dark, strict=True)):
            sequence, now_us = begin + k, int(time_us[begin + k])
            pair = FramePair(sequence, now_us, one_lit, one_dark, now_us + later_us)
            writer.add(pair, sequence, now_us)
    return Filled(n_frames, float(time_us[-1]) / 1e6)


class _Seen:
    """Which radiance each frame pair of a session sees: that of nothing, until something is shown.

    Parameters
    ----------
    bench : Bench
    ambient : Ambient
    n_frames : int
        Frame pairs of the session.
    """

    def __init__(self, bench: Bench, ambient: Ambient, n_frames: int) -> None:
        nothing = np.zeros(bench.optic.grid.n_angles, np.float32)
        self._rate_hz = bench.sensor.frame_rate_hz
        self._kept: list[tuple[Floats, Floats]] = [(nothing, ambient.background)]
        self._which = np.zeros(n_frames, np.int64)

    def show(
        self, first: int, n_shown: int, radiances: Sequence[tuple[Floats, Floats]], hold_s: float
    ) -> None:
        """Show radiances over `n_shown` frame pairs, and hold their ends for a while."""
        offset = len(self._kept)
        self._kept += radiances
        each = offset + np.arange(n_shown) * len(radiances) // n_shown
        n_held = int(hold_s * self._rate_hz)
        self._which[max(0, first - n_held) : first] = offset
        self._which[first : first + n_shown] = each
        self._which[first + n_shown : first + n_shown + n_held] = each[-1]

    def rows(self, rows: slice) -> tuple[Floats, Floats]:
        """Return radiance from the LED and from elsewhere, float32 (n_frames, n_angles)."""
        led, other = zip(*(self._kept[k] for k in self._which[rows].tolist()), strict=True)
        return np.stack(led), np.stack(other)


def _radiances(
    scene: Scene, bench: Bench, ambient: Ambient, number: int
) -> list[tuple[Floats, Floats]]:
    """Return what the optic sees of each frame of a scene."""
    values, bones = load_scene(scene)
    placed: Iterator[Placed]
    if scene.kind == "path":
        values = _resampled(values, scene.rate_hz, bench.sensor.frame_rate_hz)
        placed = iter([_own_hand(scene, values[:, 0], number)])
    else:
        if scene.kind == "joints":
            values = _resampled(values, scene.rate_hz, bench.sensor.frame_rate_hz)
        placed = surfaces(scene, values, bones)
    sensor, found = bench.sensor, []
    for surface in placed:
        n_frames = surface.points.shape[1]
        led, other = render(
            [surface], bench.optic.grid, ambient.over(n_frames), sensor.led_offset_mm,
            sensor.led_current_ma, fill=True,
        )  # fmt: skip
        found += list(zip(led, other, strict=True))
    if not found:
        raise FormatError(scene.where, "number of frames", 0, "at least 1")
    return found


def _resampled(values: NDArray[np.float64], from_hz: float, to_hz: float) -> NDArray[np.float64]:
    """Bring points to the sensor's rate, along straight lines between those that were measured."""
    if len(values) == 1 or not from_hz:
        return values
    n_frames = max(2, round(len(values) / from_hz * to_hz))
    at = np.linspace(0.0, len(values) - 1.0, n_frames)
    low = np.minimum(at.astype(np.int64), len(values) - 2)
    share = (at - low)[:, None, None]
    return np.asarray((1.0 - share) * values[low] + share * values[low + 1])


def _own_hand(scene: Scene, path: NDArray[np.float64], number: int) -> Placed:
    """Return the emulated sensor's own hand, led along a path; only its way is real."""
    person = draw_person(number % 10_000)
    rng = np.random.default_rng([number, 3])
    pose = rest_pose(person, rng, scene.distance_mm)
    places = path * scene.mm_per_pixel
    places = places - places.mean(axis=0) + [scene.x_mm, scene.y_mm, scene.distance_mm]
    poses = np.tile(pose, (len(places), 1))
    poses[:, :3] = places
    hand = HandActor(
        build_hand(person.hand_length_mm, person.hand_breadth_mm, person.handedness),
        np.array([100.0 if person.handedness == "right" else -100.0, -290.0, 100.0]),
        scene.reflectance, scene.reflectance, 0.0,
    )  # fmt: skip
    return replace(hand.place(poses))
