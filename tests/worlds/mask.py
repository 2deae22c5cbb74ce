"""World B: a mask of pseudo-random holes, 32 by 64 pixels of 12 bits, daylight, sphere hands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from worlds.light.optics import Singles, pinholes
from worlds.light.sight import Eye, View, see_spheres
from worlds.people.acting import AXES, Floats, minimum_jerk, slow_unrest
from worlds.people.bodies import SPHERE_HAND, body_of
from worlds.people.choreography import Manner, act
from worlds.people.person import Person, Temper
from worlds.product import Cue, Sensor
from worlds.world import Light, Room, World

__all__ = ["MASK"]

SEED = 9177
EYE = Eye(n_side=24, reach=0.85, lamp_mm=(0.0, -3.5), narrowness=3.0)
SENSOR = Sensor(
    "mask", 32, 64, 12,
    conversion_gain_dn_per_e=0.21, read_noise_e=6.0, dark_signal_e_per_s=300.0,
    full_well_e=18500.0, black_level_counts=120, exposure_us=250.0, frame_rate_hz=45.0,
    led_current_ma=200.0, led_wavelength_nm=940.0, led_offset_mm=3.5,
)  # fmt: skip
LIGHT = Light(
    led_e=12000.0, flicker_hz=120.0, apart_s=0.0011,
    lamp_share=(0.0, 0.02), modulation=(0.02, 0.3), daylight_share=(0.005, 0.18),
    clouds=(0.0, 0.5), leak=0.004, response=0.01, offset=2.5, row_offset=0.5, hot=0.0,
    restless=0.004,
)  # fmt: skip
TEMPER = Temper(
    distance_mm=(90, 135), place_mm=15, tempo=(0.85, 1.3), reaction_s=(0.18, 0.34),
    reach_mm=(45, 85), depth_mm=(45, 75), radius_mm=(24, 46), wrist=(0.0, 0.3), arc_mm=(-12, 8),
    before=(0.2, 0.45), turn=(0.0, 0.4), tilt=(-0.12, 0.12), reflectance=(0.3, 0.62),
    away=(0.0, 0.0, 0.2, 0.5),
)  # fmt: skip


def _perform(
    person: Person, cues: Sequence[Cue], rng: np.random.Generator, time_s: Floats, manner: Manner
) -> tuple[Floats, list[tuple[float, float]]]:
    """Minimum-jerk movements that run into one another, and a hand that wanders where it rests."""
    score, strokes = act(person, rng, cues, manner)
    postures = score.play(time_s, minimum_jerk)
    period_s = time_s[1] - time_s[0]
    sizes = {"x": 3.0, "y": 3.0, "z": 3.5, "yaw": 0.04, "pitch": 0.04, "roll": 0.05}
    for axis, size in sizes.items():
        sway = size * manner.unrest
        postures[:, AXES.index(axis)] += sway * slow_unrest(rng, len(time_s), period_s, 2.5)
    fine = rng.standard_normal((len(time_s), 3))
    smooth = np.hanning(7) / np.hanning(7).sum()
    for column in range(3):
        shaking = 0.5 * manner.unrest
        postures[:, column] += shaking * np.convolve(fine[:, column], smooth, "same")
    return postures, strokes


def _look(person: Person, postures: Floats) -> View:
    return see_spheres(EYE, body_of(person, postures, SPHERE_HAND))


def _room(rng: np.random.Generator) -> Room:
    """A window on one side, a bright ceiling, and no ground behind the hand to speak of."""
    u, v = EYE.directions.T
    side = rng.uniform(0, 2 * np.pi)
    scene = 0.6 + 1.2 / (1 + np.exp(-8 * (u * np.cos(side) + v * np.sin(side) - 0.3)))
    return Room(
        lamp=float(rng.uniform(*LIGHT.lamp_share)),
        modulation=float(rng.uniform(*LIGHT.modulation)),
        phase=float(rng.uniform(0, 2 * np.pi)),
        hz=LIGHT.flicker_hz * (1 + 2e-4 * float(rng.standard_normal())),
        daylight=float(rng.uniform(*LIGHT.daylight_share)),
        clouds=float(rng.uniform(*LIGHT.clouds)),
        lamp_scene=(scene / scene.mean()).astype(np.float32),
        behind=np.full(len(u), rng.uniform(0, 0.002), np.float32),
    )


def _matrix(n_rows: int, n_cols: int) -> Singles:
    return pinholes(n_rows, n_cols, EYE, SEED)


MASK = World(
    "mask", SENSOR, LIGHT, _matrix, TEMPER, _perform, _look,
    _room, overlap=0.2, seed=SEED,
)  # fmt: skip
"""World B."""
