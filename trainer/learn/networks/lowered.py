"""Filters of a fitted network as integer stages: one rounding for all places of a layer."""

from __future__ import annotations

import numpy as np
from sklearn.pipeline import Pipeline

from runtime.stages.contract.stage import Float64, Int32, Int64
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid
from trainer.learn.quantise import (
    MAX_CALIBRATION_ROWS,
    LayerInputs,
    RealLayer,
    quantise_dense,
)
from trainer.recipe import QuantisationRecipe

__all__ = ["lower_filters"]


def lower_filters(
    pipeline: Pipeline, x: Int32, low: Int64, high: Int64, quantisation: QuantisationRecipe
) -> tuple[tuple[Filters, ...], list[tuple[Float64, Float64]], float, tuple[Int64, Int64]]:
    """Lower a fitted network's filters, its scaling folded into the first of them.

    Parameters
    ----------
    pipeline : sklearn Pipeline
        As :func:`trainer.learn.filtered.fit_filters` returns it: scaled alike everywhere.
    x : int32 (n_windows, n_features)
        Training windows, from which scales are chosen.
    low, high : int64 (n_features,)
        Proven range of each feature.
    quantisation : QuantisationRecipe

    Returns
    -------
    stages : tuple of Filters
    layers : list of (float64 (n_out, n_in), float64 (n_out,))
        The layers behind them, real weights and biases.
    unit : float
        Real value of one step of the last stage's output.
    bounds : int64 (n_values,), twice
        Proven range of each of its outputs.

    Raises
    ------
    OverflowRisk
        A stage could pass 32 bits.
    """
    _, scaler, head = pipeline
    layers = [
        (weights.T.astype(np.float64), bias.astype(np.float64))
        for weights, bias in zip(head.coefs_, head.intercepts_, strict=True)
    ]
    # One mean and one scale serve every value of the grid, so that they serve every place.
    weights, bias = layers[0]
    scale = float(scaler.scale_[0])
    layers[0] = weights / scale, bias - weights.sum(axis=1) * float(scaler.mean_[0]) / scale
    x, unit = x[:: -(-len(x) // MAX_CALIBRATION_ROWS)], 1.0
    stages = []
    for layer, (weights, bias) in zip(head.layers, layers, strict=False):
        inputs = _of_patches(layer.grid, x, low, high)
        dense, unit = quantise_dense(
            RealLayer(weights * unit, bias, relu=True), inputs,
            weight_bits=quantisation.weight_bits, out_bits=quantisation.hidden_bits,
            clip_quantile=quantisation.clip_quantile,
        )  # fmt: skip
        stages.append(Filters.of(dense, x.shape[1], layer.grid))
        low, high = stages[-1].bounds(low, high)
        x, _ = stages[-1].run(x, {})
    return tuple(stages), layers[len(stages) :], unit, (low, high)


def _of_patches(grid: PatchGrid, x: Int32, low: Int64, high: Int64) -> LayerInputs:
    """Return one patch of each window, from all places in turn, and the widest range of any."""
    places = grid.patches
    in_turn = places[np.arange(len(x)) % len(places)]
    return LayerInputs(
        np.take_along_axis(x, in_turn, axis=1), low[places].min(axis=0), high[places].max(axis=0)
    )
