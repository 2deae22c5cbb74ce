"""Results by group: who is in which, what may be claimed, and which is the worst."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
import pytest

from capture.store.dataset import Participant
from trainer.judge.evaluate import Conditions, Takes
from trainer.judge.groups import distance_bands, group_figures, worst_group

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


def test_a_group_of_one_person_says_too_little() -> None:
    """However bad, a single person is neither the worst group nor below the others."""
    takes, conditions = some_takes({"P3": 40, "P1": 5, "P2": 5})
    groups = group_figures(takes, conditions, PEOPLE, distance_bands(takes, conditions, PEOPLE))
    left = next(row for row in groups["handedness"] if row["name"] == "left")
    assert left["accuracy"]["value"] == 0.0
    assert not left["enough_people"] and not left["below_others"]
    worst = worst_group(groups)
    assert worst is not None and worst["accuracy"]["n_participants"] >= 2
    assert (worst["grouping"], worst["name"]) == ("hand_length", "middle")


def test_a_difference_is_claimed_only_without_overlap() -> None:
    """Six small hands at half the accuracy are below the others; one error each is not.

    Two people at half the accuracy are no evidence: two more could be anywhere.
    """
    many = {
        f"P{n}": dataclasses.replace(PEOPLE[f"P{1 + n % 6}"], participant_id=f"P{n}")
        for n in range(18)
    }
    small = [name for name, person in many.items() if (person.hand_length_mm or 0) < 180.0]
    assert len(small) == 6
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
