"""Classifiers and regressors, fitted by scikit-learn; `lowering` turns them into stages."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct
from sklearn.base import BaseEstimator, ClassifierMixin, TransformerMixin
from sklearn.cluster import KMeans
from sklearn.ensemble import (
    ExtraTreesClassifier,
    GradientBoostingClassifier,
    GradientBoostingRegressor,
)
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression, Ridge
from sklearn.neighbors import KNeighborsClassifier
from sklearn.neural_network import MLPClassifier, MLPRegressor
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.tree import DecisionTreeClassifier

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.learn.networks.descent import Descent
from trainer.learn.networks.filters import MOST_SEEN_BY_FILTERS, FilterNetwork
from trainer.recipe import ClassifierRecipe

__all__ = [
    "SegmentContrasts",
    "fit_boosted_regressor",
    "fit_classifier",
    "fit_mlp",
    "fit_regressor",
    "mlp_settings",
    "refuse_missing",
]

N_BATCHES = 100
LEAST_BATCH, LARGEST_BATCH = 256, 512
"""About as many batches a pass, of any number of windows: 40 passes are then 4,000 steps. A batch
of fewer is mostly the time of a step, and of more mostly time of its own: from 32 to 512 is what is
usual (common practice, no source). Batches of half of this took nearly twice as long over motions,
and were as often right (800 people's fingers within 0.4 points, nine people's motions within 0.7).
"""
FEWEST_BATCHES = 3
"""In a pass over few windows. Of two people's 22 takes, 0.97 of another's are then told right, and
0.70 to 0.76 where a pass is one step: 30 steps in all are too few."""
MOST_SEEN = 600_000
"""Windows that a fit sees at most, each as often as there are passes: 15,000 of them 40 times.
Where there are more, there is less of the same to see again, and passes would only take time."""
LEARNING_RATE = 4e-3
"""Four times scikit-learn's own, which is meant for 200 passes: weights are averaged over the last
third of fewer, and that does what smaller steps would do at the end. By the root of the batch: 3e-3
was right for half of it (A. Krizhevsky, arXiv 1404.5997, 2014; the rule from memory)."""
BOOSTING_RATE = 0.2
"""Twice scikit-learn's own, for half of its hundred trees: a device holds no more of them."""
BOOSTING_SHARE = 0.5
"""Of the windows, for each boosted tree (J. Friedman, Comput. Stat. Data Anal. 38, 2002)."""
REGRESSION_FEATURES = 0.3
"""Share of the features that a split of a boosted regression chooses from: a third, as is usual of
regression trees (common practice, no source)."""


class SegmentContrasts(TransformerMixin, BaseEstimator):  # type: ignore[misc]  # untyped bases
    """How a window's segments differ from each other: their cosine transform.

    The mean over the window tells of the person and of whether a hand is there at all, less of the
    gesture; it is left out unless asked for. Rows of the orthonormal discrete cosine transform
    (DCT-II; N. Ahmed et al., IEEE Trans. Computers C-23, 1974) order what is left from slow to
    fast. It is linear, so that it costs nothing on the device: lowering folds it into the first
    layer. A window of one segment is left as it is.

    Parameters
    ----------
    n_segments : int
        Segments of the window, oldest first.
    with_mean : bool
        Whether the mean is kept as well.
    """

    def __init__(self, n_segments: int, with_mean: bool = False) -> None:
        self.n_segments = n_segments
        self.with_mean = with_mean

    def fit(self, x: Float64, y: object = None) -> SegmentContrasts:
        """Set ``matrix_``, float64 (n_contrasts, n_features)."""
        n_values = x.shape[1] // self.n_segments
        first = 0 if self.with_mean else min(1, self.n_segments - 1)
        rows = dct(np.eye(self.n_segments), axis=0, norm="ortho")[first:]
        self.matrix_ = np.kron(rows, np.eye(n_values))
        return self

    def transform(self, x: Float64) -> Float64:
        """Return float64 (n_windows, n_contrasts)."""
        return np.asarray(x @ self.matrix_.T)


def fit_classifier(
    recipe: ClassifierRecipe,
    x: Int32,
    labels: NDArray[np.int64],
    n_classes: int,
    n_segments: int,
    seed: int,
    people: Int64 | None = None,
) -> Pipeline:
    """Fit segment contrasts, a standardiser and a classifier on windows.

    Parameters
    ----------
    x : int32 (n_windows, n_features)
        Window features, as the integer stages give them.
    labels : int64 (n_windows,)
        Class of each window, 0 to n_classes - 1; every class must occur.
    n_segments : int
        Segments of a window.
    seed : int
        Seeds the first weights and the order of the windows.
    people : int64 (n_windows,), optional
        Whose each window is, 0 and on; without, all are one person's.

    Raises
    ------
    UsageError
        A class has no window.
    """
    refuse_missing(labels, n_classes)
    contrasts, scaler, scaled = _scaled(recipe, x, n_segments)
    head = _new_head(recipe, len(x), seed)
    if recipe.kind == "prototypes":
        scaled, labels = _prototypes(scaled, labels, recipe.prototypes, seed)
    if recipe.kind == "mlp" and _noisy(recipe):
        groups = labels if people is None else people * n_classes + labels
        classes = {"classes": np.unique(labels)}
        fit_mlp(head, scaled, labels, groups, recipe, np.random.default_rng(seed), classes)
    else:
        with warnings.catch_warnings():
            # The number of epochs is part of the recipe; stopping there is not a failure.
            warnings.simplefilter("ignore", ConvergenceWarning)
            head.fit(scaled, labels)
    return make_pipeline(contrasts, scaler, head)


