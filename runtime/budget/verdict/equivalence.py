"""Equivalence: whether an added draw is shown to be below a margin, above it, or neither.

The words need evidence: *hidden* means that the upper 95 % bound lies below the margin, *visible*
that the lower one lies above it, and everything else is *undecided*. So more power, or a noisier
bench, can never turn a verdict into a better one. (Schuirmann, A comparison of the two one-sided
tests procedure and the power approach, J. Pharmacokinet. Biopharm. 15, 1987.)
"""

from __future__ import annotations

import math

from runtime.errors import UsageError

__all__ = ["ALPHA", "POWER", "equivalence_word", "one_sided_tests", "tost_power", "units_needed"]

ALPHA = 0.05
"""Of each one-sided test, so that the bounds are those of a 90 % interval. A convention."""

POWER = 0.80
"""Chance to reach a verdict that a plan is made for. A convention."""

_MOST_UNITS = 1_000_000


def equivalence_word(low: float, high: float, margin: float) -> str:
    """Return ``hidden``, ``visible`` or ``undecided``.

    Parameters
    ----------
    low, high : float
        Lower and upper 95 % bound of the added draw.
    margin : float
        Above 0, in the same unit.
    """
    if high < margin:
        return "hidden"
    return "visible" if low > margin else "undecided"


def one_sided_tests(
    difference: float, standard_error: float, freedom: float, margin: float
) -> tuple[float, float]:
    """Return the p values of the two one-sided t tests against minus and plus the margin.

    Parameters
    ----------
    difference, standard_error : float
        Estimate, and its standard error (0 where every difference is the same).
    freedom : float
        Degrees of freedom.
    margin : float
        Above 0. Equivalence at 5 % needs both p values below 0.05.
    """
    from scipy.stats import t

    if standard_error == 0.0:
        return float(difference <= -margin), float(difference >= margin)
    below = float(t.sf((difference + margin) / standard_error, freedom))
    above = float(t.cdf((difference - margin) / standard_error, freedom))
    return below, above


def tost_power(
    difference: float, margin: float, error: float, freedom: float, alpha: float = ALPHA
) -> float:
    """Return the exact chance that both one-sided tests reject.

    Parameters
    ----------
    difference : float
        True difference.
    margin : float
        Above 0.
    error : float
        True standard error of the estimated difference.
    freedom : float
        Degrees of freedom of the estimated standard error.

    Notes
    -----
    With the estimated error at u times the true one, both tests reject while the estimate lies
    within margin - t u error of 0. That chance is normal; u is sqrt(chi-squared / freedom), over
    which it is integrated. (Owen, Biometrika 52, 1965; the integral is Owen's Q in other words.)
    """
    from scipy.integrate import quad
    from scipy.special import ndtr, stdtrit

    critical = float(stdtrit(freedom, 1.0 - alpha))
    most = margin / (critical * error)
    # Density of sqrt(chi-squared / freedom); scipy.stats has it too, at twenty times the time.
    constant = 0.5 * freedom * math.log(0.5 * freedom) - math.lgamma(0.5 * freedom) + math.log(2.0)

    def at(u: float) -> float:
        if u <= 0.0:
            return 0.0
        room = margin - critical * u * error
        inside = ndtr((room - difference) / error) - ndtr((-room - difference) / error)
        log_density = constant + (freedom - 1.0) * math.log(u) - 0.5 * freedom * u * u
        return float(inside * math.exp(log_density))

    # The density of u is narrow around 1: leave out where it holds nothing, or quad may miss it.
    spread = 12.0 / math.sqrt(2.0 * freedom)
    low, high = max(0.0, 1.0 - spread), min(most, 1.0 + spread)
    if high <= low:
        return 0.0
    return min(1.0, float(quad(at, low, high, limit=200)[0]))


def units_needed(
    difference: float, margin: float, spread: float, *, paired: bool, power: float = POWER
) -> int:
    """Return the fewest units (sessions) that reach `power` for a verdict of equivalence.

    Parameters
    ----------
    difference, margin : float
        True difference expected, and the margin; the same unit.
    spread : float
        Standard deviation of a unit (unpaired), or of a unit's difference (paired).
    paired : bool
        Paired: each unit gives one difference. Else units are counted a side.

    Raises
    ------
    UsageError
        The difference expected is not below the margin, or a million units are not enough.
    """
    if abs(difference) >= margin:
        raise UsageError(
            "plan", "difference expected", f"{difference:g}", f"below the margin of {margin:g}",
            "no number of runs shows a draw to be below a margin that it reaches",
        )  # fmt: skip

    def reached(n: int) -> bool:
        error = spread * math.sqrt((1.0 if paired else 2.0) / n)
        return tost_power(difference, margin, error, n - 1 if paired else 2 * n - 2) >= power

    high = 2
    while not reached(high):
        high *= 2
        if high > _MOST_UNITS:
            raise UsageError("plan", "units needed", "more than a million", "fewer", "widen it")
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if middle >= 2 and reached(middle) else (middle, high)
    return high
