"""How much taught scores count: by hand, on streams whose leads grew."""

from __future__ import annotations

import pytest
from test_trainer_margins import a_recipe, a_stream

from trainer.fit.owner.events import as_taught
from trainer.judge.events import Margins, Stream

GESTURES = [(5.0, 0), (15.0, 1), (25.0, 0)]
MARGINS = Margins(10.0, (0.0, 0.0))  # 20 steps


def leads(gestures: int, scare: int) -> list[Stream]:
    """Three gestures with so many steps of lead, and a scare before the second one."""
    bumps = [(t - 0.5, label, gestures) for t, label in GESTURES]
    return [a_stream([*bumps, (12.0, 0, scare)], GESTURES)]


def test_taught_scores_count_as_far_as_no_more_is_unmeant_than_before() -> None:
    """Leads of 30 became 90, and a scare's of 12 became 36: at 20 needed, 8 sixteenths hold it."""
    chosen = as_taught(leads(30, 12), leads(90, 36), MARGINS, a_recipe())
    assert chosen.sixteenths == 8  # 36 of them are 18; nine would make 20.25
    assert chosen.found is not None
    assert chosen.found["shipped"] == {"found": 3, "unmeant": 0}
    assert chosen.found["taught_whole"] == {"found": 3, "unmeant": 1}
    assert chosen.found["taught"] == {"found": 3, "unmeant": 0}
    assert (chosen.found["n_gestures"], chosen.found["n_people"]) == (3, 1)


def test_scores_that_mislead_nobody_count_whole() -> None:
    """Where no more is unmeant than before, nothing shrinks, even if something was unmeant then."""
    assert as_taught(leads(30, 12), leads(90, 19), MARGINS, a_recipe()).sixteenths == 16
    assert as_taught(leads(30, 24), leads(90, 72), MARGINS, a_recipe()).sixteenths == 16


def test_what_costs_gestures_is_not_held_back() -> None:
    """Of leads that hardly grew, what holds the scare back loses all gestures: F1 decides."""
    found = as_taught(leads(30, 12), leads(22, 36), MARGINS, a_recipe()).found
    assert found is not None and found["sixteenths"] == 16
    assert found["taught"] == {"found": 3, "unmeant": 1}


@pytest.mark.parametrize(("room", "n_takes"), [(1, 1), (5, 3)])
def test_no_more_takes_are_shown_than_a_model_has_room_for(room: int, n_takes: int) -> None:
    """Three takes of each class are shown before events are counted, or as many as are kept."""
    recipe = a_recipe()
    head = recipe.head.model_copy(update={"enrol_takes": room})
    few = recipe.model_copy(update={"head": head})
    found = as_taught(leads(30, 12), leads(90, 36), MARGINS, few).found
    assert found is not None and found["n_takes"] == n_takes


def test_where_there_is_no_margin_nothing_is_divided() -> None:
    """Without a margin no division holds anything back, and scores count whole."""
    calm = [a_stream([(t - 0.5, label, 30) for t, label in GESTURES], GESTURES)]
    assert as_taught(calm, leads(90, 36), Margins(0.0, (0.0, 0.0)), a_recipe()).sixteenths == 16
