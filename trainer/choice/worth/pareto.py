"""What is worth having: points that no other is better than in cost and in score at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64, Int64

__all__ = ["by_area", "hypervolume", "knee_of", "non_dominated_ranks", "on_front"]

AREA_UP_TO = (1.1, 1.1)
"""Of scaled points: a tenth beyond the worst, so that the ends add something as well."""


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


def by_area(points: Float64, there: Float64, n_wanted: int) -> list[int]:
    """Return the points that add most area, each beside all before it: the first adds the most.

    Area as `hypervolume` measures it, both axes scaled to the range of all points, up to the usual
    reference of 1.1. One after another is within a third of the best that so many could add, and
    mostly nearer (G. Nemhauser, L. Wolsey and M. Fisher, Math. Program. 14, 1978: 1 - 1/e).

    Parameters
    ----------
    points : float64 (n_points, 2)
        Less is better in each.
    there : float64 (n_there, 2)
        Points that are had already.
    n_wanted : int
        All where there are no more.
    """
    every = np.vstack([points, there])
    low, high = every.min(axis=0), every.max(axis=0)
    scaled, had = ((p - low) / np.maximum(high - low, 1e-12) for p in (points, there))
    order: list[int] = []
    while len(order) < min(n_wanted, len(points)):
        left = [i for i in range(len(points)) if i not in order]
        areas = [hypervolume(np.vstack([had, scaled[[i]]]), AREA_UP_TO) for i in left]
        order.append(left[int(np.argmax(areas))])
        had = np.vstack([had, scaled[order[-1:]]])
    return order


def knee_of(cost: Float64, score: Float64, dearest: float) -> int:
    """Return the front's point beyond which more cost brings little: farthest above the chord.

    I. Das, On characterizing the "knee" of the Pareto curve, Struct. Optim. 18, 1999: the point
    that lies farthest from the line between the ends, both axes scaled to their range. The line
    begins where half of the best score is reached: below, most of what is asked for is not told,
    and such an end would bend the line towards itself. The cost's
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
    begin = int((score >= score[-1] / 2.0).argmax()) if score[-1] > 0.0 else 0
    x, y = np.log(cost[begin:]), score[begin:]
    across = (x - x[0]) / max(float(np.log(dearest)) - x[0], 1e-12)
    up = (y - y[0]) / max(y[-1] - y[0], 1e-12)
    return begin + int((up - across).argmax())
