"""The optic as a calibration shows it: each pixel's share of light, smooth over the slopes.

Every pixel's share is a tensor product of cubic B-splines over the two slopes (P-splines: P. H. C.
Eilers and B. D. Marx, Statistical Science 11, 1996), fitted to the calibration's readouts by
penalised least squares. Nothing is assumed of the pattern but that it varies smoothly; how smoothly
is settled by readouts that the fit has not seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg
from scipy.interpolate import BSpline

from runtime.errors import UsageError

__all__ = ["Templates", "fit_templates"]

Floats = npt.NDArray[np.float64]

_DEGREE = 3
_INTERVALS = (4, 6, 8, 11, 15, 20, 26, 33, 41)
"""Knot intervals a side that are tried: each about a third finer than the one before."""
_PENALTIES = (1e-6, 1e-4, 1e-2)
"""Weight of the roughness beside the data, both scaled to the same trace."""
_EVERY = 5
"""Each fifth readout is kept from the fit that it judges."""
MIN_READOUTS = 60


@dataclass(frozen=True, eq=False)
class Templates:
    """One aperture's templates over the slopes that were calibrated.

    Parameters
    ----------
    low, high : float64 (2,)
        Ends of the calibrated slopes.
    n_intervals : int
        Knot intervals a side.
    coefficients : float64 (n_basis**2, n_pixels)
    seen : float64 (n_readouts, 2)
        Slopes of the calibration.
    unexplained : float
        Root mean square of what readouts that the fit had not seen differ from it, over the root
        mean square of the readouts' own variation over pixels: noise, and what does not fit.
    """

    low: Floats
    high: Floats
    n_intervals: int
    coefficients: Floats
    seen: Floats
    unexplained: float

    @property
    def n_pixels(self) -> int:
        """Pixels of the aperture."""
        return int(self.coefficients.shape[1])

    def at(self, slopes: Floats, along: int | None = None) -> Floats:
        """Return templates, or their derivatives along x (0) or y (1): (n, n_pixels).

        Shares are not raised to zero where noise has taken them below.
        """
        order = [int(along == axis) for axis in (0, 1)]
        inside = np.clip(np.atleast_2d(slopes), self.low, self.high)
        rows = _design(inside, self.low, self.high, self.n_intervals, (order[0], order[1]))
        return np.asarray(rows @ self.coefficients)


def _knots(low: float, high: float, n_intervals: int) -> Floats:
    step = (high - low) / n_intervals
    return np.asarray(low + step * np.arange(-_DEGREE, n_intervals + _DEGREE + 1))


def _design(
    slopes: Floats, low: Floats, high: Floats, n_intervals: int, order: tuple[int, int] = (0, 0)
) -> Floats:
    """Return each basis function at each pair of slopes, (n, n_basis**2)."""
    parts = []
    for axis in (0, 1):
        knots = _knots(float(low[axis]), float(high[axis]), n_intervals)
        spline = BSpline(knots, np.eye(n_intervals + _DEGREE), _DEGREE)
        parts.append(spline(slopes[:, axis], nu=order[axis]))
    x, y = parts
    return np.asarray((y[:, :, None] * x[:, None, :]).reshape(len(slopes), -1))


def _roughness(n_intervals: int) -> Floats:
    """Return the penalty on second differences along both slopes."""
    n = n_intervals + _DEGREE
    second = np.diff(np.eye(n), 2, axis=0)
    square, one = second.T @ second, np.eye(n)
    return np.kron(one, square) + np.kron(square, one)


def _solved(rows: Floats, weights: Floats, shares: Floats, n: int, penalty: float) -> Floats:
    normal = rows.T @ (rows * weights[:, None])
    rough = _roughness(n)
    normal += rough * (penalty * np.trace(normal) / np.trace(rough))
    # Corners of the field without readouts: held near their neighbours by the roughness alone.
    normal[np.diag_indices_from(normal)] += 1e-12 * np.trace(normal) / len(normal)
    factor = linalg.cho_factor(normal, overwrite_a=True, check_finite=False)
    solved = linalg.cho_solve(factor, rows.T @ (shares * weights[:, None]), check_finite=False)
    return np.asarray(solved)


def fit_templates(slopes: Floats, electrons: Floats) -> Templates:
    """Learn one aperture's templates from readouts of a single source and no other light.

    Parameters
    ----------
    slopes : float64 (n_readouts, 2)
        ``X / Z`` and ``Y / Z`` of the source, seen from this aperture.
    electrons : float64 (n_readouts, n_pixels)
        Lit minus dark, or what one exposure holds above its black level, in electrons. The sum of
        a readout is what it had of the source; readouts count by it.

    Raises
    ------
    UsageError
        There are too few readouts, a readout has no light, or all have one direction.
    """
    sums = electrons.sum(axis=1)
    if len(slopes) < MIN_READOUTS:
        raise UsageError(
            "calibration", "readouts of a source", len(slopes), f"at least {MIN_READOUTS}",
            "record more directions",
        )  # fmt: skip
    if not (sums > 0).all():
        raise UsageError(
            "calibration", "light in a readout", f"{sums.min():.0f} electrons", "above 0",
            "calibrate with one source that is always lit",
        )  # fmt: skip
    low, high = slopes.min(axis=0), slopes.max(axis=0)
    if not (high - low > 1e-3).all():
        raise UsageError(
            "calibration", "directions", "all on one line", "spread over the field both ways",
            "let the rig scan rows and columns",
        )  # fmt: skip
    shares = electrons / sums[:, None]
    weights = sums / sums.mean()
    judged = np.arange(len(slopes)) % _EVERY == _EVERY - 1
    best: tuple[float, int, float] | None = None
    for n_intervals in _INTERVALS:
        if (n_intervals + _DEGREE) ** 2 > 2 * len(slopes):
            break
        rows = _design(slopes, low, high, n_intervals)
        for penalty in _PENALTIES:
            found = _solved(rows[~judged], weights[~judged], shares[~judged], n_intervals, penalty)
            left = (rows[judged] @ found - shares[judged]) ** 2
            error = float((left.mean(axis=1) * weights[judged]).mean())
            if best is None or error < best[0]:
                best = error, n_intervals, penalty
        if best is not None and n_intervals >= 1.7 * best[1]:
            break  # two steps finer than the best is no better: nothing is gained further on
    assert best is not None  # noqa: S101 - the first entry of the list is always tried
    error, n_intervals, penalty = best
    rows = _design(slopes, low, high, n_intervals)
    coefficients = _solved(rows, weights, shares, n_intervals, penalty)
    spread = float(((shares - shares.mean(axis=1, keepdims=True)) ** 2).mean())
    return Templates(low, high, n_intervals, coefficients, slopes, float(np.sqrt(error / spread)))
