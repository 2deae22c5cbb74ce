"""One emulated session, frame pair by frame pair, in bounded memory."""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable, Iterator
from typing import Protocol

import numpy as np
import numpy.typing as npt

from capture.cues.script import Script, schedule
from capture.emulated.body.motion import check_acts
from capture.emulated.body.people import Person, draw_person
from capture.emulated.body.timeline import Z
from capture.emulated.optic.mounting import Mounting, mountings_of
from capture.emulated.optic.optics import APERTURE_MM2, SENSORS, AngularGrid, Optic, build_optic
from capture.emulated.optic.pixels import PixelArray
from capture.emulated.places.occupants import PEOPLE
from capture.emulated.places.world import ANY_SCENE, PlaceWorld, check_scene
from capture.emulated.scenes.acting_cues import TableWorld
from capture.emulated.scenes.everyday import SCENES, EverydayWorld
from capture.frames import FrameBlock
from runtime.errors import UsageError
from runtime.sensor import Sensor

__all__ = [
    "BLOCK_FRAMES",
    "Bench",
    "EmulatedSession",
    "block_length",
    "check_script",
    "dark_offset_us",
    "emulate_session",
    "frame_times",
    "noted_distance_mm",
    "refuse_scene",
    "warming_k",
]

BLOCK_FRAMES, IDLE_FRAMES = 64, 4
"""Frame pairs worked out at once, and once a script is over. Part of the result: noise is drawn
block by block."""

_CROSSTALK_W_PER_M2_PER_MA = 2e-5  # LED light that reaches the optic through the cover; assumed
_METERED_STEP, _LEAST_METERED = 16, 64
_PULSE_JITTER = 0.001  # LED energy from pulse to pulse, rms; assumed


def dark_offset_us(sensor: Sensor) -> int:
    """Return how long after the lit exposure the dark one begins, microseconds.

    Without an LED both are of ambient light, and the second follows at once: of half a period of
    the lamps' flicker each, they are as if that light had not flickered at all.
    """
    if sensor.led_current_ma == 0.0:
        return round(sensor.exposure_us)
    free = sensor.frame_period_us - 2.0 * sensor.exposure_us
    return round(sensor.exposure_us + min(100.0, free))


def warming_k(most_k: float, time_s: float) -> float:
    """Return by how much a sensor has warmed up since it began: within minutes; invented."""
    return most_k * float(1.0 - np.exp(-time_s / 120.0))