def fit_regressor(
    recipe: ClassifierRecipe,
    x: Int32,
    targets: Float64,
    n_segments: int,
    seed: int,
    people: Int64,
) -> Pipeline:
    """Fit segment contrasts, a standardiser and a regressor on windows.

    ``linear`` is a ridge regression, ``mlp`` a multilayer perceptron for the squared error.

    Parameters
    ----------
    x : int32 (n_windows, n_features)
        Window features, as the integer stages give them.
    targets : float64 (n_windows,)
        The quantity, in its unit; that of what the fitted pipeline predicts.
    n_segments, seed
        As for :func:`fit_classifier`.
    people : int64 (n_windows,)
        Whose each window is, 0 and on.
    """
    contrasts, scaler, scaled = _scaled(recipe, x, n_segments)
    if recipe.kind == "linear":
        head = Ridge(alpha=recipe.penalty * len(x)).fit(scaled, targets)
        return make_pipeline(contrasts, scaler, head)
    head = MLPRegressor(hidden_layer_sizes=recipe.hidden, **mlp_settings(recipe, len(x), seed))
    middle, spread = float(targets.mean()), max(float(targets.std()), 1e-9)
    unit = (targets - middle) / spread
    if _noisy(recipe):
        # What the value is to be blind to lies between windows of one person at one truth.
        _, groups = np.unique(np.stack([people, targets]), axis=1, return_inverse=True)
        fit_mlp(head, scaled, unit, groups.ravel(), recipe, np.random.default_rng(seed), {})
    else:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ConvergenceWarning)  # as for a classifier
            head.fit(scaled, unit)
    head.coefs_[-1] = head.coefs_[-1] * spread
    head.intercepts_[-1] = head.intercepts_[-1] * spread + middle
    return make_pipeline(contrasts, scaler, head)


def fit_boosted_regressor(
    recipe: ClassifierRecipe, x: Int32, targets: Float64, seed: int
) -> Pipeline:
    """Fit boosted trees for the squared error; arguments as for :func:`fit_regressor`."""
    contrasts, scaler, scaled = _scaled(recipe, x, 1)
    head = GradientBoostingRegressor(
        learning_rate=BOOSTING_RATE / 2,
        n_estimators=recipe.trees,
        max_depth=recipe.depth,
        min_samples_leaf=recipe.least_in_leaf,
        subsample=BOOSTING_SHARE,
        max_features=REGRESSION_FEATURES,
        random_state=seed,
    )
    return make_pipeline(contrasts, scaler, head.fit(scaled, targets))


def refuse_missing(labels: NDArray[np.int64], n_classes: int) -> None:
    """Refuse windows among which a class has none; raises UsageError."""
    missing = sorted(set(range(n_classes)) - set(labels.tolist()))
    if missing:
        raise UsageError("training", "windows of class", missing[0], "windows of every class")


def _scaled(
    recipe: ClassifierRecipe, x: Int32, n_segments: int
) -> tuple[SegmentContrasts, StandardScaler, Float64]:
    """Return fitted contrasts and standardiser, and what they make of the windows."""
    contrasts = SegmentContrasts(n_segments if recipe.contrasts else 1, recipe.window_mean)
    scaler = StandardScaler()
    scaled = scaler.fit_transform(contrasts.fit_transform(x.astype(np.float64)))
    if recipe.scaling == "together":
        common = np.full_like(scaler.scale_, np.sqrt(scaler.var_.mean()))
        scaled *= scaler.scale_ / common
        scaler.scale_ = common
    return contrasts, scaler, scaled


