"""The scene as the optic's aperture sees it: surfaces in space to radiance over angles.

Surfaces are clouds of points with normals and areas. Each point that faces the sensor and is not
hidden adds its flux, radiance times its solid angle, to the four cells of the angular grid around
its direction. No light is lost between cells, however few points there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.hand import N_SEGMENTS, Hand, Segment, place_segments, rotation
from capture.emulated.light import Ambient, led_irradiance
from capture.emulated.motion import CURL, PITCH, ROLL, SPREAD, YAW
from capture.emulated.optics import AngularGrid

__all__ = ["Actor", "HandActor", "Placed", "ellipsoid", "render"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Surface points of one actor over several frames, in the frame of the sensor.

    Parameters
    ----------
    points, normals : float32 array, shape (3, n_frames, n_points)
        Millimetres; unit vectors.
    areas, reflectances : float32 array, shape (n_points,)
        Square millimetres; diffuse reflectance at the LED's wavelength.
    """

    points: Floats
    normals: Floats
    areas: Floats
    reflectances: Floats


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

    def place(self, poses: Doubles) -> Placed:
        """Return the surface for each pose, shape (n_frames, 12)."""
        turn = rotation("z", poses[:, ROLL]) @ rotation("x", poses[:, PITCH])
        turn = turn @ rotation("y", poses[:, YAW])
        wrist = poses[:, :3] - turn[:, :, 1] * (0.5 * self.hand.length_mm)
        elbow = self.elbow_mm + 0.5 * poses[:, :3]  # the arm follows the hand half way
        turns, origins = place_segments(
            self.hand, wrist, turn, poses[:, CURL], poses[:, SPREAD], elbow
        )
        turns32, origins32 = turns.astype(np.float32), origins.astype(np.float32)
        n_frames = len(poses)
        sizes = [len(segment.areas) for segment in self.hand.segments]
        points = np.empty((3, n_frames, sum(sizes)), np.float32)
        normals = np.empty_like(points)
        begin = 0
        for k in range(N_SEGMENTS):
            segment, rows = self.hand.segments[k], slice(begin, begin + sizes[k])
            local = np.concatenate([segment.points, segment.normals], axis=1)
            placed = (turns32[:, k].reshape(-1, 3) @ local).reshape(n_frames, 3, -1)
            points[:, :, rows] = (placed[:, :, : sizes[k]] + origins32[:, k, :, None]).transpose(
                1, 0, 2
            )
            normals[:, :, rows] = placed[:, :, sizes[k] :].transpose(1, 0, 2)
            begin += sizes[k]
        areas = np.concatenate([segment.areas for segment in self.hand.segments])
        reflectances = np.full(len(areas), self.skin, np.float32)
        arm = slice(len(areas) - sizes[-1], len(areas))
        beyond = self.hand.segments[-1].points[1] > self.sleeve_mm
        reflectances[arm] = np.where(beyond, self.sleeve, self.skin)
        return Placed(points, normals, areas, reflectances)


@dataclass(slots=True, eq=False)
class _Visible:
    """Points that face the sensor inside the field, all frames in one list."""

    frame: npt.NDArray[np.intp]
    column: Floats
    row: Floats
    depth: Floats
    solid_angle: Floats
    led: Floats
    ambient: Floats


def _facing(
    placed: Placed, grid: AngularGrid, baseline_mm: float, current_ma: float, ambient: Ambient
) -> _Visible:
    x, y, z = placed.points
    nx, ny, nz = placed.normals
    squared = x * x + y * y + z * z
    towards = -(x * nx + y * ny + z * nz)  # distance times cosine of the viewing angle
    limit = np.float32(np.cos(np.radians(min(grid.half_angle_deg + 4.0, 89.0))))
    frame, point = np.nonzero((towards > 0.0) & (z > 0.0) & (z * z > limit * limit * squared))
    flat = frame * x.shape[1] + point
    x, y, z, squared, towards = (a.ravel()[flat] for a in (x, y, z, squared, towards))
    nx, ny, nz = (np.ascontiguousarray(a).ravel()[flat] for a in (nx, ny, nz))
    depth = np.sqrt(squared)
    inverse = np.float32(1.0) / depth
    stretch = inverse * np.sqrt(np.float32(2.0) / (np.float32(1.0) + z * inverse))
    column = (x * stretch + np.float32(grid.radius)) * np.float32(1.0 / grid.cell)
    row = (y * stretch + np.float32(grid.radius)) * np.float32(1.0 / grid.cell)
    irradiance, ux, uy, uz = led_irradiance(x, y, z, baseline_mm, current_ma)
    reflectance = placed.reflectances[point]
    incidence = np.maximum(-(ux * nx + uy * ny + uz * nz), np.float32(0.0))
    led = irradiance * incidence * reflectance * np.float32(1.0 / np.pi)
    # A surface that looks up sees the sky, one that looks down what the table sends back.
    up = np.float32(0.5) * (np.float32(1.0) + nz)
    received = up + (np.float32(1.0) - up) * np.float32(ambient.bounce)
    reflected = reflectance * received * np.float32(ambient.in_band_w_per_m2 / np.pi)
    solid_angle = placed.areas[point] * towards * inverse / squared
    return _Visible(frame, column, row, depth, solid_angle, led, reflected)


