"""Ambient light below the noise: what dark exposures show, without each pixel's own noise.

The light on n_pixels pixels over n_frames exposures moves in few patterns, noise in all of them
alike. Exposures are brought to unit noise (divided by each pixel's noise at its mean level), and
the mean over the stretch is kept apart. Of means of four on end, the patterns whose strength no
noise reaches are kept: singular values above ``sqrt(n_means) + sqrt(n_pixels)``, the largest that
a matrix of unit noise has (Marchenko and Pastur, 1967; Gavish and Donoho, "The optimal hard
threshold for singular values is 4/sqrt(3)", IEEE Transactions on Information Theory 60(8), 2014;
both from memory). Beside them stand the mean's own pattern, as a lamp flickers, and those bins of a
grid whose sum changes by more than noise: a faint change of many pixels is seen there first.

Of the exposures' own noise the estimate keeps two small shares: in each exposure what lies in the
patterns, and in each pixel what follows the courses in time of those that were found, a few of 512,
since they were found in that noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = ["Ambient", "ambient_of", "read_noise_dn2", "refuse_missing_dark"]

Floats = npt.NDArray[np.float64]

_EDGE_MARGIN = 1.1
"""Noise that rows have in common passes the edge of independent noise a little."""
_GRID = 8
"""Bins down and across."""
_MEAN_OF = 4
"""Exposures on end: light changes little meanwhile, but for flicker, of the same patterns."""
_LEAST_OWN = 0.1
"""Of a pattern's length, that those that were found leave of it; with less it is one of them."""
_SURE = 3.0
"""Standard errors from which on a bin is said to change."""
_FAR = 6.0
"""Standard deviations; noise does not go so far in any pixel."""


@dataclass(frozen=True, slots=True, eq=False)
class Ambient:
    """The light of a stretch of dark exposures: ambient light, with dark signal.

    Parameters
    ----------
    shares : float64 array, shape (n_frames, n_patterns)
        How much of each pattern each exposure holds, at unit noise.
    patterns : float64 array, shape (n_patterns, n_pixels)
        Counts of a share of one; what noise adds to the shares is independent and of unit variance.
    steady : float64 array, shape (n_pixels,)
        What is in no pattern, counts: each pixel's own level.
    courses : float64 array, shape (n_frames, n_courses)
        Orthonormal: how the patterns that were found, and the mean, go in time.
    noise : float64 array, shape (n_pixels,)
        Noise of each pixel at its mean level, counts rms.
    row_noise_dn2, unstated_dn2 : float
        Variance that the pixels of a row have in common, and how much of it is beyond the noise
        that the sensor states; counts squared.
    """

    shares: Floats
    patterns: Floats
    steady: Floats
    courses: Floats
    noise: Floats
    row_noise_dn2: float
    unstated_dn2: float

    def mean(self, part: slice) -> Floats:
        """Return the light of some exposures, counts above black, (n_frames, n_pixels)."""
        return np.asarray(self.shares[part] @ self.patterns + self.steady)


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
    centre = white.mean(axis=0)
    found, courses = _found(white - centre)
    basis = _with_plain_ones(found, white, centre, noise, sensor)
    shares = white @ basis
    steady = centre - basis @ (basis.T @ centre)
    left = white - shares @ basis.T - steady
    shot = sensor.conversion_gain_dn_per_e * (white - left) / noise
    # Of each exposure's light, against that of the mean: a hand takes shot noise away as well.
    louder = np.maximum((shot + read_noise_dn2(sensor) / noise**2).mean(axis=1), 0.1)
    louder /= louder.mean()
    row_noise, unstated = _row_noise(left / np.sqrt(louder)[:, None], noise, basis, sensor)
    constant = np.full((len(dark), 1), len(dark) ** -0.5)
    courses = np.concatenate([constant, courses], axis=1)
    return Ambient(shares, basis.T * noise, steady * noise, courses, noise, row_noise, unstated)


