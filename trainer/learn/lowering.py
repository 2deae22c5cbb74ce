"""Lowering: fitted classifiers and regressors become integer stages.

This is the only file that looks inside fitted scikit-learn objects. Everything after it sees
stages.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag
from sklearn.ensemble import (
    ExtraTreesClassifier,
    GradientBoostingClassifier,
    GradientBoostingRegressor,
)
from sklearn.neighbors import KNeighborsClassifier
from sklearn.neural_network import MLPClassifier, MLPRegressor
from sklearn.pipeline import Pipeline

from runtime.fixedpoint import INT32_MAX, INT32_MIN, symmetric_limit
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage
from runtime.stages.prototypes import Prototypes
from runtime.stages.trees import Trees
from trainer.learn.networks.filters import FilterNetwork
from trainer.learn.networks.lowered import lower_filters
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense
from trainer.recipe import QuantisationRecipe

__all__ = ["lower_classifier", "lower_regressor"]

LEAF_BITS = 16
"""Of a leaf: 65,536 trees could be added up in 32 bits, and a step is 0.003 % of the largest
leaf."""
TREE_INPUT_BITS = 16
"""As wide as a window's features: a tree compares, so that bits cost nothing but memory."""
PROTOTYPE_INPUT_BITS = 8
"""Of an input and a centre: 4,096 squares of their differences, of 16 bits each, are below 2^28."""


def lower_classifier(
    pipeline: Pipeline,
    x: Int32,
    low: Int64,
    high: Int64,
    quantisation: QuantisationRecipe,
    n_summed: int = 1,
) -> tuple[tuple[Stage, ...], float]:
    """Lower a fitted classifier to integer stages; the last gives int32 scores.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        As :func:`trainer.learn.classifiers.fit_classifier` returns it.
    x : int32 (n_windows, n_features)
        Training windows, from which scales are chosen.
    low, high : int64 (n_features,)
        Proven range of each feature.
    n_summed : int
        Scores of so many frames are added up behind these stages.

    Returns
    -------
    stages : tuple of Stage
    unit : float
        Real value of one step of a score.

    Raises
    ------
    OverflowRisk
        A stage could pass 32 bits.
    """
    head = pipeline[-1]
    if isinstance(head, KNeighborsClassifier):
        return _lower_prototypes(pipeline, x, low, high, quantisation)
    if isinstance(head, FilterNetwork):
        return _lower_network(pipeline, x, low, high, quantisation, n_summed)
    if hasattr(head, "coef_") or isinstance(head, MLPClassifier):
        layers = _real_layers(pipeline)
        return _lower_layers(layers, x, low, high, quantisation, n_summed=n_summed)
    return _lower_trees(pipeline, x, low, high, quantisation)


def lower_regressor(
    pipeline: Pipeline,
    guard: Float64,
    x: Int32,
    low: Int64,
    high: Int64,
    quantisation: QuantisationRecipe,
    n_summed: int = 1,
) -> tuple[tuple[Stage, ...], float]:
    """Lower a fitted regressor to integer stages; the last gives int32 the value and the guard.

    The guard, a linear function of the features, goes through the same layers beside the value.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        As :func:`trainer.learn.classifiers.fit_regressor` returns it.
    guard : float64 (n_features,)
        Its weights; its unit is free, as only its range is of use.
    x, low, high, quantisation, n_summed
        As for :func:`lower_classifier`.

    Returns
    -------
    stages : tuple of Stage
    unit : float
        Real value of one step of the value, a power of two.

    Raises
    ------
    OverflowRisk
        A stage could pass 32 bits.
    """
    layers = _with_guard(_real_layers(pipeline), guard, x, quantisation.clip_quantile)
    return _lower_layers(layers, x, low, high, quantisation, power_of_two=True, n_summed=n_summed)


