"""Passes of a perceptron over windows, held to those of scikit-learn's solver."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from sklearn.neural_network import MLPClassifier, MLPRegressor

from trainer.learn.networks.descent import Descent

KINDS = {"three classes": 3, "two classes": 2, "a value": None}


def _new_head(n_classes: int | None, batch_size: int, **asked: Any) -> MLPClassifier | MLPRegressor:
    kind = MLPRegressor if n_classes is None else MLPClassifier
    settings = {"shuffle": False, "random_state": 3, "alpha": 0.1, "learning_rate_init": 4e-3}
    return kind(hidden_layer_sizes=(12, 7), batch_size=batch_size, **(settings | asked))


@pytest.mark.parametrize("n_classes", KINDS.values(), ids=KINDS.keys())
def test_a_pass_is_one_of_scikit_learns(n_classes: int | None) -> None:
    """From the same weights, three passes lead to the same ones, to single precision's rounding.

    The first pass is one step, which is scikit-learn's own, and then one with moments of its own:
    the reference takes that one by itself, and forgets its moments in between.
    """
    rng = np.random.default_rng(5)
    x = rng.standard_normal((160, 9), dtype=np.float32)
    wanted = rng.standard_normal(160) if n_classes is None else rng.integers(0, n_classes, 160)
    classes = {} if n_classes is None else {"classes": np.arange(n_classes)}
    mine = Descent(_new_head(n_classes, 64))
    for _ in range(3):
        mine.partial_fit(x, wanted, **classes)

    head = _new_head(n_classes, 64).partial_fit(x[:64], wanted[:64], **classes)
    del head._optimizer
    for _ in range(3):
        head.partial_fit(x, wanted, **classes)
    for own, other in zip(mine.parameters(), [*head.coefs_, *head.intercepts_], strict=True):
        assert own.dtype == np.float32
        np.testing.assert_allclose(own, other, atol=2e-5)


def test_what_was_learned_tells_others_apart() -> None:
    """Clouds 3 spreads apart along one of nine values are told in 9 of 10 cases at least.

    Bayes' error there is 0.067 (the normal law beyond 1.5 spreads).
    """
    rng = np.random.default_rng(6)
    labels = rng.integers(0, 2, 2000)
    x = rng.standard_normal((2000, 9), dtype=np.float32)
    x[:, 0] += 3.0 * labels
    head = _new_head(2, 64, alpha=1e-3)
    descent = Descent(head)
    for _ in range(10):
        descent.partial_fit(x[:1000], labels[:1000], classes=np.arange(2))
    descent.settle(descent.parameters(), x)
    assert head.score(x[1000:], labels[1000:]) > 0.9
