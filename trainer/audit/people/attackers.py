"""Classifiers that attackers use, from scikit-learn, with values made ready for them.

Four kinds that fail differently: nearest centroids in the whitened space of a linear discriminant
analysis (few takes of each person), logistic regression (many), extra trees and a network of one
hidden layer (what is not linear, by few values or by many together). Of what people are like,
kernels tell besides, from all takes of a person at once.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_softmax
from sklearn.covariance import ledoit_wolf
from sklearn.decomposition import PCA
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression
from sklearn.metrics.pairwise import euclidean_distances, rbf_kernel
from sklearn.neural_network import MLPClassifier, MLPRegressor
from sklearn.preprocessing import StandardScaler

from runtime.stages.contract.stage import Float64, Int64

__all__ = [
    "ATTACKERS",
    "LEAF",
    "NETWORK",
    "N_TREES",
    "SEED",
    "Learned",
    "Ready",
    "centroids",
    "discriminant",
    "kernels_of_numbers",
    "logistic",
    "make_ready",
    "network_of_numbers",
    "spread_alike",
]

MAX_COMPONENTS = 64
"""Of the values' principal components: what differs between people is in the strong ones, and a
covariance of more would need more takes than a few dozen people give."""
N_TREES = 60
"""More change no gain by as much as its interval."""
LEAF = 3
SEED = 1
LEAST_CHANCE = 1e-3
"""What a classifier calls impossible: one that learned from a few hundred takes cannot know that,
and over several takes of a person a single one must not decide."""
LEAST_SPREAD = 1e-6
"""Of a direction along which one person's takes are alike, as a share of the largest variance."""

_HIDDEN = (256,)
_DECAY = 0.1
"""Of a network's weights: with 0.01, 0.1 and 1 it told 0.69, 0.69 and 0.42 of single takes of 200
people at the finger count's bins."""
_N_SHOWN = 110_000
"""Takes that a network is shown in all, each again and again: many cost no more than few."""
_MOST_TURNS = 60
_BATCH = 64
_KERNEL_WIDTHS = (0.1, 0.3, 1.0)
"""Of the usual squared distance, as factors of what stands before it: wide ones for few people."""
_KERNEL_PENALTIES = (0.03, 0.1, 0.3, 1.0, 3.0, 10.0)

Learned = Callable[[Float64], Float64]
Attacker = Callable[[Float64, Int64, int], Learned]
"""Learns from values float64 (n, n_values) and classes 0 to n_classes; returns log chances of each
class, float64 (m, n_classes), of other values."""


@dataclass(frozen=True, slots=True, eq=False)
class Ready:
    """A transformation of values, learned from some of them.

    Parameters
    ----------
    scale : StandardScaler
    components : PCA or None
        None where no value differs.
    varying : bool (n_values,)
    """

    scale: StandardScaler
    components: PCA | None
    varying: NDArray[np.bool_]

    def __call__(self, values: Float64) -> Float64:
        """Return float64 (n, n_components); a single column of zeros where nothing differs."""
        if self.components is None:
            return np.zeros((len(values), 1))
        scaled = self.scale.transform(values[:, self.varying])
        return np.asarray(self.components.transform(scaled), dtype=np.float64)


def make_ready(values: Float64) -> Ready:
    """Learn how to scale values and turn them to their principal components.

    Parameters
    ----------
    values : float64 (n, n_values)
    """
    varying = np.ptp(values, axis=0) > 0
    if len(values) < 2 or not varying.any():
        return Ready(StandardScaler(), None, varying)
    scale = StandardScaler().fit(values[:, varying])
    n_components = min(MAX_COMPONENTS, len(values) - 1, int(varying.sum()))
    turn = PCA(n_components, random_state=SEED).fit(scale.transform(values[:, varying]))
    return Ready(scale, turn, varying)


def discriminant(x: Float64, classes: Int64) -> Callable[[Float64], Float64] | None:
    """Learn the space in which classes lie apart and each is a ball of spread one.

    Returns
    -------
    callable or None
        Takes values to float64 (n, n_directions); None where nothing can be learned.
    """
    if len(np.unique(classes)) < 2 or len(classes) <= len(np.unique(classes)) or not np.ptp(x):
        return None
    try:
        space = LinearDiscriminantAnalysis(solver="eigen", shrinkage="auto").fit(x, classes)
    except np.linalg.LinAlgError:  # takes of each class that are alike to the last bit
        return None
    return lambda values: np.asarray(space.transform(values), dtype=np.float64)


def centroids(x: Float64, classes: Int64, n_classes: int) -> Learned:
    """Tell classes by the nearest centroid in the space of :func:`discriminant`."""
    turn = discriminant(x, classes) or (lambda values: values)
    own = turn(x)
    means = np.stack([own[classes == c].mean(axis=0) for c in range(n_classes)])

    def tell(values: Float64) -> Float64:
        apart = ((turn(values)[:, None, :] - means) ** 2).sum(axis=2)
        return np.asarray(log_softmax(-0.5 * apart, axis=1))

    return tell


