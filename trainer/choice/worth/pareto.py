"""What is worth having: points that no other is better than in cost and in score at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64, Int64

__all__ = ["crowding", "hypervolume", "knee_of", "non_dominated_ranks", "on_front"]


def _dominates(points: Float64) -> NDArray[np.bool_]:
    """Return whether point i is nowhere worse than point j and somewhere better, bool (n, n)."""
    ahead, behind = points[:, None, :], points[None, :, :]
    return np.asarray((ahead <= behind).all(axis=2) & (ahead < behind).any(axis=2))


def non_dominated_ranks(points: Float64) -> Int64:
    """Return each point's front: 0 where no other point is better, 1 where only those are, and on.

    Non-dominated sorting (N. Srinivas and K. Deb, Evol. Comput. 2(3), 1994). Equal points share a
    front.

    Parameters
    ----------
    points : float64 (n_points, n_objectives)
        Less is better in each.

    Returns
    -------
    int64 (n_points,)
    """
    dominates = _dominates(points)
    ranks = np.full(len(points), -1, dtype=np.int64)
    left = np.ones(len(points), dtype=bool)
    rank = 0
    while left.any():
        front = left & ~dominates[left].any(axis=0)
        ranks[front] = rank
        left &= ~front
        rank += 1
    return ranks


def on_front(cost: Float64, score: Float64) -> NDArray[np.bool_]:
    """Return which points no other beats: costs as little and scores as much, one of them better.

    Parameters
    ----------
    cost, score : float64 (n_points,)
    """
    return np.asarray(non_dominated_ranks(np.stack([cost, -score], axis=1)) == 0)


def hypervolume(points: Float64, reference: tuple[float, float]) -> float:
    """Return the area that points dominate, up to a reference point; less is better in both.

    E. Zitzler and L. Thiele, Multiobjective optimization using evolutionary algorithms, PPSN V,
    1998: "size of the space covered".

    Parameters
    ----------
    points : float64 (n_points, 2)
        Those beyond the reference add nothing.
    reference : (float, float)
    """
    inside = points[(points < np.array(reference)).all(axis=1)]
    area, height = 0.0, reference[1]
    for x, y in inside[np.lexsort((inside[:, 1], inside[:, 0]))].tolist():
        if y < height:
            area += (reference[0] - x) * (height - y)
            height = y
    return area


def crowding(points: Float64) -> Float64:
    """Return how far apart each point's neighbours are: the crowding distance.

    K. Deb, A. Pratap, S. Agarwal and T. Meyarivan, IEEE Trans. Evol. Comput. 6(2), 2002. The ends
    of every objective are infinitely far from others.

    Parameters
    ----------
    points : float64 (n_points, n_objectives)
        Of one front.
    """
    distance = np.zeros(len(points))
    for values in points.T:
        order = np.argsort(values, kind="stable")
        distance[order[[0, -1]]] = np.inf
        span = values[order[-1]] - values[order[0]]
        if span > 0.0:
            distance[order[1:-1]] += (values[order[2:]] - values[order[:-2]]) / span
    return distance


def knee_of(cost: Float64, score: Float64, dearest: float) -> int:
    """Return the front's point beyond which more cost brings little: farthest above the chord.

    I. Das, On characterizing the "knee" of the Pareto curve, Struct. Optim. 18, 1999: the point
    that lies farthest from the line between the ends, both axes scaled to their range. The cost's
    logarithm is taken, because half of it is as good wherever one begins; its range goes up to the
    dearest that was tried, so that a front whose points cost nearly the same has its knee at the
    best of them.

    Parameters
    ----------
    cost, score : float64 (n_points,)
        Of a front, by rising cost; costs above zero.
    dearest : float
        Cost of the dearest point tried, on the front or not.
    """
    x, y = np.log(cost), score
    across = (x - x[0]) / max(float(np.log(dearest)) - x[0], 1e-12)
    up = (y - y[0]) / max(y[-1] - y[0], 1e-12)
    return int((up - across).argmax())
