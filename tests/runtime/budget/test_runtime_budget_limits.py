"""The limits file and the gate: what keeps a limit, what crosses it, and what CI reads of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from runtime.budget.inputs.evaluation import Evaluation
from runtime.budget.inputs.groups import NEEDED
from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.verdict.host import host_verdict
from runtime.budget.verdict.limits import (
    Basis,
    Check,
    Limits,
    check,
    junit_xml,
    load_limits,
    verdict_check,
)
from runtime.errors import FormatError

AT_MOST = [  # value, low, high against at most 10
    (Interval(9.0, 8.0, 10.0), "kept"),
    (Interval(10.0, 9.0, 10.0), "kept"),
    (Interval(9.0, 8.0, 10.5), "crossed"),
    (Interval(10.5, 9.0, 11.0), "broken"),
]
AT_LEAST = [  # against at least 10
    (Interval(11.0, 10.0, 12.0), "kept"),
    (Interval(10.0, 10.0, 12.0), "kept"),
    (Interval(11.0, 9.5, 12.0), "crossed"),
    (Interval(9.5, 9.0, 11.0), "broken"),
]


@pytest.mark.parametrize(
    ("value", "state", "at_least"),
    [(*row, False) for row in AT_MOST] + [(*row, True) for row in AT_LEAST],
)
def test_state_is_told_by_value_and_the_worse_end(
    value: Interval, state: str, at_least: bool
) -> None:
    """The limit itself keeps it; beyond it is broken; only the interval's worse end, crossed."""
    assert check("power", "uW", value, 10.0, at_least).state == state


def test_a_value_that_is_not_of_everybody_keeps_no_limit() -> None:
    """Whom too little is known of leaves a limit unknown, which opens no gate; broken stays so."""
    basis = Basis("counted", "people", "9 people", "too few people to tell: handedness left (4)")
    kept, broken = Interval(70.0, 65.0, 80.0), Interval(50.0, 45.0, 55.0)
    found = check("worst group", "%", kept, 60.0, at_least=True, basis=basis)
    assert (found.state, found.keeps()) == ("unknown", False)
    assert found.line.endswith("9 people; too few people to tell: handedness left (4)")
    assert check("worst group", "%", broken, 60.0, at_least=True, basis=basis).state == "broken"
    silent = check("worst group", "%", None, 60.0, at_least=True, basis=basis)
    assert silent.state == "unknown" and silent.line.endswith("left (4)")


def groups_of(grouping: str = "handedness", **people: int) -> dict[str, list[dict[str, object]]]:
    """Return groups of so many people each, as an evaluation has them, beside others of nine."""
    asked = {name: dict.fromkeys(names, 9) for name, names in NEEDED.items()} | {grouping: people}
    return {
        name: [
            {
                "name": group, "enough_people": n >= 7,
                "accuracy": {"value": 0.9, "low": 0.8, "high": 1.0, "n_participants": n},
            }
            for group, n in groups.items()
        ]
        for name, groups in asked.items()
    }  # fmt: skip


PLAIN = {"fixed": {"accuracy": {"value": 0.9, "low": 0.8, "high": 1.0}}}


@pytest.mark.parametrize(
    ("locked", "in_turn", "untold"),
    [
        ({"right": 9, "left": 2}, {"right": 20, "left": 4}, ("handedness left (4)",)),
        ({"right": 9, "left": 2}, {"right": 20, "left": 7}, ()),
        ({"right": 9}, {"right": 20}, ("handedness left (0)",)),
        ({"right": 9, "ambidextrous": 7}, {"right": 20}, ("handedness left (0)",)),
        ({"right": 4}, {"right": 6}, ("handedness left (0)", "handedness right (6)")),
        ({"right": 3, "left": 2}, {}, ("handedness left (2)", "handedness right (3)")),
        ({}, {}, ("handedness left (0)", "handedness right (0)")),
    ],
)
def test_a_group_is_told_where_either_side_has_enough_people(
    locked: dict[str, int], in_turn: dict[str, int], untold: tuple[str, ...]
) -> None:
    """Small among the locked and the people in turn, or with nobody in it, a group is untold."""
    content = {"groups": groups_of(**locked), "groups_in_turn": groups_of(**in_turn)}
    assert Evaluation.model_validate(PLAIN | content).untold_groups == untold