def _with_guard(
    layers: list[tuple[Float64, Float64]], guard: Float64, x: Int32, clip_quantile: float
) -> list[tuple[Float64, Float64]]:
    """Lead a linear function of the features through all layers, beside what they compute.

    A ReLU passes a number as its positive and its negative part. Within each hidden layer the
    training windows' guard takes up half of what the other units reach, so that one that is out of
    range is seen to be so before it saturates.
    """
    (weights, bias), *others = layers
    real = x @ guard
    centre = float(real.max() + real.min()) / 2
    reach = max(float(np.abs(real - centre).max()), 1e-9)
    if not others:
        size = float(np.abs(weights).max()) / float(np.abs(guard).max())
        return [(np.vstack([weights, size * guard]), np.hstack([bias, -size * centre]))]
    both = np.array([[1.0], [-1.0]])
    hidden, guarded = np.maximum(x @ weights.T + bias, 0.0), reach
    size = 0.5 * max(float(np.quantile(hidden, clip_quantile)), 1e-9) / guarded
    result = [
        (
            np.vstack([weights, size * both * guard]),
            np.hstack([bias, -size * centre * both[:, 0]]),
        )
    ]
    guarded *= size
    for weights, bias in others[:-1]:
        hidden = np.maximum(hidden @ weights.T + bias, 0.0)
        size = 0.5 * max(float(np.quantile(hidden, clip_quantile)), 1e-9) / guarded
        result.append((block_diag(weights, size * np.eye(2)), np.hstack([bias, 0.0, 0.0])))
        guarded *= size
    weights, bias = others[-1]
    size = float(np.abs(weights).max())
    result.append((block_diag(weights, size * both.T), np.hstack([bias, 0.0])))
    return result


def _lower_layers(
    layers: list[tuple[Float64, Float64]],
    x: Int32,
    low: Int64,
    high: Int64,
    quantisation: QuantisationRecipe,
    *,
    power_of_two: bool = False,
    n_summed: int = 1,
) -> tuple[tuple[Stage, ...], float]:
    """Lower linear layers with a ReLU after each but the last."""
    stages = []
    unit = 1.0
    for index, (weights, bias) in enumerate(layers):
        last = index == len(layers) - 1
        stage, unit = quantise_dense(
            RealLayer(weights * unit, bias, relu=not last),
            LayerInputs(x, low, high),
            weight_bits=quantisation.weight_bits,
            out_bits=32 if last else quantisation.hidden_bits,
            clip_quantile=quantisation.clip_quantile,
            power_of_two=last and power_of_two,
            n_summed=n_summed if last else 1,
        )
        low, high = stage.bounds(low, high)
        x, _ = stage.run(x, {})
        stages.append(stage)
    return tuple(stages), unit


def _lower_network(
    pipeline: Pipeline,
    x: Int32,
    low: Int64,
    high: Int64,
    quantisation: QuantisationRecipe,
    n_summed: int,
) -> tuple[tuple[Stage, ...], float]:
    """Lower filters, and the layers behind them."""
    stages, layers, unit, (low, high) = lower_filters(pipeline, x, low, high, quantisation)
    for stage in stages:
        x, _ = stage.run(x, {})
    layers[0] = layers[0][0] * unit, layers[0][1]
    behind, unit = _lower_layers(layers, x, low, high, quantisation, n_summed=n_summed)
    return (*stages, *behind), unit


def _real_layers(pipeline: Pipeline) -> list[tuple[Float64, Float64]]:
    """Return what was fitted as real layers, (weights, bias) from first to last.

    Contrasts and standardiser are folded into the first layer. All layers but the last are
    followed by a ReLU; the last gives one score per class, or the one value. A logistic regression
    of two classes, which scikit-learn keeps as one row, gets a second row of opposite sign.
    """
    head = pipeline[-1]
    if isinstance(head, MLPClassifier | MLPRegressor):
        layers = [(w.T, b) for w, b in zip(head.coefs_, head.intercepts_, strict=True)]
    else:
        layers = [(np.atleast_2d(head.coef_), np.atleast_1d(head.intercept_))]
    last_weights, last_bias = layers[-1]
    if len(last_bias) == 1 and hasattr(head, "classes_"):
        layers[-1] = (np.vstack([-last_weights, last_weights]), np.hstack([-last_bias, last_bias]))
    weights, bias = layers[0]
    matrix, offset = _to_scaled(pipeline)
    layers[0] = (weights @ matrix, bias + weights @ offset)
    return layers


