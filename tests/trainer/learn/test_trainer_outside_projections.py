"""Drawn directions, against the dimension that theory asks for."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.datasets import load_digits
from sklearn.random_projection import johnson_lindenstrauss_min_dim

from trainer.learn.directions import drawn_directions

# Directions that keep the distances of 10^6 points within a share: documentation of scikit-learn,
# sklearn.random_projection.johnson_lindenstrauss_min_dim, examples.
PUBLISHED = {0.5: 663, 0.1: 11841, 0.01: 1112658}
N_POINTS, SHARE = 200, 0.5


@pytest.mark.parametrize(("share", "n_directions"), PUBLISHED.items())
def test_the_reference_gives_the_published_dimensions(share: float, n_directions: int) -> None:
    """The library's rule, by which the next test chooses its directions, is the published one.

    At least 4 ln n / (eps^2 / 2 - eps^3 / 3): S. Dasgupta and A. Gupta, Random Structures and
    Algorithms 22 (2003), theorem 2.1.
    """
    assert johnson_lindenstrauss_min_dim(10**6, eps=share) == n_directions
    bound = 4 * np.log(1e6) / (share**2 / 2 - share**3 / 3)
    assert n_directions == int(bound)


@pytest.mark.parametrize("kind", ["random", "ternary"])
def test_as_many_directions_as_theory_asks_for_keep_every_distance(kind: str) -> None:
    """Squared distances between any two of 200 digits stay within half of what they were."""
    x = load_digits().data[:N_POINTS]
    n_directions = johnson_lindenstrauss_min_dim(N_POINTS, eps=SHARE) + 1
    assert n_directions <= 256  # what a recipe may ask for
    directions = drawn_directions(kind, n_directions, x.shape[1], np.random.default_rng(7))
    projected = x @ directions.T / np.sqrt(n_directions * (directions**2).mean())
    first, second = np.triu_indices(N_POINTS, 1)
    before = ((x[first] - x[second]) ** 2).sum(axis=1)
    ratio = ((projected[first] - projected[second]) ** 2).sum(axis=1) / before
    assert 1 - SHARE < ratio.min() < 1 < ratio.max() < 1 + SHARE
