"""A network whose first layers are filters: their weights are shared over places of a grid.

Fitted as scikit-learn's multilayer perceptron is, of which it has the names that are used here:
one pass at a time, in batches, by Adam, for the cross-entropy and a penalty on squared weights.
While it is fitted, units have mean 0 and variance 1 (S. Ioffe and C. Szegedy, Batch Normalization,
ICML 2015), which is folded into the layers at the end, so that a device knows nothing of it.
Shared weights are those of K. Fukushima, Biol. Cybernetics 36, 1980, and Y. LeCun et al., Neural
Computation 1, 1989; steps in the place of sums over neighbours leave only layers that the device
has.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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
12 kinds of silhouettes 0.781 are right after 20 times and 0.793 after 40, of other invented people
0.751 and 0.778; units that are not brought to mean 0 and variance 1 need twice as many passes."""
_AT_ONCE = 96
"""Windows whose patches stay in a core's own memory while slopes are added up: whole batches of 288
took 97 us a window, parts of 96 and of 16 windows 59 and 70. They are what a unit's mean and spread
are taken over as well."""
_SETTLED_AT_ONCE = 960
"""Windows at once where no slopes are wanted: means of their means and variances are folded in."""
_LEAST_VARIANCE = 1e-5
"""Of a unit, which is divided by its spread: what never varies stays finite. Common practice."""


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


