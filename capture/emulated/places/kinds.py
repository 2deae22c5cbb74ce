"""What a place looks like without anybody: where the sensor hangs, floor, walls, seats, sky.

Heights and widths are assumed, within what is usual: ceilings of 2.5 to 3.2 m, corridors of 1.8 to
2.6 m, shelters of 2.1 to 2.6 m; the reflectance of asphalt is 0.12 to 0.15 (J. Hollan, "Asphalt
roads are not black", 2004), of concrete 0.25 to 0.4 and of floors and walls indoors 0.1 to 0.7
(from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.places.rays import NOTHING_M, Blobs, nearest

__all__ = ["KINDS", "Place", "Seat", "draw_place"]

Floats = npt.NDArray[np.float32]
Seat = tuple[float, float, float]
"""Where it stands, and which way it looks: metres, radians."""
_SEAT_TOP_M = 0.42


@dataclass(frozen=True, slots=True, eq=False)
class Wall:
    """A vertical plane ``normal @ p = offset`` up to a height."""

    normal: tuple[float, float, float]
    offset_m: float
    height_m: float
    reflectance: float


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """A place without anybody.

    Parameters
    ----------
    kind : str
    outdoors : bool
    eye : float32 (3,)
        Of the sensor, metres; z up from the floor.
    turn : float32 (3, 3)
        Sensor's frame to the world's.
    zone : tuple of float
        Where people count: least and greatest x, least and greatest y.
    exits : tuple of (x, y)
        Out of sight.
    seats : tuple of Seat
    seated_share : float
        Of those who find a seat, how many take it.
    walls : tuple of Wall
    floor : float
        Reflectance.
    """

    kind: str
    outdoors: bool
    eye: Floats
    turn: Floats
    zone: tuple[float, float, float, float]
    exits: tuple[tuple[float, float], ...]
    seats: tuple[Seat, ...]
    seated_share: float
    walls: tuple[Wall, ...]
    floor: float


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """What each ray of the sensor meets where nobody is, each (n_angles,) unless said.

    Parameters
    ----------
    directions : float32 (n_angles, 3)
        In the world.
    distance_m, reflectance : float32
        No reflectance where there is sky.
    points, normals : float32 (n_angles, 3)
    sky : bool
    """

    directions: Floats
    distance_m: Floats
    reflectance: Floats
    points: Floats
    normals: Floats
    sky: npt.NDArray[np.bool_]


def _looking(tilt_deg: float, roll_deg: float) -> Floats:
    """Return the turn of a sensor that looks along x, down by a tilt (90 is straight down)."""
    tilt, roll = np.radians(tilt_deg), np.radians(roll_deg)
    axis = np.array([np.cos(tilt), 0.0, -np.sin(tilt)])
    across = np.array([0.0, 1.0, 0.0])
    up = np.cross(axis, across)
    x = np.cos(roll) * across + np.sin(roll) * up
    return np.stack([x, np.cross(axis, x), axis], axis=1).astype(np.float32)


def _corridor(rng: np.random.Generator) -> Place:
    height, width = rng.uniform(2.7, 3.2), rng.uniform(1.8, 2.6)
    wall = float(rng.uniform(0.3, 0.7))
    half = width / 2.0 - 0.3
    return Place(
        "corridor", False, np.array([0.0, 0.0, height], np.float32),
        _looking(90.0 + rng.uniform(-3, 3), rng.uniform(0, 360)), (-1.25, 1.25, -half, half),
        ((-4.5, 0.0), (4.5, 0.0)), (), 0.0,
        (Wall((0, 1, 0), width / 2, height, wall), Wall((0, -1, 0), width / 2, height, wall)),
        float(rng.uniform(0.1, 0.5)),
    )  # fmt: skip


def _room(rng: np.random.Generator) -> Place:
    height, wall = rng.uniform(2.5, 2.9), float(rng.uniform(0.3, 0.7))
    half = rng.uniform(1.5, 1.9)
    seats = tuple(
        (float(side * half * 0.75), float(y), 0.0 if side < 0 else np.pi)
        for side in (-1.0, 1.0)
        for y in np.linspace(-0.7, 0.7, 3)
    )
    walls = tuple(
        Wall(n, half, height, wall) for n in ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0))
    )
    inner = half * 0.75
    return Place(
        "room", False, np.array([0.0, 0.0, height], np.float32),
        _looking(90.0 + rng.uniform(-5, 5), rng.uniform(0, 360)), (-inner, inner, -1.1, 1.1),
        ((0.0, 4.0),), seats, 0.8, walls[:3], float(rng.uniform(0.08, 0.4)),
    )  # fmt: skip


def _stop(rng: np.random.Generator) -> Place:
    bench = rng.uniform(2.2, 3.0)
    seats = tuple((float(bench), float(y), np.pi) for y in np.arange(-0.9, 1.0, 0.6))
    return Place(
        "stop", True, np.array([0.0, 0.0, rng.uniform(2.1, 2.6)], np.float32),
        _looking(rng.uniform(15, 35), rng.uniform(-3, 3)), (1.4, 3.6, -1.8, 1.8),
        ((2.0, -7.0), (2.6, 7.0)), seats, 0.6,
        (Wall((1, 0, 0), float(rng.uniform(9, 20)), float(rng.uniform(3, 9)),
              float(rng.uniform(0.1, 0.5))),),
        float(rng.uniform(0.12, 0.4)),
    )  # fmt: skip


def _lobby(rng: np.random.Generator) -> Place:
    wall = float(rng.uniform(0.3, 0.7))
    deep = rng.uniform(4.5, 6.5)
    seats = tuple((float(x), -1.6, np.pi / 2) for x in (1.6, 2.3, 3.0))
    return Place(
        "lobby", False, np.array([0.0, 0.0, rng.uniform(2.4, 2.8)], np.float32),
        _looking(rng.uniform(38, 55), rng.uniform(-4, 4)), (0.9, 3.3, -1.7, 1.7),
        ((2.0, -7.0), (2.5, 7.0)), seats, 0.5,
        (Wall((1, 0, 0), float(deep), 3.0, wall),), float(rng.uniform(0.1, 0.6)),
    )  # fmt: skip


KINDS: dict[str, Callable[[np.random.Generator], Place]] = {
    "corridor": _corridor,
    "stop": _stop,
    "room": _room,
    "lobby": _lobby,
}
"""Corridor and room are seen from above, a stop across, a lobby from a corner below its ceiling."""


def draw_place(kind: str, rng: np.random.Generator) -> Place:
    """Draw a place of a kind of `KINDS`."""
    return KINDS[kind](rng)


def _texture(points: Floats, rng: np.random.Generator) -> Floats:
    """Return what a surface's own pattern makes of its reflectance, about 1: waves of any size."""
    found = np.ones(len(points), np.float32)
    for length_m in (0.3, 0.6, 1.2, 2.4):
        waves = rng.normal(0.0, 2.0 * np.pi / length_m, 3).astype(np.float32)
        found += np.float32(0.12) * np.sin(points @ waves + np.float32(rng.uniform(0, 6.28)))
    return np.clip(found, 0.4, 1.6)


