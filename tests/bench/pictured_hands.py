"""Outlines of hands as somebody cuts them out of a photograph who knows nothing of hands.

How a picture is cropped, scaled and cut out is nobody's rule: some of each is drawn for every
outline. Its arm ends at the wrist or anywhere below; what is brought above the sensor is the hand's
middle, that of the outline's box, of all that it covers, or of a crop that is not quite the box;
as long as the hand is, or as large as fills a frame of a hand's length; edges as they are, ragged,
too thin or too thick by 2.5 mm, or with shadows missing and crumbs beside it. All of it is assumed.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw
from scipy import ndimage

from capture.emulated.optic.optics import AngularGrid

__all__ = ["pictured_coverage"]

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_PITCH_MM, _SIDE = 2.0, 300
_SUBCELLS = 2
_FRAME_MM = 190.0
_MIDDLES = ("hand", "box", "mean", "crop")
_EDGES = ("clean", "ragged", "thin", "thick", "shadow")
_WRONG_EDGE_MM = 2.5
_TURNED_DEG = 6.0, 18.0
_ARM_CUT_MM = 0.0, 60.0


def pictured_coverage(
    shapes: list[Doubles], distance_mm: float, grid: AngularGrid, rng: np.random.Generator
) -> Doubles:
    """Return how much of each cell a pictured outline fills at a distance, float64 (n_angles,).

    Parameters
    ----------
    shapes : list of float64 array
        Polygons of (x, y) or chains of (x, y, radius), millimetres, the hand's middle near the
        origin; the arm is the last of them.
    """
    middle, edge = (str(rng.choice(names)) for names in (_MIDDLES, _EDGES))
    mask = _drawn(shapes[:-1])
    wrist = int(np.nonzero(mask)[0].max())
    mask |= _drawn(shapes[-1:])
    if middle == "crop" or rng.uniform() < 0.75:
        mask[wrist + round(rng.uniform(*_ARM_CUT_MM) / _PITCH_MM) :] = False
    mask = _cut(mask, edge, rng)
    rows, cols = np.nonzero(mask)
    ends = np.array([[rows.min(), rows.max()], [cols.min(), cols.max()]])
    about = ends.mean(axis=1)
    if middle == "hand":
        about = np.array([_SIDE / 2.0, _SIDE / 2.0])
    elif middle == "mean":
        about = np.array([rows.mean(), cols.mean()])
    elif middle == "crop":
        about = about + rng.normal(0.0, 8.0 / _PITCH_MM, 2)
    size = float(rng.uniform(0.88, 1.12))
    if middle != "hand" and rng.uniform() < 0.5:
        size *= _FRAME_MM / (_PITCH_MM * float(np.ptp(ends, axis=1).max()))
    angle = np.radians(rng.normal(0.0, rng.choice(_TURNED_DEG)))
    return _seen(mask, about, size, float(angle), distance_mm, grid)


def _drawn(shapes: list[Doubles]) -> Mask:
    """Return where the shapes are, (n_rows, n_cols): y from below, the origin in the middle."""
    picture = Image.new("1", (_SIDE, _SIDE))
    draw = ImageDraw.Draw(picture)
    for shape in shapes:
        at = shape[:, :2] * [1.0, -1.0] / _PITCH_MM + _SIDE / 2.0
        if shape.shape[1] == 2:
            draw.polygon([(float(x), float(y)) for x, y in at], fill=1, outline=1)
            continue
        radii = shape[:, 2] / _PITCH_MM
        for (x, y), r in zip(at, radii, strict=True):
            draw.ellipse((float(x - r), float(y - r), float(x + r), float(y + r)), fill=1)
        for a, b in itertools.pairwise(range(len(at))):
            way = at[b] - at[a]
            beside = np.array([-way[1], way[0]]) / max(float(np.hypot(*way)), 1e-9)
            near, far = beside * radii[a], beside * radii[b]
            corners = (at[a] + near, at[b] + far, at[b] - far, at[a] - near)
            draw.polygon([(float(x), float(y)) for x, y in corners], fill=1)
    return np.asarray(picture, bool).copy()


def _cut(mask: Mask, edge: str, rng: np.random.Generator) -> Mask:
    """Return an outline with edges as a segmentation may leave them."""
    if edge == "clean":
        return mask
    inside, outside = (ndimage.distance_transform_edt(m) for m in (mask, ~mask))
    depth_mm = (inside - outside) * _PITCH_MM
    if edge == "ragged":
        return np.asarray(depth_mm + 1.5 * _field(rng, 6.0) + _field(rng, 16.0) > 0.0)
    wrong = {"thin": -_WRONG_EDGE_MM, "thick": _WRONG_EDGE_MM}.get(edge, 0.0)
    cut = depth_mm + 0.7 * _field(rng, 6.0) + wrong > 0.0
    if edge == "shadow":
        cut &= _field(rng, 18.0) < 2.0
        cut |= (_field(rng, 5.0) > 3.2) & (np.abs(depth_mm) < 40.0)
    return np.asarray(cut)


def _field(rng: np.random.Generator, width_mm: float) -> Doubles:
    """Return smooth noise of standard deviation 1 over the picture."""
    rough = rng.standard_normal((_SIDE, _SIDE))
    smooth = ndimage.gaussian_filter(rough, width_mm / _PITCH_MM, mode="wrap")
    return np.asarray(smooth / smooth.std())


def _seen(
    mask: Mask, about: Doubles, size: float, angle: float, distance_mm: float, grid: AngularGrid
) -> Doubles:
    """Return a picture's share of each cell, its `about` straight above the sensor."""
    n, fine = grid.n_across, grid.cell / _SUBCELLS
    along = (np.arange(n * _SUBCELLS) + 0.5) * fine - grid.radius
    x, y = np.meshgrid(along, along)
    squared = x**2 + y**2
    onto = np.sqrt(np.maximum(1.0 - squared / 4.0, 0.0)) / (1.0 - squared / 2.0)
    onto *= distance_mm / (size * _PITCH_MM)
    cos, sin = np.cos(angle), np.sin(angle)
    at = [about[0] - onto * (sin * x + cos * y), about[1] + onto * (cos * x - sin * y)]
    filled = ndimage.map_coordinates(mask.astype(np.float64), at, order=1)
    cells = filled.reshape(n, _SUBCELLS, n, _SUBCELLS).mean(axis=(1, 3))
    return np.asarray(cells[grid.inside])