class _Passed(NamedTuple):
    """A layer's inputs, its units' means and variances, units of mean 0 and variance 1, outputs.

    Inputs and outputs are matrices with a row for each place of each window.
    """

    seen: Float32
    mean: Float32
    variance: Float32
    unit: Float32
    given: Float32


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
        (n_patch, n_filters) of filters, (n_in, n_out) of other layers; and their biases. Once
        settled: while it is fitted, every unit but the last layer's is brought to mean 0 and
        variance 1 over the windows at hand, then scaled and shifted by numbers that are learned.
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
        """Begin anew, pass once over windows, and settle: see :meth:`partial_fit`."""
        self.__dict__.pop("_adam", None)
        self.partial_fit(x, labels, np.unique(labels))
        return self.settle(self.parameters(), x)

    def partial_fit(
        self, x: Float32, labels: NDArray[np.int64], classes: NDArray[np.int64]
    ) -> FilterNetwork:
        """Pass once over windows in their order, float32 (n_windows, n_features)."""
        if not hasattr(self, "_adam"):
            self._begin(classes)
        targets = np.searchsorted(self.classes_, labels)
        for rows in _parts(len(x), self.batch_size):
            self._adam.step(self.parameters(), self._slopes(x[rows], targets[rows]))
        return self

    def parameters(self) -> list[Float32]:
        """Return what steps change: weights and shifts of layers, scales of all but the last."""
        return [*self._weights, *self._shifts, *self._scales]

    def settle(self, parameters: Sequence[NDArray[np.floating]], x: Float32) -> FilterNetwork:
        """Take parameters over, and fold units' means and spreads over windows into the layers.

        Parameters
        ----------
        parameters : sequence of arrays
            As :meth:`parameters` gives them, or a mean of several.
        x : float32 (n_windows, n_features)
            As many as make means that hold.
        """
        n = len(self.layers) + len(self.hidden) + 1
        own = [np.asarray(each, np.float32) for each in parameters]
        self._weights, self._shifts, self._scales = own[:n], own[n : 2 * n], own[2 * n :]
        # In any order, as while it is fitted: windows of one person differ less than all do.
        order = np.random.default_rng(self.random_state).permutation(len(x))
        parts = [
            [np.stack([one.mean, one.variance]) for one in self._pass(x[order[rows]])[:-1]]
            for rows in _parts(len(x), _SETTLED_AT_ONCE)
        ]
        self.coefs_, self.intercepts_ = list(self._weights), list(self._shifts)
        for number, moments in enumerate(zip(*parts, strict=True)):
            mean, variance = np.stack(moments).mean(axis=0, dtype=np.float64)
            times = self._scales[number] / np.sqrt(variance + _LEAST_VARIANCE)
            self.coefs_[number] = np.asarray(self.coefs_[number] * times, np.float32)
            self.intercepts_[number] = np.asarray(self._shifts[number] - mean * times, np.float32)
        return self

    def predict_proba(self, x: Float64) -> Float64:
        """Return the probability of each class, float64 (n_windows, n_classes)."""
        parts = [np.zeros((0, len(self.classes_)))]
        for first in range(0, len(x), self.batch_size):
            some = np.asarray(x[first : first + self.batch_size], dtype=np.float32)
            parts.append(softmax(self.scores(some).astype(np.float64), axis=1))
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
        self._weights, self._shifts = (
            [
                rng.uniform(-1, 1, shape if whole else shape[1:]).astype(np.float32)
                / np.float32(math.sqrt(shape[0]))
                for shape in shapes
            ]
            for whole in (True, False)
        )
        self._scales = [np.ones(shape[1], np.float32) for shape in shapes[:-1]]
        self._adam = Adam(self.learning_rate_init)

    @property
    def _n_scores(self) -> int:
        return len(self.classes_)

    def scores(self, x: Float32) -> Float32:
        """Return each class's score before the softmax, (n_windows, n_classes), once settled."""
        y = x[:, : self.layers[0].grid.n_values]
        for number, (weights, bias) in enumerate(zip(self.coefs_, self.intercepts_, strict=True)):
            y = self._seen(y, number, len(x)) @ weights
            y += bias
            if number < len(self.coefs_) - 1:
                np.maximum(y, 0.0, out=y)
        return y

    def _seen(self, y: Float32, number: int, n_windows: int) -> Float32:
        """Return what a layer is given as a matrix: patches of a filter, or windows."""
        if number < len(self.layers):
            return _patches(y, self.layers[number].grid)
        return y.reshape(n_windows, -1)

    def _pass(self, x: Float32) -> list[_Passed]:
        """Return what each layer was given and what became of it, last the scores."""
        y = x[:, : self.layers[0].grid.n_values]
        passed = []
        for number, weights in enumerate(self._weights):
            seen = self._seen(y, number, len(x))
            unit = seen @ weights
            mean = variance = np.zeros(unit.shape[1], unit.dtype)
            if number == len(self._scales):
                y = unit + self._shifts[number]
            else:
                mean = unit.mean(axis=0)
                unit -= mean
                variance = np.einsum("ij,ij->j", unit, unit) / len(unit)
                unit /= np.sqrt(variance + _LEAST_VARIANCE)
                y = unit * self._scales[number]
                y += self._shifts[number]
                np.maximum(y, 0.0, out=y)
            passed.append(_Passed(seen, mean, variance, unit, y))
        return passed

    def _slopes(self, x: Float32, targets: NDArray[np.int64]) -> list[Float32]:
        """Return the slope of a batch's mean loss, and of the penalty, along each parameter."""
        parts = [self._summed_slopes(x[rows], targets[rows]) for rows in _parts(len(x), _AT_ONCE)]
        share = np.float32(1.0 / len(x))
        slopes = [share * sum(each) for each in zip(*parts, strict=True)]
        for slope, weights in zip(slopes, self._weights, strict=False):
            slope += share * np.float32(self.alpha) * weights
        return slopes

    def _summed_slopes(self, x: Float32, targets: NDArray[np.int64]) -> list[Float32]:
        """Return the slope of the sum of some windows' losses along each parameter.

        Through a unit that was brought to mean 0 and variance 1 it is that of S. Ioffe and C.
        Szegedy, Batch Normalization, ICML 2015, section 3.
        """
        passed = self._pass(x)
        slope = self._slope_of_scores(passed[-1].given, targets)
        of_weights: list[Float32] = []
        of_shifts: list[Float32] = []
        of_scales: list[Float32] = []
        for number in reversed(range(len(passed))):
            one = passed[number]
            if number < len(self._scales):
                slope = slope.reshape(one.given.shape)
                slope *= one.given > 0.0
                of_scales.insert(0, np.einsum("ij,ij->j", slope, one.unit))
            of_shifts.insert(0, np.ones(len(slope), np.float32) @ slope)
            if number < len(self._scales):
                share = slope.dtype.type(1.0 / len(slope))
                slope -= share * of_shifts[0]
                slope -= one.unit * (share * of_scales[0])
                slope *= self._scales[number] / np.sqrt(one.variance + _LEAST_VARIANCE)
            of_weights.insert(0, one.seen.T @ slope)
            if number == 0:
                break
            if number < len(self.layers):
                slope = _to_values(slope, self._weights[number], self.layers[number].grid)
            else:
                slope = slope @ self._weights[number].T
        return [*of_weights, *of_shifts, *of_scales]

    def _slope_of_scores(self, scores: Float32, targets: NDArray[np.int64]) -> Float32:
        """Return the slope of each window's loss along its scores, (n_windows, n_scores)."""
        slope = np.asarray(softmax(scores, axis=1), scores.dtype)
        slope[np.arange(len(scores)), targets] -= 1.0
        return slope


def _parts(n_windows: int, most: int) -> list[slice]:
    """Return as few parts as have at most so many windows each, all about as large."""
    ends = np.linspace(0, n_windows, -(-n_windows // most) + 1).astype(int)
    return [slice(first, last) for first, last in pairwise(ends.tolist())]


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
