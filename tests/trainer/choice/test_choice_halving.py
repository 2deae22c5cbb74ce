"""Who goes on in successive halving, and how the rest of a step is told."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.choice.worth.halving import Countdown, promoted


def test_fronts_go_on_whole_before_those_behind_them() -> None:
    """A setting goes on before any that it beats, and the recorded one goes on always."""
    cost = np.array([90.0, 10.0, 20.0, 30.0, 15.0, 25.0])
    score = np.array([0.5, 0.5, 0.7, 0.9, 0.4, 0.6])
    assert promoted(cost, score, 3) == [1, 2, 3]
    assert promoted(cost, score, 4, [0]) == [0, 1, 2, 3]
    assert promoted(cost, score, 9) == [0, 1, 2, 3, 4, 5]


def test_of_a_front_that_does_not_go_on_whole_the_best_and_what_adds_most_do() -> None:
    """The best score goes on, then what opens most; a cheap end that knows nothing stays behind."""
    cost = np.array([10.0, 11.0, 12.0, 40.0, 90.0])
    score = np.array([0.1, 0.62, 0.64, 0.8, 0.9])
    assert promoted(cost, score, 1) == [4]
    assert promoted(cost, score, 2) == [2, 4]
    assert promoted(cost, score, 3) == [2, 3, 4]
    errors = score - 1.0  # less than none, as scores of a light's place are
    assert promoted(cost, errors, 3) == [2, 3, 4]


def test_a_step_says_about_how_long_the_rest_takes(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is left is told from what was done since the step began, not from what was kept."""
    now = [100.0]
    monkeypatch.setattr("trainer.choice.worth.halving.time.monotonic", lambda: now[0])
    told: list[str] = []
    countdown = Countdown(told.append, "fits")
    countdown("4 of 10")
    now[0] = 400.0
    countdown("6 of 10")
    now[0] = 410.0
    countdown("9 of 10")
    countdown("10 of 10")
    assert told == [
        "fits, 4 of 10",
        "fits, 6 of 10, about 10 min left",
        "fits, 9 of 10, about 1 min left",
        "fits, 10 of 10",
    ]
