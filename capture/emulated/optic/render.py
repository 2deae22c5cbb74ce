"""The scene as the optic's aperture sees it: surfaces in space to radiance over angles.

Surfaces are clouds of points with normals and areas. Each point that faces the sensor and is not
hidden adds its flux, radiance times its solid angle, to the four cells of the angular grid around
its direction. No light is lost between cells, however few points there are, and none is made where
surfaces overlap.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.body.scene import Placed
from capture.emulated.optic.light import Illumination, led_irradiance
from capture.emulated.optic.optics import AngularGrid

__all__ = ["render"]

Floats = npt.NDArray[np.float32]


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
    placed: Placed,
    grid: AngularGrid,
    led_offset_mm: float,
    current_ma: float,
    light: Illumination,
    fill: bool,
) -> _Visible:
    x, y, z = placed.points
    nx, ny, nz = placed.normals
    squared = x * x + y * y + z * z
    towards = -(x * nx + y * ny + z * nz)  # distance times cosine of the viewing angle
    limit = np.float32(np.cos(np.radians(min(grid.half_angle_deg + 4.0, 89.0))))
    flat = np.flatnonzero((towards > 0.0) & (z > 0.0) & (z * z > limit * limit * squared))
    frame, point = np.divmod(flat, x.shape[1])
    x, y, z, squared, towards = (a.ravel().take(flat) for a in (x, y, z, squared, towards))
    nx, ny, nz = (np.ascontiguousarray(a).ravel().take(flat) for a in (nx, ny, nz))
    areas = placed.areas.take(point if placed.areas.ndim == 1 else flat)
    if fill:
        share = np.sqrt(areas / squared) * np.float32(1.0 / grid.cell)
        points, normals = np.stack([x, y, z]), np.stack([nx, ny, nz])
        whole, (x, y, z), areas = _split(points, normals, areas, share)
        frame, point, nx, ny, nz = (a[whole] for a in (frame, point, nx, ny, nz))
        squared = x * x + y * y + z * z
        towards = np.maximum(-(x * nx + y * ny + z * nz), np.float32(0.0))
    depth = np.sqrt(squared)
    inverse = np.float32(1.0) / depth
    stretch = inverse * np.sqrt(np.float32(2.0) / (np.float32(1.0) + z * inverse))
    column = (x * stretch + np.float32(grid.radius)) * np.float32(1.0 / grid.cell)
    row = (y * stretch + np.float32(grid.radius)) * np.float32(1.0 / grid.cell)
    irradiance, ux, uy, uz = led_irradiance(x, y, z, led_offset_mm, current_ma)
    reflectance = placed.reflectances.take(point)
    incidence = np.maximum(-(ux * nx + uy * ny + uz * nz), np.float32(0.0))
    led = irradiance * incidence * reflectance * np.float32(1.0 / np.pi)
    # A surface that looks up sees the sky, one that looks down what the table sends back.
    upright = nz if light.up is None else _along(light.up, frame, nx, ny, nz)
    up = np.float32(0.5) * (np.float32(1.0) + upright)
    received = up + (np.float32(1.0) - up) * np.float32(light.bounce)
    sky = (light.in_band_w_per_m2 / np.pi).astype(np.float32)[frame]
    reflected = reflectance * received * sky
    if placed.gloss:
        facing = towards * inverse  # cosine between the normal and the way to the sensor
        # Modified Phong lobe, which sends back no more than its share of the light: Lafortune and
        # Willems, Using the Modified Phong Reflectance Model for Physically Based Rendering, 1994
        # (from memory).
        mirrored = np.float32(2.0) * incidence * facing - (ux * x + uy * y + uz * z) * inverse
        lobe = np.maximum(mirrored, np.float32(0.0)) ** np.float32(placed.shine)
        lobe[lobe < 1e-9] = 0.0  # numbers below the normal range would slow every sum
        lobe *= np.float32(placed.gloss * (placed.shine + 2.0) / (2.0 * np.pi))
        led += irradiance * incidence * lobe
        # The mirror direction of the line of sight, upwards or down to the table.
        sight = z if light.up is None else _along(light.up, frame, x, y, z)
        mirror_up = sight * inverse + np.float32(2.0) * facing * upright
        up = np.float32(0.5) * (np.float32(1.0) + mirror_up)
        reflected += np.float32(placed.gloss) * sky * (up + (1 - up) * np.float32(light.bounce))
    solid_angle = areas * towards * inverse / squared
    return _Visible(frame, column, row, depth, solid_angle, led, reflected)


_MOST_PARTS = 8  # a side


def _split(
    points: Floats, normals: Floats, areas: Floats, share: Floats
) -> tuple[npt.NDArray[np.intp], Floats, Floats]:
    """Split the squares that points stand for until each part is about a cell of the grid wide.

    Parameters
    ----------
    points, normals : float32 (3, n)
        Places, and directions away from the surface.
    areas, share : float32 (n,)
        Area of each square, and its width in cells.

    Returns
    -------
    whole : intp (n_parts,)
        Index of the point that each part comes from.
    places : float32 (3, n_parts)
    areas : float32 (n_parts,)
    """
    parts = np.clip(np.ceil(share - np.float32(0.3)), 1, _MOST_PARTS).astype(np.intp)
    pieces = [np.flatnonzero(parts == 1)]
    places = [points[:, pieces[0]]]
    shares = [areas[pieces[0]]]
    for n in range(2, _MOST_PARTS + 1):
        chosen = np.flatnonzero(parts == n)
        if not chosen.size:
            continue
        normal = normals[:, chosen]
        # Two directions in the surface: one level in the sensor's frame, one across it.
        level = np.stack([-normal[1], normal[0], np.zeros_like(normal[0])])
        length = np.sqrt((level**2).sum(axis=0))
        level = np.where(length > 1e-3, level / np.maximum(length, 1e-3), [[1.0], [0.0], [0.0]])
        across = np.cross(normal, level, axis=0)
        step = ((np.arange(n) + 0.5) / n - 0.5).astype(np.float32)
        a, b = (axis.ravel() for axis in np.meshgrid(step, step))
        size = np.sqrt(areas[chosen])
        offset = level[:, :, None] * a + across[:, :, None] * b
        place = points[:, chosen, None] + offset * size[:, None]
        pieces.append(np.repeat(chosen, n * n))
        places.append(place.reshape(3, -1).astype(np.float32))
        shares.append(np.repeat(areas[chosen] / np.float32(n * n), n * n))
    return np.concatenate(pieces), np.concatenate(places, axis=1), np.concatenate(shares)


def _along(up: Floats, frame: npt.NDArray[np.intp], x: Floats, y: Floats, z: Floats) -> Floats:
    """Component along the vertical of each frame."""
    ux, uy, uz = up.T
    return np.asarray(ux[frame] * x + uy[frame] * y + uz[frame] * z)


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
    light: Illumination,
    led_offset_mm: float,
    current_ma: float,
    *,
    fill: bool = False,
) -> tuple[Floats, Floats]:
    """Return the radiance of the scene over angles, frame by frame.

    Parameters
    ----------
    actors : sequence of Placed
        At least one; all with the same number of frames.
    grid : AngularGrid
        The angles.
    light : Illumination
        Light from elsewhere and what is behind everything.
    led_offset_mm, current_ma : float
        Place of the LED on the x axis, and its current.
    fill : bool
        Split points that stand for more than a cell of the grid, so that near surfaces have no
        gaps. Without it light is right in sum, but what is behind shows through.

    Returns
    -------
    led, other : float32 array, shape (n_frames, n_angles)
        W/(m2 sr) sent back from the LED's light, and from ambient light at its mean.
    """
    n_frames = actors[0].points.shape[1]
    parts = [_facing(placed, grid, led_offset_mm, current_ma, light, fill) for placed in actors]
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
    values = np.empty((len(share), 3), np.float32)
    values[:, 0] = share
    np.multiply(share, seen.led[keep], out=values[:, 1])
    np.multiply(share, seen.ambient[keep], out=values[:, 2])
    square = _spread(first, (right, upper), values, (n_frames, side)).take(_inner(grid), axis=1)
    cover, from_led, from_ambient = square[:, :, 0], square[:, :, 1], square[:, :, 2]
    behind = np.asarray(np.maximum(np.float32(1.0) - cover, np.float32(0.0)), np.float32)
    # Where one surface runs into another, as at a knuckle, both are there: a cell is full once.
    whole = np.asarray(np.float32(1.0) / np.maximum(cover, np.float32(1.0)), np.float32)
    return from_led * whole, from_ambient * whole + behind * light.background


@functools.lru_cache(maxsize=8)
def _inner(grid: AngularGrid) -> npt.NDArray[np.intp]:
    """Return the places of the field's cells in a square that has two cells more on each side."""
    return np.flatnonzero(np.pad(grid.inside, 2))


