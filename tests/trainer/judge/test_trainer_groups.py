"""Results by group: who is in which, what may be claimed, and which is the worst."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping

import numpy as np
import pytest

from capture.store.dataset import Participant
from runtime.budget.inputs.groups import NEEDED
from trainer.corpus.noted import Column, column_of
from trainer.judge import groups
from trainer.judge.evaluate import Conditions, Takes
from trainer.judge.groups import (
    GROUPINGS,
    MIN_PEOPLE,
    REST,
    distance_bands,
    further_groupings,
    group_figures,
    grouping_words,
    worst_group,
)
from trainer.judge.intervals import over_participants

N_EACH = 40
PEOPLE = {
    "P1": Participant("P1", True, 165.0, 72.0, "right", 0.2),
    "P2": Participant("P2", True, 175.0, 75.0, "right", 0.3),
    "P3": Participant("P3", True, 180.0, 80.0, "left", 0.4),
    "P4": Participant("P4", True, 199.9, 88.0, "right", 0.6),
    "P5": Participant("P5", True, 210.0, 95.0, "right", 0.6),
    "P6": Participant("P6", True, 215.0, 97.0, "right", None),
}


def some_takes(
    wrong: dict[str, int], people: Mapping[str, Participant] = PEOPLE
) -> tuple[Takes, Conditions]:
    """Forty takes of each person, of which the first so many are wrong."""
    names = tuple(name for name in people for _ in range(N_EACH))
    labels = np.zeros(len(names), dtype=np.int64)
    answers = np.concatenate(
        [(np.arange(N_EACH) < wrong.get(name, 0)).astype(np.int64) for name in people]
    )
    ambient = np.tile([0.0, 0.001, 0.02, 0.3], len(names) // 4)
    unknown = np.full(len(names), np.nan)
    returned = np.tile([10.0, 20.0, 30.0, 40.0, 50.0, 60.0], len(names) // 6)
    return Takes(names, labels, answers), Conditions(ambient, returned, unknown)


def test_people_and_takes_fall_into_their_groups() -> None:
    """Bands are closed below and open above; what is not known of a person leaves them out."""
    takes, conditions = some_takes({"P1": 20})
    groups = group_figures(takes, conditions, PEOPLE, distance_bands(takes, conditions, PEOPLE))

    def people_in(grouping: str) -> dict[str, int]:
        return {row["name"]: row["accuracy"]["n_participants"] for row in groups[grouping]}

    assert people_in("hand_length") == {"small": 2, "middle": 2, "large": 2}
    assert people_in("skin_reflectance") == {"dark": 2, "middle": 1, "light": 2}
    assert people_in("handedness") == {"right": 5, "left": 1}
    assert people_in("ambient") == {"little": 6, "some": 6, "much": 6}
    shares = {row["name"]: row["accuracy"]["n_takes"] for row in groups["distance"]}
    assert set(shares) == {"far", "middle", "near"} and sum(shares.values()) == len(takes.labels)
    assert max(shares.values()) - min(shares.values()) <= len(takes.labels) / 6
    row = groups["hand_length"][0]
    assert row["accuracy"]["value"] == pytest.approx(60 / 80)
    assert (row["low"], row["high"]) == (None, 180.0)


def many_people(n_people: int) -> dict[str, Participant]:
    """So many people, like the six in turn."""
    return {
        f"Q{n}": dataclasses.replace(PEOPLE[f"P{1 + n % 6}"], participant_id=f"Q{n}")
        for n in range(n_people)
    }


def test_a_group_of_too_few_people_is_not_named() -> None:
    """However bad, six people are neither the worst group nor below the others; seven may be."""
    for n_people, enough in ((36, False), (42, True)):
        people = many_people(n_people)
        left = [name for name, person in people.items() if person.handedness == "left"]
        assert len(left) == n_people // 6
        takes, conditions = some_takes(dict.fromkeys(left, 40), people)
        groups = group_figures(takes, conditions, people, distance_bands(takes, conditions, people))
        row = next(row for row in groups["handedness"] if row["name"] == "left")
        assert row["accuracy"]["value"] == 0.0 and row["others"]["value"] == 1.0
        assert row["enough_people"] is row["below_others"] is enough
        worst = worst_group(groups)
        assert worst is not None and worst["accuracy"]["n_participants"] >= MIN_PEOPLE
        assert (worst["accuracy"]["value"] == 0.0) is enough


def test_the_least_number_of_people_follows_from_the_interval() -> None:
    """From that number on, people who are never right part from those who always are."""
    for n_people, parts in ((MIN_PEOPLE - 1, False), (MIN_PEOPLE, True)):
        never, always = (over_participants([v] * n_people, 18 * n_people) for v in (0.0, 1.0))
        assert (never[1] < always[0]) is parts


def test_a_difference_is_claimed_only_without_overlap() -> None:
    """Eight small hands at half the accuracy are below the others; one error each is not.

    Two people at half the accuracy are no evidence: two more could be anywhere.
    """
    many = many_people(24)
    small = [name for name, person in many.items() if (person.hand_length_mm or 0) < 180.0]
    assert len(small) == 8
    for people, names, wrong, claimed in (
        (many, small, 20, True), (many, small, 1, False), (PEOPLE, ["P1", "P2"], 20, False),
    ):  # fmt: skip
        takes, conditions = some_takes(dict.fromkeys(names, wrong), people)
        groups = group_figures(takes, conditions, people, distance_bands(takes, conditions, people))
        assert [row["below_others"] for row in groups["hand_length"]] == [claimed, False, False]


def test_distance_takes_the_skin_out_where_it_is_known() -> None:
    """Where everybody's reflectance is known, twice the reflectance is not half the distance."""
    known = {name: PEOPLE[name] for name in ("P1", "P4")}
    takes = Takes(("P1", "P4") * 3, np.zeros(6, dtype=np.int64), np.zeros(6, dtype=np.int64))
    # 0.2 and 0.6 of reflectance at three distances: the same thirds for both.
    returned = np.array([0.2, 0.6, 0.4, 1.2, 0.8, 2.4])
    conditions = Conditions(np.zeros(6), returned, np.full(6, np.nan))
    groups = group_figures(takes, conditions, known, distance_bands(takes, conditions, known))
    assert [r["accuracy"]["n_participants"] for r in groups["distance"]] == [2, 2, 2]
    unknown = {"P1": PEOPLE["P1"]}
    bands = distance_bands(takes, conditions, unknown)
    assert not bands.noted
    assert bands.bands[0].high == pytest.approx(np.quantile(returned, 1 / 3), abs=1e-3)


