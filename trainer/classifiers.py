"""Classifiers: fitted by scikit-learn, lowered to integer stages.

This is the only file that looks inside fitted scikit-learn objects. Everything after it sees
stages.
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct
from sklearn.base import BaseEstimator, TransformerMixin
from sklearn.exceptions import ConvergenceWarning
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import Pipeline, make_pipeline
from sklearn.preprocessing import StandardScaler

from runtime.errors import UsageError
from runtime.stages.contract import Float64, Int32, Int64
from runtime.stages.dense import Dense
from trainer.quantise import quantise_dense
from trainer.recipe import ClassifierRecipe, QuantisationRecipe

__all__ = ["SegmentContrasts", "fit_classifier", "lower_classifier"]

BATCH = 128


class SegmentContrasts(TransformerMixin, BaseEstimator):  # type: ignore[misc]  # untyped bases
    """How a window's segments differ from each other: their cosine transform without the mean.

    The mean over the window tells more of the person than of the gesture. Rows of the orthonormal
    discrete cosine transform (DCT-II; N. Ahmed et al., IEEE Trans. Computers C-23, 1974) order what
    is left from slow to fast. It is linear, so that it costs nothing on the device: lowering folds
    it into the first layer. A window of one segment is left as it is.

    Parameters
    ----------
    n_segments : int
        Segments of the window, oldest first.
    """

    def __init__(self, n_segments: int) -> None:
        self.n_segments = n_segments

    def fit(self, x: Float64, y: object = None) -> SegmentContrasts:
        """Set ``matrix_``, float64 (n_contrasts, n_features)."""
        n_values = x.shape[1] // self.n_segments
        rows = dct(np.eye(self.n_segments), axis=0, norm="ortho")[min(1, self.n_segments - 1) :]
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

    Raises
    ------
    UsageError
        A class has no window.
    """
    missing = sorted(set(range(n_classes)) - set(labels.tolist()))
    if missing:
        raise UsageError("training", "windows of class", missing[0], "windows of every class")
    if recipe.kind == "linear":
        head = LogisticRegression(C=1.0 / max(recipe.penalty, 1e-9), max_iter=1000)
    else:
        head = MLPClassifier(
            (recipe.hidden,),
            alpha=recipe.penalty,
            batch_size=min(BATCH, len(x)),
            learning_rate_init=3e-3,
            max_iter=recipe.epochs,
            n_iter_no_change=recipe.epochs,
            tol=0.0,
            random_state=seed,
        )
    contrasts = SegmentContrasts(n_segments)
    scaler = StandardScaler()
    scaled = scaler.fit_transform(contrasts.fit_transform(x.astype(np.float64)))
    if recipe.scaling == "together":
        common = np.full_like(scaler.scale_, np.sqrt(scaler.var_.mean()))
        scaled *= scaler.scale_ / common
        scaler.scale_ = common
    with warnings.catch_warnings():
        # The number of epochs is part of the recipe; stopping there is not a failure.
        warnings.simplefilter("ignore", ConvergenceWarning)
        head.fit(scaled, labels)
    return make_pipeline(contrasts, scaler, head)


def _real_layers(pipeline: Pipeline) -> list[tuple[Float64, Float64]]:
    """Return the fitted classifier as real layers, (weights, bias) from first to last.

    Contrasts and standardiser are folded into the first layer. All layers but the last are
    followed by a ReLU; the last gives one score per class. A logistic regression of two classes,
    which scikit-learn keeps as one row, gets a second row of opposite sign.
    """
    contrasts, scaler, head = pipeline
    if isinstance(head, MLPClassifier):
        layers = [(w.T, b) for w, b in zip(head.coefs_, head.intercepts_, strict=True)]
    else:
        layers = [(head.coef_, head.intercept_)]
    last_weights, last_bias = layers[-1]
    if len(last_bias) == 1:
        layers[-1] = (np.vstack([-last_weights, last_weights]), np.hstack([-last_bias, last_bias]))
    weights, bias = layers[0]
    folded = weights / scaler.scale_
    layers[0] = (folded @ contrasts.matrix_, bias - folded @ scaler.mean_)
    return layers


def lower_classifier(
    pipeline: Pipeline, x: Int32, low: Int64, high: Int64, quantisation: QuantisationRecipe
) -> tuple[tuple[Dense, ...], float]:
    """Lower a fitted classifier to integer layers; the last gives int32 scores.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        As :func:`fit_classifier` returns it.
    x : int32 (n_windows, n_features)
        Training windows, from which scales are chosen.
    low, high : int64 (n_features,)
        Proven range of each feature.

    Returns
    -------
    stages : tuple of Dense
    unit : float
        Real value of one step of a score.

    Raises
    ------
    OverflowRisk
        A layer could pass 32 bits.
    """
    layers = _real_layers(pipeline)
    stages = []
    unit = 1.0
    for index, (weights, bias) in enumerate(layers):
        last = index == len(layers) - 1
        stage, unit = quantise_dense(
            weights * unit,
            bias,
            x,
            low,
            high,
            weight_bits=quantisation.weight_bits,
            out_bits=32 if last else quantisation.hidden_bits,
            clip_quantile=quantisation.clip_quantile,
            relu=not last,
        )
        low, high = stage.bounds(low, high)
        x, _ = stage.run(x, {})
        stages.append(stage)
    return tuple(stages), unit
