"""Figures of a measured quantity, against what can be worked out by hand or drawn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from runtime.errors import UsageError
from trainer.judge.quantity_figures import (
    Measured,
    half_width,
    mean_over_people,
    quantity_figures,
    share_within,
)


def of_people(*errors: tuple[float, ...]) -> Measured:
    """Return takes of a truth of 100, one person's errors after another's."""
    people = tuple(f"P{i}" for i, each in enumerate(errors) for _ in each)
    flat = np.array([error for each in errors for error in each])
    return Measured(people, np.full(len(flat), 100.0), 100.0 + flat)


def test_each_person_counts_alike() -> None:
    """Squares and bias are means over people, however many takes each gave."""
    found = quantity_figures(of_people((3.0,), (-1.0, -1.0, -1.0)))
    assert found["rmse"]["value"] == pytest.approx(math.sqrt(5.0), abs=1e-6)
    assert found["bias"]["value"] == pytest.approx(1.0)
    assert found["median_absolute_error"]["value"] == pytest.approx(1.0)
    assert (found["bias"]["n_participants"], found["bias"]["n_takes"]) == (2, 4)


def test_the_interval_over_people_holds_the_mean_as_often_as_it_says() -> None:
    """Of 2000 groups of 5 drawn people, the interval of the mean holds the true one in 95 %."""
    rng = np.random.default_rng(5)
    held = 0
    for values in rng.normal(7.0, 3.0, (2000, 5)):
        low, high = mean_over_people(values)
        held += low <= 7.0 <= high
    assert 0.935 <= held / 2000 <= 0.965


def test_one_person_says_nothing_of_others() -> None:
    """With a single person no bound is known."""
    found = quantity_figures(of_people((2.0, 2.0)))
    assert (found["bias"]["low"], found["bias"]["high"]) == (None, None)
    assert found["rmse"]["high"] is None


def test_no_take_is_refused() -> None:
    """Figures of nothing are refused in one line."""
    with pytest.raises(UsageError, match="takes is 0, expected at least 1"):
        quantity_figures(Measured((), np.zeros(0), np.zeros(0)))


def test_the_half_width_is_a_quantile_with_room_for_few_people() -> None:
    """With 9 people and 90 % wanted it is the largest error; of 99 people, the 90th largest."""
    assert half_width(of_people(*((float(i),) for i in range(1, 10))), 0.9) == 9.0
    assert half_width(of_people(*((-float(i),) for i in range(1, 100))), 0.9) == 90.0


def test_the_half_width_holds_new_people_as_often_as_asked() -> None:
    """Over many draws of 19 calibration people, new ones lie within it in 80 % and little more."""
    rng = np.random.default_rng(11)
    inside = []
    for _ in range(400):
        errors = rng.standard_t(3, 39)
        width = half_width(of_people(*((e,) for e in errors[:19])), 0.8)
        inside.append(float((np.abs(errors[19:]) <= width).mean()))
    assert 0.78 <= np.mean(inside) <= 0.84


def test_coverage_is_of_the_chosen_takes() -> None:
    """The share within the interval counts the chosen takes alone, ends of the interval inside."""
    takes = of_people((1.0, 5.0), (2.0, 9.0))
    found = share_within(takes, 2.0, np.array([True, True, True, False]))
    assert found is not None
    assert found["value"] == pytest.approx(2 / 3, abs=1e-6)
    assert found["n_takes"] == 3
    assert share_within(takes, 2.0, np.zeros(4, dtype=bool)) is None
