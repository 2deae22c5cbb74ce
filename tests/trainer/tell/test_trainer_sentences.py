"""Sentences: what figures mean, and nothing that their intervals do not allow."""

from __future__ import annotations

from typing import Any

import pytest

from runtime.budget.inputs.groups import NEEDED
from trainer.tell.sentences import (
    below_words,
    emulated_words,
    event_words,
    from_end,
    learning_words,
    per_hour,
    percent,
    purpose_words,
    untold_words,
    verdict,
    worst_words,
)
from trainer.tell.tables import evaluation_tables


def figure(value: float, low: float, high: float, people: int = 4) -> dict[str, Any]:
    return {"value": value, "low": low, "high": high, "n_participants": people, "n_takes": 80}


def point(n_people: int, value: float, half: float) -> dict[str, Any]:
    return {"n_participants": n_people, "accuracy": figure(value, value - half, value + half)}


def test_a_difference_is_said_only_where_its_interval_leaves_zero_out() -> None:
    """Better than four quadrants is said by the paired difference; people stand by every figure."""
    for gain, words in (
        (figure(0.4, 0.3, 0.5, 12), "40.0 points less (with 95 % confidence +30.0 to +50.0 points"),
        (figure(0.04, -0.01, 0.09, 12), "shows no difference"),
        (figure(-0.1, -0.2, -0.05, 12), "10.0 points more"),
    ):
        found = verdict(
            {
                "everybody": {"accuracy": figure(0.9, 0.86, 0.93, 12)},
                "fixed": {"accuracy": figure(0.88, 0.7, 0.97, 3)},
                "majority": {"accuracy": figure(0.27, 0.27, 0.27, 3)},
                "everybody_four_quadrant": {"accuracy": figure(0.5, 0.4, 0.6, 12)},
                "differences": {"everybody_four_quadrant": gain},
            }
        )
        assert words in found["beside"] and "paired over 12 people" in found["beside"]
        assert "reach 50.0 %" in found["beside"]
        assert found["title"] == "90.0 % of takes recognised."
        assert "86.0 to 93.0 %" in found["takes"] and found["events"] == ""
        assert (
            "3 people had no part in any choice: 88.0 % (70.0 to 97.0; 3 people)."
            in (found["takes"])
        )


def test_a_model_at_chance_says_so_first_and_claims_nothing() -> None:
    """Where the interval holds what one answer for all gives, the title says so."""
    found = verdict(
        {
            "everybody": {"accuracy": figure(0.31, 0.24, 0.39, 12)},
            "fixed": {"accuracy": figure(0.3, 0.1, 0.6, 3)},
            "majority": {"accuracy": figure(0.273, 0.2, 0.3, 3)},
            "everybody_four_quadrant": {"accuracy": figure(0.3, 0.2, 0.4, 12)},
            "differences": {"everybody_four_quadrant": figure(0.01, -0.1, 0.1, 12)},
        }
    )
    assert found["title"] == (
        "31.0 % of takes recognised, which is not shown to be more than one answer for all "
        "(27.3 %)."
    )
    assert "as good as four quadrants" not in found["beside"]
    assert "says nothing of what the fine readout is for" in found["beside"]


def test_what_the_fine_readout_is_for_is_said_by_the_paired_difference() -> None:
    """Needed, as good, or worse than four quadrants; shapes that are held are called so."""
    better, same, worse = (
        figure(0.4, 0.3, 0.5),
        figure(0.04, -0.01, 0.09),
        figure(-0.1, -0.2, -0.05),
    )
    assert "is what the fine readout is for" in purpose_words(better, held=True)
    assert "held shapes" in purpose_words(better, held=True)
    assert "these movements" in purpose_words(same, held=False)
    assert "as good as four quadrants, and not shown to be better" in purpose_words(
        same, held=False
    )
    assert "the better one" in purpose_words(worse, held=False)


@pytest.mark.parametrize(
    ("curve", "words"),
    [
        ([point(4, 0.7, 0.02), point(8, 0.8, 0.02)], "go on recording"),
        ([point(4, 0.78, 0.05), point(8, 0.8, 0.05)], "more people may help"),
        ([point(4, 0.8, 0.05), point(8, 0.803, 0.05)], "will hardly help"),
        ([point(4, 0.8, 0.05), point(8, 0.79, 0.05)], "did not rise"),
        ([point(4, 0.8, 0.05)], "record more"),
    ],
)
def test_the_learning_curve_tells_whether_to_go_on(curve: list[dict[str, Any]], words: str) -> None:
    """A collector reads whether more people are worth recording, from the last doubling."""
    assert words in learning_words(curve)


def test_the_last_doubling_counts_not_the_last_point() -> None:
    """A last point with hardly more people than the one before is compared with half as many."""
    curve = [point(2, 0.6, 0.01), point(4, 0.7, 0.01), point(7, 0.8, 0.01), point(8, 0.801, 0.01)]
    assert "From 4 to 8 people" in learning_words(curve)


def groups_of(**people: int) -> dict[str, list[dict[str, Any]]]:
    """Return one grouping by hand with so many people in each group."""
    rows = [
        {"name": name, "accuracy": figure(0.7, 0.6, 0.8, n), "enough_people": n >= 7}
        for name, n in people.items()
    ]
    return {"handedness": rows}


