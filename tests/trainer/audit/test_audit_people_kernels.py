"""Kernels that tell numbers, held to refitting without each row."""

from __future__ import annotations

import itertools

import numpy as np
from sklearn.kernel_ridge import KernelRidge
from sklearn.metrics.pairwise import euclidean_distances
from sklearn.model_selection import LeaveOneOut, cross_val_predict

from trainer.audit.people.attackers import (
    _KERNEL_PENALTIES,
    _KERNEL_WIDTHS,
    _evened,
    kernels_of_numbers,
)


def test_width_and_penalty_are_those_of_leaving_each_out() -> None:
    """Of scikit-learn's kernel ridge, refitted without each row, the best one answers the same."""
    rng = np.random.default_rng(5)
    x, other = rng.normal(size=(40, 3)), rng.normal(size=(7, 3))
    numbers = np.stack([np.sin(2 * x[:, 0]), x[:, 1] ** 2], axis=1)
    evened = _evened(x)
    own = evened(x).astype(np.float64)
    between = float(np.median(euclidean_distances(own, squared=True)))
    aim = numbers - numbers.mean(axis=0)
    tried = {}
    for width, penalty in itertools.product(_KERNEL_WIDTHS, _KERNEL_PENALTIES):
        ridge = KernelRidge(alpha=penalty, kernel="rbf", gamma=width / between)
        left = cross_val_predict(ridge, own, aim, cv=LeaveOneOut()) - aim
        tried[float(np.mean(left**2))] = ridge.fit(own, aim)
    best = tried[min(tried)]
    wanted = best.predict(evened(other).astype(np.float64)) + numbers.mean(axis=0)
    assert np.allclose(kernels_of_numbers(x, numbers)(other), wanted, atol=1e-6)


def test_values_that_are_all_alike_tell_the_mean() -> None:
    """Nothing to go by is no error."""
    told = kernels_of_numbers(np.zeros((9, 2)), np.arange(9.0)[:, None])(np.ones((2, 2)))
    assert np.allclose(told, 4.0)