def _spread(
    first: npt.NDArray[np.intp],
    beyond: tuple[Floats, Floats],
    values: Floats,
    size: tuple[int, int],
) -> Floats:
    """Share values out among four cells each: the first, its right neighbour, and the two above.

    Parameters
    ----------
    first : intp array, shape (n_points,)
        Index of the first cell.
    beyond : two float32 arrays, shape (n_points,)
        How far the point lies beyond that cell's centre, to the right and upwards, 0 to 1.
    values : float32 array, shape (n_points, n_values)
    size : (int, int)
        Frames, and cells along the side of a frame.

    Returns
    -------
    float32 array, shape (n_frames, side * side, n_values)
    """
    from scipy.sparse import csc_array

    n_frames, side = size
    n_points = len(first)
    right, upper = beyond
    weights = np.empty((n_points, 4), np.float32)
    np.multiply(right, upper, out=weights[:, 3])
    np.subtract(upper, weights[:, 3], out=weights[:, 2])
    np.subtract(right, weights[:, 3], out=weights[:, 1])
    np.subtract(1 - right, weights[:, 2], out=weights[:, 0])
    cells = first.astype(np.int32)[:, None] + np.array([0, 1, side, side + 1], np.int32)
    ends = np.arange(0, 4 * n_points + 1, 4, dtype=np.int32)
    shape = n_frames * side * side, n_points
    onto = csc_array((weights.ravel(), cells.ravel(), ends), shape=shape)
    return np.asarray(onto @ values, np.float32).reshape(n_frames, side * side, -1)
