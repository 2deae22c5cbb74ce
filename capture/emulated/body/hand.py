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

import functools
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = [
    "FOREARM",
    "FOREARM_MM",
    "N_SEGMENTS",
    "PALM",
    "THUMB_WEB",
    "WEBS",
    "Hand",
    "Proportions",
    "Segment",
    "build_hand",
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
FOREARM_MM = 250.0
PALM, FOREARM, WEBS, THUMB_WEB = 0, 16, (17, 18, 19), 20
"""Segments by number; `WEBS` are between index and middle, middle and ring, ring and little."""
N_SEGMENTS = 21


@dataclass(frozen=True, slots=True)
class Proportions:
    """In what a hand differs from the mean hand of its length and breadth.

    Parameters
    ----------
    finger_lengths : tuple of float
        Length of each finger over the mean's, thumb to little finger.
    finger_breadth : float
        Breadth of the fingers over Greiner's.
    web : float
        How far the skin between two fingers reaches, over their first bones' mean length.
    forearm : float
        Breadth of the forearm over the usual one.
    sleeve_mm : float
        Where a sleeve begins, from the wrist along the forearm.
    looseness : float
        How much wider than the forearm the sleeve is: 0 is tight, 0.5 half as wide again.
    """

    finger_lengths: tuple[float, float, float, float, float] = (1.0, 1.0, 1.0, 1.0, 1.0)
    finger_breadth: float = 0.95
    web: float = 0.36
    forearm: float = 1.0
    sleeve_mm: float = FOREARM_MM
    looseness: float = 0.0


MEAN_HAND = Proportions()


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
    """A hand with its forearm.

    Segment 0 is the palm, 1 + 3 f + k bone k of finger f, 16 the arm, 17 to 19 the skin between the
    fingers, 20 that between thumb and index finger.

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


@functools.cache
def _superellipse(power: float) -> tuple[Doubles, Doubles]:
    """Return |x|^power + |z|^power = 1 as x and z at every half degree of its angle."""
    u = np.linspace(0.0, 2.0 * np.pi, 721)
    x = np.sign(np.cos(u)) * np.abs(np.cos(u)) ** (2.0 / power)
    z = np.sign(np.sin(u)) * np.abs(np.sin(u)) ** (2.0 / power)
    return x, z


def _tube(stations: Doubles, power: float, n_around: int) -> Segment:
    """Surface of a bone from cross-sections: rows of (y, half width, half depth).

    A section is a superellipse |x/a|^power + |z/b|^power = 1 about the bone.
    """
    y, a, b = (stations[:, k, None] for k in range(3))
    shape_x, shape_z = _superellipse(power)
    # Points at equal distances around the mean section, or flat sides would have gaps.
    steps = np.hypot(np.diff(shape_x) * a.mean(), np.diff(shape_z) * b.mean())
    around = np.concatenate([[0.0], np.cumsum(steps)])
    wanted = (np.arange(n_around) + 0.5) * around[-1] / n_around
    shape_x, shape_z = np.interp(wanted, around, shape_x), np.interp(wanted, around, shape_z)
    surface = np.stack([a * shape_x, y * np.ones(n_around), b * shape_z])
    middle = (surface[:, 1:] + surface[:, :-1]) / 2.0
    along = surface[:, 1:] - surface[:, :-1]
    closed = np.concatenate([middle[:, :, -1:], middle, middle[:, :, :1]], axis=2)
    beside = (closed[:, :, 2:] - closed[:, :, :-2]) / 2.0
    cross = np.empty_like(along)  # outwards: u turns from x to z, the bone is y
    for one, other, third in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
        cross[one] = along[other] * beside[third] - along[third] * beside[other]
    area = np.sqrt((cross**2).sum(axis=0))
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


def _web(length: float, half_width: float, half_depth: float, spacing: float) -> Segment:
    """Surface of the skin between two fingers: from below the knuckles to a rounded edge."""
    y = np.linspace(-0.4 * length, length, max(4, round(1.4 * length / spacing)) + 1)
    at = y / length
    width = half_width * np.interp(at, [-0.4, 0.0, 0.8, 1.0], [0.5, 1.0, 1.0, 0.6])
    depth = half_depth * np.interp(at, [-0.4, 0.5, 1.0], [1.0, 0.8, 0.25])
    around = max(8, round(2.0 * np.pi * np.hypot(half_width, half_depth) / 1.4 / spacing))
    return _tube(_straight(y, width, depth), 2.4, around)


def build_hand(
    length_mm: float,
    breadth_mm: float,
    handedness: str = "right",
    spacing_mm: float = 4.0,
    proportions: Proportions = MEAN_HAND,
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
    proportions : Proportions
        What is this hand's own. A longer middle finger makes the palm shorter, not the hand longer.
    """
    side = -1 if handedness == "right" else 1
    scale = length_mm / TIP_TO_WRIST_MM[2]
    own = np.array(proportions.finger_lengths)
    mean_bones = PHALANGES_MM * scale
    bones = mean_bones * own[:, None]
    joints = np.zeros((5, 3))
    joints[:, 0] = _KNUCKLE_X * breadth_mm
    joints[:, 1] = TIP_TO_WRIST_MM * scale - mean_bones.sum(axis=1) * own[2]
    joints[0] = _THUMB_BASE * [breadth_mm, length_mm, breadth_mm]
    radii = BREADTH_MM / GREINER_HAND_BREADTH_MM * breadth_mm / 2.0 * proportions.finger_breadth

    palm_length = float(joints[2, 1]) + 4.0
    y = np.linspace(0.0, palm_length, max(8, round(palm_length / spacing_mm)) + 1)
    at = np.array([0.0, 0.25, 0.7, 0.88, 1.0])
    width = breadth_mm * np.interp(y / palm_length, at, [0.34, 0.42, 0.49, 0.49, 0.36])
    depth = breadth_mm * np.interp(y / palm_length, at, [0.20, 0.19, 0.16, 0.14, 0.05])
    palm = _tube(_straight(y, width, depth), 2.6, round(2.4 * breadth_mm / spacing_mm))
    fingers = []
    for finger in range(5):
        for bone in range(3):
            swell = 1.25 - 0.15 * bone if finger == 0 else 1.06 - 0.07 * bone
            radius = swell * radii[finger]
            fingers.append(_bone(bones[finger, bone], radius, bone == 2, spacing_mm))
    webs = [
        _web(
            proportions.web * float(bones[[one, one + 1], 0].mean()),
            0.5 * float(joints[one + 1, 0] - joints[one, 0]),
            0.75 * float(radii[one]),
            spacing_mm,
        )
        for one in (1, 2, 3)
    ]
    thumb_web = _web(0.8 * bones[0, 0], 0.36 * bones[0, 0], 0.8 * radii[0], spacing_mm)
    forearm = _forearm(breadth_mm, proportions, 1.5 * spacing_mm)
    if side > 0:
        joints[:, 0] *= -1.0
    segments = (palm, *fingers, forearm, *webs, thumb_web)
    return Hand(segments, joints, bones, length_mm, side)


def _forearm(breadth_mm: float, proportions: Proportions, spacing_mm: float) -> Segment:
    """Surface of the forearm and its sleeve."""
    # It begins within the palm, so that a bent wrist has no gap.
    inside_mm = 0.15 * breadth_mm
    n_rings = round((FOREARM_MM + inside_mm) / spacing_mm)
    reach = np.linspace(-inside_mm, FOREARM_MM, n_rings + 1)
    width = breadth_mm * np.interp(reach, [0.0, 60.0, FOREARM_MM], [0.34, 0.35, 0.5])
    depth = np.minimum(width, 0.2 * breadth_mm + 0.1 * np.maximum(reach, 0.0))
    wider = np.where(reach > proportions.sleeve_mm, 1.0 + proportions.looseness, 1.0)
    wider *= 1.0 + (proportions.forearm - 1.0) * np.clip(0.4 + reach / 60.0, 0.4, 1.0)
    stations = _straight(reach, wider * width, wider * depth)
    return _tube(stations, 2.0, round(2.4 * breadth_mm / spacing_mm))
