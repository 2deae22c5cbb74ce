"""Margins by hand: the grid, what each margin costs, and what a gesture needs more than others."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from trainer.corpus.recordings import Recording
from trainer.judge.evaluate import Conditions
from trainer.judge.events import Margins, Reference, Stream
from trainer.judge.margins import (
    N_MARGINS,
    PRICES,
    _alone,
    _ranked,
    choose_margins,
    margin_grid,
    margins_without,
    trade_off,
)
from trainer.recipe import Recipe, parse_recipe

RATE_HZ = 20.0
UNIT = 0.5


def a_recipe(limit: float = 0.0, recall: float = 0.98) -> Recipe:
    return parse_recipe(
        'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = ["idle"]\n'
        'background = ["everyday_*"]\n[features]\nbins = [2, 2]\n[decision]\nhold_frames = 1\n'
        f"hold_off_frames = 10\nmax_false_per_hour = {limit}\nrecall = {recall}\n",
        "two",
    )


def a_stream(
    bumps: list[tuple[float, int, int]],
    gestures: list[tuple[float, int]],
    length_s: float = 120.0,
    background: bool = False,
) -> Stream:
    """Return a stream that is quiet but for bumps (moment, class, steps over all others).

    A gesture (moment, class) is one second long and ends at its moment.
    """
    n_frames = round(length_s * RATE_HZ)
    scores: NDArray[np.int32] = np.zeros((n_frames, 3), dtype=np.int32)
    scores[:, 2] = 10
    for moment, label, steps in bumps:
        first = round(moment * RATE_HZ)
        scores[first : first + 4, label] = 10 + steps
    references = tuple(Reference(end - 1.0, end, label, True) for end, label in gestures)
    frames = np.array([round(end * RATE_HZ) for end, _ in gestures], dtype=np.int64)
    labels = np.array([label for _, label in gestures], dtype=np.int64)
    who = Recording(Path("P1.mcap"), "P1", "unit-a", "emulated test", False, "")
    return Stream(
        who, np.arange(n_frames) / RATE_HZ, scores, UNIT, frames, frames, labels, references,
        Conditions(*np.zeros((3, len(frames)))), background, frames,
    )  # fmt: skip


NOTHING = (0.0, 0.0)


def test_the_grid_ends_at_the_surest_right_gesture() -> None:
    """The last common margin is the largest that any gesture reached in its own time and class.

    The left gesture reaches 40 and 24 steps of 0.5. Louder are: another class during it, the right
    class half a second and a frame after its end, and a scare in everyday time.
    """
    gestures = a_stream(
        [(4.5, 0, 24), (4.8, 0, 40), (5.2, 1, 90), (5.6, 0, 80), (3.5, 0, 70)], [(5.0, 0)]
    )
    everyday = a_stream([(30.0, 0, 100)], [], background=True)
    grid = margin_grid([gestures, everyday], a_recipe())
    assert len(grid) == N_MARGINS == 48
    assert [m.common for m in grid] == pytest.approx([20.0 * (k / 47) ** 2 for k in range(48)])
    assert {m.more for m in grid} == {NOTHING}
    assert {m.more for m in margin_grid([gestures], a_recipe(), (1.0, 2.0))} == {(1.0, 2.0)}


def test_a_gesture_is_heard_from_its_onset_to_the_latest_moment() -> None:
    """A frame at the onset counts towards the grid's end, one at half a second after does not."""
    at_onset = a_stream([(4.0 - 3 / RATE_HZ, 0, 30)], [(5.0, 0)])
    assert margin_grid([at_onset], a_recipe())[-1].common == 15.0
    before = a_stream([(4.0 - 4 / RATE_HZ, 0, 30)], [(5.0, 0)])
    assert margin_grid([before], a_recipe())[-1].common == 0.0
    late = a_stream([(5.5 - 1 / RATE_HZ, 0, 30)], [(5.0, 0)])
    assert margin_grid([late], a_recipe())[-1].common == 15.0
    too_late = a_stream([(5.5, 0, 30)], [(5.0, 0)])
    assert margin_grid([too_late], a_recipe())[-1].common == 0.0


def test_without_a_gesture_every_margin_is_none() -> None:
    """Where no gesture was made, the grid does not leave 0."""
    grid = margin_grid([a_stream([(30.0, 0, 100)], [], background=True)], a_recipe())
    assert {m.common for m in grid} == {0.0}


