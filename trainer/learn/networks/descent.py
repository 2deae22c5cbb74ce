"""A perceptron's way down: gradients of batches, all weights as one row."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from sklearn.neural_network import MLPClassifier, MLPRegressor

from runtime.stages.contract.stage import Float64, Int64
from trainer.learn.networks.adam import Adam

__all__ = ["Descent"]

Float32 = NDArray[np.float32]


class Descent:
    """Passes over windows, as scikit-learn's ``partial_fit`` makes them, in half of its time.

    Gradients and steps are those of that solver (:mod:`trainer.learn.networks.adam`). It checks
    its windows anew in each pass, works out a loss that nobody reads, and takes its steps in double
    precision, none of which is done here. What the head was made with is kept to, but for
    ``shuffle``: windows come in the order in which they are given.

    Parameters
    ----------
    head : MLPClassifier or MLPRegressor
        Not fitted yet, or by ``partial_fit`` alone; of rectified units, and to be solved by Adam.
        Its first step is its own, which draws the first weights.
    """

    def __init__(self, head: MLPClassifier | MLPRegressor) -> None:
        self._head = head
        self._adam = Adam(head.learning_rate_init, head.beta_1, head.beta_2, head.epsilon)
        self._n_seen = 0
        self._shapes: list[tuple[int, ...]] = []
        self._weights = np.zeros(0, np.float32)

    def partial_fit(self, x: Float32, wanted: Int64 | Float64, **classes: Int64) -> None:
        """Pass once over windows.

        Parameters
        ----------
        x : float32 (n_windows, n_features)
        wanted : int64 or float64 (n_windows,)
            Class or value of each.
        classes : int64 (n_classes,)
            As ``classes``, all that there are, rising; without, values are wanted.
        """
        size = self._head.batch_size
        if not self._shapes:
            self._begin(self._head.partial_fit(x[:size], wanted[:size], **classes))
        outputs = _outputs(wanted, classes.get("classes"))
        for start in range(0, len(x), size):
            self._find_gradient(x[start : start + size], outputs[start : start + size])
            self._adam.step([self._weights], [self._gradient])
        self._n_seen += len(x)
        self._head.t_ = self._n_seen  # windows that it has seen, as it counts them itself

    def parameters(self) -> list[Float32]:
        """Return matrices of the layers, (n_in, n_out), then what is added behind each, (n_out,).

        They are views of what goes on changing.
        """
        return [*self._coefs, *self._intercepts]

    def settle(self, parameters: Sequence[NDArray[np.floating]], x: Float32) -> None:
        """Give the head these parameters; windows are not needed."""
        n_layers = len(self._coefs)
        own = list(parameters)
        self._head.coefs_, self._head.intercepts_ = own[:n_layers], own[n_layers:]

    def _begin(self, head: MLPClassifier | MLPRegressor) -> None:
        parts = [*head.coefs_, *head.intercepts_]
        self._shapes = [part.shape for part in parts]
        self._n_coefs = sum(part.size for part in head.coefs_)
        self._weights = np.concatenate([part.ravel() for part in parts]).astype(np.float32)
        self._gradient = np.zeros_like(self._weights)
        self._coefs, self._intercepts = self._layers(self._weights)
        self._of_coefs, self._of_intercepts = self._layers(self._gradient)

    def _layers(self, row: NDArray[Any]) -> tuple[list[NDArray[Any]], list[NDArray[Any]]]:
        """Return the parts of a row, not copied."""
        ends = np.cumsum([math.prod(shape) for shape in self._shapes])[:-1]
        whole = zip(np.split(row, ends), self._shapes, strict=True)
        parts = [part.reshape(shape) for part, shape in whole]
        return parts[: len(parts) // 2], parts[len(parts) // 2 :]

    def _find_gradient(self, x: Float32, outputs: Float32) -> None:
        values = [x]
        for coefs, intercepts in zip(self._coefs, self._intercepts, strict=True):
            if len(values) > 1:
                np.maximum(values[-1], 0.0, out=values[-1])
            values.append(values[-1] @ coefs)
            values[-1] += intercepts
        left = _ENDINGS[self._head.out_activation_](values.pop())
        left -= outputs
        for layer in reversed(range(len(self._coefs))):
            np.matmul(values[layer].T, left, out=self._of_coefs[layer])
            np.sum(left, axis=0, out=self._of_intercepts[layer])
            if layer:
                left = left @ self._coefs[layer].T
                left *= values[layer] > 0.0
        penalty = np.float32(self._head.alpha)
        self._gradient[: self._n_coefs] += penalty * self._weights[: self._n_coefs]
        self._gradient /= np.float32(len(x))


def _outputs(wanted: Int64 | Float64, classes: Int64 | None) -> Float32:
    """Return what the outputs are to be: one for each class, one for the last of two, a value."""
    if classes is None:
        return np.asarray(wanted[:, None], np.float32)
    which = wanted[:, None] == classes
    return np.asarray(which if len(classes) > 2 else which[:, 1:], np.float32)


def _softmax(scores: Float32) -> Float32:
    scores -= scores.max(axis=1, keepdims=True)
    np.exp(scores, out=scores)
    scores /= scores.sum(axis=1, keepdims=True)
    return scores


_ENDINGS: dict[str, Callable[[Float32], Float32]] = {
    "softmax": _softmax,
    "logistic": expit,
    "identity": np.array,
}
