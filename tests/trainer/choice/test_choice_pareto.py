"""Fronts, areas and knees: against definitions, another program's answers, and by brute force."""

from __future__ import annotations

import json
import math
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from trainer.choice.worth.pareto import (
    by_area,
    hypervolume,
    knee_of,
    non_dominated_ranks,
    on_front,
)

VECTORS = Path(__file__).parents[2] / "vectors" / "pareto.json"
Points = list[tuple[int, int]]
points_of = st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), min_size=1, max_size=24)


@pytest.mark.parametrize(
    ("front", "published"),
    [(lambda x: 1.0 - math.sqrt(x), 0.876667), (lambda x: 1.0 - x * x, 0.543333)],
)
def test_the_area_below_test_functions_fronts_is_that_of_their_definitions(front, published):  # type: ignore[no-untyped-def]
    """Hypervolumes of ZDT1 and ZDT2 up to (1.1, 1.1) are those that their definitions give.

    E. Zitzler, K. Deb and L. Thiele, Comparison of multiobjective evolutionary algorithms, Evol.
    Comput. 8(2), 2000: f2 = 1 - sqrt(f1) and 1 - f1^2 with f1 in [0, 1] on the fronts.
    """
    inside, _ = quad(lambda x: 1.1 - front(x), 0.0, 1.0)
    exact = inside + 0.1 * 1.1
    assert exact == pytest.approx(published, abs=5e-7)
    x = np.linspace(0.0, 1.0, 20_001)
    found = hypervolume(np.stack([x, [front(v) for v in x]], axis=1), (1.1, 1.1))
    assert found == pytest.approx(exact, abs=1e-4)
    assert found <= exact  # a staircase lies inside the curve


def test_ranks_and_areas_are_those_of_another_program() -> None:
    """Non-dominated ranks and hypervolumes are those that a well-kept library gives."""
    vectors = json.loads(VECTORS.read_text("utf-8"))
    for case in vectors["cases"]:
        points = np.array(case["points"])
        assert non_dominated_ranks(points).tolist() == case["ranks"]
        if points.shape[1] == 2:
            assert hypervolume(points, (1.1, 1.1)) == pytest.approx(case["hypervolume"], abs=1e-12)


@given(points_of)
def test_a_point_is_on_the_front_unless_another_beats_it(points: Points) -> None:
    """A point is of rank 0 exactly where none is nowhere worse and somewhere better."""
    ranks = non_dominated_ranks(np.array(points, dtype=np.float64))
    for (x, y), rank in zip(points, ranks.tolist(), strict=True):
        beaten = any(a <= x and b <= y and (a < x or b < y) for a, b in points)
        assert (rank == 0) != beaten


@given(points_of)
def test_the_area_is_the_number_of_cells_that_points_dominate(points: Points) -> None:
    """Of whole numbers, the hypervolume counts the unit cells with a point at or below them."""
    cells = sum(any(x <= i and y <= j for x, y in points) for i, j in product(range(10), range(10)))
    assert hypervolume(np.array(points, dtype=np.float64), (10.0, 10.0)) == cells


def test_power_is_to_fall_and_the_score_to_rise() -> None:
    """A setting is on the front where none costs as little and scores as much."""
    cost, score = np.array([10.0, 20.0, 30.0, 20.0]), np.array([0.8, 0.9, 0.85, 0.9])
    assert on_front(cost, score).tolist() == [True, True, False, True]


@given(points_of)
def test_what_goes_on_adds_the_most_area_at_each_step(points: Points) -> None:
    """By brute force: no other point would have added more to the area of those before it."""
    table = np.array(points, dtype=np.float64)
    order = by_area(table, np.empty((0, 2)), 4)
    assert len(set(order)) == len(order) == min(4, len(table))
    scaled = (table - table.min(axis=0)) / np.maximum(np.ptp(table, axis=0), 1e-12)
    for n in range(len(order)):
        with_one = [hypervolume(scaled[[*order[:n], i]], (1.1, 1.1)) for i in range(len(table))]
        assert with_one[order[n]] == max(with_one)


def test_area_that_is_had_already_adds_nothing() -> None:
    """A point next to one that is there already comes after one far from it."""
    points = np.array([[1.0, 9.0], [5.0, 5.0], [9.0, 1.0]])
    assert by_area(points, np.array([[5.0, 4.9]]), 3)[2] == 1


def test_the_knee_is_where_more_cost_begins_to_bring_little() -> None:
    """The knee is the point that lies farthest above the line between the ends."""
    cost = np.array([10.0, 20.0, 40.0, 80.0, 160.0])
    assert knee_of(cost, np.array([0.2, 0.5, 0.9, 0.92, 0.93]), 160.0) == 2
    assert knee_of(cost[:1], np.array([0.9]), 10.0) == 0
    assert knee_of(cost[:3], np.array([-0.9, -0.3, -0.2]), 40.0) == 1


def test_a_setting_that_hardly_recognises_anything_is_no_knee() -> None:
    """Below half of the best score nothing bends the line, however cheap it is."""
    cost = np.array([42.0, 42.2, 51.7])
    assert knee_of(cost, np.array([0.07, 0.32, 0.83]), 51.7) == 2
    cost, score = np.array([42.0, 43.0, 46.4, 51.7]), np.array([0.07, 0.6, 0.81, 0.83])
    assert knee_of(cost, score, 51.7) == 2


def test_a_front_of_nearly_one_cost_has_its_knee_at_the_best() -> None:
    """Where all on the front cost about the same beside what was tried, the best is the knee."""
    cost, score = np.array([83.4, 84.3, 86.1]), np.array([0.793, 0.900, 0.968])
    assert knee_of(cost, score, 111.0) == 2
    assert knee_of(cost, score, 86.1) == 1


def test_a_published_trade_off_is_a_front() -> None:
    """Both ends of a published trade-off are on the front, and the dearer one is the better.

    arXiv 2304.06059, 2023: 55.7 % to 82.7 % for 17 to 120 uJ an inference.
    """
    assert on_front(np.array([17.0, 120.0]), np.array([0.557, 0.827])).all()
