"""The plan of a study: what may stand in it, and who does what in which order."""

from __future__ import annotations

import datetime
import itertools
from collections import Counter
from pathlib import Path

import pytest
from booth_session import make_session
from hypothesis import given
from hypothesis import strategies as st

from capture.study.drawing import check_drawn, draw_locked, locked_set
from capture.study.orders import steps_of, williams_design
from capture.study.plan import Study, open_study
from runtime.errors import FormatError, UsageError

PLAN = """
name = "Sixty people at two stations"
authors = ["The collectors"]
people = ["P01-P59", "X9"]
order = "latin"
seed = 2026
n_locked = 12
[consent]
form = "2.1"
date = 2026-11-02
[[script]]
script = "dynamic"
repetitions = 2
[[script]]
script = "finger_count"
[[script]]
script = "subtle"
repetitions = 2
[[script]]
script = "arrival"
repetitions = 2
[[device]]
unit = "unit-a"
[[device]]
unit = "unit-b"
[[station]]
name = "a"
unit = "unit-a"
[[station]]
name = "b"
unit = "unit-b"
"""
TODAY = datetime.date(2026, 11, 3)


def write_plan(root: Path, text: str = PLAN) -> Path:
    root.mkdir(exist_ok=True)
    path = root / "study.toml"
    path.write_text(text)
    return path


def test_a_plan_is_read(tmp_path: Path) -> None:
    """A run of pseudonyms is all of its people; scripts are read with it."""
    write_plan(tmp_path)
    file = open_study(tmp_path)
    assert len(file.study.people) == 60
    assert file.study.people[:2] == ("P01", "P02")
    assert file.study.people[-2:] == ("P59", "X9")
    assert [script.name for script in file.scripts] == [
        "dynamic", "finger_count", "subtle", "arrival",
    ]  # fmt: skip


