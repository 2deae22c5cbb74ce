"""The least error of direction and inverse distance that the noise of a readout allows.

A readout of n pixels, in electrons, of one source at the slopes ``s = (X / Z, Y / Z)`` is
``m = N t(s) + b``, with N the electrons that the source leaves on the aperture, t the optic's
template (its sum is 1 where all of the light meets the array) and b a background, alike in all
pixels. Each pixel varies by ``v = m + r**2``: photons, and read noise of r electrons. In that
Gaussian approximation of photon noise (its own dependence on s left out, which only raises the
bound) the information about the parameters p is

    I[i, j] = sum over pixels of (dm / dp_i) (dm / dp_j) / v

and no unbiased estimate has a covariance below its inverse (H. Cramer, Mathematical Methods of
Statistics, 1946, section 32; C. R. Rao, Bull. Calcutta Math. Soc. 37, 1945; from memory). N and b
are unknown as well: they are parameters, and their rows and columns are dropped after inversion,
which projects them out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.errors import ArgumentError

__all__ = [
    "PixelNoise",
    "direction_bound",
    "inverse_distance_bound",
    "pair_bound",
    "range_error",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PixelNoise:
    """What a pixel varies by besides the photons of the source, both in electrons.

    Parameters
    ----------
    read_e : float
        Root mean square noise of what is read; of lit minus dark, that of both.
    background_e : float
        Electrons of other light and of the dark signal, of all exposures that are used.
    """

    read_e: float
    background_e: float = 0.0

    def __post_init__(self) -> None:
        for name in ("read_e", "background_e"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= 0):
                raise ArgumentError("PixelNoise", name, value, "a number of 0 or more")

    @property
    def floor(self) -> float:
        """Variance of a pixel that the source does not reach, electrons squared."""
        return self.read_e**2 + self.background_e

    def variance(self, template: Floats, electrons: float) -> Floats:
        """Return each pixel's variance, electrons squared."""
        return np.asarray(electrons * np.maximum(template, 0.0) + self.floor)


def direction_bound(
    template: Floats, along_x: Floats, along_y: Floats, electrons: float, noise: PixelNoise
) -> Floats:
    """Return the Cramer-Rao bound of a direction, amplitude and background unknown.

    Parameters
    ----------
    template : float64 (n_pixels,)
        Share of the electrons on each pixel.
    along_x, along_y : float64 (n_pixels,)
        Its derivatives with respect to the two slopes (or angles: the bound has their units).
    electrons : float
        Of the source on this aperture, > 0.
    noise : PixelNoise

    Returns
    -------
    float64 (2, 2)
        Least covariance, in squares of the derivatives' unit.

    Raises
    ------
    ArgumentError
        There are no electrons, no noise, or the readout does not move with the direction.
    """
    if not (np.isfinite(electrons) and electrons > 0):
        raise ArgumentError("direction_bound", "electrons", electrons, "above 0")
    variance = noise.variance(template, electrons)
    flat = np.ones_like(template)
    # One electron less or more in N or b is a small thing beside a slope of 1: scaled to alike.
    columns = np.stack([along_x, along_y, template, flat], axis=1)
    columns[:, :3] *= electrons
    columns[:, 3] *= max(electrons * float(np.abs(template).mean()), 1.0)
    return _least("direction_bound", columns, variance)[:2, :2]


def _least(where: str, columns: Floats, variance: Floats) -> Floats:
    """Return the inverse of the information about what columns (n_pixels, n) say of each pixel."""
    if not (variance > 0).all():
        raise ArgumentError(where, "variance of a pixel", 0, "above 0: give read noise")
    information = columns.T @ (columns / variance[:, None])
    scale = np.sqrt(np.diag(information))
    if not (scale > 0).all() or np.linalg.cond(information / np.outer(scale, scale)) > 1e12:
        do = "no direction can be told from it"
        raise ArgumentError(where, "the readout", "the same wherever the source is",
                            "one that moves", do)  # fmt: skip
    return np.asarray(np.linalg.inv(information / np.outer(scale, scale)) / np.outer(scale, scale))


def pair_bound(
    templates: Floats, along_x: Floats, along_y: Floats, electrons: Floats, noise: PixelNoise
) -> Floats:
    """Return the Cramer-Rao bound of two sources' directions, all other things unknown.

    The readout is ``m = N1 t(s1) + N2 t(s2) + b``: seven parameters, each source's two slopes and
    amount, and the background. Amounts and background are projected out, as of one source. What a
    second source adds to the bound of the first is its photons, and what of its own pattern and
    derivatives lies along the first's derivatives: nearly nothing where patterns are far apart,
    more than twice where they overlap.

    Parameters
    ----------
    templates, along_x, along_y : float64 (2, n_pixels)
        Of each source, as of `direction_bound`.
    electrons : float64 (2,)
        Of each source on this aperture, > 0.
    noise : PixelNoise

    Returns
    -------
    float64 (4, 4)
        Least covariance of the first source's two slopes, then the second's.

    Raises
    ------
    ArgumentError
        There are no electrons, no noise, or the two cannot be told apart.
    """
    if not (np.isfinite(electrons).all() and (electrons > 0).all()):
        raise ArgumentError("pair_bound", "electrons", electrons.tolist(), "above 0")
    light = electrons[:, None] * np.maximum(templates, 0.0)
    flat = np.full((1, templates.shape[1]), max(float(light.mean()), 1.0))
    every = [electrons[:, None] * each for each in (along_x, along_y, templates)]
    columns = np.concatenate([every[0], every[1], every[2], flat]).T
    found = _least("pair_bound", columns, light.sum(axis=0) + noise.floor)
    slopes = [0, 2, 1, 3]  # of each source by itself
    return np.asarray(found[np.ix_(slopes, slopes)])


def inverse_distance_bound(bounds: Floats, places_mm: Floats) -> float:
    """Return the least standard deviation of 1 / distance from several apertures, 1 / mm.

    An aperture at ``p`` sees the source at the slopes ``s - q p``, q = 1 / Z; the two slopes and q
    are unknown together.

    Parameters
    ----------
    bounds : float64 (n_apertures, 2, 2)
        Least covariance of each aperture's slopes.
    places_mm : float64 (n_apertures, 2)
        Places of the apertures.

    Raises
    ------
    ArgumentError
        All apertures stand in one place.
    """
    information = np.zeros((3, 3))
    for covariance, place in zip(bounds, places_mm, strict=True):
        seen = np.column_stack([np.eye(2), -place])
        information += seen.T @ np.linalg.inv(covariance) @ seen
    if float(np.ptp(places_mm, axis=0).max()) <= 0:
        raise ArgumentError("inverse_distance_bound", "baseline", 0, "above 0 mm")
    return float(np.sqrt(np.linalg.inv(information)[2, 2]))


def range_error(distance_mm: float, baseline_mm: float, sigma: float) -> float:
    """Return the standard deviation of a distance, mm, from that of each of two directions.

    ``z**2 * sqrt(2) * sigma / b``: the disparity ``b / z`` is the difference of two directions, so
    that ``dz = z**2 / b`` times its error (error propagation of the normal case of stereo; T.
    Luhmann, S. Robson, S. Kyle and J. Boehm, Close-Range Photogrammetry and 3D Imaging, 2014,
    section on the normal case, from memory).
    """
    return distance_mm**2 * float(np.sqrt(2.0)) * sigma / baseline_mm
