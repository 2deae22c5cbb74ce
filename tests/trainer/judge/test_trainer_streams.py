"""A stream by hand: its takes, its hours, its ranked frames, and the steps that margins become."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runtime.stages.closing.decision import NO_EVENT, Decision
from trainer.corpus.recordings import Recording
from trainer.judge.evaluate import Conditions
from trainer.judge.events import (
    Margins,
    Stream,
    decision_for,
    decision_frames,
    detected_events,
    rank_gestures,
)
from trainer.recipe import Recipe, parse_recipe


def a_recipe() -> Recipe:
    return parse_recipe(
        'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = ["idle"]\n'
        "[features]\nbins = [2, 2]\n[decision]\nhold_frames = 2\nhold_off_frames = 5\n",
        "two",
    )


def a_stream(scores: list[list[int]], period_s: float = 0.5) -> Stream:
    frames = np.array([1, 2], dtype=np.int64)
    who = Recording(Path("P7"), "P7", "unit-a", "none", False, "")
    return Stream(
        who, np.arange(len(scores)) * period_s, np.array(scores, np.int32), 0.5, frames, frames,
        np.array([1, 2]), (), Conditions(*np.zeros((3, 2))), False, frames,
    )  # fmt: skip


SCORES = [[9, 0, 0], [1, 5, 7], [3, 2, 0], [0, 8, 8]]


def test_takes_are_answered_with_the_best_class_of_their_frames() -> None:
    """Frame 1 is answered with class 2 and frame 2 with class 0, both by the stream's person."""
    stream = a_stream(SCORES)
    assert stream.takes.participants == ("P7", "P7")
    assert stream.takes.labels.tolist() == [1, 2]
    assert stream.takes.answers.tolist() == [2, 0]
    assert stream.participant == "P7"


@pytest.mark.parametrize(("n_frames", "hours"), [(1, 0.0), (2, 1 / 3600), (4, 2 / 3600)])
def test_hours_are_frames_times_their_period(n_frames: int, hours: float) -> None:
    """Two frames half a second apart are one second; a single frame has no period."""
    assert a_stream((SCORES * 2)[:n_frames]).hours == pytest.approx(hours)


def test_margins_become_whole_steps_that_are_never_below_none() -> None:
    """Each margin is rounded down to steps of its own, and a common one below 0 asks nothing."""
    found = decision_for(a_recipe(), Margins(2.4, (0.0, 1.2)), 0.5)
    assert (found.threshold, found.hysteresis, found.extra) == (4, 2, (0, 2, 0))
    assert (found.persist, found.hold_off, found.other) == (2, 5, (False, False, True))
    for common in (0.0, -3.0, 0.49):
        none = decision_for(a_recipe(), Margins(common, (0.0, 0.0)), 0.5)
        assert (none.threshold, none.hysteresis) == (0, 0)
    assert decision_for(a_recipe(), Margins(0.5, (0.0, 0.0)), 0.5).threshold == 1


@given(st.lists(st.lists(st.integers(-9, 9), min_size=5, max_size=5), min_size=1, max_size=12))
def test_frames_are_ranked_by_the_best_gesture_over_the_next_best_class(
    rows: list[list[int]],
) -> None:
    """Kept are frames whose first best class is a gesture, each with its lead over the next."""
    other = (False, True, False, False, True)
    expected = []
    for frame, row in enumerate(rows):
        best = row.index(max(row))
        if not other[best]:
            expected.append((frame, best, row[best] - sorted(row)[-2]))
    ranked = rank_gestures(np.array(rows, dtype=np.int32), other)
    found = zip(ranked.frames.tolist(), ranked.best.tolist(), ranked.margin.tolist(), strict=True)
    assert list(found) == expected
    for gesture in (0, 2, 3):
        own = ranked.of(gesture)
        assert list(zip(own.frames.tolist(), own.margin.tolist(), strict=True)) == [
            (frame, margin) for frame, best, margin in expected if best == gesture
        ]


@pytest.mark.parametrize("persist", [1, 2, 3])
@pytest.mark.parametrize("hold_off", [0, 1, 2, 7])
def test_runs_of_every_length_are_told_as_the_stage_tells_them(persist: int, hold_off: int) -> None:
    """Runs of one to four frames, with weak ones among them, from the very first frame on."""
    a, weak, b, other = [9, 0, 0], [6, 0, 0], [0, 9, 0], [0, 0, 9]
    for start in ([], [other], [weak]):
        for pattern in ([a], [a, a], [a, weak, a], [weak, a, a], [a, a, b, b, b], [a, b] * 3,
                        [a, a, other, a, a, a], [weak, weak, a, a, a, weak, a, a]):  # fmt: skip
            scores = np.array([*start, *pattern, *pattern, other, *pattern], dtype=np.int32)
            decision = Decision((False, False, True), 8, 3, persist, hold_off)
            outputs = decision.run(scores, decision.initial_state())[0][:, 0]
            frames, labels = decision_frames(rank_gestures(scores, decision.other), decision)
            assert frames.tolist() == np.flatnonzero(outputs != NO_EVENT).tolist()
            assert labels.tolist() == outputs[frames].tolist()


def test_detections_carry_the_time_of_their_frame() -> None:
    """An event's moment is its frame's time, whether the frames were ranked before or not."""
    stream = a_stream([[9, 0, 0]] * 2 + [[0, 0, 9]] * 8 + [[0, 9, 0]] * 2)
    decision = decision_for(a_recipe(), Margins(1.0, (0.0, 0.0)), 0.5)
    found = detected_events(stream, decision)
    assert [tuple(event) for event in found] == [(0.5, 0), (5.5, 1)]
    ranked = rank_gestures(stream.scores, decision.other).of(1)
    assert [tuple(event) for event in detected_events(stream, decision, ranked)] == [(5.5, 1)]
