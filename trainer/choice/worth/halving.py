"""Successive halving: all are tried cheaply, the better ones again, the best in full.

K. Jamieson and A. Talwalkar, Non-stochastic best arm identification and hyperparameter
optimization, AISTATS 2016. "Better" has two sides here, so that those go on which fewest others
beat in power and score at once, and of a front that does not go on whole, its best score, which
all else is held against, and those that add most area to what goes on: a cheap end at which hardly
anything is recognised adds little.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence

import numpy as np

from runtime.stages.contract.stage import Float64
from trainer.choice.worth.pareto import by_area, non_dominated_ranks

__all__ = ["Countdown", "promoted"]

Notify = Callable[[str], None]


def promoted(cost: Float64, score: Float64, n_wanted: int, always: Sequence[int] = ()) -> list[int]:
    """Return which settings go on, in their order.

    Parameters
    ----------
    cost, score : float64 (n,)
    n_wanted : int
        How many, at least 1; all where there are no more.
    always : sequence of int
        Settings that go on whatever their score.
    """
    points = np.stack([cost, -score], axis=1)
    ranks = non_dominated_ranks(points)
    best = int(np.lexsort((cost, -score))[0])
    chosen = list(dict.fromkeys([*always, best]))[:n_wanted]
    for rank in range(int(ranks.max()) + 1 if len(ranks) else 0):
        front = np.array([i for i in np.flatnonzero(ranks == rank) if i not in chosen], np.intp)
        if len(front):
            most = by_area(points[front], points[chosen], n_wanted - len(chosen))
            chosen += front[most].tolist()
    return sorted(chosen)


class Countdown:
    """Says how far a step is, and about how long the rest of it takes.

    Parameters
    ----------
    tell : callable
        Is told in a few words.
    what : str
        The step.
    """

    def __init__(self, tell: Notify, what: str) -> None:
        self._tell, self._what = tell, what
        self._began_s = time.monotonic()
        self._first: int | None = None

    def __call__(self, how_far: str) -> None:
        """Tell of ``n of m``, as those who run jobs say it."""
        done, _, total = how_far.partition(" of ")
        n, m = int(done), int(total)
        if self._first is None:
            self._first = n
        self._tell(f"{self._what}, {how_far}{self._left(n - self._first, m - n)}")

    def _left(self, done: int, left: int) -> str:
        if done <= 0 or left <= 0:
            return ""
        seconds = (time.monotonic() - self._began_s) / done * left
        if seconds < 60.0:
            return ", under a minute left"
        return f", about {round(seconds / 60.0)} min left"
