"""The light below the noise: what a stretch of exposures shows, without each pixel's own noise.

The light on n_pixels pixels over n_frames exposures moves in few patterns, noise in all of them
alike. Exposures are brought to unit noise (divided by each pixel's noise at its mean level), and
the patterns whose strength no noise reaches are kept: singular values above ``sqrt(n_frames) +
sqrt(n_pixels)``, the largest that a matrix of unit noise has (Marchenko and Pastur, 1967; Gavish
and Donoho, "The optimal hard threshold for singular values is 4/sqrt(3)", IEEE Transactions on
Information Theory 60(8), 2014; both from memory). Beside them stand sums over a coarse grid of
bins, so that a faint change of all pixels alike is followed too.

What is left of a pixel's own noise in the estimate is the share of patterns kept: a few of 1,024.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.sensor import Sensor

__all__ = ["Underlying", "noise_dn2", "underlying"]

Floats = npt.NDArray[np.float64]

_EDGE_MARGIN = 1.3
"""Noise that rows have in common passes the edge of independent noise a little."""
_GRID = 4
"""Bins down and across: so coarse that of 1,024 patterns 16 are these."""


@dataclass(frozen=True, slots=True, eq=False)
class Underlying:
    """The light of a stretch of exposures.

    Parameters
    ----------
    mean : float64 array, shape (n_frames, n_pixels)
        Counts above black, estimated; negative where noise says so.
    patterns : float64 array, shape (n_pixels, n_patterns)
        Orthonormal at unit noise; `mean` lies in them.
    noise : float64 array, shape (n_pixels,)
        Noise of each pixel at its mean level, counts rms.
    """

    mean: Floats
    patterns: Floats
    noise: Floats


def noise_dn2(signal: Floats, sensor: Sensor) -> Floats:
    """Return the temporal variance of a pixel at a signal above black, counts squared.

    Shot noise K times the signal, read noise, and rounding to whole counts: EMVA 1288, Release 4.0,
    section 2 (from memory).
    """
    gain = sensor.conversion_gain_dn_per_e
    fixed = (gain * sensor.read_noise_e) ** 2 + 1.0 / 12.0
    return np.asarray(gain * np.maximum(signal, 0.0) + fixed)


def underlying(above_black: Floats, sensor: Sensor) -> Underlying:
    """Estimate the light of a stretch of lit or of dark exposures.

    Parameters
    ----------
    above_black : float64 array, shape (n_frames, n_pixels)
        Counts less the black level, rows one after the other.
    sensor : Sensor
        What recorded them.
    """
    noise = np.sqrt(noise_dn2(above_black.mean(axis=0), sensor))
    white = above_black / noise
    patterns = _patterns(white, noise, sensor)
    mean = (white @ patterns) @ patterns.T * noise
    return Underlying(mean, patterns, noise)


def _patterns(white: Floats, noise: Floats, sensor: Sensor) -> Floats:
    """Return an orthonormal basis (n_pixels, n_patterns) of what is more than noise."""
    n_frames, n_pixels = white.shape
    edge = _EDGE_MARGIN * (np.sqrt(n_frames) + np.sqrt(n_pixels))
    # The smaller of the two matrices of products has the same singular values, squared.
    if n_frames < n_pixels:
        squares, turned = np.linalg.eigh(white @ white.T)
        strong = squares > edge**2
        found = white.T @ turned[:, strong] / np.sqrt(squares[strong])
    else:
        squares, turned = np.linalg.eigh(white.T @ white)
        found = turned[:, squares > edge**2]
    coarse = _coarse(sensor.n_rows, sensor.n_cols) / noise[:, None]
    # Twice, because what is nearly in the found patterns already keeps little after the first.
    for _ in range(2):
        coarse = coarse - found @ (found.T @ coarse)
        lengths = np.linalg.norm(coarse, axis=0)
        coarse = coarse[:, lengths > 1e-6] / lengths[lengths > 1e-6]
    basis, _ = np.linalg.qr(np.concatenate([found, coarse], axis=1))
    return np.asarray(basis)


def _coarse(n_rows: int, n_cols: int) -> Floats:
    """Return the indicator of each bin of a coarse grid, shape (n_pixels, n_bins)."""
    down, across = min(_GRID, n_rows), min(_GRID, n_cols)
    row = np.arange(n_rows) * down // n_rows
    col = np.arange(n_cols) * across // n_cols
    of_pixel = (row[:, None] * across + col).ravel()
    return np.asarray(np.eye(down * across)[of_pixel])
