"""Hands as solid bodies: capsules round measured bones, or spheres along measured joints.

Both bend the same joints; what differs is whose measures they have and what the flesh is made of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worlds.people.acting import AXES, Floats
from worlds.people.person import Person

__all__ = ["CAPSULE_HAND", "SPHERE_HAND", "Body", "Measures", "body_of"]

Singles = NDArray[np.float32]
FULL_BEND = np.radians([82.0, 98.0, 62.0])
"""Knuckle, middle and end joint of a finger that is folded fully (common practice, no source)."""
MIDDLE_MM = 92.0
"""From the wrist to the middle of a stretched hand of common size: where a hand is said to be."""


@dataclass(frozen=True)
class Measures:
    """A hand of common size, right, palm down, fingers along +y; millimetres.

    Parameters
    ----------
    knuckles : tuple of (x, y)
        From the wrist, index to little finger.
    bones : tuple of (first, second, third)
        Of index to little finger, from the knuckle to the tip.
    radii : tuple of four
        At the knuckle, the two joints after it, and the tip; the little finger has `little` of it.
    thumb_base : tuple of (x, y, z)
    thumb_bones, thumb_radii : tuple of three, of four
    palm_radius, wrist_radius, arm_radius : float
    little : float
    """

    knuckles: tuple[tuple[float, float], ...]
    bones: tuple[tuple[float, float, float], ...]
    radii: tuple[float, float, float, float]
    thumb_base: tuple[float, float, float]
    thumb_bones: tuple[float, float, float]
    thumb_radii: tuple[float, float, float, float]
    palm_radius: float
    wrist_radius: float
    arm_radius: float
    little: float


CAPSULE_HAND = Measures(
    # Bones: means over the 53 hands of SHREC'17 that geomstats 2.8 carries (hands.txt; joint to
    # joint, in the order wrist, palm, thumb to little finger). Knuckles: their distances from the
    # wrist, with the spread across the palm of a hand 84 mm broad. Radii: finger breadths of
    # T. Greiner, Hand Anthropometry of U.S. Army Personnel, NATICK/TR-92/011, 1991 (from memory:
    # 18 to 22 mm at the middle joint, 16 to 19 mm at the end joint of the index finger).
    knuckles=((-26.0, 96.3), (-5.0, 94.3), (15.0, 89.4), (33.0, 78.4)),
    bones=((43.4, 20.5, 19.6), (47.1, 25.4, 19.4), (44.1, 21.8, 21.6), (38.0, 17.2, 14.4)),
    radii=(10.5, 10.0, 9.0, 7.5),
    thumb_base=(-18.0, 15.0, -4.0),
    thumb_bones=(33.2, 44.3, 27.3),
    thumb_radii=(15.0, 12.5, 11.0, 9.0),
    palm_radius=12.5,
    wrist_radius=24.0,
    arm_radius=34.0,
    little=0.85,
)
SPHERE_HAND = Measures(
    # Distances between the joints, and their radii, of the relaxed right hand that the npm package
    # iwer 2.5.0 carries (lib/device/configs/hand/relaxed.js, offsetMatrix and radius; means over
    # index, middle and ring finger).
    knuckles=((-23.0, 96.4), (-2.0, 95.7), (18.0, 88.9), (36.0, 78.7)),
    bones=((37.9, 24.3, 22.4), (42.9, 27.6, 25.0), (39.1, 26.6, 24.3), (30.8, 20.3, 21.9)),
    radii=(10.5, 8.0, 7.5, 6.5),
    thumb_base=(-19.0, 45.0, -3.0),
    thumb_bones=(32.5, 33.9, 24.6),
    thumb_radii=(19.4, 12.3, 9.8, 8.8),
    palm_radius=15.0,
    wrist_radius=21.5,
    arm_radius=31.0,
    little=0.83,
)


@dataclass(frozen=True)
class Body:
    """Solid parts of a hand and its arm over the frames.

    Parameters
    ----------
    begin, end : float32 (n_frames, n_parts, 3)
        Ends of each capsule's core, mm; a sphere has both in one place.
    radius, reflectance : float32 (n_parts,)
    """

    begin: Singles
    end: Singles
    radius: Singles
    reflectance: Singles


def body_of(person: Person, postures: Floats, measures: Measures) -> Body:
    """Return the capsules of a person's hand in the given postures, (n_frames, n_axes)."""
    value = {name: postures[:, i] for i, name in enumerate(AXES)}
    lines = [*_fingers(value, person, measures), _thumb(value, measures)]
    wrist = np.zeros((len(postures), 3))
    knuckles = [line[:, 0] for line in lines[:4]]
    parts: list[tuple[Floats, Floats, float]] = []
    for number, line in enumerate(lines):
        radii = measures.thumb_radii if number == 4 else measures.radii
        thin = measures.little if number == 3 else 1.0
        for joint in range(3):
            mean = thin * (radii[joint] + radii[joint + 1]) / 2
            parts.append((line[:, joint], line[:, joint + 1], mean))
    for number, knuckle in enumerate(knuckles):
        root = wrist + np.array([(-12.0, -3.0, 6.0, 13.0)[number], 12.0, 0.0])
        parts.append((root, knuckle, measures.palm_radius))
    ball = wrist + np.array([-12.0, 22.0, -4.0])
    parts.append((ball, (lines[4][:, 0] + lines[4][:, 1]) / 2, 0.9 * measures.palm_radius))
    placed = [
        (_placed(begin, value, person), _placed(end, value, person), radius * person.girth)
        for begin, end, radius in parts
    ]
    arms, n_skin = _arm(value, person, measures, _placed(wrist, value, person))
    skin = [person.reflectance] * (len(placed) + n_skin)
    sleeve = [person.sleeve_reflectance] * (len(arms) - n_skin)
    placed += arms
    return Body(
        np.stack([begin for begin, _, _ in placed], axis=1).astype(np.float32),
        np.stack([end for _, end, _ in placed], axis=1).astype(np.float32),
        np.array([radius for _, _, radius in placed], np.float32),
        np.array([*skin, *sleeve], np.float32),
    )


