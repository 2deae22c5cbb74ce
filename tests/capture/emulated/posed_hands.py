"""Flat silhouettes of a measured hand, posed without the emulator's own hand: a gauge of realism.

Joints and radii are those of the relaxed left hand in npm `iwer` 2.5.0
(`device/configs/hand/relaxed.js`, MIT), in the frame of its wrist: x to the thumb's side, y along
the hand, millimetres. Bones are turned and bent by angles drawn here and seen straight from above,
as a photograph from far away shows them; what the angles are drawn from is assumed, apart from the
emulator's habits.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from capture.emulated.optic.light import LED_LOBE, draw_ambient, led_irradiance
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.session import Bench

__all__ = ["UPRIGHT", "coverage", "draw_silhouette", "expose_covered", "expose_flat"]

Doubles = npt.NDArray[np.float64]

WRIST_RADIUS_MM = 21.5
THUMB_MM = np.array([[30.2, 34.5], [51.0, 57.2], [72.7, 82.3], [86.8, 101.1]])
THUMB_RADII_MM = np.array([19.4, 12.3, 9.8, 8.8])
KNUCKLES_MM = np.array([[23.6, 96.0], [1.7, 95.6], [-17.5, 88.7], [-35.1, 77.9]])
BONES_MM = np.array(
    [[37.9, 24.3, 22.4], [42.9, 27.5, 25.0], [39.0, 26.6, 24.4], [30.7, 20.3, 22.0]]
)
RADII_MM = np.array(
    [[10.3, 8.5, 7.6, 6.6], [11.2, 8.0, 7.6, 6.6], [9.9, 7.6, 7.2, 6.2], [8.5, 6.8, 6.4, 5.4]]
)
UPRIGHT = (
    ((0, 0, 0, 0, 0),),
    ((0, 1, 0, 0, 0),),
    ((0, 1, 1, 0, 0),),
    ((0, 1, 1, 1, 0), (1, 1, 1, 0, 0)),
    ((0, 1, 1, 1, 1),),
    ((1, 1, 1, 1, 1),),
)
"""Fingers held up for each count, thumb to little."""

_SUBCELLS = 2


def _turned(vectors: Doubles, angle_rad: float) -> Doubles:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return vectors @ np.array([[c, -s], [s, c]])  # clockwise: from y towards x, the thumb's side


def _fingers(up: tuple[int, ...], rng: np.random.Generator) -> list[Doubles]:
    """Return a chain of (x, y, radius) of each of the four fingers."""
    fan, folded = rng.uniform(3.0, 11.0), rng.uniform([58.0, 75.0, 30.0], [92.0, 105.0, 70.0])
    chains = []
    for finger in range(4):
        straight = bool(up[finger + 1])
        bends = rng.normal([4.0, 5.0, 4.0], 4.0) if straight else folded + rng.normal(0.0, 6.0, 3)
        aside = (1.3 - finger) * (fan if straight else 2.0) + rng.normal(0.0, 2.0)
        lengths = BONES_MM[finger] * np.cos(np.radians(np.cumsum(bends)))
        steps = _turned(np.stack([0.0 * lengths, lengths], axis=1), np.radians(aside))
        places = KNUCKLES_MM[finger] + np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
        chains.append(np.column_stack([places, RADII_MM[finger]]))
        # Skin reaches between the fingers: the first bone is thick below its middle.
        web = places[0] + 0.42 * (places[1] - places[0])
        chains.append(np.array([[*places[0], 12.0], [*web, 10.5]]))
    return chains


def _thumb(up: bool, rng: np.random.Generator) -> Doubles:
    """Return the thumb's chain: turned about its base, and bent towards the fingers if folded."""
    bones = np.diff(THUMB_MM, axis=0)
    turn = rng.normal(8.0, 10.0) if up else rng.uniform(-65.0, -30.0)
    bend = np.abs(rng.normal(0.0, 8.0)) if up else rng.uniform(5.0, 40.0)
    steps = [_turned(bone, np.radians(turn - bend * k)) for k, bone in enumerate(bones)]
    places = np.vstack([THUMB_MM[0], THUMB_MM[0] + np.cumsum(steps, axis=0)])
    return np.column_stack([places, THUMB_RADII_MM])


