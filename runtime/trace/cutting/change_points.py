"""Change points of a series: where its mean steps, by optimal partitioning.

The partition has the least cost over all that there are: squared deviations from each segment's
mean, each weighed by its own variance, and a penalty a segment (Jackson et al., "An algorithm for
optimal partitioning of data on an interval", IEEE Signal Processing Letters 12(2), 2005). Starts
that can never be best again are dropped, which leaves the answer as it is (PELT: Killick, Fearnhead
and Eckley, "Optimal detection of changepoints with a linear computational cost", J. Am. Stat.
Assoc. 107, 2012).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["change_points"]

Floats = NDArray[np.float64]


def change_points(values: Floats, errors: Floats, penalty: float | None = None) -> list[int]:
    """Return where segments of one mean begin.

    Parameters
    ----------
    values : float64 (n,)
        The series, n at least 1.
    errors : float64 (n,)
        Standard error of each value, above 0.
    penalty : float, optional
        Cost of one more segment. By default 3 ln n: a mean, a place, and a place again for its
        search (modified BIC: Zhang and Siegmund, Biometrics 63, 2007).

    Returns
    -------
    list of int
        First index of each segment, the first of them 0; rising.

    Notes
    -----
    Time grows with n times the length of a typical segment; memory with n.
    """
    n = len(values)
    beta = 3.0 * math.log(max(n, 2)) if penalty is None else penalty
    weight = errors**-2.0
    # Values about their mean lose fewer digits in the sums of squares.
    centred = values - np.average(values, weights=weight)
    w = np.concatenate(([0.0], np.cumsum(weight)))
    wx = np.concatenate(([0.0], np.cumsum(weight * centred)))
    wxx = np.concatenate(([0.0], np.cumsum(weight * centred**2)))
    best = np.full(n + 1, np.inf)
    best[0] = -beta
    came_from = np.zeros(n + 1, dtype=np.int64)
    starts = np.zeros(1, dtype=np.int64)
    for end in range(1, n + 1):
        segment = wxx[end] - wxx[starts] - (wx[end] - wx[starts]) ** 2 / (w[end] - w[starts])
        without = best[starts] + segment
        found = int(np.argmin(without))
        best[end] = without[found] + beta
        came_from[end] = starts[found]
        starts = np.append(starts[without <= best[end]], end)
    begins = []
    end = n
    while end > 0:
        end = int(came_from[end])
        begins.append(end)
    return begins[::-1]
