"""A network whose first layers are filters: their weights are shared over places of a grid.

Fitted as scikit-learn's multilayer perceptron is, of which it has the names that are used here:
one pass at a time, in batches, by Adam, for the cross-entropy and a penalty on squared weights.
Shared weights are those of K. Fukushima, Biol. Cybernetics 36, 1980, and Y. LeCun et al., Neural
Computation 1, 1989; steps in the place of sums over neighbours leave only layers that the device
has.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax
from sklearn.base import BaseEstimator, ClassifierMixin

from runtime.stages.bins import Bins
from runtime.stages.contract.stage import EntryStage, Float64
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.passive.ambient import Ambient
from trainer.learn.networks.adam import Adam

__all__ = ["MOST_SEEN_BY_FILTERS", "FilterLayer", "FilterNetwork", "filter_layers"]

Float32 = NDArray[np.float32]

GEOMETRY = ((5, 1), (4, 2), (3, 1))
"""Size of a filter, and the step from one place to the next, of the first layer to the third. The
first sees every place: with steps of two from the beginning a hand that moves by one bin is
another one, and nothing is gained over layers without filters (12 kinds of silhouettes)."""
MOST_SEEN_BY_FILTERS = 576_000
"""Windows that a fit sees at most, each as often as there are passes: 14,400 of them 40 times. Of
12 kinds of silhouettes 2.7, 4.6 and 5.5 points more than without filters are right after 20, 30 and
40 times, of other invented people 5.6, 7.4 and 7.6 (penalty 0.02)."""
_AT_ONCE = 96
"""Windows whose patches stay in a core's own memory while slopes are added up: whole batches of 288
took 97 us a window, parts of 96 and of 16 windows 59 and 70."""


class FilterLayer(NamedTuple):
    """One layer of filters, at every place of a grid."""

    grid: PatchGrid
    n_filters: int


def filter_layers(entry: EntryStage | None, filters: tuple[int, ...]) -> tuple[FilterLayer, ...]:
    """Return the layers that fit the bins of an entry stage: the first of them, where it has few.

    Parameters
    ----------
    entry : EntryStage or None
        One without bins has no grid.
    filters : tuple of int
        Filters of each layer, at most as many layers as :data:`GEOMETRY` has.
    """
    if not isinstance(entry, Bins | Ambient):
        return ()
    (n_rows, n_cols), n_channels = (entry.bin_rows, entry.bin_cols), 1
    layers: list[FilterLayer] = []
    for n_filters, (size, step) in zip(filters, GEOMETRY, strict=False):
        if min(n_rows, n_cols) < size:
            break
        grid = PatchGrid(n_rows, n_cols, n_channels, size, step)
        layers.append(FilterLayer(grid, n_filters))
        (n_rows, n_cols), n_channels = grid.places, n_filters
    return tuple(layers)


class FilterNetwork(ClassifierMixin, BaseEstimator):  # type: ignore[misc]  # untyped bases
    """Filters over the first values of a window, then layers as of a multilayer perceptron.

    Parameters
    ----------
    layers : tuple of FilterLayer
    hidden : tuple of int
        Units of the layers behind them.
    alpha, learning_rate_init : float
    batch_size, random_state : int
        As of scikit-learn's ``MLPClassifier``.

    Attributes
    ----------
    coefs_, intercepts_ : list of float32 arrays
        (n_patch, n_filters) of filters, (n_in, n_out) of other layers; and their biases.
    classes_ : int64 (n_classes,)
    """

    most_seen: ClassVar[int | None] = None
    """In the place of :data:`MOST_SEEN_BY_FILTERS`."""

    def __init__(
        self,
        layers: tuple[FilterLayer, ...],
        hidden: tuple[int, ...],
        alpha: float = 1e-3,
        learning_rate_init: float = 1e-3,
        batch_size: int = 256,
        random_state: int = 0,
    ) -> None:
        self.layers = layers
        self.hidden = hidden
        self.alpha = alpha
        self.learning_rate_init = learning_rate_init
        self.batch_size = batch_size
        self.random_state = random_state

    def fit(self, x: Float32, labels: NDArray[np.int64]) -> FilterNetwork:
        """Begin anew, and pass once over windows: see :meth:`partial_fit`."""
        self.__dict__.pop("coefs_", None)
        return self.partial_fit(x, labels, np.unique(labels))

    def partial_fit(
        self, x: Float32, labels: NDArray[np.int64], classes: NDArray[np.int64]
    ) -> FilterNetwork:
        """Pass once over windows in their order, float32 (n_windows, n_features)."""
        if not hasattr(self, "coefs_"):
            self._begin(classes)
        targets = np.searchsorted(self.classes_, labels)
        for first in range(0, len(x), self.batch_size):
            rows = slice(first, first + self.batch_size)
            self._adam.step(self._parameters(), self._slopes(x[rows], targets[rows]))
        return self

    def predict_proba(self, x: Float64) -> Float64:
        """Return the probability of each class, float64 (n_windows, n_classes)."""
        parts = [np.zeros((0, len(self.classes_)))]
        for first in range(0, len(x), self.batch_size):
            some = np.asarray(x[first : first + self.batch_size], dtype=np.float32)
            parts.append(softmax(self._forward(some)[1][-1].astype(np.float64), axis=1))
        return np.concatenate(parts)

    def predict(self, x: Float64) -> NDArray[np.int64]:
        """Return the likeliest class of each window, int64 (n_windows,)."""
        return np.asarray(self.classes_[self.predict_proba(x).argmax(axis=1)])

    def _begin(self, classes: NDArray[np.int64]) -> None:
        """Draw the first weights: uniform within one over the root of what a unit sees.

        With that bound, a unit's sum has a third of the inputs' mean square (Y. LeCun et al.,
        Efficient BackProp, 1998, section 4.6, asks for about as much).
        """
        rng = np.random.default_rng(self.random_state)
        self.classes_ = np.asarray(classes)
        last = self.layers[-1]
        n_seen = last.grid.n_places * last.n_filters
        widths = (n_seen, *self.hidden, self._n_scores)
        shapes = [(one.grid.n_patch, one.n_filters) for one in self.layers] + list(pairwise(widths))
        self.coefs_, self.intercepts_ = (
            [
                rng.uniform(-1, 1, shape if whole else shape[1:]).astype(np.float32)
                / np.float32(math.sqrt(shape[0]))
                for shape in shapes
            ]
            for whole in (True, False)
        )
        self._adam = Adam(self.learning_rate_init)

    @property
    def _n_scores(self) -> int:
        return len(self.classes_)

    def _parameters(self) -> list[Float32]:
        return [*self.coefs_, *self.intercepts_]

    def _forward(self, x: Float32) -> tuple[list[Float32], list[Float32]]:
        """Return what each layer is given and what it gives, as matrices; last the scores."""
        y = x[:, : self.layers[0].grid.n_values]
        seen, given = [], []
        for number, (weights, bias) in enumerate(zip(self.coefs_, self.intercepts_, strict=True)):
            with_filters = number < len(self.layers)
            seen.append(
                _patches(y, self.layers[number].grid) if with_filters else y.reshape(len(x), -1)
            )
            y = seen[-1] @ weights
            y += bias
            if number < len(self.coefs_) - 1:
                np.maximum(y, 0.0, out=y)
            given.append(y)
        return seen, given

    def _slopes(self, x: Float32, targets: NDArray[np.int64]) -> list[Float32]:
        """Return the slope of a batch's mean loss, and of the penalty, along each parameter."""
        parts = [
            self._summed_slopes(x[first : first + _AT_ONCE], targets[first : first + _AT_ONCE])
            for first in range(0, len(x), _AT_ONCE)
        ]
        share = np.float32(1.0 / len(x))
        slopes = [share * sum(each) for each in zip(*parts, strict=True)]
        for slope, weights in zip(slopes, self.coefs_, strict=False):
            slope += share * np.float32(self.alpha) * weights
        return slopes

    def _summed_slopes(self, x: Float32, targets: NDArray[np.int64]) -> list[Float32]:
        """Return the slope of the sum of some windows' losses along each parameter."""
        seen, given = self._forward(x)
        slope = self._slope_of_scores(given[-1], targets)
        of_weights: list[Float32] = []
        of_biases: list[Float32] = []
        for number in reversed(range(len(seen))):
            weights = self.coefs_[number]
            of_weights.insert(0, seen[number].T @ slope)
            of_biases.insert(0, np.ones(len(slope), np.float32) @ slope)
            if number == 0:
                break
            if number < len(self.layers):
                slope = _to_values(slope, weights, self.layers[number].grid)
            else:
                slope = slope @ weights.T
            before = given[number - 1]
            slope = slope.reshape(before.shape)
            slope *= before > 0.0
        return [*of_weights, *of_biases]

    def _slope_of_scores(self, scores: Float32, targets: NDArray[np.int64]) -> Float32:
        """Return the slope of each window's loss along its scores, (n_windows, n_scores)."""
        slope = np.asarray(softmax(scores, axis=1), np.float32)
        slope[np.arange(len(scores)), targets] -= 1.0
        return slope


def _patches(given: Float32, grid: PatchGrid) -> Float32:
    """Return every patch as a row, (n_windows * n_places, n_patch), of a layer's inputs."""
    return grid.patches_of(given).reshape(-1, grid.n_patch)


def _to_values(slope: Float32, weights: Float32, grid: PatchGrid) -> Float32:
    """Return the slope along a layer's inputs, (n_windows, n_rows, n_cols * n_channels).

    A line of a patch stands together in the grid, so that all windows' lines are added at once.
    """
    (down, across), size, step = grid.places, grid.size, grid.step
    n_windows, n_line = len(slope) // grid.n_places, size * grid.n_channels
    each = (slope @ weights.T).reshape(n_windows, down, across, size, n_line)
    whole = np.zeros((n_windows, grid.n_rows, grid.n_cols * grid.n_channels), slope.dtype)
    for place in range(across):
        first = place * step * grid.n_channels
        for row in range(size):
            rows = slice(row, row + step * (down - 1) + 1, step)
            whole[:, rows, first : first + n_line] += each[:, :, place, row]
    return whole
