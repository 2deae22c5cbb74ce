"""Surfaces of real shapes: masks, depth maps and joints as points with normals and areas.

The sensor looks along +z from the origin, x to the right and y up. Nothing is rounded off or filled
in but what is said here: a mask is flat and faces the sensor, a joint is a ball.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.emulated.body.scene import Placed, ellipsoid
from capture.rehearse.middles import hand_middle
from capture.rehearse.scenes import Scene
from runtime.errors import FormatError

__all__ = ["surfaces"]

Doubles = NDArray[np.float64]

FINEST_MM = 2.0
"""Points of a mask are no closer: at 60 mm that is a cell of the optic's field (2 degrees)."""
_BALL_SPACING_MM = 3.0
_FIELD = 1.5
"""Tangent of an angle just beyond the field's edge, 55 degrees."""


def surfaces(scene: Scene, values: Doubles, bones: NDArray[np.int64]) -> Iterator[Placed]:
    """Yield the surface of each frame of a scene; those of a path are for its own hand to show.

    Parameters
    ----------
    scene : Scene
        Silhouettes, a depth map or joints.
    values, bones : array
        As `capture.rehearse.scenes.load_scene` returns them.

    Raises
    ------
    FormatError
        A frame shows nothing.
    """
    for number, frame in enumerate(values):
        if scene.kind == "joints":
            yield _balls(scene, frame, bones)
        elif not frame.any():
            raise FormatError(f"{scene.file} frame {number}", "the shape", "empty", "some of it")
        elif scene.kind == "depth":
            yield _relief(scene, frame)
        else:
            yield _flat(scene, frame)


def _coarsened(mask: Doubles, mm_per_pixel: float) -> tuple[Doubles, float]:
    """Average a picture over squares no finer than the finest; return it and its pixels' side."""
    n = max(1, round(FINEST_MM / mm_per_pixel))
    high, wide = (-(-side // n) * n for side in mask.shape)
    padded = np.zeros((high, wide))
    padded[: mask.shape[0], : mask.shape[1]] = mask
    return padded.reshape(high // n, n, wide // n, n).mean(axis=(1, 3)), n * mm_per_pixel


def _flat(scene: Scene, mask: Doubles) -> Placed:
    share, pitch = _coarsened(mask, scene.mm_per_pixel)
    n = round(pitch / scene.mm_per_pixel)
    rows, cols = np.nonzero(share)
    weight = share[rows, cols]
    if scene.middle == "hand":
        middle = hand_middle(mask > 0, scene.mm_per_pixel, scene.arm)
        row, col = ((at - (n - 1) / 2) / n for at in middle)
    else:  # an arm that is added moves nothing
        row, col = (float(np.average(each, weights=weight)) for each in (rows, cols))
    x, y = (cols.astype(np.float64) - col) * pitch, (row - rows.astype(np.float64)) * pitch
    reach = _FIELD * scene.distance_mm
    if scene.arm != "none":
        more_x, more_y = _arm(scene.arm, x, y, pitch, reach)
        x, y = np.concatenate([x, more_x]), np.concatenate([y, more_y])
        weight = np.concatenate([weight, np.ones(len(more_x))])
    points = np.stack([x + scene.x_mm, y + scene.y_mm, np.full(len(x), scene.distance_mm)])
    normals = np.zeros_like(points)
    normals[2] = -1.0
    return _placed(points, normals, weight * pitch**2, scene.reflectance)


def _arm(way: str, x: Doubles, y: Doubles, pitch: float, reach: float) -> tuple[Doubles, Doubles]:
    """Carry the shape's outermost edge on, as wide as it is there, until it is out of view."""
    along, across = (y, x) if way in ("up", "down") else (x, y)
    sign = 1.0 if way in ("up", "right") else -1.0
    far = sign * along
    edge = across[far > far.max() - 1.5 * pitch]
    lines = np.arange(edge.min(), edge.max() + 0.5 * pitch, pitch)
    steps = np.arange(far.max() + pitch, max(reach, far.max() + 2 * pitch), pitch)
    over, out = (grid.ravel() for grid in np.meshgrid(lines, sign * steps))
    return (over, out) if way in ("up", "down") else (out, over)


def _relief(scene: Scene, depth: Doubles) -> Placed:
    seen = depth > 0
    pitch = scene.mm_per_pixel
    filled = np.where(seen, depth, np.median(depth[seen]))
    dy, dx = np.gradient(filled, pitch)
    rows, cols = np.nonzero(seen)
    by_hand = scene.middle == "hand"
    row, col = (
        hand_middle(seen, pitch, scene.arm) if by_hand else (float(rows.mean()), float(cols.mean()))
    )
    x, y = (cols - col) * pitch + scene.x_mm, (row - rows) * pitch + scene.y_mm
    z = depth[seen]
    if scene.distance_mm:
        z = z - np.median(z) + scene.distance_mm
    # Height grows with z, and rows go down: the surface is z(x, y), seen from below it. A step at
    # an outline is no surface: what leans by more than 75 degrees counts as leaning so.
    slope = np.stack([dx[seen], -dy[seen]])
    steep = np.maximum(np.hypot(*slope) / np.tan(np.radians(75.0)), 1.0)
    slope = slope / steep
    normals = np.stack([slope[0], slope[1], -np.ones(len(z))])
    length = np.linalg.norm(normals, axis=0)
    return _placed(np.stack([x, y, z]), normals / length, length * pitch**2, scene.reflectance)


def _balls(scene: Scene, joints: Doubles, bones: NDArray[np.int64]) -> Placed:
    places = joints * scene.mm_per_pixel
    middle = places.mean(axis=0)
    shift = np.array([scene.x_mm - middle[0], scene.y_mm - middle[1], 0.0])
    if scene.distance_mm:
        shift[2] = scene.distance_mm - middle[2]
    places = places + shift
    centres = [places]
    for first, second in bones:
        between = places[second] - places[first]
        n = int(np.linalg.norm(between) / (0.5 * scene.radius_mm))
        if n > 1:
            centres.append(places[first] + between * (np.arange(1, n) / n)[:, None])
    at = np.concatenate(centres)
    ball = ellipsoid((scene.radius_mm,) * 3, _BALL_SPACING_MM)
    points = at.T[:, :, None] + ball.points[:, None, :]
    normals = np.broadcast_to(ball.normals[:, None, :], points.shape)
    return _placed(
        points.reshape(3, -1), normals.reshape(3, -1), np.tile(ball.areas, len(at)),
        scene.reflectance,
    )  # fmt: skip


def _placed(
    points: NDArray[Any], normals: NDArray[Any], areas: NDArray[Any], reflectance: float
) -> Placed:
    return Placed(
        points[:, None].astype(np.float32),
        normals[:, None].astype(np.float32),
        np.asarray(areas, dtype=np.float32),
        np.full(points.shape[1], reflectance, np.float32),
    )
