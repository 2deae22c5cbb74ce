"""Networks of filters: slopes, what they learn that layers do not, and what becomes of them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import onnx
import pytest
from onnx import helper, numpy_helper
from onnx.reference import ReferenceEvaluator

from runtime.errors import FormatError, UsageError
from runtime.stages.bins import Bins
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.pixels import Pixels
from trainer.learn import classifiers
from trainer.learn.classifiers import fit_classifier
from trainer.learn.filtered import fit_filters
from trainer.learn.float_onnx import float_onnx
from trainer.learn.lowering import lower_classifier
from trainer.learn.networks import filters as network_module
from trainer.learn.networks.filters import FilterLayer, FilterNetwork, filter_layers
from trainer.learn.owner import carried_past
from trainer.recipe import ClassifierRecipe, QuantisationRecipe, load_recipe, parse_recipe
from trainer.recipe_texts import built_in_recipes

LAYERS = filter_layers(Bins(24, 24, 12, 12), (8, 12))
SHAPES = np.array([
    np.eye(4), np.fliplr(np.eye(4)), np.tile([[1], [0]], (2, 4)), np.tile([1, 0], (4, 2)),
])  # fmt: skip
RECIPE = ClassifierRecipe(
    kind="mlp", filters=(8, 12), hidden=(16,), penalty=0.1, epochs=30, input_noise=0.1,
    averaged=True,
)  # fmt: skip


def shapes_anywhere(n: int, seed: int, where: int) -> tuple[Any, Any]:
    """Return n windows of 12 by 12 values and one more, and which of four shapes is where.

    Shapes begin in rows and columns below `where`.
    """
    rng = np.random.default_rng(seed)
    labels = np.arange(n) % 4
    grids = rng.integers(0, 200, (n, 12, 12))
    for grid, label in zip(grids, labels, strict=True):
        row, col = rng.integers(0, where, 2)
        grid[row : row + 4, col : col + 4] += (400 * SHAPES[label]).astype(int)
    amount = rng.integers(0, 1000, (n, 1))
    return np.hstack([grids.reshape(n, -1), amount]).astype(np.int32), labels


def fitted(recipe: ClassifierRecipe = RECIPE) -> Any:
    x, labels = shapes_anywhere(1000, 0, 9)
    return fit_filters(recipe, x, labels, 4, LAYERS, 3, np.arange(1000) % 7)


@pytest.fixture(scope="module")
def pipeline() -> Any:
    return fitted()


def test_slopes_are_the_differences_of_the_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against central differences in each kind of parameter, in double precision, in parts."""
    monkeypatch.setattr(network_module, "_AT_ONCE", 6)
    rng = np.random.default_rng(4)
    layers = FilterLayer(PatchGrid(5, 6, 1, 2, 1), 3), FilterLayer(PatchGrid(4, 5, 3, 3, 2), 4)
    network = FilterNetwork(layers, (5,), alpha=0.3)
    x, targets = rng.standard_normal((11, 31)), rng.integers(0, 3, 11)
    network.partial_fit(x.astype(np.float32), targets, np.arange(3))
    for kept in (network._weights, network._shifts, network._scales):
        kept[:] = [rng.standard_normal(p.shape) for p in kept]

    def loss() -> float:
        parts = [network._pass(x[rows])[-1].given for rows in (slice(0, 5), slice(5, 11))]
        scores = np.concatenate(parts)
        log_chances = scores - np.log(np.exp(scores).sum(axis=1, keepdims=True))
        squares = sum(float((w * w).sum()) for w in network._weights)
        return float(-log_chances[np.arange(11), targets].mean() + 0.5 * 0.3 / 11 * squares)

    slopes = network._slopes(x, targets)
    for parameter, slope in zip(network.parameters(), slopes, strict=True):
        for place in [tuple(rng.integers(0, n) for n in parameter.shape) for _ in range(6)]:
            kept_value = parameter[place]
            ends = []
            for sign in (1, -1):
                parameter[place] = kept_value + sign * 1e-5
                ends.append(loss())
            parameter[place] = kept_value
            assert slope[place] == pytest.approx((ends[0] - ends[1]) / 2e-5, rel=1e-3, abs=1e-7)


def test_a_settled_network_gives_what_its_normalised_units_give() -> None:
    """S. Ioffe and C. Szegedy, Batch Normalization, 2015, algorithm 2: folded, nothing is left."""
    rng = np.random.default_rng(5)
    network = FilterNetwork((FilterLayer(PatchGrid(5, 6, 1, 2, 1), 3),), (5,))
    x = rng.gamma(2.0, 1.0, (40, 31)).astype(np.float32)
    network.fit(x, np.arange(40) % 3)
    passed = network._pass(x)
    np.testing.assert_allclose(network.scores(x), passed[-1].given, atol=1e-4)
    assert np.abs(passed[0].unit.mean(axis=0)).max() < 1e-5
    np.testing.assert_allclose(passed[1].unit.std(axis=0), 1.0, atol=1e-3)
    half = network.scores(x[:20])
    np.testing.assert_allclose(half, network.scores(x)[:20], atol=1e-5)


