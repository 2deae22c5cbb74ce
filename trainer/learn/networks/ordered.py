"""A network whose classes are numbers that rise: one level, and a cut between each two numbers.

That there are more than k is as likely as the logistic function of the level less cut k says: one
level for all k (P. McCullagh, "Regression models for ordinal data", J. R. Stat. Soc. B 42, 1980).
What is made least is the sum of the cross-entropies of these yes and no, so that to tell two of
five costs more than to tell four; a class by itself does not know that four is nearer.
"""

from __future__ import annotations

from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from runtime.stages.contract.stage import Float64
from trainer.learn.networks.filters import FilterNetwork

__all__ = ["OrderedNetwork"]

Float32 = NDArray[np.float32]


class OrderedNetwork(FilterNetwork):
    """Filters and layers that give one level, as :class:`FilterNetwork` gives scores.

    While it is fitted, its scores are the level less each cut: the columns of the last weights are
    one column, and biases are the cuts below zero. :meth:`finish` leaves the level alone, in
    numbers: cuts are one apart on average, and lie around the middle between their numbers.

    Attributes
    ----------
    coefs_, intercepts_, classes_
        As of :class:`FilterNetwork`. Once it is finished, the last weights have one column, and
        there are no classes.
    cuts_ : float64 (n_classes - 1,)
        Levels from which there is one more, once it is finished.
    """

    most_seen: ClassVar[int | None] = 2_400_000
    """60,000 frames 40 times. Of 525 places, 25 passes in small steps told 70 % of the frames right
    that were learned from, and 30 passes in larger ones 84 %: fewer would leave much unlearned."""

    def finish(self) -> OrderedNetwork:
        """Leave the level alone, in numbers, and keep the cuts; the network is fitted no more."""
        cuts = -np.asarray(self.intercepts_[-1], np.float64)
        apart = max((cuts[-1] - cuts[0]) / (len(cuts) - 1), 1e-6) if len(cuts) > 1 else 1.0
        middle = float(cuts.mean()) / apart - (len(cuts) / 2.0)
        self.cuts_ = cuts / apart - middle
        self.coefs_[-1] = np.asarray(self.coefs_[-1][:, :1] / apart, np.float32)
        self.intercepts_[-1] = np.array([-middle], np.float32)
        del self.classes_
        return self

    def predict(self, x: Float64) -> NDArray[np.float64]:  # type: ignore[override]  # a level
        """Return the level of each window, in numbers, float64 (n_windows,)."""
        parts = [np.zeros(0)]
        for first in range(0, len(x), self.batch_size):
            some = np.asarray(x[first : first + self.batch_size], dtype=np.float32)
            parts.append(self.scores(some)[:, 0].astype(np.float64))
        return np.concatenate(parts)

    @property
    def _n_scores(self) -> int:
        return len(self.classes_) - 1

    def _begin(self, classes: NDArray[np.int64]) -> None:
        super()._begin(classes)
        self._weights[-1][:] = self._weights[-1][:, :1]
        n = self._n_scores
        self._shifts[-1][:] = (n - 1) / 2.0 - np.arange(n)  # one apart

    def _slope_of_scores(self, scores: Float32, targets: NDArray[np.int64]) -> Float32:
        more = targets[:, None] > np.arange(scores.shape[1])
        return np.asarray(expit(scores) - more, scores.dtype)

    def _slopes(self, x: Float32, targets: NDArray[np.int64]) -> list[Float32]:
        slopes = super()._slopes(x, targets)
        last = slopes[len(self._weights) - 1]
        last[:] = last.mean(axis=1, keepdims=True)  # columns stay one
        return slopes
