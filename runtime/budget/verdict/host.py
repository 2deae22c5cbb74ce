"""Would anyone see it in the battery life? A two-sample power analysis of battery-drain runs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from runtime.budget.inputs.uncertainty import Interval, interval_of

__all__ = [
    "Verdict",
    "detection_power",
    "host_verdict",
    "many",
    "runs_needed",
    "smallest_difference",
]

_ALPHA = 0.05
_POWER = 0.80
_NEVER = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Verdict:
    """The host verdict.

    Parameters
    ----------
    word : str
        ``hidden``, ``borderline`` or ``visible``.
    sentence : str
        The same in one plain sentence.
    runs : Interval
        Runs a side needed to see the added draw; low is the most visible case.
    threshold_runs : int
        Runs a side up to which seeing it counts as visible.
    added_mw, spread_mw : Interval
        Added draw, and the host's run-to-run standard deviation.
    ratio : Interval
        Added draw over spread: Cohen's d.
    detectable_mw : float
        Smallest added draw that `threshold_runs` runs a side would show.
    hours_lost, percent_per_day, mah_per_day : Interval
        What it takes from the battery, seen or not.
    """

    word: str
    sentence: str
    runs: Interval
    threshold_runs: int
    added_mw: Interval
    spread_mw: Interval
    ratio: Interval
    detectable_mw: float
    hours_lost: Interval
    percent_per_day: Interval
    mah_per_day: Interval

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        named = {
            key: getattr(self, key).to_json()
            for key in (
                "runs", "added_mw", "spread_mw", "ratio",
                "hours_lost", "percent_per_day", "mah_per_day",
            )
        }  # fmt: skip
        return {
            "word": self.word,
            "sentence": self.sentence,
            "threshold_runs": self.threshold_runs,
            "detectable_mw": self.detectable_mw,
            "test": "two-sample t, 5 % two-sided, 80 % power",
            **named,
        }


def detection_power(effect: float, n: int) -> float:
    """Power of the two-sided two-sample t test with n runs a side at standardised effect d.

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


def runs_needed(effect: float) -> int:
    """Smallest number of runs a side at which an effect is detected with 80 % power.

    Parameters
    ----------
    effect : float
        Added draw over the run-to-run standard deviation, >= 0.

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
    """Smallest difference that n runs a side detect, in the unit of `spread`; n >= 2.

    About 2.8 spread sqrt(2 / n) when n is large.
    """
    from scipy.optimize import brentq

    top = 1.0
    while detection_power(top, n) < _POWER:
        top *= 2.0
    effect = brentq(lambda d: detection_power(d, n) - _POWER, 1e-9, top, xtol=1e-12)
    return spread * float(effect)


def many(n: float) -> str:
    """Say a number of runs, in three digits at most."""
    if n > 1_000_000:
        return "more than a million"
    if n < 1000:
        return f"{n:.0f}"
    return f"about {round(int(n), 3 - len(str(int(n)))):,}"


def host_verdict(
    added_uw: tuple[float, Any],
    spread_mw: tuple[float, Any],
    use: dict[str, tuple[float, Any]],
    threshold_runs: int,
    host: str,
) -> Verdict:
    """Return the verdict from typical values and draws.

    Parameters
    ----------
    added_uw, spread_mw : tuple of float and float64 (n_draws,)
        Typical value and draws of the added draw and of the host's run-to-run deviation.
    use : dict
        ``hours_lost``, ``percent_per_day``, ``mah_per_day``: typical value and draws.
    threshold_runs : int
        From the limits file, >= 2.
    host : str
        The host's name for the sentence.

    Notes
    -----
    The number of runs falls with the ratio, so its 90 % interval is that of the ratio, turned.
    Hidden: even the most visible end of the interval needs more than `threshold_runs`. Visible:
    even the least visible end needs no more. Borderline: in between.
    """
    added = interval_of(added_uw[0] / 1e3, np.asarray(added_uw[1]) / 1e3)
    spread = interval_of(*spread_mw)
    ratio = interval_of(
        added.typical / spread.typical, np.asarray(added_uw[1]) / 1e3 / np.asarray(spread_mw[1])
    )
    runs = Interval(
        float(runs_needed(ratio.typical)),
        float(runs_needed(ratio.high)),
        float(runs_needed(ratio.low)),
    )
    if runs.low > threshold_runs:
        word = "hidden"
        sentence = (
            f"Hidden: {threshold_runs} battery-drain runs with it and {threshold_runs} without "
            f"would not show it on {host}; {many(runs.typical)} a side would be needed."
        )
    elif runs.high <= threshold_runs:
        word = "visible"
        sentence = (
            f"Visible: {many(runs.typical)} battery-drain runs a side would show it on "
            f"{host}; the threshold is {threshold_runs}."
        )
    else:
        word = "borderline"
        sentence = (
            f"Borderline: {many(runs.low)} to {many(runs.high)} battery-drain runs a "
            f"side would show it on {host}; the threshold of {threshold_runs} lies inside."
        )
    return Verdict(
        word=word,
        sentence=sentence,
        runs=runs,
        threshold_runs=threshold_runs,
        added_mw=added,
        spread_mw=spread,
        ratio=ratio,
        detectable_mw=smallest_difference(spread.typical, threshold_runs),
        **{key: interval_of(*pair) for key, pair in use.items()},
    )