def _found(centred: Floats) -> tuple[Floats, Floats]:
    """Return patterns that are more than noise, orthonormal (n_pixels, n_found).

    With them, how they go in time, orthonormal (n_frames, n_found).
    """
    n_frames, n_pixels = centred.shape
    n_means = max(1, n_frames // _MEAN_OF)
    of_mean = np.arange(n_frames) * n_means // n_frames
    firsts = np.searchsorted(of_mean, np.arange(n_means))
    lengths = np.diff(firsts, append=n_frames)[:, None]
    means = np.add.reduceat(centred, firsts, axis=0) / np.sqrt(lengths)
    edge = _EDGE_MARGIN * (np.sqrt(n_means) + np.sqrt(n_pixels))
    # The smaller of the two matrices of products has the same singular values, squared.
    if n_means < n_pixels:
        squares, turned = np.linalg.eigh(means @ means.T)
        courses = turned[:, squares > edge**2]
        found = means.T @ courses / np.sqrt(squares[squares > edge**2])
    else:
        squares, turned = np.linalg.eigh(means.T @ means)
        found = turned[:, squares > edge**2]
        courses = means @ found / np.sqrt(squares[squares > edge**2])
    return found, (courses / np.sqrt(lengths))[of_mean]


def _with_plain_ones(
    found: Floats, white: Floats, centre: Floats, noise: Floats, sensor: Sensor
) -> Floats:
    """Return the found patterns with the mean's own and bins that change, orthonormal."""
    plain = np.column_stack([centre, _coarse(sensor.n_rows, sensor.n_cols) / noise[:, None]])
    plain /= np.maximum(np.linalg.norm(plain, axis=0), 1e-12)
    plain = plain - found @ (found.T @ plain)
    lengths = np.linalg.norm(plain, axis=0)
    plain = plain[:, lengths > _LEAST_OWN] / lengths[lengths > _LEAST_OWN]
    moves = (white @ plain).var(axis=0) > 1.0 + _SURE * np.sqrt(2.0 / len(white))
    moves[:1] = True
    basis, _ = np.linalg.qr(np.concatenate([found, plain[:, moves]], axis=1))
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

    Rows that waver by much more than the noise of their mean are taken for light.

    Parameters
    ----------
    left : float64 array, shape (n_frames, n_pixels)
        What the patterns leave of the exposures, at unit noise.
    noise : float64 array, shape (n_pixels,)
        Counts rms.
    basis : float64 array, shape (n_pixels, n_patterns)
    """
    n_left = left.shape[1] - basis.shape[1]
    if len(left) < 3 or sensor.n_cols < 2 or n_left < 1:
        return 0.0, 0.0
    of_row = np.repeat(np.eye(sensor.n_rows), sensor.n_cols, axis=0)  # (n_pixels, n_rows)
    # Each exposure against its neighbours, and the median over time: light that moves is no noise.
    bends = np.diff((left * noise) @ of_row / sensor.n_cols, 2, axis=0) / np.sqrt(6.0)
    squares = (bends**2).sum(axis=1)
    # Median of a sum of n_rows squares over its mean (Wilson and Hilferty, 1931; from memory).
    typical = float(np.median(squares)) / (1.0 - 2.0 / (9.0 * sensor.n_rows)) ** 3
    # What independent noise would leave in the means, and what is left of noise in common.
    averaging, common = of_row * noise[:, None] / sensor.n_cols, of_row / noise[:, None]
    alone = float((averaging**2).sum() - ((basis.T @ averaging) ** 2).sum())
    kept = float((averaging * common).sum() - ((basis.T @ averaging) * (basis.T @ common)).sum())
    excess = typical - alone
    if excess <= 0.0 or kept <= 0.0:
        return 0.0, 0.0
    whole = float(np.median((np.diff(left, 2, axis=0) ** 2).sum(axis=1))) / 6.0 / n_left
    # Of noise in common the patterns took a larger share than of the rest.
    taken = n_left / left.shape[1] * sensor.n_rows / kept
    unstated = (whole - 1.0) * taken * float((noise**2).mean())
    return excess / kept, min(max(unstated, 0.0), excess / kept)


def refuse_missing_dark(dark: Floats, sensor: Sensor, where: str = "recording") -> None:
    """Refuse dark exposures that no sensor gives: they lie below its black level, all alike.

    Parameters
    ----------
    dark : float64 array
        Counts above black; one at least.
    sensor : Sensor
    where : str
        For the message.

    Raises
    ------
    FormatError
        They do.
    """
    noise = np.sqrt(read_noise_dn2(sensor))
    if sensor.black_level_counts > _FAR * noise and dark.max() < -_FAR * noise:
        raise FormatError(
            where,
            "dark exposures",
            f"missing (at most {dark.max() + sensor.black_level_counts:g} counts)",
            f"about the black level of {sensor.black_level_counts} or more",
            "record lit and dark exposures",
        )
