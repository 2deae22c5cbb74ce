"""The interval beside every figure that is a mean over participants."""

from __future__ import annotations

import math
from collections.abc import Sequence

from runtime.errors import UsageError
from runtime.intervals import CONFIDENCE, wilson

__all__ = ["over_participants"]


def over_participants(
    values: Sequence[float], n_takes: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Interval of a mean over participants, whose takes are alike and so are not independent.

    Wilson's interval, for as many takes as the design effect leaves (L. Kish, Survey Sampling,
    1965): the variance of the mean between participants over its variance if every take were
    independent. It is at least 1, and at most what makes each participant count as a single take.
    With two or three participants it is itself a rough estimate.

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
    if n == 0 or n_takes < n:
        raise UsageError("interval", "takes of participants", f"{n_takes} of {n}", "1 of 1 or more")
    if n == 1:
        return 0.0, 1.0
    mean = min(1.0, math.fsum(values) / n)
    between = math.fsum((v - mean) ** 2 for v in values) / (n - 1) / n
    independent = mean * (1 - mean) / n_takes
    effect = between / independent if independent > 0 else 1.0
    effective = n_takes / min(max(1.0, effect), n_takes / n)
    return wilson(mean * effective, effective, confidence)