def frame_times(
    first: int, n_frames: int, sensor: Sensor
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return number and device time, microseconds, of frame pairs from a first one on."""
    sequence = np.arange(first, first + n_frames, dtype=np.int64)
    return sequence, np.asarray(np.rint(sequence * sensor.frame_period_us), np.int64)


def block_length(first: int, end_s: float, sensor: Sensor) -> int:
    """Return how many frame pairs are worked out at once from a first one on.

    A block ends with the frame that tells a recorder that the script is over, `end_s` seconds from
    the beginning; from then on they are short, as nobody may want them any more.
    """
    left = int(np.ceil(end_s * sensor.frame_rate_hz)) + 1 - first
    return min(BLOCK_FRAMES, left) if left > 0 else IDLE_FRAMES


class Bench:
    """Optic, pixels and noise of one unit: radiance over angles in, counts out.

    Parameters
    ----------
    sensor : Sensor
        Its setting.
    unit : str
        Name of the physical sensor.
    grid : AngularGrid, optional
        The angles.
    mountings : tuple of Mounting, optional
        Of each aperture; by default those of the unit.
    """

    def __init__(
        self,
        sensor: Sensor,
        unit: str,
        grid: AngularGrid | None = None,
        mountings: tuple[Mounting, ...] | None = None,
    ) -> None:
        self.sensor, self.unit = sensor, unit
        mountings = mountings or mountings_of(unit, len(sensor.apertures))
        self.optic: Optic = build_optic(sensor, mountings, grid)
        self.pixels = PixelArray(sensor, unit)
        # LED light scattered inside the cover reaches the optic mostly from the LED's side.
        directions = self.optic.grid.directions
        glow = np.maximum(directions[:, 0], np.float32(0.0)) + np.float32(0.3)
        glow /= np.sum(glow * directions[:, 2]) * np.float32(self.optic.grid.solid_angle_sr)
        glow *= np.float32(_CROSSTALK_W_PER_M2_PER_MA * sensor.led_current_ma)
        self.crosstalk_w = self.optic.image(glow[None])

    def expose(
        self,
        led: npt.NDArray[np.float32],
        other: npt.NDArray[np.float32],
        factors: tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]],
        rng: np.random.Generator,
    ) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
        """Return the lit and the dark counts of frame pairs.

        Parameters
        ----------
        led, other : float32 array, shape (n_frames, n_angles)
            Radiance from the LED's light and from ambient light at its mean, W/(m2 sr).
        factors : two float32 arrays, shape (n_frames,)
            Ambient light over its mean during the lit and the dark exposure.
        rng : Generator
            Noise; lit and dark are separate draws.

        Returns
        -------
        lit, dark : uint16 array, shape (n_frames, n_rows, n_cols)
        """
        shape = (len(led), self.sensor.n_rows, self.sensor.n_cols)
        led_w = self.crosstalk_w
        if np.any(led):
            both = self.optic.image(np.concatenate([led, other]))
            led_w, ambient_w = led_w + both[: len(led)], both[len(led) :]
        else:  # by the light that is there anyway
            ambient_w = self.optic.image(other)
        pulse = 1.0 + np.float32(_PULSE_JITTER) * rng.standard_normal((len(led), 1), np.float32)
        lit = self.pixels.electrons(led_w * pulse + ambient_w * factors[0][:, None])
        dark = self.pixels.electrons(ambient_w * factors[1][:, None])
        return (
            self.pixels.read(lit, rng).reshape(shape),
            self.pixels.read(dark, rng).reshape(shape),
        )

    def brightest(self, radiance: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """Return the share of its full well that the brightest pixel gathers, (n_frames,).

        Parameters
        ----------
        radiance : float32 array, shape (n_frames, n_angles)
            W/(m2 sr). One pixel in sixteen is looked at, as a sensor meters a few of them, and 64
            at least: of fewer the brightest is too often another one.
        """
        return np.asarray((radiance @ self._metered).max(axis=1))

    @functools.cached_property
    def _metered(self) -> npt.NDArray[np.float32]:
        """Shares of the full well for each radiance, at some pixels: (n_angles, n_metered)."""
        etendue = APERTURE_MM2 * 1e-6 * self.optic.grid.solid_angle_sr
        one_watt = np.full((1, self.optic.n_pixels), 1.0, np.float32)
        per_watt = self.pixels.electrons(one_watt)[0] / np.float32(self.sensor.full_well_e)
        step = max(1, min(_METERED_STEP, self.optic.n_pixels // _LEAST_METERED))
        some = np.arange(0, self.optic.n_pixels, step)
        shares = self.optic.transfer[some] * (per_watt[some] * np.float32(etendue))[:, None]
        return np.ascontiguousarray(shares.T, np.float32)


class World(Protocol):
    """What stands in front of a sensor and moves."""

    def see(
        self, times_s: npt.NDArray[np.float64], later_s: float, sensor: Sensor
    ) -> tuple[
        npt.NDArray[np.float32],
        npt.NDArray[np.float32],
        tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]],
    ]:
        """Return radiance over angles for frames that begin at given times.

        Parameters
        ----------
        times_s : float64 array, shape (n_frames,)
            When the lit exposures begin.
        later_s : float
            How long after them the dark ones do.
        sensor : Sensor
            Its LED lights the scene.

        Returns
        -------
        led, other : float32 array, shape (n_frames, n_angles)
            From the LED's light and from ambient light at its mean, W/(m2 sr).
        factors : two float32 arrays, shape (n_frames,)
            Ambient light over its mean during the lit and the dark exposure.
        """
        ...  # pragma: no cover


def check_script(script: Script, scene: str = ANY_SCENE) -> None:
    """Refuse a script that cannot be played, or a scene that there is none of.

    Raises
    ------
    UsageError
        A cue is unknown, cues of people in a place are mixed with acts of one person, or a scene is
        named though nobody is in a place.
    """
    check_scene(scene)
    of_places = [kind for kind in script.trial_types if kind in PEOPLE]
    if not of_places:
        refuse_scene(script, scene)
        check_acts(script.trial_types)
        return
    for kind in script.trial_types:
        if kind not in PEOPLE:
            what, expected = f"a cue beside {of_places[0]}", f"one of {', '.join(PEOPLE)}"
            raise UsageError("emulated sensor", what, kind, expected)


def refuse_scene(script: Script, scene: str) -> None:
    """Refuse a kind of place for a script in which nobody is in one: it would be ignored."""
    if scene != ANY_SCENE:
        asked = f"{scene}, for script {script.name}"
        expected = "none: only scripts of people in a place have one"
        raise UsageError("emulated sensor", "scene", asked, expected)


class EmulatedSession:
    """A participant carrying out a script in front of one unit, or a place with its people.

    Parameters
    ----------
    script : Script
        Cues.
    participant : int
        Number of the invented participant, >= 0; where cues are of people in a place, of the place.
    seed : int
        Seed of the schedule, and with participant and script of everything drawn.
    sensor : Sensor
        What looks; its LED, at its current and place, lights the scene. Several apertures see hands
        and places alike, from the sensor's origin: parallax is that of points (`PointSession`).
    unit : str
        Name of the physical sensor.
    scene : str
        Kind of place, for cues of people in one.
    """

    def __init__(
        self,
        script: Script,
        participant: int,
        seed: int,
        sensor: Sensor,
        unit: str = "unit-a",
        scene: str = ANY_SCENE,
    ) -> None:
        if participant < 0:
            raise UsageError("emulated session", "participant", participant, "0 or more")
        self.bench = Bench(sensor, unit)
        self.person: Person = draw_person(participant)
        self.cues, self._lead_in_s = schedule(script, seed), script.lead_in_s
        key = [participant, zlib.crc32(script.name.encode()), seed]
        rng = np.random.default_rng([*key, 1])
        check_script(script, scene)
        grid = self.bench.optic.grid
        self.world: World
        if self.cues[0].trial_type in PEOPLE:
            meter = self.bench.brightest
            self.world = PlaceWorld(scene, participant, self.cues, grid, meter, tuple(key))
        else:
            everyday = any(cue.trial_type in SCENES for cue in self.cues)
            make: Callable[..., World] = EverydayWorld if everyday else TableWorld
            self.world = make(self.person, self.cues, grid, rng)
        self._noise = np.random.default_rng([*key, 2])
        self._next = 0

    @property
    def sensor(self) -> Sensor:
        """The setting in force."""
        return self.bench.sensor

    @property
    def noted_distance_mm(self) -> float | None:
        """What a collector with a ruler notes before the first cue: the hand's height, to 5 mm.

        None where no hand hovers above the sensor between the cues.
        """
        if not isinstance(self.world, TableWorld):
            return None
        return 5.0 * round(float(self.world.rest[Z]) / 5.0)

    @property
    def script_end_s(self) -> float:
        """Device time at which the last cue ends."""
        return max(cue.end_us for cue in self.cues) * 1e-6

    def next_block(self, n_frames: int | None = None) -> FrameBlock:
        """Return the next frame pairs, a block by default; time goes on with every call."""
        sensor = self.sensor
        if n_frames is None:
            n_frames = block_length(self._next, self.script_end_s + self._lead_in_s, sensor)
        sequence, time_us = frame_times(self._next, n_frames, sensor)
        self._next += n_frames
        times_s = np.asarray(time_us * 1e-6, np.float64)
        later_us = dark_offset_us(sensor)
        led, other, factors = self.world.see(times_s, later_us * 1e-6, sensor)
        lit, dark = self.bench.expose(led, other, factors, self._noise)
        return FrameBlock(sequence, time_us, lit, dark, time_us + later_us)


def noted_distance_mm(script: Script, participant: int, seed: int) -> float | None:
    """Return what a collector with a ruler notes for a session; see `EmulatedSession`."""
    return EmulatedSession(script, participant, seed, SENSORS["lensless32"]).noted_distance_mm


def emulate_session(
    script: Script,
    *,
    participant: int,
    seed: int,
    sensor: Sensor,
    unit: str = "unit-a",
    tail_s: float = 1.0,
    scene: str = ANY_SCENE,
) -> Iterator[FrameBlock]:
    """Yield a whole session in blocks: the script and `tail_s` seconds after its last cue.

    The bytes are those that the serial device sends for the same arguments.
    """
    session = EmulatedSession(script, participant, seed, sensor, unit, scene)
    n_frames = int(np.ceil((session.script_end_s + tail_s) * sensor.frame_rate_hz))
    while n_frames > 0:
        block = session.next_block()
        yield block[:n_frames]
        n_frames -= len(block)