_BLOCK = 2  # side of a depth cell, in cells of the grid: wider than the gaps between points
_SLACK_MM, _SLACK_SHARE = 9.0, 0.04


def _unhidden(seen: _Visible, n_frames: int, n_across: int) -> npt.NDArray[np.bool_]:
    """Return which points are within a hand's skin depth of the nearest one in their direction.

    The slack keeps slanted surfaces whole; a finger in front of the palm hides it.
    """
    side = n_across // _BLOCK + 4
    i = (seen.row * np.float32(1.0 / _BLOCK) + np.float32(2.0)).astype(np.intp)
    j = (seen.column * np.float32(1.0 / _BLOCK) + np.float32(2.0)).astype(np.intp)
    np.clip(i, 0, side - 1, out=i)
    np.clip(j, 0, side - 1, out=j)
    cell = (seen.frame * side + i) * side + j
    nearest = np.full(n_frames * side * side, np.float32(np.inf))
    np.minimum.at(nearest, cell, seen.depth)
    front = nearest[cell]
    return np.asarray(seen.depth <= front * np.float32(1.0 + _SLACK_SHARE) + np.float32(_SLACK_MM))


def render(
    actors: Sequence[Placed],
    grid: AngularGrid,
    ambient: Ambient,
    baseline_mm: float,
    current_ma: float,
) -> tuple[Floats, Floats]:
    """Return the radiance of the scene over angles, frame by frame.

    Parameters
    ----------
    actors : sequence of Placed
        At least one; all with the same number of frames.
    grid : AngularGrid
        The angles.
    ambient : Ambient
        Light from elsewhere and what is behind everything.
    baseline_mm, current_ma : float
        Place of the LED on the x axis, and its current.

    Returns
    -------
    led, other : float32 array, shape (n_frames, n_angles)
        W/(m2 sr) sent back from the LED's light, and from ambient light at its mean.
    """
    n_frames = actors[0].points.shape[1]
    parts = [_facing(placed, grid, baseline_mm, current_ma, ambient) for placed in actors]
    seen = _Visible(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in _Visible.__slots__)
    )
    keep = np.flatnonzero(_unhidden(seen, n_frames, grid.n_across))
    column = seen.column[keep] + np.float32(1.5)  # cell k has its centre at k + 0.5; margin of 2
    row = seen.row[keep] + np.float32(1.5)
    side = grid.n_across + 4
    np.clip(column, 0.0, side - 1.001, out=column)
    np.clip(row, 0.0, side - 1.001, out=row)
    j, i = column.astype(np.intp), row.astype(np.intp)
    right, upper = column - j, row - i
    first = (seen.frame[keep] * side + i) * side + j
    share = seen.solid_angle[keep] * np.float32(1.0 / grid.solid_angle_sr)
    values = (share, share * seen.led[keep], share * seen.ambient[keep])
    n_cells = n_frames * side * side
    sums = np.zeros((3, n_cells))
    for weight, step in (
        ((1 - right) * (1 - upper), 0),
        (right * (1 - upper), 1),
        ((1 - right) * upper, side),
        (right * upper, side + 1),
    ):
        cells = first + step
        for total, value in zip(sums, values, strict=True):
            total += np.bincount(cells, value * weight, n_cells)
    square = sums.reshape(3, n_frames, side, side)[:, :, 2:-2, 2:-2]
    cover, from_led, from_ambient = square[:, :, grid.inside].astype(np.float32)
    behind = np.maximum(np.float32(1.0) - cover, np.float32(0.0))
    return from_led, from_ambient + behind * ambient.background
