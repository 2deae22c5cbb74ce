"""Lines of tables of lessons: each figure with its interval, by hand."""

from __future__ import annotations

import math

from lesson_tables import known_lines, left_lines, own_lines
from scipy import stats

from trainer.fit.owner.taught import ALONE, BESIDE, KNOWN
from trainer.fit.owner.worth import Shown, figures_of_owners


def lessons(n_people: int) -> list[Shown]:
    """People of whom each has 20 of 40 takes right, and after a lesson 24 or 28 in turn."""
    return [Shown(f"P{n:02d}", KNOWN, 3, 40, 20, 24 + 4 * (n % 2), 0, 0, 1, 15)
            for n in range(n_people)]  # fmt: skip


def test_the_mean_has_a_paired_students_interval_and_others_their_lower_end() -> None:
    """Gains of 10 and 20 points, half each: 15, of 20 people and of the 18 not in the tenth."""
    table = figures_of_owners(lessons(20), {})
    [line] = known_lines("filters", table, table)
    own = line.split(" | ")[1:5]
    squares = 20 * 0.05**2 + 2 * (1 / 40) ** 2  # one take more and one fewer are imagined
    half = stats.t.ppf(0.975, 19) * math.sqrt(squares / 19 / 20)
    assert own[:2] == ["0.500", f"+15.0 ± {100 * half:.1f}"]
    assert own[2].startswith("0.50 to 0.60 (+10.0 ± ")
    squares = 18 * 0.05**2 + 2 * (18 / 800) ** 2
    least = 0.15 - stats.t.ppf(0.975, 17) * math.sqrt(squares / 17 / 18)
    assert own[3] == f"{100 * least:+.1f}"
    assert line.endswith("| 1.00 |")


def test_too_few_people_have_no_tenth() -> None:
    """Of fifteen it would be a single person."""
    table = figures_of_owners(lessons(15), {})
    [line] = known_lines("filters", table, table)
    assert line.count("too few people") == 4


def test_left_handed_people_are_told_of_where_there_are_seven() -> None:
    """Of six nothing is said."""
    for n_left in (6, 7):
        people = {f"P{n:02d}": "left" if n < n_left else "right" for n in range(20)}
        table = figures_of_owners(lessons(20), people)
        assert len(left_lines("filters", table, table)) == (n_left == 7)


def test_own_gestures_are_counted_lesson_by_lesson() -> None:
    """One of two lessons was not accepted; of the other 6 of 8 takes are found."""
    rows = [Shown(f"P{n}", kind, 3, 40, 20, 20, 8, 6, 0, 3 - n % 2)
            for n in range(2) for kind in (ALONE, BESIDE)]  # fmt: skip
    table = figures_of_owners(rows, {}) | {"by_class": {"fist": figures_of_owners(rows, {})}}
    [line] = own_lines("filters", table, table, alone=False)
    assert "0.75 ± " in line and line.endswith("| 3: 1 of 2 |")
    assert len(own_lines("filters", table, table, alone=True)) == 1
