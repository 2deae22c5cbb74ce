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
_OF_WIDEST = 0.6
"""A palm is as wide beside the widest sleeve or forearm (85 of 140 mm); no finger is."""
_TO_FINGERS = {
    "none": (-1.0, 0.0), "down": (-1.0, 0.0), "up": (1.0, 0.0), "left": (0.0, 1.0),
    "right": (0.0, -1.0),
}  # fmt: skip
"""Which way (down, right) fingers point, by where the arm goes on; pictures are upright."""


def hand_middle(mask: NDArray[np.bool_], pitch_mm: float, arm: str) -> tuple[float, float]:
    """Return where the middle of a hand is, half-way from its wrist to the longest finger's tip.

    The palm is the thickest part on the side of the fingers, and its largest circle reaches from
    the wrist to where fingers begin, which is near the middle of the hand (of a hand 189 mm long
    the palm has 106: A. Tilley, The Measure of Man and Woman, 1993, from memory). So it is the
    point of the circle that is farthest from the arm, of a fist as of an open hand. The arm is
    where `arm` says that it goes on, else where most of the shape touches the picture's border,
    else below.

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
    from scipy.ndimage import distance_transform_edt, maximum_filter

    n = max(1, round(_FINE_MM / pitch_mm))
    coarse = mask[n // 2 :: n, n // 2 :: n]
    if not coarse.any():  # thinner than the raster
        coarse, n = mask, 1
    beyond = round(_BEYOND_MM / (n * pitch_mm)) + 1
    # Where the picture cuts an arm it is as thick as before, and has no end there.
    further = np.pad(np.pad(coarse, beyond, mode="edge"), 1)
    inner = slice(beyond + 1, -beyond - 1)
    thick = distance_transform_edt(further)[inner, inner]
    thickest = float(thick.max())
    highest = thick == maximum_filter(thick, 2 * round(0.5 * thickest) + 1)
    palms = np.argwhere(highest & (thick >= _OF_WIDEST * thickest)) * n + n // 2
    touched = _border(mask) if arm == "none" else None
    first = palms[int(np.argmax(thick[tuple((palms // n).T)]))]
    along = palms @ _to_fingers(first, touched, arm)
    palm = palms[int(np.argmax(along))]
    radius = n * thick[tuple(palm // n)]
    row, col = palm + radius * _to_fingers(palm, touched, arm)
    return float(row), float(col)


def _to_fingers(palm: NDArray[np.int64], touched: Doubles | None, arm: str) -> Doubles:
    """Return the direction (down, right) from the arm to a palm, of length 1."""
    way = np.zeros(2) if touched is None else palm - touched
    length = float(np.hypot(*way))
    return way / length if length > 0.0 else np.array(_TO_FINGERS[arm])


def _border(mask: NDArray[np.bool_]) -> Doubles | None:
    """Return the middle (row, col) of where a shape touches one side most, or nothing."""
    bottom, right = (side - 1.0 for side in mask.shape)
    lines = (mask[0], mask[-1], mask[:, 0], mask[:, -1])
    most = int(np.argmax([line.sum() for line in lines]))
    if not lines[most].any():
        return None
    middle = float(np.flatnonzero(lines[most]).mean())
    return np.array([(0.0, middle), (bottom, middle), (middle, 0.0), (middle, right)][most])
