"""The trainer's windows and classifiers on real recorded series, beside published accuracies."""

from __future__ import annotations

import pytest
from recorded_series import SERIES, Series, load_series, series_recipe

from trainer.fit.pipeline import fit_windows

# How far below the published ROCKET (10,000 kernels in floating point) a small model may be.
ALLOWED = {"GunPoint": 0.03, "BasicMotions": 0.03, "PickupGestureWiimoteZ": 0.14}


@pytest.mark.slow
@pytest.mark.parametrize("problem", SERIES, ids=lambda problem: problem.name)
def test_integer_models_come_near_published_accuracies(problem: Series) -> None:
    """In fixed point the trainer's own pipeline stays near ROCKET on series of real movements."""
    x_train, y_train = load_series(problem, "train")
    x_test, y_test = load_series(problem, "test")
    recipe = series_recipe(problem, int(y_train.max()) + 1)
    fitted = fit_windows(recipe, x_train, y_train)
    accuracy = (fitted.predict(x_test) == y_test).mean()
    assert accuracy >= problem.rocket - ALLOWED[problem.name]
