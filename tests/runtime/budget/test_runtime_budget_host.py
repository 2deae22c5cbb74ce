"""The host verdict's arithmetic: power of the test, numbers of runs, and the words they lead to."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.power import TTestIndPower

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.verdict.host import (
    Verdict,
    detection_power,
    host_verdict,
    many,
    runs_needed,
    smallest_difference,
)


@pytest.mark.parametrize(
    ("effect", "n"),
    [(d, n) for d in (0.0, 0.02, 0.3, 1.0, 3.0) for n in (2, 3, 12)] + [(0.02, 150), (0.3, 150)],
)
def test_power_is_that_of_another_library(effect: float, n: int) -> None:
    """Power is that of statsmodels' TTestIndPower at 5 %, both sides, whatever effect and runs."""
    other = TTestIndPower().power(effect, n, 0.05, alternative="two-sided")
    assert detection_power(effect, n) == pytest.approx(float(other), abs=1e-9)


def test_power_without_an_effect_is_the_level_and_with_a_huge_one_certainty() -> None:
    """No effect is detected in 5 % of cases, half of them on each side; a huge one always."""
    assert detection_power(0.0, 7) == pytest.approx(0.05, abs=1e-12)
    assert detection_power(60.0, 30) == 1.0
    assert detection_power(1e6, 2) == 1.0


@pytest.mark.parametrize(("d", "n"), [(10.9, 30), (11.5, 12), (13.0, 30), (5.2, 4)])
def test_power_has_no_step_where_its_formula_changes(d: float, n: int) -> None:
    """Power rises with the effect, by less than a millionth where the effect is large."""
    around = [detection_power(d * (1 + k / 500), n) for k in range(-5, 6)]
    assert around == sorted(around)
    assert around[-1] - around[0] < (1e-6 if n > 4 else 0.02)
    assert around[-1] <= 1.0


@settings(max_examples=30, deadline=None)
@given(st.floats(0.02, 6.0))
def test_the_number_of_runs_is_the_smallest_that_suffices(effect: float) -> None:
    """With that many runs a side the power is 80 %, and with one fewer it is not."""
    n = runs_needed(effect)
    assert detection_power(effect, n) >= 0.8
    assert n == 2 or detection_power(effect, n - 1) < 0.8


@pytest.mark.parametrize("effect", [0.0125, 0.0126, 0.005, 0.001])
def test_large_numbers_of_runs_agree_with_another_library(effect: float) -> None:
    """Beyond a hundred thousand runs too, the number is statsmodels' within one part in 10,000."""
    n = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8, alternative="two-sided")
    assert runs_needed(effect) == pytest.approx(float(np.squeeze(n)), rel=1e-4)
    # 2 (1.959964 + 0.841621)^2 / d^2: the normal quantiles at 97.5 and 80 %, from memory.
    assert runs_needed(effect) == pytest.approx(2 * 2.801585**2 / effect**2, rel=1e-4)


def test_runs_are_at_least_two_and_at_most_never() -> None:
    """Two runs a side are the fewest that have a spread; a thousand million stands for never."""
    assert runs_needed(500.0) == 2
    assert runs_needed(1e-3) == math.ceil(2 * 2.8015852**2 / 1e-6)
    assert runs_needed(1e-7) == runs_needed(0.0) == runs_needed(-1.0) == 1_000_000_000


@pytest.mark.parametrize("n", [2, 3, 20, 5000])
def test_the_smallest_difference_scales_with_the_spread(n: int) -> None:
    """The smallest difference is detected with 80 % power, in the unit of the spread."""
    found = smallest_difference(1.0, n)
    assert detection_power(found, n) == pytest.approx(0.8, abs=1e-9)
    assert smallest_difference(2.5, n) == pytest.approx(2.5 * found, rel=1e-12)


