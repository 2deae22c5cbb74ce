"""Attackers that know the optic: a step that is linear in the scene, undone by linear algebra.

``tikhonov`` takes the smallest answer that is as far from the readout as is to be expected
(Morozov's discrepancy principle; P. C. Hansen, "Rank-Deficient and Discrete Ill-Posed Problems",
1998, sections 4.2 and 7.2, from memory); ``wiener`` the mean of all pictures that would have given
it, where pictures and noise are Gaussian (N. Wiener, 1949), with the covariance of pictures that
were seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runtime.stages.contract.stage import Float64

__all__ = ["KnownStep", "calibrated", "tikhonov", "wiener"]

_LEAST_VARIANCE = 1e-12  # of a value over its mean: rounding, where nothing else is left
_HALVINGS = 60  # of an interval of logarithms about 100 wide: to the last bit of a double


def tikhonov(matrix: Float64, readouts: Float64, distance: float) -> Float64:
    """Return pictures by Tikhonov's method, the regularisation of each chosen by discrepancy.

    Minimises ``|matrix x - y|^2 + k |x|^2``, by singular values, with the largest k that leaves
    ``|matrix x - y|`` at `distance`.

    Parameters
    ----------
    matrix : float64 (n_values, n_cells)
    readouts : float64 (n_pictures, n_values)
    distance : float
        Norm of what noise and the model's faults leave.

    Returns
    -------
    float64 (n_pictures, n_cells)
        Nothing of a readout that is itself no larger; where not even k = 0 comes as near, the one
        that comes nearest to within a thousandth.
    """
    left, values, right = np.linalg.svd(matrix, full_matrices=False)
    kept = values > values[0] * max(matrix.shape) * np.finfo(np.float64).eps
    left, values, right = left[:, kept], values[kept], right[kept]
    parts = readouts @ left
    outside = np.maximum(np.sum(readouts**2, axis=1) - np.sum(parts**2, axis=1), 0.0)
    wanted = np.maximum(distance**2, outside * 1.001)
    low = np.full(len(readouts), 2.0 * np.log(values[-1]) - 20.0)
    high = np.full(len(readouts), 2.0 * np.log(values[0]) + 40.0)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        strength = np.exp(middle)[:, None]
        left_over = np.sum((strength / (values**2 + strength) * parts) ** 2, axis=1) + outside
        low = np.where(left_over < wanted, middle, low)
        high = np.where(left_over < wanted, high, middle)
    strength = np.exp(low)[:, None]
    return np.asarray((parts * values / (values**2 + strength)) @ right)


def wiener(matrix: Float64, readouts: Float64, variance: float, seen: Float64) -> Float64:
    """Return the mean of the pictures that may have been, given pictures like those seen.

    ``m + C A' (A C A' + v I)^-1 (y - A m)`` with the mean m and the covariance C of `seen`. C is
    taken by the singular values of `seen`, so that few pictures make no full one.

    Parameters
    ----------
    matrix : float64 (n_values, n_cells)
    readouts : float64 (n_pictures, n_values)
    variance : float
        Of the noise of each value, above 0.
    seen : float64 (n_seen, n_cells)

    Returns
    -------
    float64 (n_pictures, n_cells)
    """
    mean = seen.mean(axis=0)
    _, spread, axes = np.linalg.svd(seen - mean, full_matrices=False)
    kept = spread > spread[0] * 1e-9 if len(spread) and spread[0] > 0 else np.zeros(0, dtype=int)
    # Coordinates along the axes, each of unit variance: the answer's prior is then white.
    axes = axes[kept] * (spread[kept] / np.sqrt(max(1, len(seen) - 1)))[:, None]
    through = matrix @ axes.T
    inner = through.T @ through + variance * np.eye(len(axes))
    along = np.linalg.solve(inner, through.T @ (readouts - matrix @ mean).T)
    return np.asarray(mean + along.T @ axes)


@dataclass(frozen=True, slots=True, eq=False)
class KnownStep:
    """A linear step as an attacker has calibrated it on other people's pairs.

    Parameters
    ----------
    matrix : float64 (n_values, n_cells)
        From a picture of mean light 1 to the step's values over their mean.
    offset : float64 (n_values,)
        What is left on average: light inside the cover, and what the grid of cells misses.
    covariance : float64 (n_values, n_values)
        Of what is left beside it.
    scale : float64 (n_seen,)
        Of each picture seen, what it was divided by.
    """

    matrix: Float64
    offset: Float64
    covariance: Float64
    scale: Float64

    @property
    def white(self) -> Float64:
        """What makes of all that is left noise of variance 1, float64 (n_values, n_values)."""
        sizes, axes = np.linalg.eigh(self.covariance)
        return np.asarray((axes * np.maximum(sizes, _LEAST_VARIANCE) ** -0.5) @ axes.T)

    def less_offset(self, values: Float64) -> Float64:
        """Return readouts over their own mean, without the offset."""
        return over_mean(values) - self.offset


def over_mean(values: Float64) -> Float64:
    """Return values over their own mean: how bright a scene is, is no part of its shape."""
    means = values.mean(axis=1, keepdims=True)
    return np.asarray(values / np.where(np.abs(means) > 1e-9, means, 1.0))


def calibrated(matrix: Float64, values: Float64, pictures: Float64) -> KnownStep:
    """Calibrate a linear step: what of the readouts of known pictures its matrix does not explain.

    That is seldom alike in all values: a bright one's light is noisier, and a hand that lies nearer
    than the optic was measured for moves many at once. Its covariance is shrunk as far as few
    pictures need (O. Ledoit and M. Wolf, A Well-Conditioned Estimator for Large-Dimensional
    Covariance Matrices, 2004, as in scikit-learn).

    Parameters
    ----------
    matrix : float64 (n_values, n_cells)
        Values for a picture, in any unit.
    values : float64 (n_seen, n_values)
    pictures : float64 (n_seen, n_cells)
    """
    from sklearn.covariance import ledoit_wolf

    scale = (pictures @ matrix.T).mean(axis=1)
    scale = np.where(np.abs(scale) > 1e-12, scale, 1.0)
    left = over_mean(values) - (pictures @ matrix.T) / scale[:, None]
    offset = left.mean(axis=0)
    covariance, _ = ledoit_wolf(left - offset, assume_centered=True)
    return KnownStep(matrix, offset, np.asarray(covariance), scale)