def group(name: str, value: float, low: float, n_people: int) -> dict[str, Any]:
    """Return a group as an evaluation has it."""
    accuracy = {"value": value, "low": low, "high": 0.99, "n_participants": n_people}
    return {"name": name, "enough_people": n_people >= 7, "accuracy": accuracy}


@pytest.mark.parametrize(
    ("left_low", "in_turn", "limit", "said"),
    [
        (0.5, None, 0.8, ("broken", "handedness right, 60 people")),
        (0.5, None, 0.7, ("crossed", "handedness left, 8 people")),
        (0.74, None, 0.73, ("crossed", "handedness right, 60 people")),
        (0.74, None, 0.7, ("kept", "handedness right, 60 people")),
        (0.5, (0.75, 90), 0.7, ("kept", "handedness right, 60 people")),
        (0.5, (0.65, 90), 0.7, ("crossed", "handedness left, 90 people")),
        (0.75, (0.65, 7), 0.7, ("kept", "handedness right, 60 people")),
    ],
)
def test_every_group_has_to_keep_a_limit_on_the_worst(
    left_low: float,
    in_turn: tuple[float, int] | None,
    limit: float,
    said: tuple[str, str],
) -> None:
    """Few people who did better than the worst group may yet be served worse: the limit is crossed.

    A group counts where more of its people were asked.
    """
    right = group("right", 0.77, 0.72, 60)
    groups = groups_of() | {"handedness": [right, group("left", 0.81, left_low, 8)]}
    turn = [] if in_turn is None else [group("left", 0.8, *in_turn)]
    content = {
        "groups": groups, "groups_in_turn": {"handedness": turn},
        "worst_group": right | {"grouping": "handedness"},
    }  # fmt: skip
    found = Evaluation.model_validate(PLAIN | content).group_that_decides(limit)
    assert found is not None
    held = check("worst group", "", found.accuracy.interval, limit, at_least=True)
    assert (held.state, f"{found.words}, {found.accuracy.n_participants} people") == said


def test_one_kind_in_a_column_of_ones_own_is_no_group() -> None:
    """What nobody differs in is untold only where a claim about everybody needs both kinds."""
    for sleeves, untold in (({"long": 9}, ()), ({"long": 9, "short": 1}, ("sleeve short (1)",))):
        found = Evaluation.model_validate(PLAIN | {"groups": groups_of("sleeve", **sleeves)})
        assert found.untold_groups == untold


def test_a_crossed_limit_opens_the_gate_unless_it_is_strict() -> None:
    """A kept limit opens the gate; a broken and an unknown one never; a crossed one if lenient."""
    values = {
        "kept": Interval(1.0, 1.0, 1.0), "crossed": Interval(9.0, 8.0, 11.0),
        "broken": Interval(11.0, 9.0, 12.0), "unknown": None,
    }  # fmt: skip
    opens = {}
    for state, value in values.items():
        found = check("power", "uW", value, 10.0)
        assert found.state == state
        opens[state] = (found.keeps(), found.keeps(strict=True))
    assert opens == {
        "kept": (True, True), "crossed": (True, False),
        "broken": (False, False), "unknown": (False, False),
    }  # fmt: skip


def test_margin_is_the_distance_to_the_limit_as_a_share_of_it() -> None:
    """8 of at most 10 leaves a fifth, 12 of at least 10 too; beyond it the margin is negative."""
    assert check("p", "uW", Interval(8.0, 7.0, 9.0), 10.0).margin == pytest.approx(0.2)
    assert check("p", "uW", Interval(12.0, 7.0, 9.0), 10.0).margin == pytest.approx(-0.2)
    assert check("a", "", Interval(12.0, 7.0, 9.0), 10.0, True).margin == pytest.approx(0.2)
    assert check("a", "", Interval(8.0, 7.0, 9.0), 10.0, True).margin == pytest.approx(-0.2)
    assert check("p", "uW", None, 10.0).margin is None


