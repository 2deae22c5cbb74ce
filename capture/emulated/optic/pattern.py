"""The pattern that a point of light throws, as a smooth function of place.

It is this project's own construction: five logarithmic arms of different weight, knotted along
their length, over a faint diffuse pedestal. No arm has a twin opposite to it (the number is odd),
so that the pattern resembles no shifted or turned copy of itself.

It is drawn on a raster, averaged over the footprint of a pixel, and read between the raster's cells
by cubic splines, so that a pattern that moves by a thousandth of a pixel changes each pixel by a
thousandth of its slope: alignment lives on that. The raster is fine enough for it: an arm is six
cells wide to one side, and a Gaussian of six cells has nothing left at the raster's highest
frequency.
"""

from __future__ import annotations

import functools

import numpy as np
import numpy.typing as npt

__all__ = ["pattern_at"]

Doubles = npt.NDArray[np.float64]

_N_ARMS = 5
_PITCH = 2.2  # turn of an arm, radians for each e-fold of the radius
_ARM_SIGMA = 0.036  # half width of an arm, in half widths of the array
_ENVELOPE = 0.75  # radius at which an arm has faded to 1/e
_PEDESTAL = 0.12  # share of the light that is diffuse
_RASTER = 1024  # cells across the finely drawn pattern
_EXTENT = 3.0  # half width of the drawn pattern, in half widths of the array
_STEP = 2.0 * _EXTENT / _RASTER


@functools.lru_cache(maxsize=1)
def _drawn() -> Doubles:
    """Return the share of the light in each cell of the raster; the sum is 1."""
    along = (np.arange(_RASTER) + 0.5) * _STEP - _EXTENT
    x, y = np.meshgrid(along, along)
    r, phi = np.hypot(x, y) + 1e-6, np.arctan2(y, x)
    lag = phi - _PITCH * np.log(r / _ENVELOPE)
    pattern = np.zeros_like(r)
    for arm in range(_N_ARMS):
        away = np.angle(np.exp(1j * (lag - 2.0 * np.pi * arm / _N_ARMS)))
        distance = r * away / np.hypot(1.0, _PITCH)
        knots = 1.0 + 0.8 * np.cos(2.0 * np.pi * (3.1 + 0.7 * arm) * r + 1.7 * arm)
        weight = 1.0 + 0.35 * np.cos(2.4 * arm)
        pattern += weight * knots * np.exp(-0.5 * (distance / _ARM_SIGMA) ** 2)
    pattern *= np.exp(-((r / _ENVELOPE) ** 2))
    pattern /= pattern.sum()
    pedestal = np.exp(-((r / 0.9) ** 2))
    return np.asarray((1.0 - _PEDESTAL) * pattern + _PEDESTAL * pedestal / pedestal.sum())


@functools.lru_cache(maxsize=8)
def _coefficients(n_across: int, smear: float) -> Doubles:
    """Return the spline's coefficients of the pattern averaged over the footprint of a pixel."""
    from scipy.ndimage import correlate1d, gaussian_filter, spline_filter

    pattern = _drawn()
    if smear:
        pattern = gaussian_filter(pattern, smear / _STEP, mode="constant")
    # A pixel is as wide as so many cells, those at its two edges in part: pixels side by side then
    # share the light without gain or loss.
    footprint = 2.0 / n_across / _STEP
    n_whole = 2 * int((footprint - 1.0) // 2.0) + 1
    edge = (footprint - n_whole) / 2.0
    box = np.concatenate([[edge], np.ones(n_whole), [edge]])
    for axis in (0, 1):
        pattern = correlate1d(pattern, box, axis, mode="constant")
    return np.asarray(spline_filter(pattern, order=3, mode="mirror"))


def pattern_at(n_across: int, x: Doubles, y: Doubles, smear: float = 0.0) -> Doubles:
    """Return the share of the pattern's light that falls onto pixels.

    Parameters
    ----------
    n_across : int
        Pixels across the array, 1 to 256.
    x, y : float64 array, same shape
        Centres of the pixels from the pattern's centre, in half widths of the array.
    smear : float
        Width (one standard deviation) of a blur over the optic, in half widths of the array.

    Returns
    -------
    float64 array, shape of `x`
        0 or more; over the pixels of an endless array it sums to 1.
    """
    from scipy.ndimage import map_coordinates

    at = np.stack([y, x]).reshape(2, -1)
    at += _EXTENT
    at *= 1.0 / _STEP
    at -= 0.5
    coefficients = _coefficients(n_across, smear)
    share = map_coordinates(coefficients, at, order=3, mode="constant", prefilter=False)
    # Between cells that hold next to nothing a cubic may dip below it.
    return np.asarray(np.maximum(share, 0.0).reshape(x.shape))
