"""Heads of filters: fitted by passes as perceptrons are, behind one mean and one scale."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.learn.classifiers import SegmentContrasts, fit_mlp, mlp_settings, refuse_missing
from trainer.learn.networks.filters import FilterLayer, FilterNetwork
from trainer.learn.networks.ordered import OrderedNetwork
from trainer.recipe import ClassifierRecipe

__all__ = ["fit_filters", "fit_ordered"]


def fit_filters(
    recipe: ClassifierRecipe,
    x: Int32,
    labels: NDArray[np.int64],
    n_classes: int,
    layers: tuple[FilterLayer, ...],
    seed: int,
    people: Int64,
) -> Pipeline:
    """Fit a network of filters on windows of one segment.

    All values of the grid have one mean and one scale, so that a filter sees the same at every
    place; what a window holds behind them, the logarithm of all light, is left out.

    Parameters
    ----------
    layers : tuple of FilterLayer
        Of which the first sees the first features.
    recipe, x, labels, n_classes, seed, people
        As for :func:`trainer.learn.classifiers.fit_classifier`.

    Raises
    ------
    UsageError
        A class has no window.
    """
    refuse_missing(labels, n_classes)
    return _fit_network(FilterNetwork, recipe, x, labels, layers, seed, people)


def fit_ordered(
    recipe: ClassifierRecipe,
    x: Int32,
    numbers: Int64,
    layers: tuple[FilterLayer, ...],
    seed: int,
    people: Int64,
) -> Pipeline:
    """Fit a network of filters whose classes are numbers; it predicts their level.

    Parameters
    ----------
    numbers : int64 (n_windows,)
        Of each window, 0 and on. Where one between them has no window, the cuts below and above
        it are one.
    recipe, x, layers, seed, people
        As for :func:`fit_filters`.

    Raises
    ------
    UsageError
        All windows are of one number.
    """
    n_told = len(np.unique(numbers))
    if n_told < 2:
        what, do = "numbers in the places learned from", "record both in each of more places"
        raise UsageError("training", what, n_told, "2 or more", do)
    pipeline = _fit_network(OrderedNetwork, recipe, x, numbers, layers, seed, people)
    pipeline[-1].finish()
    return pipeline


def _fit_network(
    kind: type[FilterNetwork],
    recipe: ClassifierRecipe,
    x: Int32,
    labels: NDArray[np.int64],
    layers: tuple[FilterLayer, ...],
    seed: int,
    people: Int64,
) -> Pipeline:
    contrasts = SegmentContrasts(1)
    real = contrasts.fit_transform(x.astype(np.float64))
    scaler = _one_scale(real, layers[0].grid.n_values)
    settings = mlp_settings(recipe, len(x), seed)
    kept = {k: settings[k] for k in ("alpha", "batch_size", "learning_rate_init", "random_state")}
    head = kind(layers, recipe.hidden, **kept)
    classes = np.arange(int(labels.max()) + 1)
    groups = people * len(classes) + labels
    rng = np.random.default_rng(seed)
    fit_mlp(head, scaler.transform(real), labels, groups, recipe, rng, {"classes": classes})
    return make_pipeline(contrasts, scaler, head)


def _one_scale(x: Float64, n_seen: int) -> StandardScaler:
    """Return a standardiser of all features, (n_windows, n_features), by the first `n_seen`."""
    scaler = StandardScaler().fit(x)
    means = scaler.mean_[:n_seen]
    scaler.var_[:] = (scaler.var_[:n_seen] + (means - means.mean()) ** 2).mean()
    scaler.mean_[:] = means.mean()
    scaler.scale_[:] = np.sqrt(scaler.var_) if scaler.var_[0] > 0 else 1.0
    return scaler
