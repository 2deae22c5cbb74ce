"""The interval of a mean over participants, against the definition of the design effect."""

from __future__ import annotations

import pytest

from runtime.errors import UsageError
from runtime.intervals import wilson
from trainer.judge.intervals import over_participants


def test_unlike_participants_widen_the_interval() -> None:
    """The design effect is the ratio of between-participant to binomial variance.

    Kish's own definition by hand: values .4 .5 .5 .6 of 100 takes each have a variance of the mean
    of .02 / 3 / 4 = .0016667, against .5 * .5 / 400 = .000625: an effect of 2.667, so 150 takes.
    """
    assert over_participants([0.4, 0.5, 0.5, 0.6], n_takes=400) == pytest.approx(wilson(75, 150))


def test_a_participant_counts_at_least_as_one_take() -> None:
    """However unlike the participants are, each is worth one independent take."""
    assert over_participants([0.0, 1.0], n_takes=1000) == pytest.approx(wilson(1, 2))


def test_agreeing_participants_do_not_collapse_the_interval() -> None:
    """Two participants without an error still leave the doubt that their few takes leave."""
    assert over_participants([1.0, 1.0], n_takes=100) == pytest.approx(wilson(100, 100))


def test_one_participant_says_nothing() -> None:
    """A single participant gives the whole range."""
    assert over_participants([0.97], n_takes=50) == (0.0, 1.0)


def test_no_participants_are_refused() -> None:
    """Without a participant there is no mean, and that is a usage error, not a number."""
    with pytest.raises(UsageError):
        over_participants([], 0)


def test_alike_participants_do_not_narrow_the_interval() -> None:
    """People who agree better than chance would have it add no takes to those that there are.

    Values .5 .5 .5 .5 of 100 takes each have no variance between them: the effect is 1, not 0.
    """
    assert over_participants([0.5] * 4, n_takes=400) == pytest.approx(wilson(200, 400))
    assert over_participants([0.49, 0.51], n_takes=100) == pytest.approx(wilson(50, 100))


def test_bounds_of_a_proportion_by_hand() -> None:
    """Wilson's interval is where (p - rate)^2 = z^2 p (1 - p) / n, at any coverage and fractions."""
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
    with pytest.raises(UsageError, match="takes of participants"):
        over_participants([0.5, 0.5], 1)
    assert over_participants([0.5, 0.5], 2) == pytest.approx(wilson(1, 2))


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
    narrow, wide = (over_participants([0.2, 0.6], 9, c) for c in (0.5, 0.95))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


def test_sums_of_values_never_pass_one() -> None:
    """Values of one each, however many, give a mean of one and no more."""
    values = [1.0] * 7 + [1.0 - 2**-53]
    assert over_participants(values, 800) == pytest.approx(wilson(800, 800), abs=1e-9)