def draw_silhouette(count: int, rng: np.random.Generator) -> list[Doubles]:
    """Return a hand that shows a count: chains of (x, y, radius), its middle near the origin."""
    up = UPRIGHT[count][int(rng.integers(len(UPRIGHT[count])))]
    palm = [
        np.array([[0.0, 4.0, WRIST_RADIUS_MM], [*(knuckle - [0.0, 8.0]), 15.0]])
        for knuckle in KNUCKLES_MM
    ]
    arm_mm = float(rng.choice([10.0, 50.0, 220.0]))
    lean = np.radians(rng.normal(0.0, 8.0))
    end = [arm_mm * np.sin(lean), -arm_mm * np.cos(lean)]
    arm = np.array([[0.0, 0.0, 25.0], [*end, 25.0 + 0.06 * arm_mm]])
    chains = [*palm, *_fingers(up, rng), _thumb(bool(up[0]), rng), arm]
    size, mirror = rng.uniform(0.88, 1.12), float(rng.choice([-1.0, 1.0]))
    roll, offset = np.radians(rng.normal(0.0, 8.0)), rng.normal(0.0, 6.0, 2)
    made = []
    for chain in chains:
        places = size * (chain[:, :2] - [0.0, 85.0]) * [mirror, 1.0]
        made.append(np.column_stack([_turned(places, roll) + offset, size * chain[:, 2]]))
    return made


def coverage(chains: list[Doubles], distance_mm: float, grid: AngularGrid) -> Doubles:
    """Return how much of each cell a flat silhouette at a distance fills, (n_angles,)."""
    n, fine = grid.n_across, grid.cell / _SUBCELLS
    along = (np.arange(n * _SUBCELLS) + 0.5) * fine - grid.radius
    x, y = np.meshgrid(along, along)
    squared = x**2 + y**2
    onto = np.sqrt(np.maximum(1.0 - squared / 4.0, 0.0)) / (1.0 - squared / 2.0) * distance_mm
    at = np.stack([x * onto, y * onto], axis=-1)
    filled = np.zeros(x.shape, bool)
    for chain in chains:
        for a, b in itertools.pairwise(chain):
            way = b[:2] - a[:2]
            share = ((at - a[:2]) @ way) / max(float(way @ way), 1e-9)
            share = np.clip(share, 0.0, 1.0)[..., None]
            away = np.linalg.norm(at - a[:2] - share * way, axis=-1)
            filled |= away < a[2] + share[..., 0] * (b[2] - a[2])
    cells = filled.reshape(n, _SUBCELLS, n, _SUBCELLS).mean(axis=(1, 3))
    return np.asarray(cells[grid.inside])


def expose_flat(
    bench: Bench, count: int, n_frames: int, rng: np.random.Generator
) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
    """Return lit and dark counts of frames of one silhouette, evenly lit, 10 to 20 cm away."""
    distance = float(np.exp(rng.uniform(np.log(100.0), np.log(200.0))))
    cover = coverage(draw_silhouette(count, rng), distance, bench.optic.grid)
    return expose_covered(bench, cover, distance, n_frames, rng)


def expose_covered(
    bench: Bench,
    cover: Doubles,
    distance_mm: float,
    n_frames: int,
    rng: np.random.Generator,
    *,
    evenly: bool = True,
) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.uint16]]:
    """Return lit and dark counts of frames of a flat silhouette.

    Parameters
    ----------
    cover : float64 array, shape (n_angles,)
        How much of each cell it fills.
    evenly : bool
        The silhouette sends back the same everywhere, as a picture's would; else what a matt wall
        does, whose light falls off with the LED's lobe, incidence and distance.
    """
    grid, sensor = bench.optic.grid, bench.sensor
    cover32 = cover.astype(np.float32)
    axis = [np.array([value], np.float32) for value in (0.0, 0.0, distance_mm)]
    irradiance = led_irradiance(*axis, sensor.led_offset_mm, sensor.led_current_ma)[0]
    led = cover32 * np.float32(irradiance[0] * rng.uniform(0.3, 0.65) / np.pi)
    if not evenly:
        led *= grid.directions[:, 2] ** np.float32(LED_LOBE + 3.0)
    ambient = draw_ambient(grid, rng)
    other = (1.0 - cover32) * ambient.background
    frames = [np.repeat(row[None].astype(np.float32), n_frames, axis=0) for row in (led, other)]
    steady = np.ones(n_frames, np.float32)
    return bench.expose(frames[0], frames[1], (steady, steady), rng)
