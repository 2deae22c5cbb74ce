"""A world: a sensor, its optic and its light, and the people in front of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from worlds.light.sight import View
from worlds.people.acting import Floats
from worlds.people.person import Person, Temper
from worlds.product import Script, Sensor

__all__ = ["Conditions", "Light", "Room", "World", "expose", "script_for"]

Singles = NDArray[np.float32]


@dataclass(frozen=True)
class Conditions:
    """What may be made worse than it is.

    Parameters
    ----------
    empty : float or None
        Share of frames without a hand, 0 to 0.95; None leaves it to the people's habits.
    flicker : bool
        Lamps that go nearly dark at twice the mains, and give 8 % of the full well on average.
    exposure : float
        Factor of all light: above 1, near hands saturate.
    bit_depth : int or None
        Another one than the sensor's.
    led : float
        Factor of the LED's current, and with it of its light.
    exposure_share : float
        Of the sensor's exposure: all light and the dark signal of every pixel shrink with it, and
        the dark exposure follows so much the sooner.
    frame_rate_hz : float or None
        Another one than the sensor's.
    rows : (int, int) or None
        The first row that is read, and how many are; None reads all.
    stamped : bool
        Whether recordings say when each dark exposure began, as a device's do.
    """

    empty: float | None = None
    flicker: bool = False
    exposure: float = 1.0
    bit_depth: int | None = None
    led: float = 1.0
    exposure_share: float = 1.0
    frame_rate_hz: float | None = None
    rows: tuple[int, int] | None = None
    stamped: bool = False


@dataclass(frozen=True)
class Light:
    """Light and noise of a sensor.

    Parameters
    ----------
    led_e : float
        Electrons that a white scene at 100 mm gives a pixel.
    flicker_hz : float
        Twice the mains.
    apart_s : float
        From the start of the lit exposure to that of the dark one.
    lamp_share, modulation : (low, high)
        Light of lamps in a room, as a share of the full well, and how deep it flickers.
    daylight_share, clouds : (low, high)
        The same of daylight, and how far it drifts.
    leak : float
        LED light that goes straight to the sensor, as a share of `led_e`.
    response, offset, row_offset : float
        Spread of pixels' sensitivity; of their black level and of each row's in each exposure,
        counts at the sensor's own bit depth.
    hot, restless : float
        Share of pixels with much dark signal, and of those that jump between two levels.
    """

    led_e: float
    flicker_hz: float
    apart_s: float
    lamp_share: tuple[float, float]
    modulation: tuple[float, float]
    daylight_share: tuple[float, float]
    clouds: tuple[float, float]
    leak: float
    response: float
    offset: float
    row_offset: float
    hot: float
    restless: float


@dataclass(frozen=True)
class Room:
    """One session's surroundings."""

    lamp: float
    modulation: float
    phase: float
    hz: float
    daylight: float
    clouds: float
    lamp_scene: Singles
    behind: Singles


@dataclass(frozen=True)
class World:
    """A sensor and people, nothing of which the product has seen.

    Parameters
    ----------
    name : str
    sensor : Sensor
    light : Light
    matrix : callable
        Returns the optic, float32 (n_pixels, n_cells), of so many rows and columns.
    temper : Temper
        Whom its people are drawn from.
    perform : callable
        (person, cues, rng, time_s, manner) to postures (n_frames, n_axes) and strokes.
    look : callable
        (person, postures) to a `View`.
    room : callable
        Of a generator: one session's `Room`.
    travel_s, overlap : float
    seed : int
    """

    name: str
    sensor: Sensor
    light: Light
    matrix: Callable[[int, int], Singles]
    temper: Temper
    perform: Callable[..., tuple[Floats, list[tuple[float, float]]]]
    look: Callable[[Person, Floats], View]
    room: Callable[[np.random.Generator], Room]
    overlap: float
    seed: int

    def set_to(self, conditions: Conditions) -> World:
        """Return the world with the sensor that the conditions ask for: range kept, steps other.

        All its rows are exposed, whichever are read.
        """
        bits = conditions.bit_depth or self.sensor.bit_depth
        steps = 2.0 ** (bits - self.sensor.bit_depth)
        exposure_us = self.sensor.exposure_us * conditions.exposure_share
        sensor = replace(
            self.sensor,
            bit_depth=bits,
            exposure_us=exposure_us,
            frame_rate_hz=conditions.frame_rate_hz or self.sensor.frame_rate_hz,
            led_current_ma=self.sensor.led_current_ma * conditions.led,
            conversion_gain_dn_per_e=self.sensor.conversion_gain_dn_per_e * steps,
            black_level_counts=max(1, round(self.sensor.black_level_counts * steps)),
        )
        light = replace(
            self.light,
            led_e=self.light.led_e * conditions.led,
            apart_s=self.light.apart_s - (self.sensor.exposure_us - exposure_us) / 1e6,
            offset=self.light.offset * steps,
            row_offset=self.light.row_offset * steps,
        )
        return replace(self, sensor=sensor, light=light)

    def reshaped(self, n_rows: int, n_cols: int) -> World:
        """Return the world with a sensor of other sides behind the same optic."""
        return replace(self, sensor=replace(self.sensor, n_rows=n_rows, n_cols=n_cols))


