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
