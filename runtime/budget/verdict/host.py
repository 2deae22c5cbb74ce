"""Would anyone see it in the battery life? The added draw held against a margin.

The margin is declared first: how much of the battery does not matter. The draw is *hidden* when the
upper 95 % bound of what it takes lies below the margin, *visible* when the lower one lies above,
and else *undecided*. How noisy the host is does not come into it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from runtime.budget.inputs.uncertainty import Interval, interval_of
from runtime.budget.verdict.equivalence import equivalence_word
from runtime.budget.verdict.margin import DEFAULT_MARGIN, Margin
from runtime.budget.verdict.planning import Planning, plan_sessions

__all__ = ["RANK", "Verdict", "amount", "host_verdict"]

RANK = {"hidden": 0, "undecided": 1, "visible": 2}
"""Verdicts from the best to the worst."""

_TAKES = {
    "%/day": "it takes {} % of the battery a day",
    "min/charge": "a charge lasts {} min less",
    "mW": "it draws {} mW",
}


@dataclass(frozen=True, slots=True)
class Verdict:
    """The host verdict.

    Parameters
    ----------
    word : str
        ``hidden``, ``visible`` or ``undecided``.
    sentence : str
        The same in one plain sentence, with its numbers.
    margin : Margin
    margin_declared : bool
        Whether somebody declared it; else it is the default.
    margin_mw : float
        The same in mW, at the host's typical values.
    bounds : Interval
        What is held against the margin, in its unit; low and high are one-sided 95 % bounds.
    would_decide : str
        What would decide it, where it is undecided; else empty.
    added_mw, spread_mw : Interval
        Added draw, and the host's standard deviation from session to session.
    ratio : Interval
        Added draw over spread: Cohen's d.
    hours_lost, percent_per_day, mah_per_day : Interval
        What it takes from the battery; hours are those of one charge.
    planning : Planning
        What a tester could see; no part of the verdict.
    """

    word: str
    sentence: str
    margin: Margin
    margin_declared: bool
    margin_mw: float
    bounds: Interval
    would_decide: str
    added_mw: Interval
    spread_mw: Interval
    ratio: Interval
    hours_lost: Interval
    percent_per_day: Interval
    mah_per_day: Interval
    planning: Planning

    @property
    def minutes_lost(self) -> Interval:
        """Minutes by which one charge is shorter."""
        return self.hours_lost.times(60.0)

    @property
    def margin_words(self) -> str:
        """The margin as it was declared, or that nobody did."""
        return f"{self.margin}" + ("" if self.margin_declared else " (the default)")

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        named = {
            key: getattr(self, key).to_json()
            for key in (
                "bounds", "added_mw", "spread_mw", "ratio", "hours_lost", "minutes_lost",
                "percent_per_day", "mah_per_day", "planning",
            )
        }  # fmt: skip
        return {
            "word": self.word,
            "sentence": self.sentence,
            "rule": "hidden: upper 95 % bound below the margin; visible: lower above; "
            "else undecided",
            "margin": {
                "value": self.margin.value,
                "unit": self.margin.unit,
                "declared": self.margin_declared,
                "mw": self.margin_mw,
            },
            "would_decide": self.would_decide,
            **named,
        }


def amount(value: Interval, digits: int = 3) -> str:
    """Say a median with its interval in a few digits: ``0.0165 (0.0143 to 0.0193)``."""
    low, median, high = (
        f"{x:,.0f}" if abs(x) >= 1000.0 else f"{x:.{digits}g}"
        for x in (value.low, value.median, value.high)
    )
    return median if value.low == value.high else f"{median} ({low} to {high})"


def host_verdict(
    added_uw: tuple[float, Any],
    spread_mw: tuple[float, Any],
    use: Mapping[str, tuple[float, Any]],
    margin: Margin | None,
    margin_mw: float,
    host: str,
) -> Verdict:
    """Return the verdict from typical values and draws; what would decide it is left empty.

    Parameters
    ----------
    added_uw, spread_mw : tuple of float and float64 (n_draws,)
        Typical value and draws of the added draw and of the host's deviation between sessions.
    use : mapping
        ``hours_lost``, ``percent_per_day``, ``mah_per_day``: typical value and draws.
    margin : Margin or None
        None for the default.
    margin_mw : float
        The margin in mW at the host's typical values, for people and for planning.
    host : str
        The host's name for the sentence.

    Notes
    -----
    What is compared is drawn in the margin's own unit, so that the host's battery and draw are as
    uncertain there as their ranges say. Spread comes into the planning figures alone.
    """
    declared, margin = margin is not None, margin or DEFAULT_MARGIN
    added = interval_of(added_uw[0] / 1e3, np.asarray(added_uw[1]) / 1e3)
    spread = interval_of(*spread_mw)
    ratio = interval_of(
        added.typical / spread.typical, np.asarray(added_uw[1]) / 1e3 / np.asarray(spread_mw[1])
    )
    used = {key: interval_of(*pair) for key, pair in use.items()}
    bounds = {
        "%/day": used["percent_per_day"],
        "min/charge": used["hours_lost"].times(60.0),
        "mW": added,
    }[margin.unit]
    word = equivalence_word(bounds.low, bounds.high, margin.value)
    said = f"{margin}" + ("" if declared else " (the default)")
    why = {
        "hidden": f"the upper 95 % bound lies below the margin of {said}",
        "visible": f"the lower 95 % bound lies above the margin of {said}",
        "undecided": f"the interval holds the margin of {said}",
    }[word]
    takes = _TAKES[margin.unit].format(amount(bounds))
    return Verdict(
        word=word,
        sentence=f"{word.capitalize()}: {takes} in {host}; {why}.",
        margin=margin,
        margin_declared=declared,
        margin_mw=margin_mw,
        bounds=bounds,
        would_decide="",
        added_mw=added,
        spread_mw=spread,
        ratio=ratio,
        planning=plan_sessions(ratio, spread.typical, added.median, margin_mw),
        **used,
    )