def test_a_network_settles_alike_in_whatever_order_people_come(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Units have the spread of all windows, not that of one person's, who come one by one."""
    monkeypatch.setattr(network_module, "_SETTLED_AT_ONCE", 100)
    rng = np.random.default_rng(6)
    network = FilterNetwork((FilterLayer(PatchGrid(5, 6, 1, 2, 1), 3),), (5,))
    people = rng.normal(0.0, 3.0, (5, 1, 31)) + rng.standard_normal((5, 100, 31))
    x = people.reshape(500, 31).astype(np.float32)
    network.fit(rng.permutation(x), np.arange(500) % 3)
    network.settle(network.parameters(), x)
    one_by_one = network.scores(x)
    monkeypatch.setattr(network_module, "_SETTLED_AT_ONCE", 500)
    network.settle(network.parameters(), x)
    np.testing.assert_allclose(one_by_one, network.scores(x), rtol=0.1, atol=0.1)


def test_scores_are_those_of_the_operator_conv_of_onnx(pipeline: Any) -> None:
    """ONNX, operator Conv since version 11, by its reference evaluator; channels come first."""
    head = pipeline[-1]
    x, _ = shapes_anywhere(20, 5, 9)
    scaled = pipeline[:-1].transform(x).astype(np.float32)
    tensors, nodes, name = [], [], "x"
    for number, (grid, _) in enumerate(head.layers):
        weights = head.coefs_[number].reshape(grid.size, grid.size, grid.n_channels, -1)
        kernels = np.ascontiguousarray(weights.transpose(3, 2, 0, 1), np.float32)
        tensors.append(numpy_helper.from_array(kernels, f"w{number}"))
        bias = head.intercepts_[number].astype(np.float32)
        tensors.append(numpy_helper.from_array(bias, f"b{number}"))
        step = [grid.step] * 2
        nodes.append(helper.make_node("Conv", [name, f"w{number}", f"b{number}"], [f"c{number}"],
                                      strides=step))  # fmt: skip
        name = f"y{number}"
        nodes.append(helper.make_node("Relu", [f"c{number}"], [name]))
    ends = [helper.make_tensor_value_info(n, onnx.TensorProto.FLOAT, None) for n in ("x", name)]
    graph = helper.make_graph(nodes, "conv", ends[:1], ends[1:], tensors)
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)])
    y = ReferenceEvaluator(model).run(None, {"x": scaled[:, :144].reshape(-1, 1, 12, 12)})[0]
    y = y.transpose(0, 2, 3, 1).reshape(20, -1)
    hidden = np.maximum(y @ head.coefs_[2] + head.intercepts_[2], 0)
    scores = hidden @ head.coefs_[3] + head.intercepts_[3]
    assert np.abs(scores - head.scores(scaled)).max() < 1e-3


def test_a_shape_is_known_where_it_was_never_shown() -> None:
    """Learned in the upper left quarter, asked anywhere: layers without filters fail there."""
    x, labels = shapes_anywhere(1000, 0, 5)
    people = np.arange(1000) % 7
    asked, truth = shapes_anywhere(400, 1, 9)
    plain = RECIPE.model_copy(update={"filters": (), "hidden": (64, 16)})
    with_filters = fit_filters(RECIPE, x, labels, 4, LAYERS, 3, people)
    without = fit_classifier(plain, x, labels, 4, 1, 3, people)
    right = [float((p.predict(asked) == truth).mean()) for p in (with_filters, without)]
    assert right[0] > right[1] + 0.1


def test_the_same_seed_gives_the_same_weights(pipeline: Any) -> None:
    again = fitted()
    assert all((a == b).all() for a, b in zip(
        pipeline[-1].coefs_, again[-1].coefs_, strict=True))  # fmt: skip


def test_integer_stages_answer_as_the_network_does(pipeline: Any) -> None:
    """Filters, then layers; scores within a tenth of their spread, answers in 98 of 100."""
    x, _ = shapes_anywhere(1000, 0, 9)
    asked, truth = shapes_anywhere(400, 1, 9)
    high = np.full(145, 1024)
    stages, unit = lower_classifier(pipeline, x, 0 * high, high, QuantisationRecipe())
    assert [s.kind for s in stages] == ["filters", "filters", "dense", "dense"]
    y = asked
    for stage in stages:
        y, _ = stage.run(y, {})
    scores = pipeline[-1].scores(pipeline[:-1].transform(asked).astype(np.float32))
    assert (y * unit - scores).std() < 0.1 * scores.std()
    assert (y.argmax(axis=1) == pipeline.predict(asked)).mean() >= 0.98
    assert (pipeline.predict(asked) == truth).mean() > 0.9