def test_margin_to_a_limit_of_nothing() -> None:
    """Of a limit of 0, nothing is left when it is kept and all is over when it is not."""
    assert check("false events", "/h", Interval(0.0, 0.0, 1.0), 0.0).margin == 0.0
    assert check("false events", "/h", Interval(0.5, 0.0, 1.0), 0.0).margin == -1.0


def test_a_check_is_told_in_one_line_and_in_json() -> None:
    """The line has state, value, side and limit; the JSON has all that a table needs."""
    found = check("RAM", "bytes", Interval(12.5, 12.0, 13.0), 10.0, basis=Basis("measured", "ELF"))
    assert found.line == "broken   RAM: 12.5 bytes (12 to 13), limit at most 10 bytes"
    assert found.to_json() == {
        "what": "RAM", "unit": "bytes", "value": found.value and found.value.to_json(),
        "limit": 10.0, "at_least": False, "state": "broken", "margin": -0.25,
        "origin": "measured: ELF", "counted": "", "word": None,
    }  # fmt: skip
    unknown = check("accuracy", "", None, 0.9, True)
    assert unknown.line == "unknown  accuracy: not known, limit at least 0.9"
    assert unknown.to_json()["value"] is None
    assert unknown.to_json()["origin"] == "computed: power model"
    assert unknown == Check(
        "accuracy", "", None, 0.9, True, "unknown", Basis("computed", "power model")
    )


def test_an_interval_that_crosses_says_limit_interval_and_what_was_counted() -> None:
    """One line holds value, interval, limit and how much data the interval rests on."""
    value = Interval(97.0, 80.0, 99.5)
    found = check(
        "accuracy", "%", value, 90.0, True, Basis("measured", "x", "528 takes of 12 people")
    )
    assert found.line == (
        "crossed  accuracy: 97 % (80 to 99.5), limit at least 90 %; 528 takes of 12 people"
    )
    assert found.to_json()["counted"] == "528 takes of 12 people"


def test_the_median_is_what_a_limit_meets() -> None:
    """Where draws lie above the typical value, it is their median that keeps or breaks a limit."""
    value = Interval(9.0, 8.0, 12.0, 10.5)
    assert check("power", "uW", value, 10.0).state == "broken"
    assert check("power", "uW", value, 11.0).state == "crossed"
    assert check("power", "uW", value, 21.0).margin == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("percent", "worst", "state"),
    [
        ((0.01, 0.05), "hidden", "kept"), ((0.01, 0.05), "undecided", "kept"),
        ((0.05, 0.2), "hidden", "crossed"), ((0.05, 0.2), "undecided", "kept"),
        ((0.15, 0.2), "hidden", "broken"), ((0.15, 0.2), "undecided", "broken"),
    ],
)  # fmt: skip
def test_a_verdict_is_a_limit_that_undecided_crosses(
    percent: tuple[float, float], worst: str, state: str
) -> None:
    """Hidden is kept, undecided crosses it unless it is let through, and visible breaks it."""
    flat, draws = (1.0, np.ones(3)), np.repeat([percent[0], sum(percent) / 2, percent[1]], 9)
    use = {"hours_lost": flat, "percent_per_day": (percent[0], draws), "mah_per_day": flat}
    verdict = host_verdict(flat, flat, use, None, 0.6, "a watch")
    found = verdict_check(verdict, worst, "27 draws")
    assert found.state == state
    assert found.keeps() is (state != "broken") and found.keeps(strict=True) is (state == "kept")
    said = f"{verdict.word}, {sum(percent) / 2:.5g} %/day ({percent[0]:g} to {percent[1]:g})"
    name = "verdict hidden" if worst == "hidden" else "verdict not visible"
    assert found.line == f"{state:8} {name}: {said}, limit at most 0.1 %/day; 27 draws"
    assert found.to_json()["word"] == verdict.word