def backdrop(place: Place, directions: Floats, rng: np.random.Generator) -> Backdrop:
    """Return what the sensor sees of a place where nobody is.

    Parameters
    ----------
    directions : float32 (n_angles, 3)
        In the sensor's own frame.
    """
    seen = directions @ place.turn.T
    n = len(seen)
    distance = np.full(n, NOTHING_M, np.float32)
    reflectance, normals = np.zeros(n, np.float32), np.zeros((n, 3), np.float32)
    down = seen[:, 2] < -1e-3
    distance[down] = -place.eye[2] / seen[down, 2]
    reflectance[down], normals[down, 2] = place.floor, 1.0
    for wall in place.walls:
        normal = np.array(wall.normal, np.float32)
        slope = seen @ normal
        t = np.where(slope > 1e-3, (wall.offset_m - place.eye @ normal) / np.maximum(slope, 1e-3),
                     NOTHING_M)  # fmt: skip
        high = place.eye[2] + t * seen[:, 2]
        nearer = (t < distance) & (high <= wall.height_m) & (t > 0)
        distance[nearer], reflectance[nearer], normals[nearer] = (
            t[nearer],
            wall.reflectance,
            -normal,
        )
    sky = distance >= NOTHING_M
    points = place.eye + np.where(sky, 0.0, distance)[:, None] * seen
    reflectance = reflectance * _texture(points, rng)
    if place.seats:
        hits = nearest(_benches(place, rng), place.eye, seen)
        on = hits.distance_m[0] < distance
        distance[on], reflectance[on] = hits.distance_m[0][on], hits.reflectance[0][on]
        normals[on] = hits.normal[0][on]
        points[on] = place.eye + distance[on, None] * seen[on]
        sky &= ~on
    return Backdrop(
        seen, distance, reflectance.astype(np.float32), points.astype(np.float32), normals, sky
    )


def _benches(place: Place, rng: np.random.Generator) -> Blobs:
    """Return a flat thing at each seat."""
    n = len(place.seats)
    x, y, heading = np.array(place.seats, np.float32).T
    centres = np.stack([x, y, np.full(n, _SEAT_TOP_M, np.float32)], axis=1)[None]
    half = np.tile(np.array([0.22, 0.28, 0.04], np.float32), (1, n, 1))
    colour = np.full(n, rng.uniform(0.08, 0.5), np.float32)
    return Blobs(centres, half, heading[None], colour, np.ones((1, n), bool))