def _to_scaled(pipeline: Pipeline) -> tuple[Float64, Float64]:
    """Return contrasts and standardiser as one map: scaled = matrix @ x + offset."""
    contrasts, scaler, _ = pipeline
    return contrasts.matrix_ / scaler.scale_[:, None], -scaler.mean_ / scaler.scale_


def _lower_trees(
    pipeline: Pipeline, x: Int32, low: Int64, high: Int64, quantisation: QuantisationRecipe
) -> tuple[tuple[Stage, ...], float]:
    """Lower a tree ensemble, behind a layer for the contrasts where there are any.

    For integer inputs, comparing with the floor of a threshold decides as the threshold does.
    """
    contrasts, scaler, head = pipeline
    trees = list(_real_trees(head))
    stages: tuple[Stage, ...] = ()
    if contrasts.n_segments > 1:
        matrix, offset = _to_scaled(pipeline)
        dense, unit = quantise_dense(
            RealLayer(matrix, offset), LayerInputs(x, low, high),
        weight_bits=quantisation.weight_bits,
            out_bits=TREE_INPUT_BITS, clip_quantile=quantisation.clip_quantile,
        )  # fmt: skip
        stages, mean, scale = (dense,), np.zeros(len(matrix)), np.full(len(matrix), 1 / unit)
    else:
        mean, scale = scaler.mean_, scaler.scale_
    leaf_unit = max(float(np.abs(tree.leaves).max()) for tree in trees) / symmetric_limit(LEAF_BITS)
    ensemble = _Ensemble(mean, scale, leaf_unit)
    for tree in trees:
        ensemble.add(tree)
    return (*stages, ensemble.stage()), leaf_unit


@dataclass(frozen=True, slots=True)
class _RealTree:
    """One fitted tree; node 0 is its root, and a node without children a leaf.

    Parameters
    ----------
    feature, left, right : int (n_nodes,)
    threshold : float64 (n_nodes,)
        To the left when the feature is at most this.
    is_leaf : bool (n_nodes,)
    leaves : float64 (n_nodes, n_classes)
        What a leaf adds to each class's score.
    """

    feature: NDArray[Any]
    threshold: Float64
    left: NDArray[Any]
    right: NDArray[Any]
    is_leaf: NDArray[np.bool_]
    leaves: Float64


def _real_trees(head: Any) -> Iterator[_RealTree]:
    """Yield the trees whose leaves add up to a fitted ensemble's scores.

    A single tree and extra trees give probabilities, their mean; boosted trees give log odds, one
    tree a class and round, to which the first guess is added as a tree of one leaf.
    """
    if isinstance(head, GradientBoostingClassifier):
        n_classes = len(head.classes_)
        guess = head._raw_predict_init(np.zeros((1, head.n_features_in_)))
        yield _leaf(_per_class(guess, None, n_classes)[0])
        for one_round in head.estimators_:
            for column, regressor in enumerate(one_round):
                steps = head.learning_rate * regressor.tree_.value[:, 0]
                yield _real_tree(regressor.tree_, _per_class(steps, column, n_classes))
        return
    if isinstance(head, GradientBoostingRegressor):
        yield _leaf(head._raw_predict_init(np.zeros((1, head.n_features_in_)))[0])
        for (regressor,) in head.estimators_:
            steps = head.learning_rate * regressor.tree_.value[:, 0]
            yield _real_tree(regressor.tree_, steps)
        return
    fitted = head.estimators_ if isinstance(head, ExtraTreesClassifier) else [head]
    for one in fitted:
        weights = one.tree_.value[:, 0]
        shares = weights / weights.sum(axis=1, keepdims=True)
        yield _real_tree(one.tree_, shares / len(fitted))


