"""Which takes of an owner are refused, and what is said of them."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from enrol_models import LEFT, OTHER, OWN, RIGHT, corner_model, corners, shown
from scipy.integrate import quad
from scipy.stats import norm

from runtime.enrolment import carry_out, likest_class, own_state, reason_in_words
from runtime.model import Model
from runtime.stages.teaching.commands import answers_to_take
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import SHIPPED_TAKES
from runtime.stages.teaching.reasons import (
    NO_CLASS,
    NO_TAKE,
    OTHER_CLASS,
    REASONS,
    SHORT,
    UNLIKE,
)


@pytest.mark.parametrize(
    ("where", "number", "n_frames", "reason"),
    [
        ("left", OTHER, 4, NO_CLASS),
        ("left", -1, 4, NO_CLASS),
        ("left", 4, 4, NO_CLASS),
        ("left", 2**31, 4, NO_CLASS),
        ("left", -(2**40), 4, NO_CLASS),
        ("left", LEFT, 2, SHORT),
        ("right", LEFT, 4, UNLIKE),
        ("left", OWN, 4, OTHER_CLASS),
    ],
)
def test_bad_takes_are_refused_and_told_why(
    where: str, number: int, n_frames: int, reason: int
) -> None:
    """A wrong class, too short a take, one unlike its class, one like another: each its reason."""
    model = _with(unlike=9_000) if reason == UNLIKE else corner_model()
    before = model.initial_state()
    state, answer = shown(model, before, where, number, n_frames)
    assert answer == reason and reason_in_words(answer) == REASONS[reason][1]
    assert not state["s2_take_class"].any() and not state["s2_rows"].any()


def _with(**changes: Any) -> Model:
    """The corners' model, whose stage that learns is another in some numbers."""
    model = corner_model()
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    stages = (*model.stages[:2], dataclasses.replace(learns, **changes), model.stages[3])
    return Model("corner", "corners", model.sensor, model.classes, stages)


def test_a_take_is_answered_as_what_was_kept_would_lead_to() -> None:
    """Between two classes, by normal densities whose means are known to what takes tell of them.

    The density of a further take is the integral over the mean that n takes leave open, which has
    an n-th of the takes' variance; half of its logarithm counts beside the head's score.
    """
    model, spread, unit = corner_model(), 8, 0.01
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    state = model.initial_state()
    for seed in range(2):
        state, _ = shown(model, state, "top", LEFT, seed=seed)
    state, _ = carry_out(model, state, "begin", LEFT)
    own = own_state(model, model.run(*corners("all", 4, 7), state).state)
    answers = answers_to_take(learns, own)
    wanted = []
    for number, n_takes in ((LEFT, 2), (RIGHT, 0)):
        known = [learns.means[number]] * SHIPPED_TAKES + list(own["takes"][:n_takes])
        middle = np.floor(np.mean(known, axis=0) + 0.5)  # as it is kept
        n, off = len(known), np.linalg.norm(middle - own["best"])
        density = {
            at: quad(
                lambda mean, at=at, n=n: norm.pdf(at, mean, spread)
                * norm.pdf(mean, 0, spread / np.sqrt(n)),
                -100, 100,
            )[0]
            for at in (0.0, off)
        }  # fmt: skip
        ahead = 0.5 * np.log(density[off] / density[0.0])
        wanted.append(own["best_scores"][number] + ahead / unit)
    assert answers[LEFT] - answers[RIGHT] == pytest.approx(wanted[0] - wanted[1], abs=8)


@pytest.mark.parametrize("before", ["", "top", "left"])
def test_a_take_of_another_class_is_refused_be_it_the_first(before: str) -> None:
    """Light on the right shown as left is like right, before any take and after; left is kept."""
    model = corner_model()
    state, n_kept = model.initial_state(), 0
    if before:
        state, n_kept = shown(_with(rival=2**31 - 1), state, before, LEFT)
        assert n_kept == 1
    after, answer = shown(model, state, "right", LEFT, seed=3)
    assert answer == OTHER_CLASS and likest_class(model, after, LEFT) == RIGHT
    assert shown(model, after, "left", LEFT, seed=4).answer == n_kept + 1


def test_a_wrong_take_that_was_kept_costs_no_good_one_after_it() -> None:
    """What is asked is which class a take is like, not whether it is like the first one."""
    state, answer = shown(_with(rival=2**31 - 1), corner_model().initial_state(), "right", LEFT)
    assert answer == 1
    assert shown(_with(apart=2_000), state, "left", LEFT, seed=3).answer == 2


