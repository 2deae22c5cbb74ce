"""Planning figures: power of the two-sample test, and numbers of sessions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.power import TTestIndPower

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.verdict.equivalence import tost_power
from runtime.budget.verdict.planning import (
    detection_power,
    many,
    plan_sessions,
    sessions_needed,
    smallest_difference,
)


@pytest.mark.parametrize(
    ("effect", "n"),
    [(d, n) for d in (0.0, 0.02, 0.3, 1.0, 3.0) for n in (2, 3, 12)] + [(0.02, 150), (0.3, 150)],
)
def test_power_is_that_of_another_library(effect: float, n: int) -> None:
    """Power is that of statsmodels' TTestIndPower at 5 %, both sides, whatever the effect."""
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
    """With that many sessions a side the power is 80 %, and with one fewer it is not."""
    n = sessions_needed(effect)
    assert detection_power(effect, n) >= 0.8
    assert n == 2 or detection_power(effect, n - 1) < 0.8


@pytest.mark.parametrize("effect", [0.0125, 0.0126, 0.005, 0.001])
def test_large_numbers_of_runs_agree_with_another_library(effect: float) -> None:
    """Beyond a hundred thousand runs too, the number is statsmodels' within one part in 10,000."""
    n = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8, alternative="two-sided")
    assert sessions_needed(effect) == pytest.approx(float(np.squeeze(n)), rel=1e-4)
    # 2 (1.959964 + 0.841621)^2 / d^2: the normal quantiles at 97.5 and 80 %, from memory.
    assert sessions_needed(effect) == pytest.approx(2 * 2.801585**2 / effect**2, rel=1e-4)


def test_sessions_are_at_least_two_and_at_most_never() -> None:
    """Two sessions a side are the fewest with a spread; a thousand million stands for never."""
    assert sessions_needed(500.0) == 2
    assert sessions_needed(1e-3) == math.ceil(2 * 2.8015852**2 / 1e-6)
    assert sessions_needed(1e-7) == sessions_needed(0.0) == sessions_needed(-1.0) == 1_000_000_000


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
def test_sessions_up_to_a_thousand_are_said_exactly_and_none_beyond_a_million(
    n: int, said: str
) -> None:
    """Below a thousand the number itself is said, then three digits, then only that it is many."""
    assert many(n) == said


def test_sessions_are_planned_from_the_ratio_turned() -> None:
    """The largest ratio needs the fewest sessions; the reach of ten sessions stands beside."""
    found = plan_sessions(Interval(0.5, 0.25, 0.8, 0.6), 2.0, 1.2, 3.0)
    assert found.sessions == Interval(
        *(float(sessions_needed(d)) for d in (0.5, 0.8, 0.25, 0.6))
    )  # 64 at 0.5: Cohen (1988), table 2.4.1
    assert found.sessions.typical == 64.0
    assert found.sessions_given == 10
    assert found.detectable_mw == pytest.approx(smallest_difference(2.0, 10))
    n = found.sessions_to_show_hidden
    assert n is not None
    powers = [tost_power(1.2, 3.0, 2.0 * math.sqrt(2 / k), 2 * k - 2) for k in (n, n - 1)]
    assert powers[0] >= 0.8 > powers[1]
    data = found.to_json()
    assert data["unit"] == "session"
    assert data["test"] == "two-sample t, 5 % two-sided, 80 % power"
    assert data["sessions_a_side"] == found.sessions.to_json()
    assert (data["sessions_given"], data["detectable_mw"]) == (10, found.detectable_mw)
    assert data["sessions_a_side_to_show_hidden"] == n


def test_no_number_of_sessions_shows_a_draw_beyond_the_margin_to_be_hidden() -> None:
    """A draw that reaches the margin, or a margin far below the spread, has no such plan."""
    assert plan_sessions(Interval(1.0, 1.0, 1.0), 2.0, 2.0, 2.0).sessions_to_show_hidden is None
    assert plan_sessions(Interval(1.0, 1.0, 1.0), 1e4, 0.1, 1.0).sessions_to_show_hidden is None
