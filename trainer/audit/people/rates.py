"""Error rates of attackers that score, intervals over people, and how a finding is written.

The rates are those of every text on biometrics: an equal error rate is where as many strangers are
let in as owners are kept out. Intervals come from leaving each person out in turn, because pairs
and takes of one person are alike, and a pair belongs to two.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special

from runtime.errors import UsageError
from runtime.intervals import CONFIDENCE
from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import Finding
from trainer.judge.intervals import IMAGINED

__all__ = [
    "Ranked",
    "area_under_roc",
    "cannot_tell",
    "equal_error_rate",
    "jackknife",
    "mean_of",
    "told",
    "widened",
]

_PLACES = 6


def _both_kinds(genuine: Float64, impostor: Float64) -> None:
    if not len(genuine) or not len(impostor):
        raise UsageError(
            "rates", "scores of owners and of strangers", f"{len(genuine)} and {len(impostor)}",
            "1 or more of each",
        )  # fmt: skip


def equal_error_rate(genuine: Float64, impostor: Float64) -> float:
    """Return the rate at which owners are refused as often as strangers are accepted.

    Between two thresholds both rates are led on in straight lines, as a drawn curve is.

    Parameters
    ----------
    genuine, impostor : float64 (n,), (m,)
        Scores, higher for what looks more like the owner.

    Returns
    -------
    float
        0 where scores part the two, 0.5 of scores that say nothing, 1 where all are the wrong way.

    Raises
    ------
    UsageError
        There are none of one kind.
    """
    _both_kinds(genuine, impostor)
    scores = np.concatenate([genuine, impostor])
    ranked = Ranked.of(scores, np.arange(len(scores)) < len(genuine))
    return ranked.error_rate(np.ones(len(scores), dtype=bool))


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """Scores of owners and strangers in order, once for rates of many parts of them.

    Parameters
    ----------
    order : int64 (n,)
        Which score comes where, rising.
    owners : bool (n,)
        Whether each in that order is an owner's.
    begins : int64 (n_thresholds,)
        Where in that order each score that differs from the one before begins.
    """

    order: Int64
    owners: NDArray[np.bool_]
    begins: Int64

    @classmethod
    def of(cls, scores: Float64, owners: NDArray[np.bool_]) -> Ranked:
        """Rank scores, float64 (n,); `owners` tells whose they are, bool (n,)."""
        order = np.argsort(scores, kind="stable")
        rising = scores[order]
        differs = np.append(True, rising[1:] != rising[:-1])
        return cls(order, owners[order], np.flatnonzero(differs))

    def error_rate(self, kept: NDArray[np.bool_]) -> float:
        """Return the equal error rate of some of the scores, bool (n,) as they were given.

        A threshold that no score of these is at is one where a drawn curve does not bend.
        """
        counted = kept[self.order]
        owners, strangers = counted & self.owners, counted & ~self.owners
        n_owners, n_strangers = int(owners.sum()), int(strangers.sum())
        # Accepted is what reaches the threshold; the last threshold is above all scores.
        under, left = (np.append(0, np.cumsum(each))[self.begins] for each in (owners, strangers))
        refused = np.append(under / n_owners, 1.0)
        accepted = np.append(1.0 - left / n_strangers, 0.0)
        ahead = refused - accepted
        after = int(np.argmax(ahead >= 0.0))
        if ahead[after] == 0.0 or after == 0:
            return float(refused[after] + accepted[after]) / 2.0
        share = ahead[after - 1] / (ahead[after - 1] - ahead[after])
        return float(refused[after - 1] + share * (refused[after] - refused[after - 1]))


def area_under_roc(genuine: Float64, impostor: Float64) -> float:
    """Return how often one of the first kind scores above one of the second, ties counting half.

    That is the area under the receiver operating characteristic (D. Bamber, J. Math. Psychol. 12,
    1975, from memory).

    Raises
    ------
    UsageError
        There are none of one kind.
    """
    _both_kinds(genuine, impostor)
    below = np.sort(impostor)
    left, right = (np.searchsorted(below, genuine, side) for side in ("left", "right"))
    return float((left + right).mean()) / 2.0 / len(below)


def widened(n_attackers: int) -> float:
    """Return the confidence at which the best of several attackers keeps the usual one.

    The strongest of several is strong by chance as well; Bonferroni's bound shares the error out.
    """
    return 1.0 - (1.0 - CONFIDENCE) / n_attackers


def jackknife(
    figure: Callable[[NDArray[np.bool_]], float],
    n_people: int,
    confidence: float = CONFIDENCE,
    *,
    share: bool = True,
    n_least: int | None = None,
) -> tuple[float, float]:
    """Interval of a figure over people, from what it is without each of them.

    Tukey's jackknife, with Student's quantile of one degree of freedom fewer than people; it holds
    for figures of pairs of people too (J. Arvesen, Ann. Math. Stat. 40, 1969, from memory). Where
    the figure is a share, a quarter of a person with 1 and a quarter of one with 0 are counted with
    those met, as :func:`trainer.judge.intervals.over_participants` counts them: that nobody was
    told wrong of few people does not make it certain.

    Parameters
    ----------
    figure : callable
        Of bool (n_people,), who is counted.
    n_people : int
    confidence : float
        Coverage, between 0 and 1.
    share : bool
        Whether the figure lies between 0 and 1.
    n_least : int, optional
        People of the smaller of two groups that the figure compares: it decides how well their
        spread is known. All of them without.

    Returns
    -------
    tuple of float
        Lower and upper bound; everything possible for one person or two.
    """
    ends = (0.0, 1.0) if share else (-math.inf, math.inf)
    if n_people < 3:
        return ends
    value = figure(np.ones(n_people, dtype=bool))
    without = np.array([figure(np.arange(n_people) != i) for i in range(n_people)])
    variance = (n_people - 1) / n_people * float(((without - without.mean()) ** 2).sum())
    if share:
        imagined = IMAGINED * (value**2 + (1.0 - value) ** 2)
        variance += imagined / (n_people + 2 * IMAGINED - 1) / n_people
    degrees = (n_people if n_least is None else n_least) - 1
    half = float(special.stdtrit(degrees, 0.5 + confidence / 2)) * math.sqrt(variance)
    return max(ends[0], value - half), min(ends[1], value + half)


def mean_of(values: Sequence[float] | Float64) -> float:
    """Return the mean, with the rounding of a sum that does not depend on the order."""
    return math.fsum(values) / len(values)


def told(finding: Finding) -> Finding:
    """Return a finding as it is written: figures to a millionth."""
    figures: dict[str, Any] = {
        name: None if value is None else round(value, _PLACES)
        for name in ("value", "blind", "gain", "low", "high")
        for value in [getattr(finding, name)]
    }
    return dataclasses.replace(finding, **figures)


def cannot_tell(
    step: str, question: str, n_people: int, why_not: str, scenes: str = "takes"
) -> Finding:
    """Return a finding without figures: too little was given to say anything."""
    return Finding(
        step, question, scenes, "none", "", "", None, None, None, None, None, n_people, why_not
    )
