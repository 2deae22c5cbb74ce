"""Intervals of counted things: proportions and event rates.

All but one are two-sided. They are exact or score intervals from textbooks, written with the
inverse functions of :mod:`scipy.special`: importing ``scipy.stats`` costs more than a second.
"""

from __future__ import annotations

import math

from scipy import special

from runtime.errors import UsageError

__all__ = [
    "CONFIDENCE",
    "clopper_pearson",
    "garwood",
    "garwood_upper",
    "score_bounds",
    "time_counted",
    "wilson",
]

CONFIDENCE = 0.95


def _check_counts(successes: float, trials: float) -> None:
    if not 0 <= successes <= trials or trials < 1:
        raise UsageError(
            "interval", "successes of trials", f"{successes} of {trials}", "0 to trials"
        )


def wilson(successes: float, trials: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Score interval of a proportion (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927).

    Parameters
    ----------
    successes, trials : float
        0 <= successes <= trials; fractions are allowed for means of proportions.
    confidence : float
        Coverage, between 0 and 1.

    Returns
    -------
    tuple of float
        Lower and upper bound, each in [0, 1].

    Raises
    ------
    UsageError
        The counts are negative, or more successes than trials.
    """
    _check_counts(successes, trials)
    return score_bounds(successes / trials, trials, float(special.ndtri(0.5 + confidence / 2)))


def score_bounds(rate: float, trials: float, quantile: float) -> tuple[float, float]:
    """Return the rates from which an observed one is `quantile` standard errors away (E. Wilson).

    Parameters
    ----------
    rate : float
        Observed proportion, 0 to 1.
    trials : float
        Independent trials it rests on, > 0.
    quantile : float
        Of the normal distribution, or of one with heavier tails.
    """
    spread = quantile * quantile / trials
    centre = (rate + spread / 2) / (1 + spread)
    half = math.sqrt(rate * (1 - rate) * spread + spread * spread / 4) / (1 + spread)
    return max(0.0, centre - half), min(1.0, centre + half)


def clopper_pearson(
    successes: int, trials: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Exact interval of a proportion (Clopper and Pearson, Biometrika 26, 1934).

    Parameters and errors are those of :func:`wilson`; the bounds come from the beta distribution.
    """
    _check_counts(successes, trials)
    tail = (1 - confidence) / 2
    failures = trials - successes
    low = 0.0 if successes == 0 else float(special.betaincinv(successes, failures + 1, tail))
    high = 1.0 if failures == 0 else float(special.betaincinv(successes + 1, failures, 1 - tail))
    return low, high


def garwood(n_events: int, hours: float, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a Poisson rate (F. Garwood, Biometrika 28, 1936), events per hour.

    Parameters
    ----------
    n_events : int
        Events counted, >= 0.
    hours : float
        Time watched, hours, > 0.
    confidence : float
        Coverage, between 0 and 1.

    Raises
    ------
    UsageError
        A negative count or a time that is not positive.
    """
    tail = (1 - confidence) / 2
    high = garwood_upper(n_events, hours, 1 - tail)
    low = 0.0 if n_events == 0 else float(special.gammaincinv(n_events, tail)) / hours
    return low, high


def garwood_upper(n_events: int, hours: float, confidence: float = CONFIDENCE) -> float:
    """Exact one-sided upper bound of a Poisson rate: what a claim of "at most" rests on.

    Without a single event it is -ln(1 - confidence) / hours, the "rule of three" at 95 %.
    Parameters and errors are those of :func:`garwood`.
    """
    if n_events < 0 or not hours > 0:
        raise UsageError(
            "interval", "events in hours", f"{n_events} in {hours}", "0 or more in > 0"
        )
    return float(special.gammaincinv(n_events + 1, confidence)) / hours


def time_counted(hours: float) -> str:
    """Say to the second in how much time events were counted: ``3 min 16 s``, ``25 h 36 min 4 s``.

    Parameters
    ----------
    hours : float
        At least 0.
    """
    seconds = round(3600.0 * hours)
    parts = ((seconds // 3600, "h"), (seconds // 60 % 60, "min"), (seconds % 60, "s"))
    return " ".join(f"{n:,} {unit}" for n, unit in parts if n) or "0 s"