def test_each_margin_has_its_f1_recall_and_false_events() -> None:
    """Three gestures, two of them told and one event too many; three scares in half an hour."""
    gestures = a_stream(
        [(5.0, 0, 40), (15.0, 1, 40), (25.0, 1, 4), (40.0, 0, 40)], [(5.0, 0), (15.0, 1), (25.0, 1)]
    )
    everyday = a_stream(
        [(60.0, 0, 40), (90.0, 1, 20), (200.0, 1, 20)], [], length_s=1800.0, background=True
    )
    margins = [Margins(5.0, NOTHING), Margins(15.0, NOTHING), Margins(30.0, NOTHING)]
    rows = trade_off([gestures, everyday], a_recipe(), margins)
    assert rows == [
        {"margin": 5.0, "f1": 0.666667, "recall": 0.666667, "false_per_hour": 6.0},
        {"margin": 15.0, "f1": 0.666667, "recall": 0.666667, "false_per_hour": 2.0},
        {"margin": 30.0, "f1": 0.0, "recall": 0.0, "false_per_hour": 0.0},
    ]
    (row,) = trade_off([gestures, everyday], a_recipe(), [Margins(1.23456789, NOTHING)])
    assert row["margin"] == 1.234568


def test_without_background_events_that_are_not_right_are_false() -> None:
    """Two minutes of gestures with one event too many are 30 false ones an hour, idle time too."""
    gestures = a_stream([(5.0, 0, 40), (40.0, 0, 40)], [(5.0, 0)])
    idle = a_stream([], [], length_s=60.0)
    (row,) = trade_off([gestures], a_recipe(), [Margins(5.0, NOTHING)])
    assert (row["f1"], row["recall"], row["false_per_hour"]) == (0.666667, 1.0, 30.0)
    (row,) = trade_off([gestures, idle], a_recipe(), [Margins(5.0, NOTHING)])
    assert row["false_per_hour"] == 20.0
    (row,) = trade_off([idle], a_recipe(), [Margins(5.0, NOTHING)])
    assert (row["f1"], row["recall"], row["false_per_hour"]) == (0.0, 0.0, 0.0)


def test_gestures_alone_are_counted_right_less_wrong() -> None:
    """As if no other gesture were told: right less wrong where gestures are, all of everyday time.

    Left: two right, one wrong of a height of its own; right: one right. Everyday: one left of 40
    steps and two right of 20.
    """
    gestures = a_stream(
        [(5.0, 0, 40), (15.0, 0, 40), (60.0, 0, 10), (25.0, 1, 10)],
        [(5.0, 0), (15.0, 0), (25.0, 1)],
    )
    everyday = a_stream([(60.0, 0, 40), (70.0, 1, 20), (80.0, 1, 20)], [], background=True)
    streams, recipe = [gestures, everyday], a_recipe()
    gained, false = _alone(streams, _ranked(streams, recipe), recipe, [0.0, 7.5, 15.0, 30.0])
    assert gained.tolist() == [[[1, 2, 2, 0], [1, 0, 0, 0]], [[0] * 4, [0] * 4]]
    assert false.tolist() == [[[0] * 4, [0] * 4], [[1, 1, 1, 0], [2, 2, 0, 0]]]


def test_margins_without_some_streams_are_chosen_on_the_others() -> None:
    """What is left out has no part: a scare in it does not raise the margin, one elsewhere does.

    Where the others have no everyday time, the takes' own margins are used.
    """
    gestures = [(5.0 * k, k % 2) for k in range(1, 11)]
    heard = a_stream([(end, label, 100) for end, label in gestures], gestures)
    quiet = a_stream([], [], length_s=900.0, background=True)
    scares = [(20.0 * k, k % 2, 60) for k in range(1, 40)]
    scared = a_stream(scares, [], length_s=900.0, background=True)
    streams = [heard, quiet, scared]
    everything, without, lonely = margins_without(streams, a_recipe(), [(), {2}, (1, 2)])
    assert everything == choose_margins(streams, a_recipe())
    assert everything.common > 30.0
    assert without == choose_margins(streams[:2], a_recipe())
    assert without.common < 30.0
    assert lonely == choose_margins(streams[:1], a_recipe())


def test_a_gesture_without_false_events_is_held_as_far_off_as_the_others() -> None:
    """That a gesture woke nothing yet does not mean it will not: it asks as much as all do.

    Both gestures reach 50; only the left one has scares, at 30. Neither may be told below 30.
    """
    gestures = [(5.0 * k, k % 2) for k in range(1, 11)]
    heard = a_stream([(end, label, 100) for end, label in gestures], gestures)
    scares = [(100.0 * k, 0, 60) for k in range(1, 6)]
    everyday = a_stream(scares, [], length_s=900.0, background=True)
    chosen = choose_margins([heard, everyday], a_recipe(limit=0.0))
    assert chosen.more == NOTHING
    assert 30.0 < chosen.common <= 50.0


