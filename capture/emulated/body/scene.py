"""Surfaces in space: hands and bodies as clouds of points with normals, seen from the device."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.body.hand import FOREARM, FOREARM_MM, Hand, Segment
from capture.emulated.body.joints import place_segments, rotation
from capture.emulated.body.timeline import (
    CURL,
    FLATNESS,
    GONE_MM,
    PITCH,
    ROLL,
    SHAPE,
    SPREAD,
    YAW,
    Z,
)

__all__ = ["Actor", "HandActor", "Placed", "View", "ellipsoid", "in_sight"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Surface points of one actor over several frames, in the frame of the sensor.

    Parameters
    ----------
    points, normals : float32 array, shape (3, n_frames, n_points)
        Millimetres; unit vectors.
    areas : float32 array, shape (n_points,) or (n_frames, n_points)
        Square millimetres.
    reflectances : float32 array, shape (n_points,)
        Diffuse, at the LED's wavelength.
    gloss : float
        Share of the light that is thrown back about the mirror direction; 0 for a matt surface.
    shine : float
        Exponent of that lobe: half of it lies within about 68 / sqrt(shine) degrees.
    """

    points: Floats
    normals: Floats
    areas: Floats
    reflectances: Floats
    gloss: float = 0.0
    shine: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Where the device is and how it is turned, frame by frame: what moves is seen from it.

    Parameters
    ----------
    turns : float64 array, shape (n_frames, 3, 3)
        From the device's frame to that of the room.
    places_mm : float64 array, shape (n_frames, 3)
        The device in the room.
    """

    turns: Doubles
    places_mm: Doubles

    def of(self, turns: Doubles, origins: Doubles) -> tuple[Doubles, Doubles]:
        """Return turns (n_frames, k, 3, 3) and origins (n_frames, k, 3) in the device's frame."""
        back = self.turns.transpose(0, 2, 1)[:, None]
        away = origins - self.places_mm[:, None]
        return back @ turns, (back @ away[..., None])[..., 0]


