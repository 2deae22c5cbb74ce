"""How surely a setting is worth having: the front drawn again from people drawn again.

The bootstrap over people (B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993,
chapter 6): as many people as there are, drawn with replacement, the same ones for every setting, so
that what makes a person easy or hard is in all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int64
from trainer.choice.worth.pareto import on_front

__all__ = ["COVERAGE", "FrontBand", "Resampled", "resample", "scores_of"]

N_RESAMPLES = 2000
"""Beyond each end of a 95 % interval lie 50 of them, so that the ends themselves are steady."""
COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class FrontBand:
    """What the best setting up to some power scores, in most resamples.

    Parameters
    ----------
    cost_uw, low, high : float64 (n,)
        Each cost of a setting, rising, and the bounds there, less the optimism.
    optimism : float64 (n,)
        By how much the best is flattered by having been chosen on the people who judge it: the mean
        over resamples of what the best there scores there above what it scores with everybody (B.
        Efron, JASA 78:316, 1983).
    """

    cost_uw: Float64
    low: Float64
    high: Float64
    optimism: Float64

    def flatters(self, cost_uw: float) -> float:
        """Return by how much choosing flatters the best up to a setting's cost."""
        place = int(np.searchsorted(self.cost_uw, cost_uw, side="right")) - 1
        return float(self.optimism[place])


@dataclass(frozen=True, slots=True)
class Resampled:
    """How settings fare over resamples of the people.

    Parameters
    ----------
    low, high : float64 (n_settings,)
        Percentile interval of each setting's score.
    share_on_front : float64 (n_settings,)
        Share of the resamples in which no other setting beats it.
    band : FrontBand
    """

    low: Float64
    high: Float64
    share_on_front: Float64
    band: FrontBand


def scores_of(counts: Int64 | Float64) -> Float64:
    """Return F1 from counts: twice the right ones over all that was answered and all asked.

    Of takes, where each is answered once, that is the accuracy.

    Parameters
    ----------
    counts : (..., 3)
        Right, answered (events detected) and asked (reference events).
    """
    both = counts[..., 1] + counts[..., 2]
    return np.asarray(np.where(both > 0, 2.0 * counts[..., 0] / np.maximum(both, 1), 0.0))


def resample(
    counts: Int64 | Float64,
    cost_uw: Float64,
    rng: np.random.Generator,
    n_resamples: int = N_RESAMPLES,
    score_of: Callable[[Float64], Float64] = scores_of,
) -> Resampled:
    """Draw people again and again, and look at the front each time.

    Parameters
    ----------
    counts : (n_settings, n_people, n_sums)
        Right, answered and asked, of every person at every setting; or other sums that a score is
        made of.
    cost_uw : float64 (n_settings,)
        Power has no part in who is drawn.
    rng : numpy.random.Generator
    n_resamples : int
    score_of : callable
        From sums (..., n_sums) to a score of which more is better, F1 by default.

    Raises
    ------
    UsageError
        There are fewer than two people: one says nothing of others.
    """
    n_people = counts.shape[1]
    if n_people < 2:
        raise UsageError("frontier", "people to draw again", n_people, "at least 2", "record more")
    drawn = rng.multinomial(n_people, np.full(n_people, 1.0 / n_people), size=n_resamples)
    totals = np.einsum("rp,spk->rsk", drawn, counts)
    scores = score_of(totals)
    fronts = np.array([on_front(cost_uw, each) for each in scores])
    order = np.argsort(cost_uw, kind="stable")
    reached = np.maximum.accumulate(scores[:, order], axis=1)
    optimism = _optimism(scores[:, order], score_of(counts.sum(axis=1))[order])
    tails = (1.0 - COVERAGE) / 2.0, (1.0 + COVERAGE) / 2.0
    low, high = np.quantile(scores, tails, axis=0)
    bounds = np.maximum.accumulate(np.quantile(reached, tails, axis=0) - optimism, axis=1)
    band = FrontBand(cost_uw[order], bounds[0], bounds[1], optimism)
    return Resampled(low, high, fronts.mean(axis=0), band)


def _optimism(scores: Float64, with_everybody: Float64) -> Float64:
    """Return how much better the best up to each cost looks to those it was chosen by, at least 0.

    Parameters
    ----------
    scores : float64 (n_resamples, n_settings)
        By rising cost.
    with_everybody : float64 (n_settings,)
    """
    best = np.zeros(len(scores), dtype=np.intp)
    every, found = np.arange(len(scores)), np.zeros(scores.shape[1])
    for index in range(scores.shape[1]):
        best = np.where(scores[:, index] > scores[every, best], index, best)
        found[index] = np.mean(scores[every, best] - with_everybody[best])
    return np.maximum.accumulate(np.maximum(found, 0.0))