def test_a_noisy_gesture_alone_asks_more() -> None:
    """Where keeping the limit would cost the weak gesture, only the other one's margin is raised.

    Left reaches 50 and has a scare at 30; right reaches 10, often, and has none.
    """
    gestures = [(5.0 * k, int(k % 4 != 0)) for k in range(1, 21)]
    heard = a_stream([(end, lab, 20 if lab else 100) for end, lab in gestures], gestures)
    everyday = a_stream([(60.0, 0, 60)], [], length_s=900.0, background=True)
    chosen = choose_margins([heard, everyday], a_recipe(limit=0.0))
    assert chosen.more[1] == 0.0 and chosen.common <= 10.0
    assert chosen.common + chosen.more[0] > 30.0
    (row,) = trade_off([heard, everyday], a_recipe(), [chosen])
    assert (row["f1"], row["false_per_hour"]) == (1.0, 0.0)


def test_of_equal_margins_the_middle_one_is_taken() -> None:
    """Of the margins that give the same figures, the one farthest from any change is chosen."""
    gestures = [(5.0 * k, k % 2) for k in range(1, 11)]
    heard = a_stream([(end, label, 100) for end, label in gestures], gestures)
    everyday = a_stream([], [], length_s=900.0, background=True)
    chosen = choose_margins([heard, everyday], a_recipe())
    assert chosen.more == NOTHING
    assert chosen.common == pytest.approx(50.0 * (24 / 47) ** 2)


def test_a_false_event_costs_from_a_thousandth_to_a_thousand_gestures() -> None:
    """The prices tried are ten a decade over six decades, and rise."""
    assert len(PRICES) == 61
    assert np.diff(np.log10(PRICES)) == pytest.approx(np.full(60, 0.1))
    assert (PRICES[0], PRICES[-1]) == (pytest.approx(1e-3), pytest.approx(1e3))


def test_without_everyday_time_the_margin_is_a_quantile_of_right_answers_to_gestures() -> None:
    """Wrong answers and takes of no gesture, however sure, do not set the margin."""
    plain = a_stream([], [(5.0, 0), (10.0, 1), (15.0, 0), (20.0, 2), (25.0, 0)])
    scores = np.zeros_like(plain.scores)
    scores[plain.take_frames] = [[14, 10, 2], [1, 9, 3], [0, 90, 0], [0, 10, 80], [8, 0, 0]]
    stream = dataclasses.replace(plain, scores=scores)
    # Right answers to gestures lead by 4, 6 and 8 steps of 0.5.
    assert choose_margins([stream], a_recipe(recall=0.75)) == Margins(2.5, NOTHING)
    assert choose_margins([stream, stream], a_recipe(recall=1.0)) == Margins(2.0, NOTHING)
    wrong = dataclasses.replace(stream, take_labels=np.array([1, 0, 0, 2, 1]))
    assert choose_margins([wrong], a_recipe()) == Margins(0.0, NOTHING)
    assert choose_margins([], a_recipe()) == Margins(0.0, NOTHING)


def test_everyday_time_without_gestures_cannot_choose_by_events() -> None:
    """With background alone there is no event to keep, so the takes' own margins are used."""
    everyday = a_stream([(60.0, 0, 60)], [], background=True)
    takes = dataclasses.replace(
        everyday, take_frames=np.array([1200]), take_labels=np.array([0]), background=True
    )
    assert choose_margins([takes], a_recipe()) == Margins(30.0, NOTHING)


def test_rates_are_rounded_to_six_places_and_no_time_has_none() -> None:
    """One false event in 0.7 hours is 1.428571 an hour; without time watched the rate is 0."""
    everyday = a_stream([(60.0, 0, 40)], [], length_s=2520.0, background=True)
    third = a_stream([(5.0, 0, 40)], [(5.0, 0), (25.0, 1), (35.0, 0)])
    (row,) = trade_off([everyday, third], a_recipe(), [Margins(5.0, NOTHING)])
    assert (row["f1"], row["recall"], row["false_per_hour"]) == (0.5, 0.333333, 1.428571)
    moment = dataclasses.replace(everyday, time_s=everyday.time_s[:1], scores=everyday.scores[:1])
    (row,) = trade_off([moment], a_recipe(), [Margins(5.0, NOTHING)])
    assert row["false_per_hour"] == 0.0


def test_a_limit_that_only_silence_keeps_does_not_choose_silence() -> None:
    """Where every margin within the limit detects nothing, the best F1 of all is taken."""
    gestures = [(5.0 * k, k % 2) for k in range(1, 11)]
    heard = a_stream([(end, label, 100) for end, label in gestures], gestures)
    scares = [(20.0 * k, k % 2, 100) for k in range(1, 40)]
    everyday = a_stream(scares, [], length_s=900.0, background=True)
    chosen = choose_margins([heard, everyday], a_recipe(limit=0.0))
    (row,) = trade_off([heard, everyday], a_recipe(), [chosen])
    assert row["f1"] == 1.0 and row["false_per_hour"] > 100.0
