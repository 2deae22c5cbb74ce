"""What takes of an owner are worth, on tables whose figures are known."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from trainer.fit.owner.taught import ALONE, BESIDE, KNOWN, TAKES_EACH
from trainer.fit.owner.worth import LEAST_PEOPLE, Shown, figures_of_owners
from trainer.judge.groups import MIN_PEOPLE
from trainer.tell.owner import owner_section


def person(name: str, before: int, after: int, *, kind: int = KNOWN, kept: int = 3) -> Shown:
    """Twenty takes of known classes, and ten of a new gesture of which nine are found."""
    return Shown(name, kind, 3, 20, before, after, 10 if kind else 0, 9, 1, kept)


PEOPLE = [person(f"P{n:02d}", 18, 18) for n in range(1, 19)] + [
    person("P19", 6, 12),
    person("P20", 4, 10),
]


def test_the_worst_tenth_is_taken_anew_before_and_after() -> None:
    """Two of twenty people: 5 of 20 right before; after, the two who are then the worst."""
    people = [*PEOPLE[1:], person("P01", 18, 8)]
    [row] = figures_of_owners(people, {})["classes"]
    worst = row["worst_tenth"]
    assert (row["n_people"], worst["n_people"]) == (20, 2)
    assert worst["before"] == pytest.approx(10 / 40) and worst["after"] == pytest.approx(18 / 40)
    assert worst["difference"][0] <= worst["after"] - worst["before"]


def test_a_tenth_that_is_one_person_is_not_told_of() -> None:
    """Of fifteen people it is one, who would be named by it; of sixteen it is two."""
    for n_people, told in ((15, False), (LEAST_PEOPLE, True)):
        [row] = figures_of_owners(PEOPLE[-n_people:], {})["classes"]
        assert row["n_people"] == row["mean"]["n_people"] == n_people
        assert (row["worst_tenth"] is not None) == (row["others"] is not None) == told
    assert row["worst_tenth"]["n_people"] == 2 and row["others"]["n_people"] == 14


def test_the_interval_of_a_tenth_holds_what_many_people_would_show() -> None:
    """Nobody gains, by twenty people of whom the worst two change from draw to draw.

    Of 100 such draws the interval holds zero in 90 and more (95 are meant; their count spreads by
    2.2); percentiles of resampled people alone do so in 86 of 100.
    """
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(100):
        able = rng.beta(6, 2, 20)
        counts = rng.binomial(24, able), rng.binomial(24, able)
        people = [
            Shown(f"P{n}", KNOWN, 3, 24, int(before), int(after), 0, 0, 0, 3)
            for n, (before, after) in enumerate(zip(*counts, strict=True))
        ]
        low, high = figures_of_owners(people, {})["classes"][0]["worst_tenth"]["difference"]
        held += low <= 0 <= high
    assert held >= 90


def test_mean_others_and_left_handed_people_each_have_a_paired_interval() -> None:
    """Each person counts as one; others are all but the worst; six left-handed say too little."""
    lefts = [f"P{n}" for n in range(15, 21)]
    handed = {**dict.fromkeys(["P14", *lefts], "left"), "P01": "right"}
    [row] = figures_of_owners(PEOPLE, handed)["classes"]
    assert row["mean"]["before"] == pytest.approx((18 * 18 + 10) / 400)
    assert row["mean"]["after"] == pytest.approx((18 * 18 + 22) / 400)
    assert row["others"]["before"] == row["others"]["after"] == pytest.approx(0.9)
    low, high = row["others"]["difference"]
    assert -0.02 < low < 0 < high < 0.02
    assert row["left_handed"]["n_people"] == 7
    assert row["left_handed"]["after"] == pytest.approx((5 * 18 + 22) / 140)
    few = figures_of_owners(PEOPLE, dict.fromkeys(lefts, "left"))
    assert few["classes"][0]["left_handed"] is None
    assert row["refused_per_session"] == 1


def test_turns_of_one_person_are_one_person() -> None:
    """Several turns are added up before people are."""
    [row] = figures_of_owners([person("P01", 10, 12), person("P01", 20, 20)], {})["classes"]
    assert row["n_people"] == 1
    assert row["mean"]["after"] == pytest.approx(32 / 40)


def test_a_new_gesture_counts_people_who_were_accepted() -> None:
    """Whose takes were refused is told so by the device, and has no share in what is found."""
    shown = [
        person("P01", 18, 17, kind=BESIDE),
        person("P02", 18, 2, kind=BESIDE, kept=1),
        person("P03", 16, 16, kind=BESIDE),
    ]
    [row] = figures_of_owners(shown, {})["new_gesture"]
    assert (row["n_people"], row["n_accepted"]) == (3, 2)
    assert row["found"] == pytest.approx(0.9)
    low, high = row["found_interval"]
    assert low < 0.5 < 0.9 < high < 1  # two people say little of others
    assert row["known_classes"]["after"] == pytest.approx(33 / 40)
    alone = [dataclasses.replace(one, kind=ALONE) for one in shown]
    found = figures_of_owners(alone, {})
    assert found["new_gesture"] == [] and found["new_gesture_alone"] == [row]
    refused = figures_of_owners(shown[1:2], {})["new_gesture"][0]
    assert refused["found"] is None and refused["known_classes"] is None


def test_the_page_says_of_what_nothing_is_told() -> None:
    """Numbers of takes that nobody could show are named, and left-handed people who are too few."""
    found = figures_of_owners(PEOPLE, {"P01": "left"})
    found["bytes"] = {"ram": 1, "kept": 1, "tables": 1}
    page = owner_section({"enrolment": found})
    assert "Nothing is told of 1 or 5 takes" in page
    assert f"Too few people to say: left-handed people (fewer than {MIN_PEOPLE})." in page
    everybody = [dataclasses.replace(one, n_shown=n) for n in TAKES_EACH for one in PEOPLE] + [
        person(f"P{n:02d}", 18, 17, kind=BESIDE) for n in range(1, 4)
    ]
    found |= figures_of_owners(everybody, {f"P{n:02d}": "left" for n in range(1, 8)})
    found["favour"] = {"taught_nats": 2, "untaught_nats": None, "allowed_loss": 0.01}
    page = owner_section({"enrolment": found})
    assert "by 2 nats over known classes that were shown" in page
    assert "over others" not in page
    assert "Nothing is told" not in page and "Too few people" not in page
    few = figures_of_owners(everybody[-15:], {}) | {"bytes": found["bytes"]}
    page = owner_section({"enrolment": few})
    assert f"the worst tenth (fewer than {LEAST_PEOPLE}), left-handed people" in page
    assert "all others" not in page
    assert "90.0\N{NO-BREAK SPACE}%</span>" in page
