"""Where the middle of a pictured hand is, whatever is folded and however much arm is seen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["hand_middle"]

Doubles = NDArray[np.float64]

_FINE_MM = 2.0
"""A palm of 85 mm is found as well on a raster of 2 mm, in a fraction of the time."""
_BEYOND_MM = 60.0
"""How far a shape is thought to go on where the picture ends: no palm is thicker."""
_TIP_TO_PALM_MM = 150.0
"""The middle of a palm is no farther from the longest finger's tip; sleeves begin beyond that."""
_LENGTH_MM, _PALM_MM, _BREADTH_MM = 189.0, 106.0, 85.0
"""Of a hand, wrist to longest tip; of its palm, and across it: men's medians (A. Tilley, The
Measure of Man and Woman, 1993, from memory)."""
_UP = (0.5 * _LENGTH_MM - (_PALM_MM - 0.5 * _BREADTH_MM)) / (0.5 * _BREADTH_MM)
"""How far from the middle of the palm's circle that of the hand is, in radii of the circle."""
_TO_FINGERS = {
    "none": (-1.0, 0.0), "down": (-1.0, 0.0), "up": (1.0, 0.0), "left": (0.0, 1.0),
    "right": (0.0, -1.0),
}  # fmt: skip
"""Which way (down, right) fingers point, by where the arm goes on; pictures are upright."""


def hand_middle(mask: NDArray[np.bool_], pitch_mm: float, arm: str) -> tuple[float, float]:
    """Return where the middle of a hand is, half-way from its wrist to the longest finger's tip.

    The palm is the thickest part near the fingers' end, and its largest circle ends where fingers
    begin. The hand's middle lies a share of that circle's radius from its centre, away from the
    arm, of a fist as of an open hand. The arm is where `arm` says that it goes on, else where most
    of the shape touches the picture's border, else below.

    Parameters
    ----------
    mask : bool (height, width)
        Some of it true; row 0 is highest.
    pitch_mm : float
        Millimetres from pixel to pixel.
    arm : str
        One of :data:`capture.rehearse.scenes.ARMS`.

    Returns
    -------
    row, col : float
        In pixels, as their middles count.
    """
    from scipy.ndimage import distance_transform_edt

    n = max(1, round(_FINE_MM / pitch_mm))
    coarse = mask[n // 2 :: n, n // 2 :: n]
    if not coarse.any():  # thinner than the raster: what any of its pixels covers
        high, wide = (-side % n for side in mask.shape)
        padded = np.pad(mask, ((0, high), (0, wide)))
        coarse = np.asarray(padded.reshape(len(padded) // n, n, -1, n).any(axis=(1, 3)))
    beyond = round(_BEYOND_MM / (n * pitch_mm)) + 1
    # Where the picture cuts an arm it is as thick as before, and has no end there.
    further = np.pad(np.pad(coarse, beyond, mode="edge"), 1)
    inner = slice(beyond + 1, -beyond - 1)
    thick = distance_transform_edt(further)[inner, inner]
    inwards, touched = np.array(_TO_FINGERS[arm]), _border(mask) if arm == "none" else None
    if touched is not None:
        inwards = touched[1]
    places = np.argwhere(coarse) * n + n // 2
    along = places @ inwards
    hand = places[along >= along.max() - _TIP_TO_PALM_MM / pitch_mm]
    palm = hand[int(np.argmax(thick[tuple((hand // n).T)]))]
    if touched is not None and (palm != touched[0]).any():  # an arm may come in aslant
        inwards = (palm - touched[0]) / np.linalg.norm(palm - touched[0])
    row, col = palm + _UP * n * thick[tuple(palm // n)] * inwards
    return float(row), float(col)


def _border(mask: NDArray[np.bool_]) -> tuple[Doubles, Doubles] | None:
    """Return where (row, col) a shape touches one side most and that side's normal, or nothing."""
    bottom, right = (side - 1.0 for side in mask.shape)
    lines = (mask[0], mask[-1], mask[:, 0], mask[:, -1])
    most = int(np.argmax([line.sum() for line in lines]))
    if not lines[most].any():
        return None
    middle = float(np.flatnonzero(lines[most]).mean())
    place = [(0.0, middle), (bottom, middle), (middle, 0.0), (middle, right)][most]
    normal = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)][most]
    return np.array(place), np.array(normal)
