"""Intervals of means over participants, and of differences between two pipelines on the same ones.

`tests/bench/bench_intervals.py` prints how often they cover the truth, for 3 to 48 people.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from scipy import special

from runtime.errors import UsageError
from runtime.intervals import CONFIDENCE, score_bounds

__all__ = ["difference_over_participants", "over_participants"]

IMAGINED = 0.25
"""Of a person, imagined on either side of those met when their spread is estimated: few people who
happen to be alike say little of how different others are. Half a person in all: of a tenth, the
intervals cover less than they say where most people are always right and a few never; more than a
half only makes them wider (the benchmark's table)."""


def _people(n: int, n_takes: int) -> None:
    if n == 0 or n_takes < n:
        raise UsageError("interval", "takes of participants", f"{n_takes} of {n}", "1 of 1 or more")


def _quantile(n: int, confidence: float) -> float:
    """Return Student's, for a spread that is estimated from n people: n - 1 degrees of freedom."""
    return float(special.stdtrit(n - 1, 0.5 + confidence / 2))


def over_participants(
    values: Sequence[float], n_takes: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Interval of a mean over participants, whose takes are alike and so are not independent.

    Wilson's interval, for as many takes as the design effect leaves (L. Kish, Survey Sampling,
    1965): the variance of the mean between participants over its variance if every take were
    independent. It is at least 1, and at most what makes each participant count as a single take.
    The variance between participants is itself an estimate: Student's quantile with one degree of
    freedom fewer than participants takes the normal's place, and a quarter of a person who is
    always right and a quarter of one who never is are counted with those met.

    Parameters
    ----------
    values : sequence of float
        One accuracy or F1 per participant, each in [0, 1]; all with about as many takes.
    n_takes : int
        Takes of all participants together, at least one each.
    confidence : float
        Coverage, between 0 and 1.

    Returns
    -------
    tuple of float
        Lower and upper bound; [0, 1] for a single participant, who says nothing of others.

    Raises
    ------
    UsageError
        No participants, or fewer takes than participants.
    """
    n = len(values)
    _people(n, n_takes)
    if n == 1:
        return 0.0, 1.0
    mean = min(1.0, math.fsum(values) / n)
    centre = (n * mean + IMAGINED) / (n + 2 * IMAGINED)
    squares = [(v - centre) ** 2 for v in values]
    squares += [IMAGINED * centre**2, IMAGINED * (1 - centre) ** 2]
    between = math.fsum(squares) / (n + 2 * IMAGINED - 1) / n
    effect = between * n_takes / (centre * (1 - centre))
    effective = n_takes / min(max(1.0, effect), n_takes / n)
    return score_bounds(mean, effective, _quantile(n, confidence))


def difference_over_participants(
    first: Sequence[float], second: Sequence[float], n_takes: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Interval of how much better the first of two pipelines does, paired over participants.

    Student's interval of the participants' own differences: what makes a person easy or hard for
    both has no part in it. One take more and one take fewer are counted with the squares of those
    met: where pipelines differ by a few takes only, a few more would have been as likely, and no
    difference at all is not certain.

    Parameters
    ----------
    first, second : sequence of float
        One accuracy per participant, each in [0, 1], in the same order.
    n_takes : int
        Takes of all participants together, at least one each.
    confidence : float
        Coverage, between 0 and 1.

    Returns
    -------
    tuple of float
        Lower and upper bound of first minus second; [-1, 1] for a single participant.

    Raises
    ------
    UsageError
        No participants, fewer takes than participants, or not the same participants.
    """
    n = len(first)
    _people(n, n_takes)
    if len(second) != n:
        raise UsageError("interval", "participants of the second", len(second), n)
    if n == 1:
        return -1.0, 1.0
    differences = [a - b for a, b in zip(first, second, strict=True)]
    mean = math.fsum(differences) / n
    squares = [(d - mean) ** 2 for d in differences]
    squares += [(n / n_takes) ** 2] * 2
    error = math.sqrt(math.fsum(squares) / (n - 1) / n)
    half = _quantile(n, confidence) * error
    return max(-1.0, mean - half), min(1.0, mean + half)
