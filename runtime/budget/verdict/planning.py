"""Planning figures: how many sessions of battery runs a tester would need, and for what.

They decide nothing. A noisy host makes a draw hard to find, and that is no merit of the draw's: the
verdict (:mod:`runtime.budget.verdict.host`) does not look at them. The unit is the session: runs of
one session share its temperature, its battery and its background work, and are no independent
evidence.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.verdict.equivalence import units_needed
from runtime.errors import UsageError

__all__ = [
    "PLANNED_SESSIONS",
    "Planning",
    "detection_power",
    "many",
    "plan_sessions",
    "sessions_needed",
    "smallest_difference",
]

_ALPHA = 0.05
_POWER = 0.80
_NEVER = 1_000_000_000
PLANNED_SESSIONS = 10
"""Sessions a side whose reach is told: as many as the measured table of a phone has."""


@dataclass(frozen=True, slots=True)
class Planning:
    """What a tester could see, and would need, with sessions with and sessions without.

    Parameters
    ----------
    sessions : Interval
        Sessions a side that would tell the added draw from nothing; low is the easiest case.
    sessions_given : int
    detectable_mw : float
        Smallest added draw that `sessions_given` sessions a side would tell from nothing.
    sessions_to_show_hidden : int or None
        Sessions a side that would show the added draw to be below the margin; None where it is
        not below it, or a million are not enough.
    """

    sessions: Interval
    sessions_given: int
    detectable_mw: float
    sessions_to_show_hidden: int | None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "unit": "session",
            "test": "two-sample t, 5 % two-sided, 80 % power",
            "sessions_a_side": self.sessions.to_json(),
            "sessions_given": self.sessions_given,
            "detectable_mw": self.detectable_mw,
            "sessions_a_side_to_show_hidden": self.sessions_to_show_hidden,
        }


def detection_power(effect: float, n: int) -> float:
    """Power of the two-sided two-sample t test with n sessions a side at standardised effect d.

    Notes
    -----
    Noncentral t with 2n - 2 degrees of freedom and noncentrality d sqrt(n / 2): Cohen (1988),
    Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
    """
    from scipy.stats import nct, t

    freedom = 2 * n - 2
    centre = effect * math.sqrt(n / 2.0)
    bound = float(t.ppf(1.0 - _ALPHA / 2.0, freedom))
    if centre > bound + 10.0:  # certain to 15 digits, and where the noncentral t loses its own
        return 1.0
    wrong_side = float(nct.cdf(-bound, freedom, centre)) if centre < 5.0 else 0.0
    return float(nct.sf(bound, freedom, centre)) + wrong_side


def sessions_needed(effect: float) -> int:
    """Smallest number of sessions a side at which an effect is detected with 80 % power.

    Parameters
    ----------
    effect : float
        Added draw over the standard deviation from session to session, >= 0.

    Returns
    -------
    int
        At least 2; capped at one thousand million, which stands for never.
    """
    from scipy.stats import norm

    if effect <= 0.0:
        return _NEVER
    sum_of_z = float(norm.ppf(1 - _ALPHA / 2) + norm.ppf(_POWER))
    normal = 2.0 * (sum_of_z / effect) ** 2
    if normal > 100_000:  # there t and normal agree to far better than one part in 10,000
        return min(_NEVER, math.ceil(normal))
    low, high = 1, max(2, math.ceil(normal) + 8)
    while detection_power(effect, high) < _POWER:
        high *= 2
    while high - low > 1:
        middle = (low + high) // 2
        if detection_power(effect, middle) >= _POWER:
            high = middle
        else:
            low = middle
    return high


def smallest_difference(spread: float, n: int) -> float:
    """Smallest difference that n sessions a side detect, in the unit of `spread`; n >= 2.

    About 2.8 spread sqrt(2 / n) when n is large.
    """
    from scipy.optimize import brentq

    top = 1.0
    while detection_power(top, n) < _POWER:
        top *= 2.0
    effect = brentq(lambda d: detection_power(d, n) - _POWER, 1e-9, top, xtol=1e-12)
    return spread * float(effect)


def many(n: float) -> str:
    """Say a number of sessions, in three digits at most."""
    if n > 1_000_000:
        return "more than a million"
    if n < 1000:
        return f"{n:.0f}"
    return f"about {round(int(n), 3 - len(str(int(n)))):,}"


def plan_sessions(ratio: Interval, spread_mw: float, added_mw: float, margin_mw: float) -> Planning:
    """Return the planning figures of an added draw.

    Parameters
    ----------
    ratio : Interval
        Added draw over the host's deviation from session to session: Cohen's d.
    spread_mw : float
        That deviation, typical.
    added_mw, margin_mw : float
        Added draw (median), and the margin.

    Notes
    -----
    The number of sessions falls with the ratio, so its interval is that of the ratio, turned.
    """
    sessions = Interval(
        float(sessions_needed(ratio.typical)),
        float(sessions_needed(ratio.high)),
        float(sessions_needed(ratio.low)),
        float(sessions_needed(ratio.median)),
    )
    try:
        shown = units_needed(added_mw, margin_mw, spread_mw, paired=False)
    except UsageError:
        shown = None
    return Planning(
        sessions, PLANNED_SESSIONS, smallest_difference(spread_mw, PLANNED_SESSIONS), shown
    )
