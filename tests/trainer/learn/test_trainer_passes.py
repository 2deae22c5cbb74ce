"""How often a perceptron passes over its windows: as the recipe says, less over very many."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.learn import classifiers
from trainer.learn.classifiers import fit_classifier
from trainer.recipe import ClassifierRecipe


@pytest.mark.parametrize("recipe_noise", [0.0, 0.1])
def test_a_fit_sees_no_more_windows_than_there_is_time_for(
    recipe_noise: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over few windows all passes are made; over many, as many as keep to the limit, or one."""
    rng = np.random.default_rng(1)
    x = rng.integers(-1000, 1000, (200, 4)).astype(np.int32)
    labels = (x[:, 0] > 0).astype(np.int64)
    recipe = ClassifierRecipe(hidden=(4,), epochs=6, input_noise=recipe_noise)
    for limit, passes in ((200 * 6, 6), (10**6, 6), (200 * 3 + 50, 3), (10, 1)):
        monkeypatch.setattr(classifiers, "MOST_SEEN", limit)
        head = fit_classifier(recipe, x, labels, 2, 1, 1)[-1]
        assert head.t_ == passes * len(x)