def _fingers(value: dict[str, Floats], person: Person, measures: Measures) -> list[Floats]:
    """Return the joints of index to little finger, float64 (n_frames, 4, 3) each."""
    lines = []
    names = ("index", "middle", "ring", "little")
    apart = (-1.3, -0.2, 0.8, 1.9)  # of the spread: fingers fan out from the middle one
    for name, place, bones, fan in zip(
        names, measures.knuckles, measures.bones, apart, strict=True
    ):
        curl = value[name]
        bend = np.cumsum(curl[:, None] * FULL_BEND, axis=1)
        side = fan * value["spread"] * (1 - 0.7 * curl)
        flat = np.cos(bend)
        steps = np.stack(
            [np.sin(side)[:, None] * flat, np.cos(side)[:, None] * flat, -np.sin(bend)], axis=2
        )
        joints = np.zeros((len(curl), 4, 3))
        joints[:, :, :2] = place
        joints[:, 1:] += np.cumsum(steps * np.array(bones)[:, None], axis=1)
        lines.append(joints)
    return lines


def _thumb(value: dict[str, Floats], measures: Measures) -> Floats:
    """Return the joints of the thumb: off the hand when straight, across the palm when folded."""
    curl = value["thumb"]
    # Off the index finger by up to 53 degrees: D. Chatzioglou et al., Anat. Cell Biol. 57, 2024.
    side = np.radians(-50 + 62 * curl)[:, None] + np.radians([0, 18, 30]) * curl[:, None]
    dip = np.radians(12 + 26 * curl)[:, None] * np.array([1.0, 0.8, 0.5])
    steps = np.stack([np.sin(side) * np.cos(dip), np.cos(side) * np.cos(dip), -np.sin(dip)], axis=2)
    joints = np.zeros((len(curl), 4, 3)) + measures.thumb_base
    joints[:, 1:] += np.cumsum(steps * np.array(measures.thumb_bones)[:, None], axis=1)
    return joints


def _placed(points: Floats, value: dict[str, Floats], person: Person) -> Floats:
    """Bring points of the hand's own frame, float64 (n_frames, 3), over the sensor."""
    x, y, z = person.size * (points - np.array([0.0, MIDDLE_MM, 0.0])).T
    if person.left:
        x = -x
    # Roll about the fingers, then pitch (fingers up), then yaw (fingers to the left).
    roll, pitch, yaw = value["roll"], value["pitch"], value["yaw"]
    x, z = x * np.cos(roll) + z * np.sin(roll), z * np.cos(roll) - x * np.sin(roll)
    y, z = y * np.cos(pitch) - z * np.sin(pitch), z * np.cos(pitch) + y * np.sin(pitch)
    x, y = x * np.cos(yaw) - y * np.sin(yaw), y * np.cos(yaw) + x * np.sin(yaw)
    return np.stack([x + value["x"], y + value["y"], z + value["z"]], axis=1)


def _arm(
    value: dict[str, Floats], person: Person, measures: Measures, wrist: Floats
) -> tuple[list[tuple[Floats, Floats, float]], int]:
    """Return the forearm's parts from the wrist back, and how many of them are bare."""
    turn = person.turn + 0.35 * (value["yaw"] - person.turn)
    way = np.stack([np.sin(turn), -np.cos(turn), np.full(len(turn), -0.08)], axis=1)
    bare = min(person.bare_mm, 240.0)
    thick = measures.wrist_radius * person.girth, measures.arm_radius * person.girth
    parts = []
    if bare > 5:
        parts.append((wrist, wrist + bare * way, thick[0]))
    n_skin = len(parts)
    if bare < 240:
        parts.append((wrist + bare * way, wrist + 250 * way, thick[1]))
    return parts, n_skin