def test_a_run_may_pass_a_hundred(tmp_path: Path) -> None:
    """Numbers of a run are as wide as its first, and wider where they must be."""
    text = PLAN.replace('"P01-P59"', '"P98-P101"').replace("n_locked = 12", "n_locked = 2")
    write_plan(tmp_path, text)
    assert open_study(tmp_path).study.people == ("P98", "P99", "P100", "P101", "X9")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("seed = 2026", "seed = -1", r"line 6: seed is -1, expected at least 0"),
        ('order = "latin"', 'order = "any"', r"line 5: order is 'any'"),
        ('"X9"', '"Jo Smith"', "'Jo Smith' is no pseudonym"),
        ('"P01-P59"', '"P59-P01"', "must rise"),
        ('"P01-P59"', '"P01-Q59"', "no run such as"),
        ('"P01-P59"', '"P001-P59"', "no run such as"),
        ('"P01-P59"', '"000001-999999"', "at most 10000"),
        ('"X9"', '"P07"', "P07 stands there twice"),
        ('"X9"', '"p07"', "p07 stands there twice"),
        ("n_locked = 12", "n_locked = 60", "fewer than the people"),
        ('unit = "unit-b"\n[[station]]', 'unit = "unit-c"\n[[station]]', r"no \[\[device\]\]"),
        ('name = "b"', 'name = "a"', "station a stands there twice"),
        ('name = "b"', 'name = "B!"', "station.1.name"),
        ('form = "2.1"', "form = 2.1", "consent.form"),
        ("date = 2026-11-02", 'date = "today"', "consent.date"),
        ('"subtle"', '"../subtle.toml"', "script.2.script"),
        ('"subtle"', '"nowhere.toml"', "line 17: the script is nowhere.toml"),
        ('"subtle"', '"dynamic"', "dynamic stands there twice"),
        ("seed = 2026", "seed = 2026\nsede = 1", "sede: unknown key"),
        ('name = "Sixty', 'name = "Sixty\\u0007', "name"),
    ],
)
def test_a_wrong_plan_is_told_by_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Whatever is wrong in a plan is told in one line with the file and the key."""
    assert old in PLAN
    write_plan(tmp_path, PLAN.replace(old, new, 1))
    with pytest.raises(FormatError, match=said) as caught:
        open_study(tmp_path)
    assert "study.toml" in str(caught.value)


def test_a_plan_has_an_end(tmp_path: Path) -> None:
    """A plan of half a million sessions is refused before anybody waits for it."""
    text = PLAN.replace('"P01-P59"', '"P0001-P9999"').replace("repetitions = 2", "repetitions = 20")
    write_plan(tmp_path, text)
    with pytest.raises(FormatError, match="it plans 610000 sessions, at most 100000"):
        open_study(tmp_path)


def test_a_data_set_without_a_plan_says_so(tmp_path: Path) -> None:
    """Asking for the plan of a data set that has none is a wrong call."""
    with pytest.raises(UsageError, match=r"study\.toml"):
        open_study(tmp_path)


@given(st.integers(1, 12))
def test_williams_design_is_balanced(n: int) -> None:
    """Each thing stands in each place, and directly behind each other one, equally often.

    E. J. Williams, Australian Journal of Scientific Research A 2, 1949: n orders for even n, 2n for
    odd n.
    """
    orders = williams_design(n)
    assert len(orders) == (n if n % 2 == 0 or n == 1 else 2 * n)
    assert all(sorted(order) == list(range(n)) for order in orders)
    places = Counter((place, thing) for order in orders for place, thing in enumerate(order))
    assert set(places.values()) == {len(orders) // n}
    pairs = Counter(pair for order in orders for pair in itertools.pairwise(order))
    assert len(pairs) == n * (n - 1)
    assert len(set(pairs.values())) <= 1


def test_the_design_of_four_is_the_published_one() -> None:
    """For four things the orders are A B D C and its three shifts (Williams 1949; from memory)."""
    assert williams_design(4) == ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))


def test_orders_are_balanced_between_people_and_stations(tmp_path: Path) -> None:
    """Of 56 people, each order of four scripts is done by as many at each of two stations."""
    write_plan(tmp_path)
    steps = steps_of(open_study(tmp_path))
    assert {len(each) for each in steps.values()} == {7}
    firsts = Counter(
        (steps[person][0].station, tuple(step.task for step in steps[person][:4]))
        for person in list(steps)[:56]
    )
    assert len(firsts) == 8
    assert set(firsts.values()) == {7}
    for mine in steps.values():
        assert [step.place for step in mine] == list(range(7))
        assert Counter(step.task for step in mine) == {
            "dynamic": 2, "finger_count": 1, "subtle": 2, "arrival": 2,
        }  # fmt: skip
        assert len({(step.station, step.unit) for step in mine}) == 1
    seeds = [step.seed for mine in steps.values() for step in mine]
    assert len(set(seeds)) == len(seeds) == 420


def test_a_shuffle_is_another_for_each_person(tmp_path: Path) -> None:
    """A drawn order is the same on every machine and not one for all."""
    write_plan(tmp_path, PLAN.replace('"latin"', '"shuffle"'))
    steps = steps_of(open_study(tmp_path))
    assert steps == steps_of(open_study(tmp_path))
    orders = Counter(tuple(step.task for step in mine[:4]) for mine in steps.values())
    assert len(orders) > 12


@pytest.mark.parametrize("order", ["latin", "shuffle"])
def test_somebody_new_moves_nobody(tmp_path: Path, order: str) -> None:
    """People added at the end of the list change nothing for those before them."""
    write_plan(tmp_path, PLAN.replace('"latin"', f'"{order}"'))
    before = steps_of(open_study(tmp_path))
    text = PLAN.replace('"latin"', f'"{order}"').replace('"X9"', '"X9", "Y1-Y7"')
    write_plan(tmp_path, text)
    after = steps_of(open_study(tmp_path))
    assert {person: after[person] for person in before} == before
    assert len(after) == 67


def test_the_locked_set_is_drawn_once(tmp_path: Path) -> None:
    """The draw is written into the plan, follows from the seed, and is made once."""
    write_plan(tmp_path)
    file = open_study(tmp_path)
    with pytest.raises(UsageError, match="not drawn"):
        check_drawn(file)
    locked = draw_locked(tmp_path, TODAY)
    file = open_study(tmp_path)
    check_drawn(file)
    assert len(locked) == 12
    assert file.study.locked == set(locked) < set(file.study.people)
    assert file.study.drawn is not None
    assert file.study.drawn.date == TODAY
    assert (tmp_path / "study.toml").read_text().startswith(PLAN.rstrip("\n"))
    with pytest.raises(UsageError, match="drawn on 2026-11-03"):
        draw_locked(tmp_path, TODAY)


def test_a_draw_that_was_meddled_with_is_refused(tmp_path: Path) -> None:
    """Another seed, another list or a name moved by hand is noticed; people at the end are not."""
    path = write_plan(tmp_path)
    locked = draw_locked(tmp_path, TODAY)
    text = path.read_text()
    other = next(f"P{n:02d}" for n in range(1, 60) if f"P{n:02d}" not in locked)
    for wrong in (
        text.replace("seed = 2026", "seed = 2027"),
        text.replace(f'"{locked[0]}"', f'"{other}"'),
        text.replace('"P01-P59"', '"Q1", "P01-P58"'),
        text.replace("n_locked = 12", "n_locked = 11"),
    ):
        path.write_text(wrong)
        with pytest.raises(FormatError, match=r"drawn\.locked"):
            check_drawn(open_study(tmp_path))
    path.write_text(text.replace('"X9"', '"X9", "Z1-Z5"'))
    check_drawn(open_study(tmp_path))


def test_nobody_is_drawn_after_the_first_recording(tmp_path: Path) -> None:
    """Where somebody was recorded, the draw comes too late."""
    write_plan(tmp_path)
    make_session(tmp_path)
    with pytest.raises(UsageError, match="0 when the locked set is drawn"):
        draw_locked(tmp_path, TODAY)


def test_the_draw_is_fair() -> None:
    """Over 400 seeds each of twelve people is drawn about as often: within five standard errors."""
    plan = {
        "name": "n", "people": ["P01-P12"], "seed": 0, "n_locked": 3,
        "consent": {"form": "1", "date": TODAY}, "script": [{"script": "dynamic"}],
        "device": [{"unit": "u"}], "station": [{"name": "a", "unit": "u"}],
    }  # fmt: skip
    drawn = Counter(
        name
        for seed in range(400)
        for name in locked_set(Study.model_validate(plan | {"seed": seed}), 12)
    )
    error = (400 * 0.25 * 0.75) ** 0.5
    assert all(abs(drawn[f"P{n:02d}"] - 100) < 5 * error for n in range(1, 13))
