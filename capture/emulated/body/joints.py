"""From joint angles to where every segment of a hand is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from capture.emulated.body.hand import (
    FOREARM,
    N_SEGMENTS,
    PALM,
    PHALANGES_MM,
    THUMB_WEB,
    TIP_TO_WRIST_MM,
    WEBS,
    Hand,
)
from capture.emulated.body.timeline import FAN, FOLD, N_SHAPE, THUMB

__all__ = ["FULL_CURL_RAD", "place_segments", "rotation", "tip_travel_mm"]

Doubles = npt.NDArray[np.float64]


def rotation(axis: str, angle_rad: npt.ArrayLike) -> Doubles:
    """Return right-handed rotation matrices about x, y or z, shape (..., 3, 3)."""
    angle = np.asarray(angle_rad, dtype=np.float64)
    k = "xyz".index(axis)
    i, j = (k + 1) % 3, (k + 2) % 3
    matrix = np.zeros((*angle.shape, 3, 3))
    matrix[..., k, k] = 1.0
    matrix[..., i, i] = matrix[..., j, j] = np.cos(angle)
    matrix[..., j, i] = np.sin(angle)
    matrix[..., i, j] = -np.sin(angle)
    return matrix


# Bend of the three joints at full curl, degrees; the thumb folds less.
FULL_CURL_RAD = np.radians([[25.0, 45.0, 60.0]] + [[82.0, 98.0, 62.0]] * 4)
_THUMB_FOLD_RAD = np.radians(85.0)  # how far the whole thumb turns across the palm


def tip_travel_mm(length_mm: float, finger: int) -> float:
    """Return how far a straight finger's tip goes for a small curl, millimetres for curl 1.

    Parameters
    ----------
    length_mm : float
        Hand length.
    finger : int
        0 thumb, 1 index to 4 little finger.
    """
    bones = PHALANGES_MM[finger] * length_mm / TIP_TO_WRIST_MM[2]
    to_tip = np.cumsum(bones[::-1])[::-1]
    turns = FULL_CURL_RAD[finger]
    if finger == 0:
        turns = 0.6 * turns + [_THUMB_FOLD_RAD, 0.0, 0.0]
    return float(np.sum(to_tip * turns))


def place_segments(
    hand: Hand,
    wrist_mm: Doubles,
    palm_rotation: Doubles,
    curl: Doubles,
    spread_rad: Doubles,
    elbow_mm: Doubles,
    shape: Doubles | None = None,
) -> tuple[Doubles, Doubles]:
    """Turn joint angles into the place of every segment.

    Parameters
    ----------
    hand : Hand
        Proportions.
    wrist_mm : array, shape (n_frames, 3)
        Wrist in the sensor's frame.
    palm_rotation : array, shape (n_frames, 3, 3)
        From the hand's frame to the sensor's.
    curl : array, shape (n_frames, 5)
        0 straight to 1 fully bent, thumb to little finger; for the thumb 1 lies across the palm.
    spread_rad : array, shape (n_frames,)
        Angle between neighbouring fingers.
    elbow_mm : array, shape (n_frames, 3) or (3,)
        The forearm points from the wrist to it.
    shape : array, shape (n_frames, 10), optional
        A pose's `SHAPE`; zeros by default.

    Returns
    -------
    rotations : array, shape (n_frames, 21, 3, 3)
    origins : array, shape (n_frames, 21, 3)
    """
    n_frames = len(wrist_mm)
    shape = np.zeros((n_frames, N_SHAPE)) if shape is None else shape
    rotations = np.empty((n_frames, N_SEGMENTS, 3, 3))
    origins = np.empty((n_frames, N_SEGMENTS, 3))
    rotations[:, PALM], origins[:, PALM] = palm_rotation, wrist_mm
    knuckles = wrist_mm[:, None] + (palm_rotation[:, None] @ hand.joints_mm[:, :, None])[..., 0]
    # Of each finger: its turn to the thumb's side, and the bend of its three joints.
    fold = curl[:, 1:, None]
    fan = (1.5 - np.arange(4)) * spread_rad[:, None] + shape[:, FAN]
    aside = fan * (1.0 - 0.8 * curl[:, 1:])
    bends = fold * (FULL_CURL_RAD[1:] + shape[:, None, FOLD])
    out, front, thumb_bends = _thumb(curl[:, 0], spread_rad, shape[:, THUMB])
    for finger in range(5):
        if finger == 0:
            start = rotation("z", -hand.side * out) @ rotation("x", -front)
            bones = [rotation("z", hand.side * thumb_bends[:, bone]) for bone in range(3)]
        else:
            start = rotation("z", -hand.side * aside[:, finger - 1])
            bones = [rotation("x", -bends[:, finger - 1, bone]) for bone in range(3)]
        turn = palm_rotation @ start
        at = knuckles[:, finger]
        for bone in range(3):
            turn = turn @ bones[bone]
            segment = 1 + 3 * finger + bone
            rotations[:, segment], origins[:, segment] = turn, at
            at = at + turn[:, :, 1] * hand.bones_mm[finger, bone]
    # The skin between two fingers goes half with the one and half with the other.
    for gap, segment in enumerate(WEBS):
        between = rotation("z", -hand.side * aside[:, gap : gap + 2].mean(axis=1))
        between = between @ rotation("x", -bends[:, gap : gap + 2, 0].mean(axis=1))
        rotations[:, segment] = palm_rotation @ between
        origins[:, segment] = knuckles[:, gap + 1 : gap + 3].mean(axis=1)
    half_out = rotation("z", -0.5 * hand.side * out) @ rotation("x", -0.5 * front)
    rotations[:, THUMB_WEB] = palm_rotation @ half_out
    origins[:, THUMB_WEB] = knuckles[:, 0]
    along = np.broadcast_to(elbow_mm, wrist_mm.shape) - wrist_mm
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.cross(along, palm_rotation[:, :, 2])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-6)
    rotations[:, FOREARM] = np.stack([across, along, np.cross(across, along)], axis=2)
    origins[:, FOREARM] = wrist_mm
    return rotations, origins


def _thumb(fold: Doubles, spread_rad: Doubles, own: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Return how far the thumb stands out and to the palm's front, and the bends of its joints.

    The straight thumb stands out 50 degrees to its side and 12 towards the palm's front; folding
    turns it across the palm. It bends in the palm's plane.
    """
    out = np.radians(50.0) - _THUMB_FOLD_RAD * fold + 0.5 * spread_rad + own[:, 0]
    front = np.radians(12.0 + 5.0 * fold) + own[:, 1]
    bends = 0.6 * fold[:, None] * FULL_CURL_RAD[0] + own[:, 2, None] * [0.0, 0.5, 0.5]
    return out, front, bends