def _passes(recipe: ClassifierRecipe, n_windows: int, most_seen: int) -> int:
    """Return how often to pass over the windows: as the recipe says, or less over very many."""
    return min(recipe.epochs, max(1, most_seen // n_windows))


def _batch(n_windows: int) -> int:
    """Return how many windows a step sees; of few a part, or a pass would be a single step."""
    usual = max(LEAST_BATCH, min(LARGEST_BATCH, n_windows // N_BATCHES))
    return max(1, min(usual, n_windows // FEWEST_BATCHES))


def _noisy(recipe: ClassifierRecipe) -> bool:
    """Return whether passes are made one by one, each over windows with noise of its own."""
    return bool(recipe.input_noise or recipe.take_noise or recipe.averaged)


def mlp_settings(recipe: ClassifierRecipe, n_windows: int, seed: int) -> dict[str, Any]:
    """Return what both perceptrons are made with besides their layers."""
    return {
        "alpha": recipe.penalty,
        "batch_size": _batch(n_windows),
        "learning_rate_init": LEARNING_RATE,
        "max_iter": _passes(recipe, n_windows, MOST_SEEN),
        "n_iter_no_change": recipe.epochs,
        "shuffle": not _noisy(recipe),
        "tol": 0.0,
        "random_state": seed,
    }


def _new_head(recipe: ClassifierRecipe, n_windows: int, seed: int) -> ClassifierMixin:
    """Return the recipe's classifier, not fitted yet."""
    if recipe.kind == "linear":
        return LogisticRegression(C=1.0 / max(recipe.penalty, 1e-9), max_iter=1000)
    if recipe.kind == "mlp":
        return MLPClassifier(recipe.hidden, **mlp_settings(recipe, n_windows, seed))
    if recipe.kind == "prototypes":
        p = 1 if recipe.distance == "absolute" else 2
        return KNeighborsClassifier(n_neighbors=1, p=p, algorithm="brute")
    if recipe.kind == "boosted_trees":
        return GradientBoostingClassifier(
            learning_rate=BOOSTING_RATE,
            n_estimators=recipe.trees,
            max_depth=recipe.depth,
            min_samples_leaf=recipe.least_in_leaf,
            subsample=BOOSTING_SHARE,
            max_features="sqrt",
            random_state=seed,
        )
    settings = {
        "max_depth": recipe.depth,
        "min_samples_leaf": recipe.least_in_leaf,
        "random_state": seed,
    }
    if recipe.kind == "tree":
        return DecisionTreeClassifier(**settings)
    return ExtraTreesClassifier(n_estimators=recipe.trees, **settings)


def fit_mlp(
    head: MLPClassifier | MLPRegressor | FilterNetwork,
    x: Float64,
    labels: NDArray[Any],
    groups: Int64,
    recipe: ClassifierRecipe,
    rng: np.random.Generator,
    classes: dict[str, NDArray[np.int64]],
) -> None:
    """Pass over the windows with other noise each time, and average the weights of the last third.

    Noise in the inputs is a penalty on the slope of the scores (C. Bishop, Neural Computation 7,
    1995). That of takes falls along the differences between windows of one group, one person's of
    one class or at one truth: there the scores are to be flat (tangent directions from the examples
    themselves; P. Simard et al., NIPS 4, 1992). The mean of the last weights does what a falling
    step does (B. Polyak and A. Juditsky, SIAM J. Control Optim. 30, 1992).
    """
    parameters: list[list[NDArray[np.float32]]] = []
    with_filters = isinstance(head, FilterNetwork)
    most_seen = (head.most_seen or MOST_SEEN_BY_FILTERS) if with_filters else MOST_SEEN
    n_passes = _passes(recipe, len(x), most_seen)
    single = x.astype(np.float32)  # half the time of double precision, and precision enough
    orders = rng.spawn(1)[0]  # of its own: the same with and without noise
    # Drawn once, and dealt anew with every shuffle: drawing takes as long as the rest of a pass.
    noise = np.float32(recipe.input_noise) * rng.standard_normal(x.shape, dtype=np.float32)
    descent = head if with_filters else Descent(head)
    for epoch in range(n_passes):
        # Shuffled here, whole: scikit-learn would pick the rows of each batch by themselves.
        order = orders.permutation(len(x))
        noisy = single[order]
        if recipe.take_noise:
            share = rng.standard_normal((len(x), 1), dtype=np.float32)
            another = single[_one_of_its_group(groups, rng)[order]]
            another -= noisy
            another *= np.float32(recipe.take_noise) * share
            noisy += another
        if recipe.input_noise:
            noisy += noise
        descent.partial_fit(noisy, labels[order], **classes)
        if recipe.averaged and epoch >= n_passes * 2 // 3:
            parameters.append([p.copy() for p in descent.parameters()])
    kept = parameters or [descent.parameters()]
    means = [
        np.asarray(np.mean(each, axis=0, dtype=np.float64)) for each in zip(*kept, strict=True)
    ]
    descent.settle(means, single + noise)


def _one_of_its_group(groups: Int64, rng: np.random.Generator) -> Int64:
    """Draw a member of each member's group, which may be itself; int64 (n_members,)."""
    sizes = np.bincount(groups)
    first = np.cumsum(sizes) - sizes
    order = np.argsort(groups, kind="stable")
    return np.asarray(order[first[groups] + rng.integers(sizes[groups])])


def _prototypes(
    x: Float64, labels: NDArray[np.int64], n_each: int, seed: int
) -> tuple[Float64, NDArray[np.int64]]:
    """Return the centres of each class's clusters (k-means), and the class of each.

    A class with fewer windows than it may keep keeps them all.
    """
    centres, owners = [], []
    for label in np.unique(labels):
        own = np.unique(x[labels == label], axis=0)
        if len(own) > n_each:
            own = KMeans(n_each, n_init=3, random_state=seed).fit(own).cluster_centers_
        centres.append(own)
        owners.append(np.full(len(own), label))
    return np.concatenate(centres), np.concatenate(owners)
