"""World A: a random diffuser's caustics, 48 by 40 pixels of 10 bits, lamps, hands of capsules."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.signal import lfilter

from worlds.light.optics import Singles, caustics
from worlds.light.sight import Eye, View, see_capsules
from worlds.people.acting import AXES, Floats, skewed_cosine, slow_unrest
from worlds.people.bodies import CAPSULE_HAND, body_of
from worlds.people.choreography import Manner, act
from worlds.people.person import Person, Temper
from worlds.product import Cue, Sensor
from worlds.world import Light, Room, World

__all__ = ["DIFFUSER"]

SEED = 4821
EYE = Eye(n_side=28, reach=1.0, lamp_mm=(2.4, 0.0), narrowness=1.0)
SENSOR = Sensor(
    "diffuser", 48, 40, 10,
    conversion_gain_dn_per_e=0.055, read_noise_e=14.0, dark_signal_e_per_s=900.0,
    full_well_e=17500.0, black_level_counts=24, exposure_us=400.0, frame_rate_hz=30.0,
    led_current_ma=120.0, led_wavelength_nm=850.0, led_offset_mm=2.4,
)  # fmt: skip
LIGHT = Light(
    led_e=8000.0, flicker_hz=100.0, apart_s=0.0026,
    lamp_share=(0.005, 0.05), modulation=(0.1, 0.4), daylight_share=(0.0, 0.05),
    clouds=(0.0, 0.2), leak=0.0, response=0.015, offset=1.2, row_offset=0.25, hot=0.003,
    restless=0.0,
)  # fmt: skip
TEMPER = Temper(
    distance_mm=(88, 125), place_mm=12, tempo=(0.85, 1.25), reaction_s=(0.18, 0.32),
    reach_mm=(38, 68), depth_mm=(38, 62), radius_mm=(22, 40), wrist=(0.05, 0.5), arc_mm=(-4, 14),
    before=(0.2, 0.45), turn=(0.1, 0.5), tilt=(-0.1, 0.1), reflectance=(0.35, 0.68),
    away=(0.0, 0.0, 0.1, 0.4),
)  # fmt: skip


def _perform(
    person: Person, cues: Sequence[Cue], rng: np.random.Generator, time_s: Floats, manner: Manner
) -> tuple[Floats, list[tuple[float, float]]]:
    """Movements that swing towards their aim, through an arm that follows like a damped spring."""
    score, strokes = act(person, rng, cues, manner)
    skew = 0.8 + 0.4 * person.style
    aims = score.play(time_s, skewed_cosine(skew))
    period_s = time_s[1] - time_s[0]
    follow = np.exp(-period_s * 2 * np.pi * (5.5 + 3 * person.style))
    for column in range(aims.shape[1]):
        for _ in range(2):  # twice one lag: critically damped
            aims[:, column] = lfilter(
                [1 - follow], [1, -follow], aims[:, column], zi=[follow * aims[0, column]]
            )[0]
    for axis, size in (("x", 2.0), ("y", 2.0), ("z", 2.5), ("yaw", 0.03), ("roll", 0.03)):
        sway = size * manner.unrest
        aims[:, AXES.index(axis)] += sway * slow_unrest(rng, len(time_s), period_s, 1.5)
    for axis in ("x", "y", "z"):  # tremor of a hand held out, 8 to 12 Hz (from memory)
        wave = 2 * np.pi * rng.uniform(8, 12) * time_s + rng.uniform(0, 6)
        aims[:, AXES.index(axis)] += 0.3 * manner.unrest * np.sin(wave)
    return aims, strokes


def _look(person: Person, postures: Floats) -> View:
    return see_capsules(EYE, body_of(person, postures, CAPSULE_HAND))


def _room(rng: np.random.Generator) -> Room:
    """Lamps on the ceiling: spots on a faint ground; somebody's trunk on the near side."""
    u, v = EYE.directions.T
    lamps = np.full(len(u), 0.35)
    for _ in range(int(rng.integers(1, 4))):
        at = rng.uniform(-0.7, 0.7, 2)
        lamps += 12 * np.exp(-((u - at[0]) ** 2 + (v - at[1]) ** 2) / (2 * 0.07**2))
    return Room(
        lamp=float(rng.uniform(*LIGHT.lamp_share)),
        modulation=float(rng.uniform(*LIGHT.modulation)),
        phase=float(rng.uniform(0, 2 * np.pi)),
        hz=LIGHT.flicker_hz * (1 + 2e-4 * float(rng.standard_normal())),
        daylight=float(rng.uniform(*LIGHT.daylight_share)),
        clouds=float(rng.uniform(*LIGHT.clouds)),
        lamp_scene=(lamps / lamps.mean()).astype(np.float32),
        behind=(rng.uniform(0, 0.006) * (v < rng.uniform(-0.6, 0))).astype(np.float32),
    )


def _matrix(n_rows: int, n_cols: int) -> Singles:
    return caustics(n_rows, n_cols, EYE, SEED)


DIFFUSER = World(
    "diffuser", SENSOR, LIGHT, _matrix, TEMPER, _perform, _look,
    _room, overlap=0.0, seed=SEED,
)  # fmt: skip
"""World A."""
