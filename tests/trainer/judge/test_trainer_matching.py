"""Matching at its edges: what just counts as right, what just does not, and how counts add up."""

from __future__ import annotations

import pytest

from trainer.judge.events import Detection, Reference
from trainer.judge.matching import (
    EventCounts,
    EventSpan,
    f_measure,
    match_intervals,
    match_moments,
    precision,
    recall,
    total,
)


def test_counts_add_up_field_by_field() -> None:
    """Of several streams, right, told and made are each summed; of none, all are 0."""
    assert total([EventCounts(1, 2, 3), EventCounts(10, 20, 30)]) == EventCounts(11, 22, 33)
    assert total([]) == EventCounts(0, 0, 0)


def test_f1_is_the_harmonic_mean() -> None:
    """Three right of four told and five made: precision 3/4, recall 3/5, F1 2/3; of nothing, 0."""
    assert f_measure(EventCounts(3, 4, 5)) == pytest.approx(2 / (4 / 3 + 5 / 3))
    assert f_measure(EventCounts(0, 0, 0)) == 0.0
    assert f_measure(EventCounts(0, 4, 0)) == 0.0


MADE = EventSpan(2.0, 4.0, 1)


def right(told: EventSpan, collar_s: float, offset_share: float | None) -> bool:
    return match_intervals([told], [MADE], collar_s=collar_s, offset_share=offset_share) == 1


@pytest.mark.parametrize("side", [-1, 1])
def test_an_onset_may_be_off_by_the_collar_itself(side: int) -> None:
    """An onset exactly the collar early or late is right, and a 64th of a second more is not."""
    assert right(EventSpan(2.0 + side * 0.25, 4.0, 1), 0.25, None)
    assert not right(EventSpan(2.0 + side * (0.25 + 1 / 64), 4.0, 1), 0.25, None)


@pytest.mark.parametrize("side", [-1, 1])
def test_an_offset_may_be_off_by_the_collar_or_the_share(side: int) -> None:
    """An offset is right up to the larger of the collar and a share of the gesture's own length."""
    step = 1 / 64
    for collar_s, share, allowed in ((0.25, 0.5, 1.0), (0.25, 0.0625, 0.25)):
        assert right(EventSpan(2.0, 4.0 + side * allowed, 1), collar_s, share)
        assert not right(EventSpan(2.0, 4.0 + side * (allowed + step), 1), collar_s, share)


def test_the_share_is_of_the_gesture_and_not_of_what_was_told() -> None:
    """A long interval told for a short gesture gains no leeway from its own length."""
    made = [EventSpan(2.0, 3.0, 0)]
    assert match_intervals([EventSpan(2.0, 5.0, 0)], made, collar_s=0.25, offset_share=0.5) == 0
    assert match_intervals([EventSpan(2.0, 3.5, 0)], made, collar_s=0.25, offset_share=0.5) == 1


def test_without_a_share_offsets_do_not_count() -> None:
    """None leaves offsets out: an end that is minutes off is still right."""
    assert right(EventSpan(2.0, 400.0, 1), 0.25, None)
    assert not right(EventSpan(2.0, 400.0, 1), 0.25, 0.5)


def test_another_class_is_never_right_and_pairs_are_one_to_one() -> None:
    """An interval of another class is wrong, and one gesture is found once however often told."""
    assert not right(EventSpan(2.0, 4.0, 0), 0.25, 0.5)
    both = {"collar_s": 0.25, "offset_share": 0.5}
    assert match_intervals([MADE] * 3, [MADE], **both) == 1
    assert match_intervals([MADE], [MADE] * 3, **both) == 1
    assert match_intervals([MADE] * 2, [MADE] * 3, **both) == 2
    assert match_intervals([], [MADE], **both) == match_intervals([MADE], [], **both) == 0


def test_gestures_may_be_references_of_streams() -> None:
    """A stream's references serve as they are; who set their bounds changes nothing."""
    for from_labels in (True, False):
        made = [Reference(2.0, 4.0, 1, from_labels), Reference(8.0, 9.0, 0, from_labels)]
        told = [EventSpan(8.0, 9.0, 0), EventSpan(2.0, 4.0, 1)]
        assert match_intervals(told, made, collar_s=0.25, offset_share=0.5) == 2


def a_gesture(onset_s: float, offset_s: float, label: int = 0) -> Reference:
    return Reference(onset_s, offset_s, label, True)


def test_a_moment_is_right_at_both_ends_of_its_time() -> None:
    """The onset itself and the last moment allowed after the end are right, a 64th beyond not."""
    made = [a_gesture(1.0, 2.0)]
    for told_s, pairs in ((1.0, 1), (1.0 - 1 / 64, 0), (2.5, 1), (2.5 + 1 / 64, 0), (2.0, 1)):
        assert len(match_moments([Detection(told_s, 0)], made, 0.5)) == pairs
        assert match_moments([Detection(told_s, 1)], made, 0.5) == []


def test_a_moment_takes_the_gesture_that_ends_first() -> None:
    """Of overlapping gestures the one that ends first is taken, which leaves the other open."""
    made = [a_gesture(0.0, 4.0), a_gesture(1.0, 2.0), a_gesture(1.5, 3.0, label=1)]
    told = [Detection(1.5, 0), Detection(1.75, 1), Detection(3.5, 0), Detection(3.75, 0)]
    assert match_moments(told, made, 0.5) == [(0, 1), (1, 2), (2, 0)]


def test_a_gesture_that_ends_first_but_has_not_begun_is_passed_by() -> None:
    """A moment before a short gesture's onset goes to the longer one that has begun."""
    made = [a_gesture(0.0, 4.0), a_gesture(2.0, 3.0)]
    assert match_moments([Detection(1.0, 0), Detection(2.5, 0)], made, 0.5) == [(0, 0), (1, 1)]


def test_a_gesture_that_is_over_stays_over() -> None:
    """Several gestures passed without an event are all closed, and a later one is still found."""
    made = [a_gesture(0.0, 1.0), a_gesture(2.0, 3.0), a_gesture(8.0, 9.0)]
    assert match_moments([Detection(8.5, 0), Detection(8.75, 0)], made, 0.5) == [(0, 2)]


def test_precision_is_of_what_was_detected_and_recall_of_what_was_made() -> None:
    """Three right of four detected and of six made: 3/4 and 1/2; without any, both are 0."""
    assert precision(EventCounts(3, 4, 6)) == 0.75
    assert recall(EventCounts(3, 4, 6)) == 0.5
    assert precision(EventCounts(0, 0, 6)) == recall(EventCounts(0, 4, 0)) == 0.0


def test_one_moment_finds_one_gesture() -> None:
    """A moment inside two gestures of its class is right for one of them, and leaves the other."""
    made = [a_gesture(0.0, 2.0), a_gesture(0.0, 3.0), a_gesture(0.0, 4.0)]
    assert match_moments([Detection(1.0, 0)], made, 0.5) == [(0, 0)]