def test_junit_counts_cases_and_failures_of_each_model() -> None:
    """One suite a model, one case a limit, a failure with its line where the gate stays shut."""
    kept = check("flash", "bytes", Interval(1.0, 1.0, 1.0), 10.0)
    crossed = check("power", "uW", Interval(9.0, 8.0, 11.0), 10.0)
    broken = check("ram", "bytes", Interval(11.0, 11.0, 11.0), 10.0)
    both = [("one", [kept, crossed, broken]), ("two", [kept])]
    for strict, failed in ((False, ["ram"]), (True, ["power", "ram"])):
        text = junit_xml(both, strict)
        assert text.startswith(b"<?xml version='1.0' encoding='utf-8'?>") and text.endswith(b">\n")
        root = ElementTree.fromstring(text)  # noqa: S314  (our own output)
        assert (root.tag, root.get("name")) == ("testsuites", "palmwatt budget")
        assert (root.get("tests"), root.get("failures")) == ("4", str(len(failed)))
        one, two = root.findall("testsuite")
        assert (one.get("name"), one.get("tests"), one.get("failures")) == (
            "one", "3", str(len(failed)),
        )  # fmt: skip
        assert (two.get("name"), two.get("tests"), two.get("failures")) == ("two", "1", "0")
        cases = one.findall("testcase")
        assert [case.get("name") for case in cases] == ["flash", "power", "ram"]
        assert {case.get("classname") for case in cases} == {"one"}
        assert [case.get("name") for case in cases if case.find("failure") is not None] == failed
        failure = cases[2].find("failure")
        assert failure is not None
        assert (failure.get("type"), failure.get("message")) == ("broken", broken.line)
        assert b"\n  <testsuite " in text  # a reader's eye has lines to go by


BOUNDS = [  # key, the least or most that is allowed, the next one beyond
    ("cycles_per_frame", "1", "0"), ("latency_ms", "0.001", "0.0"), ("flash_bytes", "1", "0"),
    ("ram_bytes", "1", "0"), ("stack_bytes", "1", "0"), ("average_uw", "0.001", "0.0"),
    ("accuracy", "0.001", "0.0"), ("accuracy", "1.0", "1.001"),
    ("worst_group", "0.001", "0.0"), ("worst_group", "1.0", "1.001"),
    ("false_events_per_hour", "0.0", "-0.001"), ("event_f1", "0.001", "0.0"),
    ("event_f1", "1.0", "1.001"), ("percent_per_day", "0.001", "0.0"),
    ("minutes_per_charge", "0.001", "0.0"), ("light_margin", "0.001", "0.0"),
]  # fmt: skip


@pytest.mark.parametrize(("key", "allowed", "refused"), BOUNDS)
def test_limits_have_bounds_of_their_own(
    tmp_path: Path, key: str, allowed: str, refused: str
) -> None:
    """What a limit may be is refused one step beyond, with its key."""
    path = tmp_path / "limits.toml"
    path.write_text(f"[limits]\n{key} = {allowed}\n")
    assert getattr(load_limits(path), key) == float(allowed)
    path.write_text(f"[limits]\n{key} = {refused}\n")
    with pytest.raises(FormatError, match=key):
        load_limits(path)


def test_limits_are_all_optional_and_cannot_be_changed(tmp_path: Path) -> None:
    """An empty table limits nothing; a key that is none, and a word that is none, are refused."""
    path = tmp_path / "limits.toml"
    path.write_text("[limits]\n")
    limits = load_limits(path)
    assert limits == Limits()
    assert all(value is None for value in limits.model_dump().values())
    for text in ("", "[limits]\n[more]\n", "[limits]\nspeed = 1\n", "[limits]\nlatency_ms = inf\n",
                 '[limits]\nlatency_ms = "3"\n', "[limits]\nram_bytes = 3.0\n",
                 '[limits]\nverdict = "visible"\n', "[limits]\nhidden_runs = 30\n"):  # fmt: skip
        path.write_text(text)
        with pytest.raises(FormatError):
            load_limits(path)
    with pytest.raises(ValueError, match="frozen"):
        limits.ram_bytes = 3  # type: ignore[misc]
    with pytest.raises(FormatError, match="more"):
        path.write_text("[limits]\n[more]\n")
        load_limits(path)