def test_float_onnx_gives_the_same_chances(pipeline: Any) -> None:
    """By ONNX Runtime, and the same bytes each time."""
    import onnxruntime

    asked, _ = shapes_anywhere(50, 1, 9)
    written = float_onnx(pipeline, "shapes", 145)
    labels, chances = onnxruntime.InferenceSession(written).run(
        None, {"window": asked.astype(np.float32)}
    )
    assert np.abs(chances - pipeline.predict_proba(asked)).max() < 1e-4
    assert (labels == pipeline.predict(asked)).all()
    assert float_onnx(pipeline, "shapes", 145) == written


def test_directions_are_carried_past_the_hidden_layer_behind_filters(pipeline: Any) -> None:
    """As of other networks, and scores stay bit for bit."""
    x, labels = shapes_anywhere(1000, 0, 9)
    high = np.full(145, 1024)
    stages, _ = lower_classifier(pipeline, x, 0 * high, high, QuantisationRecipe())
    carried = carried_past(stages, x, (0 * high, high), labels, np.arange(1000) % 7)
    assert isinstance(carried[0], Filters) and isinstance(carried[2], Dense)
    assert carried[2].n_out > stages[2].n_out
    scores = []
    for chain in (stages, carried):
        y = x
        for stage in chain:
            y, _ = stage.run(y, {})
        scores.append(y)
    assert (scores[0] == scores[1]).all()


def test_layers_fit_the_bins_or_are_left_out() -> None:
    """Of few bins the first; the four quadrants of the baseline, and single pixels, have none."""
    assert [layer.grid.places for layer in LAYERS] == [(8, 8), (3, 3)]
    three = filter_layers(Bins(32, 32, 16, 16), (16, 32, 48))
    assert [(*layer.grid[:3], layer.grid.n_patch) for layer in three] == [
        (16, 16, 1, 25), (12, 12, 16, 256), (5, 5, 32, 288)
    ]  # fmt: skip
    assert three[-1].grid.n_places * three[-1].n_filters == 432
    assert [one.grid.places for one in filter_layers(Bins(20, 40, 20, 10), (16, 32, 48))] == [
        (16, 6), (7, 2)
    ]  # fmt: skip
    assert filter_layers(Bins(8, 8, 2, 2), (8, 12)) == ()
    assert filter_layers(Pixels(4, 4, np.array([1, 3], np.int32)), (8,)) == ()
    assert filter_layers(Bins(24, 24, 12, 12), ()) == ()


def test_a_fit_sees_no_more_windows_than_there_is_time_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """As many passes as keep to the limit, of which there are fewer than the recipe's."""
    monkeypatch.setattr(classifiers, "MOST_SEEN_BY_FILTERS", 3500)
    assert fitted()[-1]._adam.n_steps == 3 * math.ceil(1000 / 256)


def test_a_class_without_windows_is_refused() -> None:
    x, labels = shapes_anywhere(40, 0, 9)
    with pytest.raises(UsageError, match="windows of class is 4"):
        fit_filters(RECIPE, x, labels, 5, LAYERS, 3, np.zeros(40, np.int64))


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ('kind = "mlp"', 'kind = "linear"'),
        ("motion = false", "motion = true"),
        ("segments = 1", "segments = 2"),
        ('projection = "none"', 'projection = "principal"'),
        ("bins = [16, 16]", 'entry = "pixels"'),
    ],
)
def test_recipes_in_which_filters_have_nothing_to_see_are_refused(was: str, becomes: str) -> None:
    text = built_in_recipes()["finger_count"]
    assert was in text
    with pytest.raises(FormatError, match="filters need"):
        parse_recipe(text.replace(was, becomes), "recipe.toml")


def test_a_recipe_without_filters_has_the_digest_that_it_had() -> None:
    """Models that were trained before there were any are still known by it."""
    recipe = load_recipe("dynamic")
    assert recipe.classifier.filters == ()
    more = recipe.classifier.model_copy(update={"filters": (4,)})
    assert recipe.model_copy(update={"classifier": more}).digest() != recipe.digest()


def test_finger_counts_are_learned_without_filters_and_with_them() -> None:
    """Everything but a training, which asks both, sees the usual classifier alone."""
    recipe = load_recipe("finger_count")
    assert recipe.classifier.filters == ()
    usual, other = recipe.forms
    assert usual.classifier == recipe.classifier
    assert other.classifier == recipe.or_classifier
    assert other.classifier.filters == (16, 32, 48)
    assert usual.forms == (usual,) and other.forms == (other,)
    assert len({recipe.digest(), usual.digest(), other.digest()}) == 3
    dynamic = load_recipe("dynamic")
    assert dynamic.forms == (dynamic,)


def test_a_quantity_has_one_classifier() -> None:
    text = built_in_recipes()["distance"] + '\n[or_classifier]\nkind = "linear"\n'
    with pytest.raises(FormatError, match="or_classifier is for recipes of classes"):
        parse_recipe(text, "recipe.toml")
