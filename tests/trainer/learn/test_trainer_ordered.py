"""Networks whose classes are numbers that rise: slopes, the level, and what becomes of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import onnx
import pytest
from onnx.reference import ReferenceEvaluator
from scipy.special import log_expit
from scipy.stats import spearmanr

from runtime.errors import UsageError
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.passive.ambient import Ambient
from trainer.learn.filtered import fit_filters, fit_ordered
from trainer.learn.float_onnx import float_onnx
from trainer.learn.lowering import lower_classifier
from trainer.learn.networks.filters import FilterLayer, filter_layers
from trainer.learn.networks.ordered import OrderedNetwork
from trainer.recipe import ClassifierRecipe, QuantisationRecipe

LAYERS = filter_layers(Ambient(12, 12, 12, 12, 0), (4, 6))
RECIPE = ClassifierRecipe(
    kind="mlp", filters=(4, 6), hidden=(16,), penalty=0.1, epochs=25, input_noise=0.1, averaged=True
)


def blots(n: int, seed: int) -> tuple[Any, Any]:
    """Return n windows of 12 by 12 values with 0 to 3 blots anywhere, and how many there are."""
    rng = np.random.default_rng(seed)
    numbers = np.arange(n) % 4
    grids = rng.integers(-20, 20, (n, 12, 12))
    for grid, number in zip(grids, numbers, strict=True):
        for _ in range(number):
            row, col = rng.integers(0, 10, 2)
            grid[row : row + 3, col : col + 3] += 200
    return grids.reshape(n, -1).astype(np.int32), numbers


PEOPLE = np.arange(1600) % 5


@pytest.fixture(scope="module")
def pipeline() -> Any:
    x, numbers = blots(1600, 0)
    return fit_ordered(RECIPE, x, numbers, LAYERS, 3, PEOPLE)


def test_slopes_are_the_differences_of_the_loss() -> None:
    """McCullagh's cumulative logits: central differences along the level's weights and the cuts."""
    rng = np.random.default_rng(4)
    network = OrderedNetwork((FilterLayer(PatchGrid(5, 6, 1, 2, 1), 3),), (5,), alpha=0.0)
    x: Any = rng.standard_normal((7, 30))
    targets = rng.integers(0, 4, 7)
    network.partial_fit(x.astype(np.float32), targets, np.arange(4))
    for kept in (network._weights, network._shifts, network._scales):
        kept[:] = [rng.standard_normal(p.shape) for p in kept]
    network._weights[-1][:] = network._weights[-1][:, :1]

    def loss() -> float:
        scores = network._pass(x)[-1].given
        more = targets[:, None] > np.arange(3)
        return float(-np.where(more, log_expit(scores), log_expit(-scores)).sum(axis=1).mean())

    slopes = network._slopes(x, targets)
    for number, parameter in enumerate(network.parameters()):
        place = tuple(rng.integers(0, n) for n in parameter.shape)
        where: Any = place if number != len(network._weights) - 1 else (place[0], slice(None))
        kept_value, ends = np.copy(parameter[where]), []
        for sign in (1, -1):
            parameter[where] = kept_value + sign * 1e-5
            ends.append(loss())
        parameter[where] = kept_value
        along = np.sum(slopes[number][where])  # all columns of the level's weights move as one
        assert along == pytest.approx((ends[0] - ends[1]) / 2e-5, rel=1e-3, abs=1e-7)


def test_a_level_counts_and_its_cuts_lie_between_numbers(pipeline: Any) -> None:
    """It rises with the number, and levels from each cut on are told of that many or more."""
    x, numbers = blots(800, 1)
    level, cuts = pipeline.predict(x), pipeline[-1].cuts_
    assert spearmanr(level, numbers).statistic > 0.85
    assert np.all(np.diff(cuts) > 0) and cuts.mean() == pytest.approx(1.5)
    assert np.diff(cuts).mean() == pytest.approx(1.0)
    right = float((np.searchsorted(cuts, level, side="right") == numbers).mean())
    assert right > 0.7
    assert pipeline[-1].coefs_[-1].shape == (16, 1)


def test_a_level_misses_by_less_than_scores_of_classes_do(pipeline: Any) -> None:
    """Told wrong, it is wrong by one more often than a network that knows no order."""
    x, numbers = blots(800, 1)
    told = np.searchsorted(pipeline[-1].cuts_, pipeline.predict(x), side="right")
    learned, truth = blots(1600, 0)
    classes = fit_filters(RECIPE, learned, truth, 4, LAYERS, 3, PEOPLE).predict(x)
    assert (np.abs(told - numbers) > 1).sum() <= (np.abs(classes - numbers) > 1).sum()


def test_integers_and_float_onnx_give_the_level(pipeline: Any) -> None:
    """The lowered stages within a tenth of a number, rms, the float ONNX within a thousandth."""
    x, _ = blots(800, 2)
    extreme = np.full(144, 1000, np.int64)
    stages, unit = lower_classifier(pipeline, x, -extreme, extreme, QuantisationRecipe())
    y = x
    for stage in stages:
        y, _ = stage.run(y, stage.initial_state())
    level = pipeline.predict(x)
    assert y.shape == (800, 1) and np.sqrt(np.mean((y[:, 0] * unit - level) ** 2)) < 0.1
    model = onnx.load_from_string(float_onnx(pipeline, "level", 144))
    found: Any = ReferenceEvaluator(model).run(None, {"window": x.astype(np.float32)})
    assert len(found) == 1 and np.abs(found[0][:, 0] - level).max() < 1e-3


def test_a_number_that_is_never_there_moves_no_other() -> None:
    """Three blots are as high a level whether windows with two of them were seen or not."""
    x, numbers = blots(1600, 2)
    seen = numbers != 2
    told = fit_ordered(RECIPE, x[seen], numbers[seen], LAYERS, 3, PEOPLE[seen])
    other, real = blots(800, 3)
    assert told.predict(other)[real == 3].mean() > 2.5
    assert told[-1].cuts_.shape == (3,)


def test_one_number_alone_is_refused_in_a_line() -> None:
    x, _ = blots(40, 4)
    with pytest.raises(UsageError, match="2 or more"):
        fit_ordered(RECIPE, x, np.zeros(40, np.int64), LAYERS, 3, PEOPLE[:40])
