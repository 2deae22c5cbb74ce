"""Figures of presence and count, against numbers worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from runtime.errors import UsageError
from runtime.intervals import garwood, garwood_upper
from trainer.judge.quantity_figures import mean_over_people
from trainer.occupancy.figures import Counted, choose_thresholds, occupancy_figures


def counted(place: str, truth: list[int], told: list[int]) -> Counted:
    return Counted(place, np.array(truth), np.array(told), 0.5)


def test_thresholds_lie_where_fewest_go_wrong() -> None:
    """Levels apart are parted between them; thresholds rise even where levels do not."""
    truth = np.array([0, 0, 1, 1, 2, 2, -1])
    level = np.array([0.0, 0.2, 0.9, 1.1, 2.0, 2.2, 50.0])
    assert choose_thresholds([level], [truth], 2) == (0.9, 2.0)
    assert choose_thresholds([level], [truth], 1) == (0.9,)
    muddled = choose_thresholds([level[::-1]], [truth[::-1] * 0 + [0, 1, 2, 0, 1, 2, 0]], 2)
    assert muddled[0] < muddled[1]
    with pytest.raises(UsageError, match="frames with 3 there"):
        choose_thresholds([level], [truth], 3)


@pytest.mark.parametrize("seed", range(4))
def test_thresholds_are_the_first_that_go_wrong_least_in_shares(seed: int) -> None:
    """Each is a level that was seen; none before it errs as little, in shares and not in frames."""
    rng = np.random.default_rng(seed)
    truth = np.repeat([0, 1, 2, 3], [60, 7, 25, 9])
    level = np.round(truth * 0.5 + rng.normal(0.0, 0.4, len(truth)), 1)  # many are alike
    found = choose_thresholds([level[:40], level[40:]], [truth[:40], truth[40:]], 2)
    lowest = -np.inf
    for n, threshold in enumerate(found, start=1):
        fewer, more = level[truth == n - 1], level[np.minimum(truth, 2) == n]
        steps = np.unique(np.concatenate([fewer, more]))
        wrong = [float(np.mean(fewer >= s) + np.mean(more < s)) for s in steps]
        assert threshold == max(float(steps[int(np.argmin(np.round(wrong, 12)))]), lowest)
        lowest = threshold + 0.05


def test_each_place_and_each_number_counts_alike() -> None:
    """Shares are means over numbers, then over places; frames while people come count for none."""
    first = counted("a", [0, 0, 0, 0, 1, -1], [0, 0, 1, 1, 1, 5])
    second = counted("b", [0, 1, 2, 3], [0, 1, 1, 0])
    found = occupancy_figures([first, second], 2)
    assert found["balanced_accuracy"]["value"] == pytest.approx((0.75 + (2 / 3 + 1) / 2) / 2)
    exact = ((0.5 + 1) / 2 + (1 + 1 + 0) / 3) / 2
    assert found["exact"]["value"] == pytest.approx(exact, abs=1e-5)
    assert found["within_one"]["value"] == pytest.approx((1 + (1 + 1 + 0.5) / 3) / 2, abs=1e-5)
    assert found["confusion"] == [[3, 2, 0], [0, 2, 0], [1, 1, 0]]


def test_a_false_presence_is_counted_once_for_as_long_as_it_lasts() -> None:
    """Told without a break it is one, told again another, and the hours are those with nobody."""
    found = occupancy_figures([counted("a", [0] * 7 + [1], [0, 1, 1, 0, 0, 1, 0, 1])], 1)
    rate = found["false_presences_per_hour"]
    assert rate["n_events"] == 2 and rate["hours"] == pytest.approx(3.5 / 3600, abs=1e-6)
    assert rate["low"] < rate["value"] < rate["upper_95"] < rate["high"]
    hours = round(3.5 / 3600, 6)
    ends = 2 / hours, *garwood(2, hours), garwood_upper(2, hours)
    told = [rate[name] for name in ("value", "low", "high", "upper_95")]
    assert told == [round(end, 6) for end in ends] and rate["hours"] == hours
    assert found["balanced_accuracy"]["n_takes"] == 8
    assert [type(n) for row in found["confusion"] for n in row] == [int] * 4


def test_shares_have_intervals_within_what_shares_can_be() -> None:
    """Of places that differ widely the interval ends at nothing and at all."""
    places = [
        counted("a", [0, 1], [0, 1]),
        counted("b", [0, 1], [1, 0]),
        counted("c", [0, 1], [0, 0]),
    ]
    share = occupancy_figures(places, 1)["balanced_accuracy"]
    assert (share["low"], share["high"]) == (0.0, 1.0)
    alike = [counted(name, [0, 0, 1, 1], [0, 1, 1, 1]) for name in "abcdefgh"]
    share = occupancy_figures([*alike, counted("i", [0, 0, 1, 1], [0, 0, 1, 1])], 1)
    found = share["balanced_accuracy"]
    low, high = mean_over_people(np.array([0.75] * 8 + [1.0]))
    assert (found["low"], found["high"]) == (
        pytest.approx(low, abs=1e-6),
        pytest.approx(high, abs=1e-6),
    )
    assert 0.0 < low < high < 1.0


@pytest.mark.parametrize(
    ("told", "lag_s", "n_false"),
    [
        ([1, 1, 1, 1, 0, 0, 0, 0], 1.0, 0),  # late by two frames, as its mean may be
        ([1, 1, 1, 1, 1, 0, 0, 0], 1.0, 1),  # longer than that it is told of nobody
        ([1, 1, 1, 0, 1, 0, 0, 0], 1.0, 1),  # late, and then false
        ([1, 0, 1, 0, 0, 0, 0, 0], 1.0, 1),  # a change, though a short one
        ([1, 1, 1, 0, 0, 0, 0, 1], 1.0, 0),  # the next one comes
        ([1, 1, 1, 1, 0, 0, 0, 0], 0.0, 1),  # of a device without a mean nothing is late
    ],
)
def test_what_lags_behind_those_who_left_is_late_and_not_false(
    told: list[int], lag_s: float, n_false: int
) -> None:
    """What is still told of people before, for as long as the device's mean is, is no event."""
    truth = np.array([1, -1, 0, 0, 0, 0, -1, 1])
    found = Counted("a", truth, np.array(told), 0.5, lag_s)
    assert found.n_false == n_false
    from_the_begin = Counted("a", truth[2:], np.array(told[2:]), 0.5, lag_s)
    assert from_the_begin.n_false == max(n_false, int(told[2] > 0) + (told[3:5] == [0, 1]))


def test_what_tells_presence_alone_counts_nothing() -> None:
    """Of it neither exact nor within one is told: to be within one of two answers always holds."""
    found = occupancy_figures([counted("a", [0, 1, 3], [0, 1, 0])], 1)
    assert not {"exact", "within_one"} & {*found, *found["per_place"][0]}
    assert {"exact", "within_one"} <= {*occupancy_figures([counted("a", [0, 2], [0, 1])], 2)}


def test_a_place_where_nobody_ever_was_or_left_is_refused() -> None:
    """Without both kinds of frames there is no balanced accuracy."""
    for truth in ([0, 0], [1, 2]):
        with pytest.raises(UsageError, match="frames with somebody"):
            occupancy_figures([counted("a", truth, [0, 0])], 1)
