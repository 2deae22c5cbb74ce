"""What a point sees of a body, by direction: how much is covered, and how much light comes back.

Directions are cells of a grid in the tangents of their angles. All pixels see from one point: a
sensor is a few millimetres wide, and what it sees is further away than that by far.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from worlds.people.bodies import Body

__all__ = ["Eye", "View", "see_capsules", "see_spheres"]

Singles = NDArray[np.float32]
Frames = NDArray[np.int64]
Parts = Callable[[Body, Frames, Singles], tuple[Singles, Singles, Singles]]
CHUNK_PARTS = 200
COMMON_MM = 100.0
NEAREST_MM = 12.0
HIDDEN_MM = np.float32(1e4)


@dataclass(frozen=True)
class Eye:
    """A grid of directions and the light beside it.

    Parameters
    ----------
    n_side : int
        Cells down and across.
    reach : float
        Tangent of the angle at the grid's edge.
    lamp_mm : tuple of (x, y)
        Where the LED is.
    narrowness : float
        The LED sends the cosine of the angle to this power.
    """

    n_side: int
    reach: float
    lamp_mm: tuple[float, float]
    narrowness: float

    @property
    def cell(self) -> float:
        """Breadth of a cell."""
        return 2 * self.reach / self.n_side

    @property
    def directions(self) -> Singles:
        """Return (n_cells, 2): tangents across and down-to-up, row by row from the far side."""
        middle = (np.arange(self.n_side) + 0.5) * self.cell - self.reach
        v, u = np.meshgrid(middle[::-1], middle, indexing="ij")
        return np.stack([u.ravel(), v.ravel()], axis=1).astype(np.float32)


@dataclass(frozen=True)
class View:
    """By frame and direction, float32 (n_frames, n_cells) each.

    Parameters
    ----------
    cover : 0 to 1
    returned : LED light, 1 for a white surface seen straight at 100 mm
    """

    cover: Singles
    returned: Singles


def see_capsules(eye: Eye, body: Body) -> View:
    """Look at a body whose parts are capsules."""
    return _see(eye, body, _capsules)


def see_spheres(eye: Eye, body: Body) -> View:
    """Look at a body of spheres, as close along each part as they are thick."""
    lengths = np.linalg.norm(body.end[0] - body.begin[0], axis=1)
    begin, which = [], []
    for part, (length, radius) in enumerate(zip(lengths, body.radius, strict=True)):
        for share in np.linspace(0, 1, 1 + int(np.ceil(length / (1.1 * radius)))):
            place = body.begin[:, part] + np.float32(share) * (body.end - body.begin)[:, part]
            begin.append(place)
            which.append(part)
    spheres = np.stack(begin, axis=1)
    whole = Body(spheres, spheres, body.radius[which], body.reflectance[which])
    return _see(eye, whole, _spheres)


def _see(eye: Eye, body: Body, parts: Parts) -> View:
    n_frames = len(body.begin)
    cover = np.zeros((n_frames, eye.n_side**2), np.float32)
    returned = np.zeros_like(cover)
    near = np.minimum(
        np.abs(body.begin[..., :2]).max(axis=2) / np.maximum(body.begin[..., 2], NEAREST_MM),
        np.abs(body.end[..., :2]).max(axis=2) / np.maximum(body.end[..., 2], NEAREST_MM),
    ).min(axis=1)
    seen = np.flatnonzero(near < eye.reach + 2.5)
    step = max(1, CHUNK_PARTS // len(body.radius))
    for at in range(0, len(seen), step):
        frames = seen[at : at + step]
        cover[frames], returned[frames] = _look(eye, body, frames, parts)
    return View(cover, returned)


def _look(eye: Eye, body: Body, frames: Frames, parts: Parts) -> tuple[Singles, Singles]:
    direction = eye.directions
    gap, depth, radius = parts(body, frames, direction)  # tangents from the core; mm; tangents
    covered = np.clip((radius - gap) / np.float32(eye.cell) + np.float32(0.5), 0, 1)
    round_off = np.sqrt(np.maximum(1 - (gap / radius) ** 2, 0))
    front = depth - body.radius[:, None] * round_off
    # Of what stands in one direction the nearest is seen; edges fade over a cell's breadth.
    front[covered <= 0.3] = HIDDEN_MM
    nearest = front.argmin(axis=1)[:, None]
    cover = covered.max(axis=1)
    near = np.take_along_axis(front, nearest, axis=1)[:, 0]
    tilt = np.take_along_axis(round_off, nearest, axis=1)[:, 0]
    x = direction[:, 0] * near - eye.lamp_mm[0]
    y = direction[:, 1] * near - eye.lamp_mm[1]
    far = x * x + y * y + near * near
    light = (near * near / far) ** (eye.narrowness / 2) * (COMMON_MM**2 / far)
    # Lambert's law on a round body, softened: flesh scatters light below its surface.
    shade = body.reflectance[nearest[:, 0]] * (0.35 + 0.65 * tilt) * light
    return cover, np.where(near < HIDDEN_MM, cover * shade, 0).astype(np.float32)


def _capsules(body: Body, frames: Frames, direction: Singles) -> tuple[Singles, Singles, Singles]:
    begin, end = body.begin[frames], body.end[frames]
    ahead = (begin[..., 2] > NEAREST_MM) | (end[..., 2] > NEAREST_MM)
    z0, z1 = (np.maximum(p[..., 2], NEAREST_MM) for p in (begin, end))
    p0, p1 = begin[..., :2] / z0[..., None], end[..., :2] / z1[..., None]
    along = p1 - p0
    length = np.maximum((along * along).sum(axis=-1), 1e-9)
    u, v = direction[:, 0], direction[:, 1]
    du, dv = u - p0[..., 0, None], v - p0[..., 1, None]
    share = np.clip((du * along[..., 0, None] + dv * along[..., 1, None]) / length[..., None], 0, 1)
    du -= share * along[..., 0, None]
    dv -= share * along[..., 1, None]
    gap = np.sqrt(du * du + dv * dv)
    depth = 1 / ((1 - share) / z0[..., None] + share / z1[..., None])
    radius = np.where(ahead[..., None], body.radius[:, None] / depth, 1e-6)
    return gap, depth, radius


def _spheres(body: Body, frames: Frames, direction: Singles) -> tuple[Singles, Singles, Singles]:
    centre = body.begin[frames]
    z = np.maximum(centre[..., 2], NEAREST_MM)
    du = direction[:, 0] - (centre[..., 0] / z)[..., None]
    dv = direction[:, 1] - (centre[..., 1] / z)[..., None]
    gap = np.sqrt(du * du + dv * dv)
    radius = np.where(centre[..., 2] > NEAREST_MM, body.radius / z, 1e-6)
    return gap, z[..., None], radius[..., None]