def _real_tree(tree: Any, leaves: Float64) -> _RealTree:
    left = tree.children_left
    return _RealTree(tree.feature, tree.threshold, left, tree.children_right, left < 0, leaves)


def _leaf(values: Float64) -> _RealTree:
    nothing = np.zeros(1, dtype=np.int64)
    return _RealTree(nothing, np.zeros(1), nothing, nothing, np.ones(1, bool), values[None, :])


def _per_class(values: Float64, column: int | None, n_classes: int) -> Float64:
    """Spread log odds over the classes: of two classes, scikit-learn keeps those of the second."""
    if n_classes == 2:
        return np.hstack([-values, values])
    if column is None:
        return values
    spread = np.zeros((len(values), n_classes))
    spread[:, column] = values[:, 0]
    return spread


class _Ensemble:
    """Collects trees as the arrays of a :class:`~runtime.stages.trees.Trees` stage."""

    def __init__(self, mean: Float64, scale: Float64, leaf_unit: float) -> None:
        self._mean, self._scale, self._leaf_unit = mean, scale, leaf_unit
        self._roots: list[int] = []
        self._nodes: list[list[int]] = []
        self._leaves: list[Int64] = []

    def add(self, tree: _RealTree) -> None:
        """Number a tree's nodes from the root down, each before its children."""
        waiting: list[tuple[int, list[int], int]] = [(0, self._roots, len(self._roots))]
        self._roots.append(0)
        while waiting:
            node, parent, place = waiting.pop()
            if tree.is_leaf[node]:
                parent[place] = -1 - len(self._leaves)
                steps = np.floor(tree.leaves[node] / self._leaf_unit + 0.5)
                self._leaves.append(steps.astype(np.int64))
                continue
            parent[place] = len(self._nodes)
            feature = int(tree.feature[node])
            threshold = tree.threshold[node] * self._scale[feature] + self._mean[feature]
            whole = int(np.clip(np.floor(threshold), INT32_MIN, INT32_MAX))
            own = [feature, whole, 0, 0]
            self._nodes.append(own)
            waiting += [(int(tree.right[node]), own, 3), (int(tree.left[node]), own, 2)]

    def stage(self) -> Trees:
        """Return the trees added so far."""
        nodes = np.array(self._nodes or [[0, 0, -1, -1]], dtype=np.int32)
        feature, threshold, left, right = np.ascontiguousarray(nodes.T)
        return Trees(
            n_features=len(self._mean),
            roots=np.array(self._roots, dtype=np.int32),
            feature=feature,
            threshold=threshold,
            left=left,
            right=right,
            leaves=np.array(self._leaves, dtype=np.int32),
        )


def _lower_prototypes(
    pipeline: Pipeline, x: Int32, low: Int64, high: Int64, quantisation: QuantisationRecipe
) -> tuple[tuple[Stage, ...], float]:
    """Lower the nearest of the kept examples, behind a layer for contrasts and scaling."""
    head = pipeline[-1]
    matrix, offset = _to_scaled(pipeline)
    dense, unit = quantise_dense(
        RealLayer(matrix, offset), LayerInputs(x, low, high),
        weight_bits=quantisation.weight_bits,
        out_bits=PROTOTYPE_INPUT_BITS, clip_quantile=quantisation.clip_quantile,
    )  # fmt: skip
    limit = symmetric_limit(PROTOTYPE_INPUT_BITS)
    real = head._fit_X / unit
    stage = Prototypes(
        centres=np.clip(np.floor(real + 0.5), -limit, limit).astype(np.int8),
        owners=head.classes_[head._y].astype(np.int32),
        n_classes=len(head.classes_),
        squared=head.p == 2,
        real_centres=real,
    )
    return (dense, stage), unit**head.p