def test_a_worst_group_is_a_difference_only_without_overlap() -> None:
    """The worst group is named with people and takes, and the claim depends on the intervals."""
    row = {"grouping": "hand_length", "name": "small", "accuracy": figure(0.7, 0.6, 0.8, 9)}
    both = groups_of(right=60, left=9)
    assert "9 people), 80 takes." in worst_words(row | {"below_others": False}, both)
    assert "no difference is shown" in worst_words(row | {"below_others": False}, both)
    assert "a real difference" in worst_words(row | {"below_others": True}, both)
    assert "too few" in worst_words(None, {})
    assert "at least 7 people" in worst_words(None, {})
    further = {"grouping": "long_sleeve", "name": "yes", "below_others": False}
    assert "Worst of 2 groups: long sleeve, “yes”" in worst_words(row | further, both)


def test_one_group_that_can_be_told_is_not_called_the_worst() -> None:
    """Beside groups of too few people, and of everybody, there is no second to be worse than."""
    row = {"grouping": "sleeve", "name": "worn", "accuracy": figure(0.7, 0.6, 0.8, 7)}
    groups = {"handedness": groups_of(right=9)["handedness"]} | {
        "sleeve": groups_of(worn=7, none=2)["handedness"]
    }
    said = worst_words(row | {"below_others": False}, groups)
    assert said.startswith("The only group with enough people") and "Worst" not in said


def test_groups_of_which_nothing_is_known_are_named() -> None:
    """Too few on both sides, or nobody on either: the page says so, and is not silent."""
    asked = {name: [
        {"name": group, "accuracy": figure(0.7, 0.6, 0.8, 9), "enough_people": True}
        for group in names
    ] for name, names in NEEDED.items()}  # fmt: skip
    told = {"groups": asked, "groups_in_turn": {}}
    assert untold_words(told) == ""
    few = told | {
        "groups": asked | groups_of(right=40, left=3),
        "groups_in_turn": groups_of(left=5),
    }
    assert untold_words(few).endswith("served worse. Handedness: left (5).")
    nobody = told | {"groups": asked | groups_of(right=40)}
    assert untold_words(nobody).endswith("Handedness: left (none).")
    enough = few | {"groups_in_turn": groups_of(left=7)}
    assert untold_words(enough) == ""


def test_every_group_that_is_served_less_well_is_named() -> None:
    """All groups below the others are named with both figures, and none else."""
    left = {"name": "left", "accuracy": figure(0.56, 0.52, 0.6, 91), "below_others": True}
    left["others"] = figure(0.654, 0.64, 0.67, 627)
    right = {"name": "right", "accuracy": left["others"], "others": left["accuracy"]}
    right["below_others"] = False
    (words,) = below_words({"handedness": [right, left], "glove": []})
    assert words.startswith("Works less well for handedness, “left”: 56.0 % (52.0")
    assert words.endswith("where all others have 65.4 % (64.0 to 67.0; 627 people).")
    assert below_words({"handedness": [right]}) == []


def test_events_are_told_with_the_bound_that_may_be_claimed() -> None:
    """The stream's sentence has F1, false events with the one-sided bound, and the latency."""
    events = {
        "f1": {**figure(0.97, 0.95, 0.98), "n_events": 500},
        "false_events_per_hour": {
            "value": 0.2, "upper_95": 0.9493, "n_events": 1, "hours": 5.0,
            "counted_on": "background",
        },
        "latency_ms": {"median": 120.2, "p95": -40.0, "n_events": 480},
    }  # fmt: skip
    words = event_words(events)
    assert "1 false event in 5 h of everyday time, so at most 0.95 an hour" in words
    assert "120 ms after the gesture's end (median), 95 % of events by 40 ms before it" in words
    nothing = events | {"latency_ms": {"median": None, "p95": None, "n_events": 0}}
    assert "median" not in event_words(nothing)


def test_emulated_figures_are_never_passed_off_as_measured() -> None:
    """An emulated sensor is named with what it cannot say, and so is its everyday time."""
    assert emulated_words({"recorded_by": ["unit u7, firmware 1.2"]}) == ""
    takes = {"recorded_by": ["unit u7, firmware 1.2", "unit unit-a, firmware emulated 1"]}
    assert emulated_words(takes).endswith("it says nothing of real hands.")
    rate = {"false_events_per_hour": {"counted_on": "background"}}
    assert "busier than real days" in emulated_words(takes | {"events": rate})
    rig = {"recorded_by": ["unit unit-a, firmware emulated 1"], "source": {}}
    assert emulated_words(rig).endswith("it says nothing of a real optic.")


def test_numbers_are_plain() -> None:
    """Shares, rates and times are written without exponents."""
    assert percent(figure(0.9567, 0.9, 1.0)) == "95.7 % (90.0 to 100.0; 4 people)"
    assert (per_hour(0.6), per_hour(1302.4)) == ("0.60", "1,302")
    assert (from_end(-40.2), from_end(0.0)) == ("40 ms before", "0 ms after")


def test_tables_say_what_kind_of_data_their_figures_rest_on() -> None:
    """A table for the terminal says the kind of data below it, unless all of it is recorded."""
    both = {name: figure(0.9, 0.8, 1.0) for name in ("accuracy", "macro_f1")}
    row = {"task": "t", **dict.fromkeys(("fixed", "float", "majority", "cross_validation"), both)}
    row["differences"] = {}
    (table,) = evaluation_tables([row | {"recorded_by": ["unit a, firmware 1.2"]}])
    assert table.caption is None
    shapes = "unit a, firmware imported (real shapes, emulated optic)"
    (table,) = evaluation_tables([row | {"recorded_by": [shapes]}])
    assert "real shapes, emulated optic" in str(table.caption)
