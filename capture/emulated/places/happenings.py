"""What goes on in a place without anybody: bags, cars, trees, doors, rain. All of it assumed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.places.kinds import Backdrop, Place
from capture.emulated.places.rays import Blobs

__all__ = ["Happenings", "draw_happenings"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_N_LEAVES = 14
_CAR_M = (2.1, 0.9, 0.75)  # half of 4.2 by 1.8 by 1.5 m
_PASSER_M = (0.25, 0.15, 0.85)
_LEAF_RAD = 0.09


@dataclass(frozen=True, slots=True, eq=False)
class Happenings:
    """Everything that happens in one session besides people.

    Parameters
    ----------
    bags : float64 (n_bags, 9)
        From and until when, x, y, three half axes, heading, reflectance.
    traffic : float64 (n_passing, 7)
        When in the middle, x, speed along y, three half axes, reflectance.
    leaves : float32 (n_angles, n_leaves)
        How much of each clump of leaves a ray sees when there is no wind.
    leaf_slopes : float32 (n_angles, n_leaves)
        By how much that changes for each radian that it sways.
    wind_rad : float
        Sway, rms.
    doors : float64 (n_doors, 3)
        Open from, open until, how much brighter.
    door_glow : float32 (n_angles,)
        Where a door's light falls.
    rain : float
        Drops a frame and a thousand rays.
    key : tuple of int
    """

    bags: Doubles
    traffic: Doubles
    leaves: Floats
    leaf_slopes: Floats
    wind_rad: float
    doors: Doubles
    door_glow: Floats
    rain: float
    key: tuple[int, ...]

    def blobs(self, times_s: Doubles) -> Blobs:
        """Return bags and what passes outside."""
        parts = []
        for begin, end, x, y, *axes, heading, colour in self.bags.tolist():
            there = (times_s >= begin) & (times_s < end)
            parts.append(_one(times_s, (x, y, axes[2]), axes, heading, colour, there))
        for middle, x, speed, *axes, colour in self.traffic.tolist():
            y = speed * (times_s - middle)
            there = np.abs(y) < 40.0
            parts.append(_one(times_s, (x, y, axes[2]), axes, np.pi / 2, colour, there))
        return Blobs.together(parts, len(times_s))

    def brightening(self, times_s: Doubles) -> Floats:
        """Return what leaves and open doors make of the radiance, (n_times, n_angles), about 1."""
        rng = np.random.default_rng([*self.key, 21])
        factor = np.ones((len(times_s), len(self.door_glow)), np.float32)
        if self.wind_rad > 0.0 and self.leaves.shape[1]:
            hz = rng.uniform(0.1, 0.9, (3, self.leaves.shape[1]))
            phase = rng.uniform(0.0, 2.0 * np.pi, hz.shape)
            gust = 1.0 + 0.7 * np.sin(2.0 * np.pi * times_s / rng.uniform(20, 90))[:, None]
            waves = np.sin(2.0 * np.pi * hz[None] * times_s[:, None, None] + phase).sum(axis=1)
            sway = (self.wind_rad * gust * waves / np.sqrt(1.5)).astype(np.float32)
            factor += self.leaves.sum(axis=1) + sway @ self.leaf_slopes.T
        for begin, end, much in self.doors.tolist():
            open_share = np.clip(np.minimum(times_s - begin, end - times_s) / 0.8, 0.0, 1.0)
            factor += (much * open_share)[:, None].astype(np.float32) * self.door_glow
        return np.maximum(factor, 0.05)


def _one(
    times_s: Doubles,
    at: tuple[float | Doubles, ...],
    axes: Sequence[float],
    heading: float,
    colour: float,
    there: npt.NDArray[np.bool_],
) -> Blobs:
    n = len(times_s)
    centre = np.stack([np.broadcast_to(a, n) for a in at], axis=1)[:, None]
    return Blobs(
        centre.astype(np.float32),
        np.tile(np.array(axes, np.float32), (n, 1, 1)),
        np.full((n, 1), heading, np.float32),
        np.array([colour], np.float32),
        there[:, None],
    )


def draw_happenings(
    place: Place,
    scene: Backdrop,
    gaps_s: Sequence[tuple[float, float]],
    end_s: float,
    key: tuple[int, ...],
) -> Happenings:
    """Draw what happens in a session.

    Parameters
    ----------
    gaps_s : sequence of (from, until)
        When people come and go: a bag is left in one of them.
    end_s : float
        Length of the session.
    """
    rng = np.random.default_rng([*key, 22])
    bags = []
    if gaps_s and rng.random() < 0.6:
        for _ in range(int(rng.integers(1, 3))):
            begin = float(rng.uniform(*gaps_s[int(rng.integers(len(gaps_s)))]))
            end = begin + float(rng.exponential(900.0)) if rng.random() < 0.5 else 1e9
            x0, x1, y0, y1 = place.zone
            size = rng.uniform([0.1, 0.15, 0.12], [0.2, 0.32, 0.3])
            bags.append(
                [begin, end, rng.uniform(x0, x1), rng.uniform(y0, y1), *size,
                 rng.uniform(-3.1, 3.1), float(np.clip(0.12 * np.exp(0.8 * rng.standard_normal()),
                                                       0.02, 0.8))]
            )  # fmt: skip
    traffic, clumps, wind, rain = [], 0, 0.0, 0.0
    if place.outdoors:
        for _ in range(int(rng.poisson(end_s / 60.0 * rng.uniform(0.2, 2.0)))):
            car = rng.random() < 0.6
            half_m, speed = (_CAR_M, 9.0) if car else (_PASSER_M, 1.3)
            traffic.append(
                [rng.uniform(0, end_s), rng.uniform(6.5, 9.0), speed * rng.choice([-1.0, 1.0]),
                 *half_m, rng.uniform(0.05, 0.6)]
            )  # fmt: skip
        clumps = _N_LEAVES if rng.random() < 0.6 else 0
        wind = float(rng.uniform(0.0, 0.03))
        rain = float(rng.uniform(1.0, 12.0)) if rng.random() < 0.25 else 0.0
    leaves, slopes = _leaves(scene, clumps, rng)
    doors = []
    if not place.outdoors:
        for _ in range(int(rng.poisson(end_s / 240.0))):
            begin = rng.uniform(0, end_s)
            doors.append([begin, begin + rng.uniform(3.0, 25.0), rng.uniform(-0.2, 0.6)])
    towards = rng.normal(size=3)
    towards[2] = -abs(towards[2]) * 0.4
    cosine = scene.directions @ (towards / np.linalg.norm(towards)).astype(np.float32)
    glow = np.exp((cosine - 1.0) / 0.05).astype(np.float32)
    return Happenings(
        np.array(bags).reshape(-1, 9), np.array(traffic, np.float64).reshape(-1, 7), leaves, slopes,
        wind, np.array(doors).reshape(-1, 3), glow, rain, key,
    )  # fmt: skip


def _leaves(scene: Backdrop, n_clumps: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return clumps of leaves beyond the zone, and how they change as they sway sideways."""
    n = len(scene.directions)
    if not n_clumps:
        return np.zeros((n, 0), np.float32), np.zeros((n, 0), np.float32)
    far = np.flatnonzero(scene.sky | (scene.distance_m > 6.0))
    if not far.size:
        return _leaves(scene, 0, rng)
    centres = scene.directions[rng.choice(far, n_clumps)]
    dark = rng.uniform(-0.06, 0.03, n_clumps).astype(np.float32)
    away = scene.directions[:, None, :] - centres[None]
    shape = np.exp(-0.5 * (away**2).sum(-1) / _LEAF_RAD**2).astype(np.float32) * dark
    return shape, shape * away[:, :, 1].astype(np.float32) / np.float32(_LEAF_RAD**2)
