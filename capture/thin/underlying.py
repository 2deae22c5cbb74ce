"""Ambient light below the noise: what dark exposures show, without each pixel's own noise.

The light on n_pixels pixels over n_frames exposures moves in few patterns, noise in all of them
alike. Exposures are brought to unit noise (divided by each pixel's noise at its mean level), and
the patterns whose strength no noise reaches are kept: singular values above ``sqrt(n_frames) +
sqrt(n_pixels)``, the largest that a matrix of unit noise has (Marchenko and Pastur, 1967; Gavish
and Donoho, "The optimal hard threshold for singular values is 4/sqrt(3)", IEEE Transactions on
Information Theory 60(8), 2014; both from memory). Beside them stand sums over a coarse grid of
bins, so that a faint change of all pixels alike is followed too.

Of a pixel's own noise the estimate keeps the share of patterns kept: some twenty of 1,024.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.sensor import Sensor

__all__ = ["Ambient", "ambient_of", "read_noise_dn2"]

Floats = npt.NDArray[np.float64]

_EDGE_MARGIN = 1.3
"""Noise that rows have in common passes the edge of independent noise a little."""
_GRID = 4
"""Bins down and across: so coarse that of 1,024 patterns 16 are these."""
_SURE = 4.0
"""Standard errors from which on rows are said to have noise of their own."""


@dataclass(frozen=True, slots=True, eq=False)
class Ambient:
    """The light of a stretch of dark exposures: ambient light, with dark signal.

    Parameters
    ----------
    shares : float64 array, shape (n_frames, n_patterns)
        How much of each pattern each exposure holds, at unit noise.
    patterns : float64 array, shape (n_patterns, n_pixels)
        Counts of a share of one; what noise adds to the shares is independent and of unit variance.
    row_noise_dn2, unstated_dn2 : float
        Variance that the pixels of a row have in common, and how much of it is beyond the noise
        that the sensor states; counts squared.
    """

    shares: Floats
    patterns: Floats
    row_noise_dn2: float
    unstated_dn2: float

    @property
    def mean(self) -> Floats:
        """Counts above black, estimated, shape (n_frames, n_pixels); noise may make it negative."""
        return np.asarray(self.shares @ self.patterns)


def read_noise_dn2(sensor: Sensor) -> float:
    """Return the variance of an exposure without light: read noise, and rounding to whole counts.

    EMVA 1288, Release 4.0, section 2 (from memory).
    """
    return float((sensor.conversion_gain_dn_per_e * sensor.read_noise_e) ** 2 + 1.0 / 12.0)


def ambient_of(dark: Floats, sensor: Sensor) -> Ambient:
    """Estimate the light of a stretch of dark exposures.

    Parameters
    ----------
    dark : float64 array, shape (n_frames, n_pixels)
        Counts less the black level, rows one after the other.
    sensor : Sensor
        What recorded them.
    """
    shot = sensor.conversion_gain_dn_per_e * np.maximum(dark.mean(axis=0), 0.0)
    noise = np.sqrt(shot + read_noise_dn2(sensor))
    white = dark / noise
    basis = _basis(white, noise, sensor)
    shares = white @ basis
    left = white - shares @ basis.T
    row_noise, unstated = _row_noise(left, noise, basis, sensor)
    return Ambient(shares, basis.T * noise, row_noise, unstated)


def _basis(white: Floats, noise: Floats, sensor: Sensor) -> Floats:
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
    coarse /= np.linalg.norm(coarse, axis=0)
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


def _row_noise(left: Floats, noise: Floats, basis: Floats, sensor: Sensor) -> tuple[float, float]:
    """Return the variance that pixels of a row share, and what of it the sensor does not state.

    Parameters
    ----------
    left : float64 array, shape (n_frames, n_pixels)
        What the patterns leave of the exposures, at unit noise.
    noise : float64 array, shape (n_pixels,)
        Counts rms.
    basis : float64 array, shape (n_pixels, n_patterns)
    """
    n_frames, shape = len(left), (sensor.n_rows, sensor.n_cols)
    of_row = np.repeat(np.eye(sensor.n_rows), sensor.n_cols, axis=0)  # (n_pixels, n_rows)
    means = (left * noise) @ of_row / sensor.n_cols
    # What independent noise would leave in the means, and what is left of noise in common.
    averaging, common = of_row * noise[:, None] / sensor.n_cols, of_row / noise[:, None]
    alone = float((averaging**2).sum() - ((basis.T @ averaging) ** 2).sum())
    kept = float((averaging * common).sum() - ((basis.T @ averaging) * (basis.T @ common)).sum())
    error = alone * np.sqrt(2.0 / (n_frames * shape[0]))
    excess = float((means**2).sum()) / n_frames - alone
    if sensor.n_cols < 2 or kept <= 0.0 or excess <= _SURE * error:
        return 0.0, 0.0
    n_left = left.size - n_frames * basis.shape[1]
    whole = float((left**2).sum()) / n_left
    unstated = (whole - 1.0) * float((noise**2).mean())
    return excess / kept, min(max(unstated, 0.0), excess / kept)