STRONG_FLICKER = 0.95, 0.08
"""How deep lamps flicker, and their light as a share of the full well."""
IN_SIGHT_S = 0.34
"""About how long a hand that comes and goes is in sight around its cue."""
_TAKES = ("swipe_left", "push", "fingers_1", "fingers_2", "shape_flat", "subtle_still")
"""A script with one of these asks for takes; others are everyday time, and stay as they are."""


def script_for(script: Script, conditions: Conditions) -> Script:
    """Return a script with rests so long that the share of frames without a hand is as asked."""
    if not conditions.empty or not any(c.trial_type in _TAKES for c in script.cues):
        return script
    cue_s = sum(c.duration_s * c.repetitions for c in script.cues) / script.n_cues
    empty_s = (cue_s + IN_SIGHT_S) * conditions.empty / (1 - conditions.empty)
    rest_s = empty_s + IN_SIGHT_S
    rests = {"rest_s": (0.95 * rest_s, 1.05 * rest_s)}
    return script.model_copy(update=rests | {"lead_in_s": min(script.lead_in_s, 0.6 * rest_s)})


def expose(
    world: World,
    view: View,
    room: Room,
    rng: np.random.Generator,
    unit_rng: np.random.Generator,
    conditions: Conditions,
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Return lit and dark counts of every frame, uint16 (n_frames, n_pixels) each.

    Shot noise is normal with the variance of its mean, which is right above some 20 electrons.
    """
    sensor, light = world.sensor, world.light
    matrix = world.matrix(sensor.n_rows, sensor.n_cols)
    time_s = np.arange(len(view.cover)) / sensor.frame_rate_hz
    open_to = 1 - view.cover
    # A hand over the sensor takes room light away; a little comes back from the table.
    returned = (view.returned + open_to * room.behind) @ matrix.T
    lamps = (open_to * room.lamp_scene + 0.08 * view.cover) @ matrix.T
    well = sensor.full_well_e
    led_e: Singles = light.led_e * (returned + light.leak)
    drift = 1 + room.clouds * np.sin(2 * np.pi * time_s / 19.0 + 3 * room.phase)
    depth, lamp = STRONG_FLICKER if conditions.flicker else (room.modulation, room.lamp)

    def ambient(late_s: float) -> Singles:
        turn = np.sin(2 * np.pi * room.hz * (time_s + late_s) + room.phase)
        level = lamp * (1 + depth * turn) + room.daylight * drift
        return np.asarray((well * level[:, None]).astype(np.float32) * lamps)

    pixels = _Pixels(world, matrix.shape[0], unit_rng, conditions.exposure_share)
    factor = conditions.exposure * conditions.exposure_share
    lit_e = ((ambient(0.0) + led_e) * factor).astype(np.float32, copy=False)
    lit = pixels.read(lit_e, rng)
    dark = pixels.read(ambient(light.apart_s) * factor, rng)
    return lit, dark


class _Pixels:
    """Pixels of one unit: their differences stay, their noise is new in every exposure."""

    def __init__(
        self, world: World, n_pixels: int, rng: np.random.Generator, exposure_share: float
    ) -> None:
        self.sensor, self.light = world.sensor, world.light
        self.response = (1 + self.light.response * rng.standard_normal(n_pixels)).astype(np.float32)
        self.offset = (self.light.offset * rng.standard_normal(n_pixels)).astype(np.float32)
        exposure_s = self.sensor.exposure_us / 1e6
        dark_e = np.full(n_pixels, self.sensor.dark_signal_e_per_s * exposure_s)
        n_hot = math.ceil(self.light.hot * n_pixels)
        hot = rng.choice(n_pixels, n_hot, replace=False)
        dark_e[hot] += exposure_share * self.sensor.full_well_e * rng.uniform(0.02, 0.4, n_hot)
        self.dark_e = dark_e.astype(np.float32)
        n_restless = math.ceil(self.light.restless * n_pixels)
        self.restless = rng.choice(n_pixels, n_restless, replace=False)
        self.jump_e = rng.uniform(40, 250, n_restless).astype(np.float32)

    def read(self, electrons: Singles, rng: np.random.Generator) -> NDArray[np.uint16]:
        sensor = self.sensor
        n_frames, n_pixels = electrons.shape
        out = np.empty((n_frames, n_pixels), np.uint16)
        up = (rng.random((n_frames, len(self.restless))) < 0.3).astype(np.float32)
        rows = self.light.row_offset * rng.standard_normal((n_frames, sensor.n_rows))
        for at in range(0, n_frames, 256):
            part = slice(at, at + 256)
            mean = np.maximum(electrons[part] * self.response, 0) + self.dark_e
            mean[:, self.restless] += up[part] * self.jump_e
            noise = rng.standard_normal(mean.shape, np.float32)
            seen = mean + noise * np.sqrt(mean + np.float32(sensor.read_noise_e**2))
            seen = np.minimum(seen, np.float32(sensor.full_well_e))
            counts = seen * np.float32(sensor.conversion_gain_dn_per_e) + self.offset
            counts += np.repeat(rows[part], sensor.n_cols, axis=1).astype(np.float32)
            counts = np.floor(counts + np.float32(sensor.black_level_counts + 0.5))
            out[part] = np.clip(counts, 0, sensor.max_counts)
        return out