def ellipsoid(radii_mm: Sequence[float], spacing_mm: float) -> Segment:
    """Return the surface of an ellipsoid, points spread evenly over the sphere it comes from."""
    a, b, c = radii_mm
    mean_square = (a * b + b * c + c * a) / 3.0
    n = max(12, round(4.0 * np.pi * mean_square / spacing_mm**2))
    k = np.arange(n) + 0.5
    z = 1.0 - 2.0 * k / n
    angle = np.pi * (1.0 + 5.0**0.5) * k
    unit = np.stack([np.sqrt(1 - z**2) * np.cos(angle), np.sqrt(1 - z**2) * np.sin(angle), z])
    axes = np.array([[a], [b], [c]])
    normals = unit / axes
    length = np.linalg.norm(normals, axis=0)
    areas = 4.0 * np.pi / n * a * b * c * length
    return Segment(
        (unit * axes).astype(np.float32),
        (normals / length).astype(np.float32),
        areas.astype(np.float32),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Actor:
    """A rigid surface that stands or moves without turning: a head, a chest."""

    surface: Segment
    reflectance: float

    def place(self, centres_mm: Doubles) -> Placed:
        """Return the surface with its centre at each of `centres_mm`, shape (n_frames, 3)."""
        offset = centres_mm.T.astype(np.float32)[:, :, None]
        points = self.surface.points[:, None, :] + offset
        normals = np.broadcast_to(self.surface.normals[:, None, :], points.shape)
        reflectances = np.full(len(self.surface.areas), self.reflectance, np.float32)
        return Placed(points, normals, self.surface.areas, reflectances)


@dataclass(frozen=True, slots=True, eq=False)
class HandActor:
    """A hand and forearm with its skin and sleeve.

    Parameters
    ----------
    hand : Hand
        Proportions and surface.
    elbow_mm : float64 array, shape (3,)
        Where the forearm comes from.
    skin, sleeve : float
        Reflectances.
    sleeve_mm : float
        Where the sleeve begins, from the wrist.
    """

    hand: Hand
    elbow_mm: Doubles
    skin: float
    sleeve: float
    sleeve_mm: float

    def place(
        self, poses: Doubles, view: View | None = None, half_angle_deg: float | None = None
    ) -> Placed:
        """Return the surface for each pose, shape (n_frames, n_pose), as the device sees it.

        Depth along the sensor's axis, about the hand's centre, shrinks with a pose's flatness; only
        of a hand whose sensor does not move.

        Given half the angle of the field, segments that stay outside it are left out.
        """
        turn = rotation("z", poses[:, ROLL]) @ rotation("x", poses[:, PITCH])
        turn = turn @ rotation("y", poses[:, YAW])
        wrist = poses[:, :3] - turn[:, :, 1] * (0.5 * self.hand.length_mm)
        elbow = self.elbow_mm + 0.5 * poses[:, :3]  # the arm follows the hand half way
        n_frames, segments = len(poses), list(enumerate(self.hand.segments))
        if half_angle_deg is not None and not self._near(poses, wrist, elbow, view, half_angle_deg):
            segments = []
        else:
            turns, origins = place_segments(
                self.hand, wrist, turn, poses[:, CURL], poses[:, SPREAD], elbow, poses[:, SHAPE]
            )
            if view is not None:
                turns, origins = view.of(turns, origins)
            if half_angle_deg is not None:
                middles = np.stack([segment.middle_mm for _, segment in segments])
                middles = (turns @ middles[:, :, None])[..., 0] + origins
                radii = [segment.radius_mm for _, segment in segments]
                seen = in_sight(middles, radii, half_angle_deg)
                segments = [
                    segment for segment, is_seen in zip(segments, seen, strict=True) if is_seen
                ]
            turns32, origins32 = turns.astype(np.float32), origins.astype(np.float32)
        sizes = [len(segment.areas) for _, segment in segments]
        points = np.empty((3, n_frames, sum(sizes)), np.float32)
        normals = np.empty_like(points)
        begin = 0
        areas = np.empty(sum(sizes), np.float32)
        reflectances = np.full(sum(sizes), self.skin, np.float32)
        for (k, segment), size in zip(segments, sizes, strict=True):
            rows = slice(begin, begin + size)
            local = np.concatenate([segment.points, segment.normals], axis=1)
            placed = (turns32[:, k].reshape(-1, 3) @ local).reshape(n_frames, 3, -1)
            points[:, :, rows] = (placed[:, :, :size] + origins32[:, k, :, None]).transpose(1, 0, 2)
            normals[:, :, rows] = placed[:, :, size:].transpose(1, 0, 2)
            areas[rows] = segment.areas
            if k == FOREARM:
                beyond = segment.points[1] > self.sleeve_mm
                reflectances[rows] = np.where(beyond, self.sleeve, self.skin)
                # What is not there faces nothing.
                there = segment.points[1] <= FOREARM_MM - poses[:, GONE_MM, None]
                normals[:, :, rows] *= there
            begin += size
        placed = Placed(points, normals, areas, reflectances)
        flat = poses[:, FLATNESS]
        return _flattened(placed, poses[:, Z], 1.0 - flat) if flat.any() else placed

    def _near(
        self, poses: Doubles, wrist: Doubles, elbow: Doubles, view: View | None, half: float
    ) -> bool:
        """Return whether a ball about the hand or one about the forearm is in sight."""
        along = elbow - wrist
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        middles = np.stack([poses[:, :3], wrist + 0.5 * FOREARM_MM * along], axis=1)
        if view is not None:
            middles = view.of(np.eye(3), middles)[1]
        # Nothing of a hand is farther from its centre than three quarters of its length.
        radii = [0.75 * self.hand.length_mm, 0.5 * FOREARM_MM + 60.0]
        return bool(in_sight(middles, radii, half).any())


def _flattened(placed: Placed, middle_mm: Doubles, relief: Doubles) -> Placed:
    """Return a surface with its depth about a plane scaled: an affine map, (x, y, relief z).

    Normals are mapped by the inverse transpose, and areas by its length times the determinant.
    """
    points, normals = placed.points.copy(), placed.normals.copy()
    plane, scale = (each.astype(np.float32)[:, None] for each in (middle_mm, relief))
    points[2] = plane + scale * (points[2] - plane)
    normals[:2] *= scale
    stretch = np.sqrt((normals**2).sum(axis=0))
    normals /= np.maximum(stretch, np.float32(1e-6))
    return Placed(points, normals, placed.areas * stretch, placed.reflectances)


def in_sight(
    middles_mm: Doubles, radii_mm: npt.ArrayLike, half_angle_deg: float
) -> npt.NDArray[np.bool_]:
    """Return which balls touch the field of view at any time.

    Parameters
    ----------
    middles_mm : float64 array, shape (n_frames, n_balls, 3)
        In the sensor's frame.
    radii_mm : float array, shape (n_balls,)
        Of the balls.
    half_angle_deg : float
        Half of the full field of view.
    """
    radii = np.asarray(radii_mm, dtype=np.float64)
    distance = np.maximum(np.sqrt((middles_mm**2).sum(axis=2)), radii + 1e-6)
    angle = np.arccos(np.clip(middles_mm[:, :, 2] / distance, -1.0, 1.0))
    angle -= np.arcsin(radii / distance)
    return np.asarray((angle < np.radians(half_angle_deg)).any(axis=0))