def test_a_rival_is_what_another_class_may_be_ahead_by() -> None:
    """As far ahead is kept, a step more is refused, and the class that refuses is named."""
    model = corner_model()
    state, _ = carry_out(model, model.initial_state(), "begin", LEFT)
    state = model.run(*corners("bottom", 4), state).state
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    answers = answers_to_take(learns, own_state(model, state))
    ahead = int(answers[1:].max() - answers[LEFT])
    assert carry_out(_with(rival=ahead), state, "add").answer == 1
    after, answer = carry_out(_with(rival=ahead - 1), state, "add")
    assert answer == OTHER_CLASS
    assert likest_class(model, after, LEFT) == 1 + int(answers[1:].argmax())


def test_the_own_takes_before_say_what_a_gesture_of_one_s_own_looks_like() -> None:
    """A take far from all earlier ones of its gesture is unlike them."""
    model = _with(apart=2_000)
    state, first = shown(model, model.initial_state(), "top", OWN)
    assert first == 1
    assert shown(model, state, "bottom", OWN).answer == UNLIKE
    assert shown(model, state, "top", OWN, seed=5).answer == 2
    assert reason_in_words(UNLIKE).endswith("or your own gesture as shown before")


def test_takes_before_do_not_say_what_a_known_class_looks_like() -> None:
    """A take of a known class is held to its shipped mean alone, however far from takes before."""
    apart = _with(apart=0)
    state, first = shown(apart, apart.initial_state(), "left", LEFT)
    again = shown(apart, state, "left", LEFT, seed=5)
    assert (first, again.answer) == (1, 2)
    assert not np.array_equal(again.state["s2_takes"][0], again.state["s2_takes"][1])


@pytest.mark.parametrize("learned_from", [False, True])
def test_a_gesture_of_one_s_own_is_not_taught_twice_under_two_names(learned_from: bool) -> None:
    """What was shown as one own gesture is refused as another, in the same session and later."""
    model, first, second = corner_model(n_own=2), OWN, OWN + 1
    state = model.initial_state()
    for seed in range(2):
        state, answer = shown(model, state, "bottom", first, seed=seed)
        assert answer == seed + 1
    if learned_from:
        state, _ = carry_out(model, state, "finish")
    after, answer = shown(model, state, "bottom", second, seed=5)
    assert answer == OTHER_CLASS and likest_class(model, after, second) == first
    assert shown(model, after, "bottom", first, seed=6).answer == (1 if learned_from else 3)
    after, answer = shown(model, after, "top", second, seed=7)
    assert answer == 1
    assert shown(model, after, "top", first, seed=8).answer == OTHER_CLASS
    state, _ = carry_out(model, after, "forget")
    assert shown(model, state, "bottom", second, seed=5).answer == 1


def test_another_own_gesture_is_as_wide_as_the_narrowest_known_one() -> None:
    """Of what is no gesture nobody asks how wide it is; as far away is too near, a step more not.

    Where the own takes kept so far would put the other one, that is where it is.
    """
    model = corner_model(n_own=2)
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    state, _ = shown(model, model.initial_state(), "top", OWN, seed=1)
    state, _ = shown(model, state, "top", OWN, seed=2)
    takes = state["s2_takes"][:2].astype(np.int64)
    middle = (takes.sum(axis=0) + 2 * 128 + 1) // 2 - 128
    state, _ = carry_out(model, state, "begin", OWN + 1)
    state = model.run(*corners("top", 4, 3), state).state
    far = int(((state["s2_best"] - middle) ** 2).sum())
    for narrowest, answer in ((far, OTHER_CLASS), (far - 1, 1)):
        near = np.array([narrowest, narrowest + 9, 0], np.int32)
        stage = dataclasses.replace(learns, near=near)
        narrow = dataclasses.replace(model, stages=(*model.stages[:2], stage, model.stages[3]))
        assert carry_out(narrow, state, "add").answer == answer


@pytest.mark.parametrize(("near", "named"), [((500, 500, 500), RIGHT), ((1 << 20, 0, 0), LEFT)])
def test_the_class_that_is_named_is_one_that_refuses(near: tuple[int, ...], named: int) -> None:
    """A gesture of one's own is told to be like the nearest class of those that it is too near."""
    model = corner_model()
    learns = model.stages[2]
    assert isinstance(learns, Enrol)
    stage = dataclasses.replace(learns, near=np.array(near, np.int32))
    model = dataclasses.replace(model, stages=(*model.stages[:2], stage, *model.stages[3:]))
    state, _ = carry_out(model, model.initial_state(), "begin", OWN)
    state = model.run(*corners("none", 4), state).state
    state |= {"s2_best": stage.means[RIGHT].astype(np.int32) + 1}
    assert likest_class(model, state, OWN) == named
    state, answer = carry_out(model, state, "add")
    assert answer == OTHER_CLASS and likest_class(model, state, OWN) == named
    assert likest_class(model, state, -1) == likest_class(model, state, 4) == NO_CLASS
    state, _ = carry_out(model, state, "finish")
    assert likest_class(model, state, OWN) == NO_TAKE