def test_a_noted_distance_goes_before_the_light() -> None:
    """Where every recording has a distance, groups are by millimetres; not with one missing."""
    takes = Takes(("P1", "P4") * 3, np.zeros(6, dtype=np.int64), np.zeros(6, dtype=np.int64))
    noted = np.array([80.0, 119.0, 120.0, 169.0, 170.0, 300.0])
    conditions = Conditions(np.zeros(6), np.arange(6.0), noted)
    distances = distance_bands(takes, conditions, PEOPLE)
    groups = group_figures(takes, conditions, PEOPLE, distances)
    assert distances.noted
    rows = [(r["name"], r["low"], r["accuracy"]["n_takes"]) for r in groups["distance"]]
    assert rows == [("near", None, 2), ("middle", 120.0, 2), ("far", 170.0, 2)]
    noted[3] = np.nan
    assert not distance_bands(takes, conditions, PEOPLE).noted


def test_nobody_known_leaves_groups_empty() -> None:
    """Without a table of people, groupings by person are empty and no worst group is made up."""
    takes, conditions = some_takes({})
    groups = group_figures(takes, conditions, {}, distance_bands(takes, conditions, {}))
    assert groups["hand_length"] == groups["handedness"] == []
    only_one = {"handedness": [dict(groups["ambient"][0])]}
    assert worst_group(only_one) is None


def column(name: str, people: Mapping[str, Participant], values: Iterable[object]) -> Column:
    texts = {name: str(value) for name, value in zip(people, values, strict=False)}
    found = column_of(name, texts)
    assert found is not None
    return found


