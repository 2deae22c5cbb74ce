"""A hand of measured proportions: palm, five jointed fingers, forearm; joint angles to surface.

Lengths of the bones are those of Buryanov and Kotiuk, "Proportions of Hand Segments", Int. J.
Morphol. 28(3), 755-758, 2010, table I (means of 66 adults, millimetres, read in transcriptions),
scaled to the hand's length. Breadths of the fingers at the middle joint over hand breadth, and how
far each finger tip is from the wrist, are those of Greiner, "Hand Anthropometry of U.S. Army
Personnel", 1991 (means of men, read in a transcription). Thicknesses and the forearm's taper are
assumed.

Frame of the hand: origin at the wrist, +y along the middle finger, +z out of the back of the hand
(the palm looks along -z), and the thumb of a right hand on the -x side. Millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = [
    "FOREARM_MM",
    "N_SEGMENTS",
    "Hand",
    "Segment",
    "build_hand",
    "place_segments",
    "rotation",
    "tip_travel_mm",
]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

PHALANGES_MM = np.array(
    [
        [46.22, 31.57, 21.67 + 5.67],  # thumb: its metacarpal moves as a segment of its own
        [39.78, 22.38, 15.82 + 3.84],
        [44.63, 26.33, 17.40 + 3.95],
        [41.37, 25.65, 17.30 + 3.95],
        [32.74, 18.11, 15.96 + 3.73],
    ]
)
"""Bones from the knuckle outwards, the pulp of the tip with the last; thumb to little finger."""

TIP_TO_WRIST_MM = np.array([137.9, 185.2, 194.5, 185.0, 159.9])
BREADTH_MM = np.array([24.0, 23.0, 22.5, 21.4, 19.2])
GREINER_HAND_BREADTH_MM = 90.4

_KNUCKLE_X = np.array([-0.36, -0.33, -0.11, 0.11, 0.32])  # shares of hand breadth
_THUMB_BASE = np.array([-0.26, 0.13, -0.09])  # of breadth, length, breadth
N_SEGMENTS = 17
FOREARM_MM = 250.0
_PALM, _FOREARM = 0, 16


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """Surface of one rigid segment in its own frame (y along the bone from its joint).

    Parameters
    ----------
    points, normals : float32 array, shape (3, n_points)
        Millimetres; unit vectors outwards.
    areas : float32 array, shape (n_points,)
        Surface that each point stands for, square millimetres.

    Attributes
    ----------
    middle_mm : float64 array, shape (3,)
        Mean of the points.
    radius_mm : float
        Of the ball about it that holds all points.
    """

    points: Floats
    normals: Floats
    areas: Floats
    middle_mm: Doubles = field(init=False)
    radius_mm: float = field(init=False)

    def __post_init__(self) -> None:
        middle = self.points.mean(axis=1).astype(np.float64)
        away = np.linalg.norm(self.points - middle[:, None], axis=0)
        object.__setattr__(self, "middle_mm", middle)
        object.__setattr__(self, "radius_mm", float(away.max()))


@dataclass(frozen=True, slots=True, eq=False)
class Hand:
    """A hand with its forearm; segment 0 is the palm, 1 + 3 f + k bone k of finger f, 16 the arm.

    Parameters
    ----------
    segments : tuple of Segment
        Surfaces.
    joints_mm : float64 array, shape (5, 3)
        Where each finger begins, in the frame of the palm.
    bones_mm : float64 array, shape (5, 3)
        Lengths of the bones of each finger.
    length_mm : float
        Wrist to tip of the middle finger.
    side : int
        -1 where the thumb is on the -x side (right hand), +1 for a left hand.
    """

    segments: tuple[Segment, ...]
    joints_mm: Doubles
    bones_mm: Doubles
    length_mm: float
    side: int


def _straight(y: Doubles, half_width: Doubles, half_depth: Doubles) -> Doubles:
    return np.stack([y, half_width, half_depth], axis=1)


def _tube(stations: Doubles, power: float, n_around: int) -> Segment:
    """Surface of a bone from cross-sections: rows of (y, half width, half depth).

    A section is a superellipse |x/a|^power + |z/b|^power = 1 about the bone.
    """
    y, a, b = (stations[:, k, None] for k in range(3))
    u = np.linspace(0.0, 2.0 * np.pi, 721)
    shape_x = np.sign(np.cos(u)) * np.abs(np.cos(u)) ** (2.0 / power)
    shape_z = np.sign(np.sin(u)) * np.abs(np.sin(u)) ** (2.0 / power)
    # Points at equal distances around the mean section, or flat sides would have gaps.
    steps = np.hypot(np.diff(shape_x) * a.mean(), np.diff(shape_z) * b.mean())
    around = np.concatenate([[0.0], np.cumsum(steps)])
    wanted = (np.arange(n_around) + 0.5) * around[-1] / n_around
    shape_x, shape_z = np.interp(wanted, around, shape_x), np.interp(wanted, around, shape_z)
    surface = np.stack([a * shape_x, y * np.ones(n_around), b * shape_z])
    middle = (surface[:, 1:] + surface[:, :-1]) / 2.0
    along = surface[:, 1:] - surface[:, :-1]
    beside = (np.roll(middle, -1, axis=2) - np.roll(middle, 1, axis=2)) / 2.0
    cross = np.cross(along, beside, axis=0)  # outwards: u turns from x to z, the bone is y
    area = np.linalg.norm(cross, axis=0)
    normals = cross / np.maximum(area, 1e-9)
    return Segment(
        middle.reshape(3, -1).astype(np.float32),
        normals.reshape(3, -1).astype(np.float32),
        area.ravel().astype(np.float32),
    )


def _bone(length: float, radius: float, tip: bool, spacing: float) -> Segment:
    """Surface of one finger bone, tapering by 8 %; the last one closes in a round tip."""
    y = np.linspace(0.0, length, max(4, round(length / spacing)) + 1)
    r = radius * (1.0 - 0.08 * y / length)
    if tip:
        rise = np.clip((length - y) / (0.9 * radius), 0.0, 1.0)
        r = r * np.sqrt(1.0 - (1.0 - rise) ** 2)
    return _tube(_straight(y, r, 0.88 * r), 2.0, max(8, round(2.0 * np.pi * radius / spacing)))


def build_hand(
    length_mm: float, breadth_mm: float, handedness: str = "right", spacing_mm: float = 4.0
) -> Hand:
    """Build a hand of the given length (wrist to tip of the middle finger) and breadth.

    Parameters
    ----------
    length_mm, breadth_mm : float
        Adults' 1st to 99th percentile: 160 to 218 and 70 to 99 mm (ANSUR II, 2012).
    handedness : str
        ``right`` or ``left``.
    spacing_mm : float
        Distance between surface points of the hand; half as much again on the forearm.
    """
    side = -1 if handedness == "right" else 1
    scale = length_mm / TIP_TO_WRIST_MM[2]
    bones = PHALANGES_MM * scale
    joints = np.zeros((5, 3))
    joints[:, 0] = _KNUCKLE_X * breadth_mm
    joints[:, 1] = TIP_TO_WRIST_MM * scale - bones.sum(axis=1)
    joints[0] = _THUMB_BASE * [breadth_mm, length_mm, breadth_mm]
    radii = BREADTH_MM / GREINER_HAND_BREADTH_MM * breadth_mm / 2.0 * 0.95

    palm_length = float(joints[2, 1]) + 4.0
    y = np.linspace(0.0, palm_length, max(8, round(palm_length / spacing_mm)) + 1)
    at = np.array([0.0, 0.25, 0.7, 0.95, 1.0])
    width = breadth_mm * np.interp(y / palm_length, at, [0.34, 0.42, 0.49, 0.50, 0.40])
    depth = breadth_mm * np.interp(y / palm_length, at, [0.20, 0.19, 0.16, 0.14, 0.05])
    palm = _tube(_straight(y, width, depth), 2.6, round(2.4 * breadth_mm / spacing_mm))
    fingers = []
    for finger in range(5):
        for bone in range(3):
            swell = 1.25 - 0.15 * bone if finger == 0 else 1.06 - 0.07 * bone
            radius = swell * radii[finger]
            fingers.append(_bone(bones[finger, bone], radius, bone == 2, spacing_mm))
    coarse = 1.5 * spacing_mm
    reach = np.linspace(0.0, FOREARM_MM, round(FOREARM_MM / coarse) + 1)
    width = breadth_mm * np.interp(reach, [0.0, 60.0, FOREARM_MM], [0.34, 0.35, 0.5])
    depth = np.minimum(width, 0.2 * breadth_mm + 0.1 * reach)
    forearm = _tube(_straight(reach, width, depth), 2.0, round(2.4 * breadth_mm / coarse))
    if side > 0:
        joints[:, 0] *= -1.0
    return Hand((palm, *fingers, forearm), joints, bones, length_mm, side)


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


# Largest bend of the three joints at full curl, degrees (AAOS ranges 90, 100, 90, from memory;
# a relaxed fist stays short of them); the thumb folds less.
_FULL_CURL_RAD = np.radians([[25.0, 45.0, 60.0]] + [[82.0, 98.0, 62.0]] * 4)
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
    turns = _FULL_CURL_RAD[finger]
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

    Returns
    -------
    rotations : array, shape (n_frames, 17, 3, 3)
    origins : array, shape (n_frames, 17, 3)
    """
    n_frames = len(wrist_mm)
    rotations = np.empty((n_frames, N_SEGMENTS, 3, 3))
    origins = np.empty((n_frames, N_SEGMENTS, 3))
    rotations[:, _PALM], origins[:, _PALM] = palm_rotation, wrist_mm
    for finger in range(5):
        bend = curl[:, finger, None] * _FULL_CURL_RAD[finger]
        fold = curl[:, finger]
        if finger == 0:
            # The straight thumb stands out 50 degrees to its side and 12 towards the palm's
            # front; folding turns it across the palm. It bends in the palm's plane.
            out = np.radians(50.0) - _THUMB_FOLD_RAD * fold + 0.5 * spread_rad
            front = np.radians(12.0 + 5.0 * fold)
            start = rotation("z", -hand.side * out) @ rotation("x", -front)
            bones = [rotation("z", hand.side * 0.6 * bend[:, bone]) for bone in range(3)]
        else:
            start = rotation("z", -hand.side * (2.5 - finger) * spread_rad * (1.0 - 0.8 * fold))
            bones = [rotation("x", -bend[:, bone]) for bone in range(3)]
        turn = palm_rotation @ start
        at = wrist_mm + np.einsum("fij,j->fi", palm_rotation, hand.joints_mm[finger])
        for bone in range(3):
            turn = turn @ bones[bone]
            segment = 1 + 3 * finger + bone
            rotations[:, segment], origins[:, segment] = turn, at
            at = at + turn[:, :, 1] * hand.bones_mm[finger, bone]
    along = np.broadcast_to(elbow_mm, wrist_mm.shape) - wrist_mm
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.cross(along, palm_rotation[:, :, 2])
    across /= np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-6)
    rotations[:, _FOREARM] = np.stack([across, along, np.cross(across, along)], axis=2)
    origins[:, _FOREARM] = wrist_mm
    return rotations, origins