def spread_alike(values: Float64, people: NDArray[np.str_]) -> Callable[[Float64], Float64]:
    """Learn the space in which takes of one person spread alike in all directions.

    Parameters
    ----------
    values : float64 (n, n_values)
    people : str array (n,)
        Whose they are; the same spread is taken for everybody, and shrunk as far as so few takes
        ask for (O. Ledoit and M. Wolf, J. Multivariate Analysis 88, 2004, from memory).

    Returns
    -------
    callable
        Takes values to float64 (n, n_varying), on average of spread 1; of nobody with two takes
        each value by its own spread.
    """
    _, whose = np.unique(people, return_inverse=True)
    scale = StandardScaler().fit(values)
    x = scale.transform(values)
    sums = np.zeros((int(whose.max(initial=-1)) + 1, x.shape[1]))
    np.add.at(sums, whose, x)
    inside = x - (sums / np.bincount(whose)[:, None])[whose]
    if not np.ptp(inside):
        return lambda given: np.asarray(scale.transform(given), np.float64)
    covariance, _ = ledoit_wolf(inside, assume_centered=True)
    spread, axes = np.linalg.eigh(covariance)
    turn = axes / np.sqrt(np.maximum(spread, spread[-1] * LEAST_SPREAD))
    size = float((x @ turn).std())
    return lambda given: np.asarray(scale.transform(given) @ turn / size, np.float64)


def logistic(x: Float64, classes: Int64, n_classes: int) -> Learned:
    """Tell classes by logistic regression."""
    learner = LogisticRegression(C=1.0, max_iter=300, class_weight="balanced")
    with warnings.catch_warnings():
        # It need not be at its best; and of one device each, people are many classes.
        warnings.simplefilter("ignore", UserWarning)
        learner.fit(x, classes)
    return lambda values: np.log(np.maximum(learner.predict_proba(values), LEAST_CHANCE))


def _trees(x: Float64, classes: Int64, n_classes: int) -> Learned:
    learner = ExtraTreesClassifier(
        N_TREES, min_samples_leaf=LEAF, class_weight="balanced", random_state=SEED, n_jobs=1
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # as many classes as takes
        learner.fit(x, classes)
    return lambda values: np.log(np.maximum(learner.predict_proba(values), LEAST_CHANCE))


def _evened(x: Float64) -> Callable[[Float64], NDArray[np.float32]]:
    """Learn how to weigh directions by the root of their spread, 1 on average.

    Weak ones count for more than they would so, but for less than strong ones.
    """
    weights = np.maximum(x.std(axis=0), 1e-9) ** -0.5
    size = float((x * weights).std()) or 1.0
    return lambda values: np.asarray(values * (weights / size), dtype=np.float32)


def _how(n: int) -> dict[str, Any]:
    """Return how a network is fitted to so many takes."""
    return {
        "hidden_layer_sizes": _HIDDEN, "alpha": _DECAY, "batch_size": min(_BATCH, n),
        "max_iter": max(1, min(_MOST_TURNS, _N_SHOWN // n)), "random_state": SEED,
    }  # fmt: skip


def _network(x: Float64, classes: Int64, n_classes: int) -> Learned:
    evened = _evened(x)
    learner = MLPClassifier(**_how(len(x)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # so many turns and no more
        learner.fit(evened(x), classes)
    usual = np.log(np.bincount(classes, minlength=n_classes) / len(classes))

    def tell(values: Float64) -> Float64:
        chances = np.maximum(learner.predict_proba(evened(values)), LEAST_CHANCE)
        return np.asarray(log_softmax(np.log(chances) - usual, axis=1))  # as if all were as usual

    return tell


def network_of_numbers(x: Float64, numbers: Float64) -> Learned:
    """Learn to tell a number, float64 (n,), from values made ready, by a network."""
    evened, mean, spread = _evened(x), float(numbers.mean()), float(numbers.std()) or 1.0
    learner = MLPRegressor(**_how(len(x)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)
        learner.fit(evened(x), (numbers - mean) / spread)
    return lambda values: np.asarray(learner.predict(evened(values)) * spread + mean, np.float64)


NETWORK = "a network of one hidden layer"


def kernels_of_numbers(x: Float64, numbers: Float64) -> Learned:
    """Learn to tell numbers, float64 (n, n_numbers), by kernel ridge regression.

    Width and penalty are those with the least error when each row is left out in turn, which no
    refitting is needed for (D. M. Allen, Technometrics 16, 1974, from memory).
    """
    evened, mean = _evened(x), numbers.mean(axis=0)
    own, aim = evened(x).astype(np.float64), numbers - mean
    between = max(float(np.median(euclidean_distances(own, squared=True))), 1e-12)
    least, gamma, weights = np.inf, 1.0, aim
    for width in _KERNEL_WIDTHS:
        spread, axes = np.linalg.eigh(rbf_kernel(own, gamma=width / between))
        spread, along = np.maximum(spread, 0.0), axes.T @ aim
        for penalty in _KERNEL_PENALTIES:
            kept = spread / (spread + penalty)
            left = aim - axes @ (kept[:, None] * along)
            error = float(np.mean((left / (1.0 - axes**2 @ kept)[:, None]) ** 2))
            if error < least:
                least, gamma = error, width / between
                weights = axes @ (along / (spread + penalty)[:, None])

    def tell(values: Float64) -> Float64:
        near = rbf_kernel(evened(values).astype(np.float64), own, gamma=gamma)
        return np.asarray(near @ weights + mean)

    return tell


ATTACKERS: dict[str, Attacker] = {
    "nearest centroid in discriminant space": centroids,
    "logistic regression": logistic,
    "extra trees": _trees,
    NETWORK: _network,
}
"""By their names on the page."""