def test_people_are_grouped_by_any_column() -> None:
    """A word of seven people is a group, rarer ones are one together; numbers are cut in thirds.

    Seven people of two kinds say nothing of either: a limit on the worst group stays undecided.
    """
    people = many_people(30)
    takes, conditions = some_takes({"Q0": 20}, people)
    columns = [
        column("sleeve", people, ["long"] * 16 + ["short"] * 7 + ["rolled"] * 4 + ["none"] * 3),
        column("age", people, range(20, 50)),
        column("name", people, [f"somebody {n}" for n in range(30)]),
        column("handedness", people, ["odd", "even"] * 15),
    ]
    further = further_groupings(takes, conditions, columns)
    assert set(further) == {"sleeve", "age"}
    distances = distance_bands(takes, conditions, people)
    groups = group_figures(takes, conditions, people, distances, further)
    sizes = [(row["name"], row["accuracy"]["n_participants"]) for row in groups["sleeve"]]
    assert sizes == [("long", 16), ("short", 7), (REST, 7)]
    assert [row["enough_people"] for row in groups["sleeve"]] == [True, True, False]
    assert groups["sleeve"][0]["accuracy"]["value"] == pytest.approx(1 - 20 / 640)
    rows = [(r["name"], r["low"], r["high"], r["accuracy"]["n_participants"])
            for r in groups["age"]]  # fmt: skip
    assert rows == [("low", None, 29.667, 10), ("middle", 29.667, 39.333, 10),
                    ("high", 39.333, None, 10)]  # fmt: skip
    assert {row["name"] for row in groups["handedness"]} == {"right", "left"}


def test_a_column_of_small_groups_alone_is_shown_as_such() -> None:
    """Where no word has enough people, those that people share are groups, and none is named."""
    people = many_people(12)
    takes, conditions = some_takes({}, people)
    columns = [column("glove", people, ["thin"] * 6 + ["thick"] * 5 + ["none"])]
    groups = group_figures(
        takes, conditions, people, distance_bands(takes, conditions, people),
        further_groupings(takes, conditions, columns),
    )  # fmt: skip
    sizes = [
        (row["name"], row["accuracy"]["n_participants"], row["enough_people"])
        for row in groups["glove"]
    ]
    assert sizes == [("thick", 5, False), ("thin", 6, False), (REST, 1, False)]


def test_a_column_that_groups_already_gives_no_second_grouping() -> None:
    """Hand length, skin and handedness are cut by their own bounds, and by no others beside."""
    people = many_people(15)
    takes, conditions = some_takes({}, people)
    lengths = [str(170 + n) for n in range(15)]
    names = ("hand_length_mm", "skin_reflectance", "handedness", "hand_breadth_mm")
    columns = [column(name, people, lengths) for name in names]
    assert set(further_groupings(takes, conditions, columns)) == {"hand_breadth_mm"}


def test_takes_are_grouped_by_what_their_table_notes() -> None:
    """Columns added to the tables of labels group takes, people and all; unknown takes are out."""
    people = many_people(15)
    takes, conditions = some_takes({}, people)
    lamp = [{"lamp": "on"} if n % 2 else {"lamp": "off"} for n in range(len(takes.labels) - 1)]
    noted = (*lamp, dict[str, str]())
    conditions = dataclasses.replace(conditions, noted=noted)
    columns = [column("lamp", people, ["a", "b"] * 8)]
    further = further_groupings(takes, conditions, columns)
    assert set(further) == {"lamp", "lamp of the take"}
    groups = group_figures(
        takes, conditions, people, distance_bands(takes, conditions, people), further
    )
    rows = groups["lamp of the take"]
    assert [(r["name"], r["accuracy"]["n_takes"]) for r in rows] == [("off", 300), ("on", 299)]
    assert {row["accuracy"]["n_participants"] for row in rows} == {15}


def test_groups_that_a_claim_needs_are_those_that_an_evaluation_names() -> None:
    """Bands and words are called the same where groups are made and where they are waited for."""
    assert set(NEEDED) == set(GROUPINGS)
    bands = (groups._HANDS, groups._SKINS, groups._AMBIENTS, groups._DISTANCES)
    names = [set(NEEDED[key]) for key in ("hand_length", "skin_reflectance", "ambient", "distance")]
    assert names == [{band.name for band in each} for each in bands]
    assert set(NEEDED["handedness"]) < set(groups._HANDEDNESS)


def test_a_column_is_called_by_its_words_with_its_unit_apart() -> None:
    """The last part of a column's name is its unit where it is one, and a word where it is not."""
    assert grouping_words("hand_breadth_mm") == "hand breadth, mm"
    assert grouping_words("worn_on") == "worn on"
    assert grouping_words("mm") == "mm"
    assert grouping_words("hand_length") == "hand length"
