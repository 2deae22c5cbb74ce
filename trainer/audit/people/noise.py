"""Noise with a promise: what an attacker can learn of one told answer is bounded by an epsilon.

A mechanism is epsilon differentially private for one answer when no two things that could have been
there make any outcome more than exp(epsilon) times likelier than one another (C. Dwork and A. Roth,
The Algorithmic Foundations of Differential Privacy, 2014, definition 2.4, from memory). That holds
by construction here, for any model: an answer is one of so many, a value is clipped to its range.
It holds for what leaves the device, answer by answer, where one is given at a time that nobody in
front of it decides; the epsilons of several add up. Whether and when a device answers, it does not
hide, unless silence is one of the answers and each is told on the beat of a clock. Of values
inside the chain, whose range says nothing about what one person changes, none is stated.
"""

from __future__ import annotations

import math

import numpy as np

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int64

__all__ = ["chance_of_truth", "noised_answers", "noised_values"]


def chance_of_truth(n_answers: int, epsilon: float) -> float:
    """Return how often an answer is told as it is by randomised response among several.

    With that chance it is told, else any one of the others: exp(epsilon) to 1 for each of them,
    which is the bound itself (S. Warner, J. Am. Stat. Assoc. 60, 1965, for two; for more it is also
    called k-ary randomised response, from memory).

    Raises
    ------
    UsageError
        Fewer than two answers, or an epsilon that is not above 0.
    """
    if n_answers < 2 or not (epsilon > 0 and math.isfinite(epsilon)):
        raise UsageError(
            "noise", "answers and epsilon", f"{n_answers} and {epsilon}", "2 or more and above 0"
        )
    # exp(-epsilon) does not overflow, whatever epsilon is.
    return 1.0 / (1.0 + (n_answers - 1) * math.exp(-epsilon))


def noised_answers(
    answers: Int64, n_answers: int, epsilon: float, rng: np.random.Generator
) -> Int64:
    """Tell answers by randomised response.

    Parameters
    ----------
    answers : int64 (n,)
        0 to `n_answers`, exclusive; an answer "nothing" is one of them.
    n_answers : int
    epsilon : float
        Of each answer, above 0.
    rng : Generator

    Returns
    -------
    int64 (n,)

    Raises
    ------
    UsageError
        As :func:`chance_of_truth` raises it.
    """
    truthful = rng.random(len(answers)) < chance_of_truth(n_answers, epsilon)
    others = (answers + rng.integers(1, n_answers, len(answers))) % n_answers
    return np.where(truthful, answers, others)


def noised_values(
    values: Float64, ends: tuple[float, float], epsilon: float, rng: np.random.Generator
) -> Float64:
    """Tell values with Laplace noise, clipped to their range first.

    The noise's scale is the range over epsilon: the range is how much anything at all could change
    a value (Dwork and Roth, 2014, section 3.3, from memory). What comes out is clipped again, which
    gives nothing away.

    Parameters
    ----------
    values : float64 (n,)
    ends : (float, float)
        Lowest and highest value that is ever told.
    epsilon : float
        Of each value, above 0.
    rng : Generator

    Raises
    ------
    UsageError
        The range is empty, or epsilon is not above 0.
    """
    low, high = ends
    if not (low < high and epsilon > 0 and math.isfinite(high - low)):
        raise UsageError("noise", "range and epsilon", f"{ends} and {epsilon}", "above 0, finite")
    clipped = np.clip(values, low, high)
    return np.clip(clipped + rng.laplace(0.0, (high - low) / epsilon, len(values)), low, high)
