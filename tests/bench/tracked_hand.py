"""Joints of 27 open hands, as a depth camera tracked them, with some fingers folded: flat chains.

The file is `geomstats/datasets/data/hands/hands.txt`, with `labels.txt` beside it, of PyPI
`geomstats` 2.8.0 (MIT): 22 joints a hand, metres, of the SHREC 2017 track; those of label 1 are
open. Where each finger begins, its bones, its spread and the straight thumb are each hand's own.
Radii are those of the joints in `posed_hands`; folds, folded thumbs, arm and place are assumed.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from posed_hands import RADII_MM, THUMB_RADII_MM, UPRIGHT, WRIST_RADIUS_MM

__all__ = ["draw_tracked", "read_tracked"]

Doubles = npt.NDArray[np.float64]

_WRIST, _THUMB, _FINGERS, _N_JOINTS = 0, 2, (6, 10, 14, 18), 22
_LENGTH_MM = 190.0
_MIDDLE_MM = np.array([0.0, 88.0])


def read_tracked(path: Path) -> list[Doubles]:
    """Return the open hands, each (22, 2) from the wrist: x to the thumb's side, millimetres."""
    joints = np.loadtxt(path).reshape(-1, _N_JOINTS, 3)
    is_open = np.loadtxt(path.with_name("labels.txt")) == 1.0
    return [_flat(hand) for hand in joints[is_open]]


def _flat(hand: Doubles) -> Doubles:
    """Return a hand in the plane of its knuckles, as long as a usual one."""
    y = hand[_FINGERS[1]] - hand[_WRIST]
    y /= np.linalg.norm(y)
    x = hand[_FINGERS[0]] - hand[_FINGERS[3]]
    x -= y * (x @ y)
    x /= np.linalg.norm(x)
    flat = (hand - hand[_WRIST]) @ np.stack([x, y], axis=1)
    return np.asarray(flat * (_LENGTH_MM / np.linalg.norm(flat[_FINGERS[1] + 3])))


def draw_tracked(hands: list[Doubles], count: int, rng: np.random.Generator) -> list[Doubles]:
    """Return one of the hands that shows a count: chains of (x, y, radius) about the origin."""
    up = UPRIGHT[count][int(rng.integers(len(UPRIGHT[count])))]
    size, breadth = rng.uniform(0.9, 1.1), rng.uniform(0.9, 1.1)
    joints = size * hands[int(rng.integers(len(hands)))]
    breadth *= size
    ahead = joints[_FINGERS[1] + 3] - joints[_FINGERS[1]]
    lean, spread = np.arctan2(ahead[0], ahead[1]), rng.uniform(0.4, 1.1)
    chains = []
    for finger, first in enumerate(_FINGERS):
        own = joints[first : first + 4]
        shares = spread if up[finger + 1] else 0.2
        line = _finger(own, lean, shares, bool(up[finger + 1]), rng)
        chains.append(np.column_stack([line, breadth * RADII_MM[finger]]))
        # Skin between the fingers, and the palm below it, as thick as in `posed_hands`.
        web = line[0] + 0.4 * (line[1] - line[0])
        chains.append(np.array([[*line[0], 12.0 * breadth], [*web, 10.0 * breadth]]))
        below = line[0] - [0.0, 8.0]
        chains.append(np.array([[0.0, 4.0, WRIST_RADIUS_MM * breadth], [*below, 15.0 * breadth]]))
    chains.append(_thumb(joints[_THUMB : _THUMB + 4], bool(up[0]), breadth, rng))
    arm_mm, aside = float(rng.choice([10.0, 40.0, 90.0, 230.0])), np.radians(rng.normal(0.0, 8.0))
    end = arm_mm * np.array([np.sin(aside), -np.cos(aside)])
    chains.append(np.array([[0.0, 0.0, 25.0 * breadth], [*end, 25.0 * breadth + 0.06 * arm_mm]]))
    mirror, roll = np.array([rng.choice([-1.0, 1.0]), 1.0]), np.radians(rng.normal(0.0, 8.0))
    shift = rng.normal(0.0, 6.0, 2)
    return [
        np.column_stack([_turned((chain[:, :2] - _MIDDLE_MM) * mirror, roll) + shift, chain[:, 2]])
        for chain in chains
    ]


def _finger(
    own: Doubles, lean: float, spread: float, straight: bool, rng: np.random.Generator
) -> Doubles:
    """Return a finger's joints, its bones as long as they look when it is bent so far."""
    along = own[3] - own[0]
    away = np.arctan2(along[0], along[1]) - lean
    heading = lean + spread * away + np.radians(rng.normal(0.0, 2.0))
    if straight:
        bends = np.abs(rng.normal([3.0, 5.0, 3.0], 3.0))
    else:
        bends = rng.uniform([60.0, 75.0, 40.0], [85.0, 105.0, 70.0])
    lengths = np.linalg.norm(np.diff(own, axis=0), axis=1) * np.cos(np.radians(np.cumsum(bends)))
    steps = lengths[:, None] * [np.sin(heading), np.cos(heading)]
    return np.asarray(own[0] + np.vstack([np.zeros(2), np.cumsum(steps, axis=0)]))


def _thumb(own: Doubles, up: bool, breadth: float, rng: np.random.Generator) -> Doubles:
    """Return the thumb's chain, as it was tracked or turned across the palm."""
    turn = rng.normal(0.0, 10.0) if up else rng.uniform(-75.0, -40.0)
    bend = np.abs(rng.normal(0.0, 8.0)) if up else rng.uniform(5.0, 40.0)
    bones = np.diff(own, axis=0)
    steps = [_turned(bone, np.radians(turn - bend * k)) for k, bone in enumerate(bones)]
    places = own[0] + np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
    return np.column_stack([places, breadth * THUMB_RADII_MM * [0.85, 1.0, 1.0, 1.0]])


def _turned(vectors: Doubles, angle_rad: float) -> Doubles:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.asarray(vectors @ np.array([[c, -s], [s, c]]))
