"""Intervals, against the functions of statsmodels and against published closed forms."""

from __future__ import annotations

import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.rates import confint_poisson

from runtime.errors import UsageError
from runtime.intervals import clopper_pearson, garwood, garwood_upper, time_counted, wilson

# 95 of 100, and 0 events in 1 h and 3 in 10 h: made with statsmodels 0.14 and scipy 1.13.
PUBLISHED_WILSON = (0.8882, 0.9785)
PUBLISHED_CLOPPER_PEARSON = (0.8872, 0.9836)
PUBLISHED_GARWOOD = {(0, 1.0): (0.0, 3.6889), (3, 10.0): (0.0619, 0.8767)}


def test_wilson_matches_the_printed_value() -> None:
    """The score interval of 95 in 100 is [.8882, .9785]."""
    assert wilson(95, 100) == pytest.approx(PUBLISHED_WILSON, abs=5e-5)


def test_clopper_pearson_matches_the_printed_value() -> None:
    """The exact interval of 95 in 100 is [.8872, .9836]."""
    assert clopper_pearson(95, 100) == pytest.approx(PUBLISHED_CLOPPER_PEARSON, abs=5e-5)


@pytest.mark.parametrize(("case", "bounds"), PUBLISHED_GARWOOD.items())
def test_garwood_matches_the_printed_values(
    case: tuple[int, float], bounds: tuple[float, float]
) -> None:
    """The exact Poisson interval of a rate is Garwood's."""
    assert garwood(*case) == pytest.approx(bounds, abs=5e-5)


@pytest.mark.parametrize("successes", [0, 1, 7, 19, 20])
def test_proportions_match_statsmodels(successes: int) -> None:
    """Both intervals of a proportion agree with an independent library, also at 0 and at n."""
    for method, ours in (("wilson", wilson), ("beta", clopper_pearson)):
        expected = proportion_confint(successes, 20, alpha=0.1, method=method)
        assert ours(successes, 20, confidence=0.9) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("n_events", [0, 1, 12])
def test_garwood_matches_statsmodels(n_events: int) -> None:
    """The Poisson interval agrees with an independent library."""
    expected = confint_poisson(n_events, 5.0, method="exact-c")
    low, high = garwood(n_events, 5.0)
    assert (low, high) == pytest.approx((expected[0] if n_events else 0.0, expected[1]), abs=1e-9)


@pytest.mark.parametrize("n_events", [0, 1, 12])
def test_the_one_sided_bound_is_that_of_chi_squared(n_events: int) -> None:
    """The upper bound of a rate is half the chi-squared quantile at two more degrees of freedom.

    F. Garwood, Biometrika 28, 1936; J. A. Hanley and A. Lippman-Hand, JAMA 249, 1983 for the "rule
    of three": without an event in 5 h, at most 0.6 an hour can be claimed at 95 %.
    """
    expected = stats.chi2.ppf(0.95, 2 * (n_events + 1)) / 2 / 5.0
    assert garwood_upper(n_events, 5.0) == pytest.approx(expected, abs=1e-9)
    if n_events == 0:
        assert garwood_upper(n_events, 5.0) == pytest.approx(0.6, abs=0.001)


def test_impossible_counts_are_refused() -> None:
    """Counts that cannot be are a usage error, not a number."""
    with pytest.raises(UsageError):
        wilson(3, 2)
    with pytest.raises(UsageError):
        clopper_pearson(-1, 2)
    with pytest.raises(UsageError):
        garwood(1, 0.0)


def test_bounds_of_a_proportion_by_hand() -> None:
    """Wilson's interval ends where (p - rate)^2 = z^2 p (1 - p) / n, at any coverage."""
    for successes, trials, confidence in ((3, 10, 0.95), (7.5, 20.25, 0.9), (50, 60, 0.5)):
        z2 = stats.norm.ppf(0.5 + confidence / 2) ** 2
        for p in wilson(successes, trials, confidence):
            assert (p - successes / trials) ** 2 == pytest.approx(z2 * p * (1 - p) / trials)
    assert wilson(0, 7)[0] == pytest.approx(0.0, abs=1e-15) and wilson(7, 7)[1] == 1.0
    low, high = wilson(3, 10)
    assert low < 0.3 < high


def test_counts_at_the_edge_of_what_is_possible() -> None:
    """None and all of one trial are counts; fewer than one trial, or a negative rate, are not."""
    for interval in (wilson, clopper_pearson):
        assert interval(0, 1)[0] == 0.0 and interval(1, 1)[1] == 1.0
        for impossible in ((0, 0.5), (-1, 3), (3, 2), (0, 0)):
            with pytest.raises(UsageError, match="successes of trials"):
                interval(*impossible)
    for rate in (garwood, garwood_upper):
        for impossible in ((-1, 1.0), (0, 0.0), (0, -1.0), (0, float("nan"))):
            with pytest.raises(UsageError, match="events in hours"):
                rate(*impossible)


def test_coverage_is_what_is_asked_for() -> None:
    """Each exact interval leaves half of what is not covered on either side, at any coverage."""
    for confidence in (0.5, 0.9, 0.95):
        tail = (1 - confidence) / 2
        low, high = clopper_pearson(3, 9, confidence)
        assert stats.binom.sf(2, 9, low) == pytest.approx(tail)
        assert stats.binom.cdf(3, 9, high) == pytest.approx(tail)
        low, high = garwood(4, 2.0, confidence)
        assert stats.poisson.sf(3, 2.0 * low) == pytest.approx(tail)
        assert stats.poisson.cdf(4, 2.0 * high) == pytest.approx(tail)
        upper = garwood_upper(4, 2.0, confidence)
        assert stats.poisson.cdf(4, 2.0 * upper) == pytest.approx(1 - confidence)


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (0.0, "0 s"), (0.054481, "3 min 16 s"), (2.5, "2 h 30 min"), (1.0, "1 h"),
        (25.6013, "25 h 36 min 5 s"), (59.6 / 3600, "1 min"), (1234.0, "1,234 h"),
    ],
)  # fmt: skip
def test_time_counted_is_said_to_the_second(hours: float, said: str) -> None:
    """0.0545 h is 3 min 16 s, not 0.1 h; units without any are left out."""
    assert time_counted(hours) == said
