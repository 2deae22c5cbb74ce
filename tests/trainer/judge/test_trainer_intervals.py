"""Intervals over participants: how often they cover, and what they do at the edges."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from runtime.errors import UsageError
from runtime.intervals import score_bounds
from trainer.judge.intervals import IMAGINED, difference_over_participants, over_participants

sys.path.insert(0, str(Path(__file__).parents[2] / "bench"))

from bench_intervals import LEAST_COVERAGE, PEOPLE, as_if_independent, covers, difference_covers

HARD = ((0.8, 0.25), (0.95, 0.2), (0.98, 0.1), (0.6, 0.05))
"""Mean and spread of people's accuracies: nearly all right and a few never, or all alike."""
N_DRAWS = 600
BY_CHANCE = 3 * (0.95 * 0.05 / N_DRAWS) ** 0.5


@pytest.mark.parametrize("n_people", PEOPLE)
@pytest.mark.parametrize("truth", HARD)
def test_the_interval_covers_what_it_says(n_people: int, truth: tuple[float, float]) -> None:
    """Of invented people who differ, the mean of all lies inside in 93 % of the draws or more."""
    found, _ = covers(over_participants, *truth, n_people, N_DRAWS, seed=3)
    assert found >= LEAST_COVERAGE - BY_CHANCE


def test_takes_of_people_who_differ_are_not_independent() -> None:
    """An interval that takes them for independent covers far less: the simulation can fail."""
    assert covers(as_if_independent, 0.8, 0.25, 12, N_DRAWS, seed=3)[0] < 0.7


@pytest.mark.parametrize("n_people", [3, 12, 48])
def test_the_paired_difference_covers_what_it_says(n_people: int) -> None:
    """How much better a pipeline is on the same takes lies inside in 93 % of the draws or more."""
    for gap in (0.0, 0.02, 0.1):
        found = difference_covers(gap, 0.8, 0.15, n_people, N_DRAWS, seed=5)
        assert found >= LEAST_COVERAGE - BY_CHANCE


def test_unlike_participants_widen_the_interval() -> None:
    """The design effect is the ratio of between-participant to binomial variance.

    Kish's own definition by hand, with a quarter of a person on either side: values .4 .5 .5 .6 of
    100 takes each have squares of .02 + .25 * .5 = .145 about .5, over 3.5 and 4 people .0103571,
    against .5 * .5 / 400 = .000625: an effect of 16.5714, so 24.1379 takes.
    """
    quantile = float(special.stdtrit(3, 0.975))
    assert quantile == pytest.approx(3.182446, abs=1e-6)  # any table of Student's distribution
    found = over_participants([0.4, 0.5, 0.5, 0.6], n_takes=400)
    assert IMAGINED == 0.25 and found == pytest.approx(score_bounds(0.5, 24.1379310, quantile))


def test_with_many_people_the_interval_is_that_of_a_mean() -> None:
    """For 400 people it is that of their mean with a standard error, to a hundredth of a point."""
    values = np.random.default_rng(2).uniform(0.4, 0.8, 400)
    low, high = over_participants(values.tolist(), n_takes=400 * 1000)
    half = 1.966 * values.std(ddof=1) / 20
    assert (low, high) == pytest.approx((values.mean() - half, values.mean() + half), abs=5e-4)


def test_a_participant_counts_at_least_as_one_take() -> None:
    """However unlike the participants are, each is worth one independent take."""
    quantile = float(special.stdtrit(3, 0.975))
    found = over_participants([0.0, 1.0, 0.0, 1.0], n_takes=1000)
    assert found == pytest.approx(score_bounds(0.5, 4, quantile))


def test_agreeing_participants_do_not_collapse_the_interval() -> None:
    """Three participants without an error leave more doubt than their takes: others may differ."""
    low, high = over_participants([1.0, 1.0, 1.0], n_takes=100)
    assert low < over_participants([1.0] * 12, n_takes=400)[0] < 0.95 and high == 1.0


def test_no_difference_is_not_certain() -> None:
    """Two pipelines that were right about the same takes may still differ by a little."""
    low, high = difference_over_participants([0.9, 0.8, 1.0], [0.9, 0.8, 1.0], n_takes=60)
    assert low == -high and 0.001 < high < 0.2


def test_pairing_takes_out_what_makes_a_person_hard() -> None:
    """Where one is better by the same for everybody, that is shown, however people differ."""
    first = [0.5, 0.6, 0.7, 0.8, 0.9, 1.0]
    low, high = difference_over_participants(first, [v - 0.05 for v in first], n_takes=1200)
    assert 0.03 < low < 0.05 < high < 0.07


def test_one_participant_says_nothing() -> None:
    """A single participant gives the whole range."""
    assert over_participants([0.97], n_takes=50) == (0.0, 1.0)
    assert difference_over_participants([0.97], [0.5], n_takes=50) == (-1.0, 1.0)


def test_no_participants_are_refused() -> None:
    """Without a participant there is no mean, and that is a usage error, not a number."""
    with pytest.raises(UsageError):
        over_participants([], 0)
    with pytest.raises(UsageError):
        difference_over_participants([0.5, 0.6], [0.5], 20)


def test_sums_of_values_never_pass_one() -> None:
    """Values of one each, however many, give a mean of one and no more."""
    low, high = over_participants([1.0] * 7 + [1.0 - 2**-53], 800)
    assert high == 1.0 and low == pytest.approx(over_participants([1.0] * 8, 800)[0], abs=1e-9)


def test_fewer_takes_than_participants_are_refused() -> None:
    """Each participant has made at least one take, and exactly one is allowed."""
    with pytest.raises(UsageError, match="takes of participants"):
        over_participants([0.5, 0.5], 1)
    low, high = over_participants([0.5, 0.5], 2)
    assert 0 <= low < 0.5 < high <= 1


def test_less_coverage_is_a_narrower_interval() -> None:
    """The interval over participants covers as much as is asked for."""
    narrow, wide = (over_participants([0.2, 0.6], 9, c) for c in (0.5, 0.95))
    assert wide[0] < narrow[0] < narrow[1] < wide[1]
