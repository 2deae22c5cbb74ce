"""Outlines cut out of pictures: where they come to lie, and that no two are placed alike."""

from __future__ import annotations

import numpy as np
from pictured_hands import pictured_coverage

from capture.emulated.optic.optics import AngularGrid

GRID = AngularGrid()
DISTANCE_MM = 150.0
HAND = np.array([[0.0, -45.0, 45.0], [0.0, 40.0, 40.0]])
ARM = np.array([[-25.0, -80.0], [25.0, -80.0], [30.0, -290.0], [-30.0, -290.0]])


def test_a_picture_lies_above_the_sensor_however_it_is_cut_and_as_large_as_a_hand() -> None:
    """Of thirty outlines none is farther aside than half a hand, and all cover about a hand."""
    rng = np.random.default_rng(3)
    covers = [pictured_coverage([HAND, ARM], DISTANCE_MM, GRID, rng) for _ in range(30)]
    places = GRID.directions[:, :2] / GRID.directions[:, 2:] * DISTANCE_MM
    for cover in covers:
        assert cover.min() >= 0.0 and cover.max() <= 1.0
        assert np.hypot(*(cover @ places / cover.sum())) < 95.0
    shares = np.array([cover.mean() for cover in covers])
    assert shares.max() < 4.0 * shares.min()
    assert len(np.unique(shares.round(6))) == len(shares)


def test_the_same_draws_cut_the_same_picture() -> None:
    """One seed gives one outline, another another."""
    first, again, other = (
        pictured_coverage([HAND, ARM], DISTANCE_MM, GRID, np.random.default_rng(seed))
        for seed in (5, 5, 6)
    )
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, other)