@pytest.mark.parametrize(
    ("n", "said"),
    [
        (2, "2"), (999, "999"), (1000, "about 1,000"), (1004, "about 1,000"),
        (1006, "about 1,010"), (627_911, "about 628,000"), (999_999, "about 1,000,000"),
        (1_000_000, "about 1,000,000"), (1_000_001, "more than a million"),
    ],
)  # fmt: skip
def test_runs_up_to_a_thousand_are_said_exactly_and_none_beyond_a_million(
    n: int, said: str
) -> None:
    """Below a thousand the number itself is said, then three digits, then only that it is many."""
    assert many(n) == said


def a_verdict(added_uw: Any, spread_mw: Any, threshold: int) -> Verdict:
    use = {
        "hours_lost": (0.5, np.array([0.4, 0.4, 0.4])),
        "percent_per_day": (2.0, np.array([1.0, 1.0, 1.0])),
        "mah_per_day": (6.0, np.array([5.0, 5.0, 5.0])),
    }
    return host_verdict(added_uw, spread_mw, use, threshold, "a watch")


def flat(value: float) -> tuple[float, Any]:
    return value, np.full(5, value)


def test_exactly_the_threshold_is_visible_and_one_more_is_hidden() -> None:
    """As many runs as the threshold still show it; where one is lacking it is hidden."""
    n = runs_needed(0.5)  # 64, Cohen (1988), table 2.4.1
    visible, hidden = (a_verdict(flat(500.0), flat(1.0), t) for t in (n, n - 1))
    assert (visible.word, hidden.word) == ("visible", "hidden")
    assert (visible.threshold_runs, hidden.threshold_runs) == (n, n - 1)
    assert visible.sentence == (
        "Visible: 64 battery-drain runs a side would show it on a watch; the threshold is 64."
    )
    assert hidden.sentence == (
        "Hidden: 63 battery-drain runs with it and 63 without would not show it on a watch; "
        "64 a side would be needed."
    )
    assert visible.detectable_mw == pytest.approx(smallest_difference(1.0, 64))


def test_one_end_beyond_the_threshold_is_borderline() -> None:
    """Where the interval of runs begins at the threshold or ends past it, it is borderline."""
    draws = 1000.0 * np.array([0.2] * 5 + [0.5] * 5 + [0.8] * 5)
    spread = 1.0, np.ones(15)
    found = a_verdict((500.0, draws), spread, 64)
    assert (found.runs.low, found.runs.typical) == (26.0, 64.0)
    assert found.runs.high == pytest.approx(394, abs=1)
    assert found.word == "borderline"
    assert found.sentence.startswith("Borderline: 26 to 394 battery-drain runs a side")
    assert a_verdict((500.0, draws), spread, 26).word == "borderline"
    assert a_verdict((500.0, draws), spread, 25).word == "hidden"
    assert a_verdict((500.0, draws), spread, int(found.runs.high)).word == "visible"
    assert a_verdict((500.0, draws), spread, int(found.runs.high) - 1).word == "borderline"


def test_a_verdict_holds_milliwatts_and_their_ratio() -> None:
    """1,000 uW are 1 mW; the ratio's interval is that of the draws' own ratios, draw by draw."""
    added = np.array([500.0, 1500.0] * 10)
    spread = np.array([1.0, 3.0] * 10)  # large where the added draw is large: all ratios are 0.5
    found = a_verdict((1000.0, added), (4.0, spread), 30)
    assert found.added_mw == Interval(1.0, 0.5, 1.5)
    assert found.spread_mw == Interval(4.0, 1.0, 3.0)
    assert found.ratio == Interval(0.25, 0.5, 0.5)
    assert found.runs == Interval(float(runs_needed(0.25)), 64.0, 64.0)
    assert found.detectable_mw == pytest.approx(smallest_difference(4.0, 30))
    assert found.hours_lost == Interval(0.5, 0.4, 0.4)
    data = found.to_json()
    assert data["test"] == "two-sample t, 5 % two-sided, 80 % power"
    assert data["word"] == found.word and data["sentence"] == found.sentence
    assert data["threshold_runs"] == 30 and data["detectable_mw"] == found.detectable_mw
    for key in ("runs", "added_mw", "spread_mw", "ratio", "hours_lost", "percent_per_day",
                "mah_per_day"):  # fmt: skip
        assert data[key] == getattr(found, key).to_json()
