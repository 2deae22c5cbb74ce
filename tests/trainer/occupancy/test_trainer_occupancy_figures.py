"""Figures of presence and count, against numbers worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from runtime.errors import UsageError
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
