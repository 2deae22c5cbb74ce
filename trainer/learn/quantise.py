"""Real weights to integer weights: scales from training data, outliers clipped.

One number is the trap here: a scale that represents the largest weight exactly wastes most of the
integer range on it. The scale is therefore searched for the least error of the layer's own outputs
on training data, and output scales leave a chosen share of training values to saturation.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import choose_multiplier, symmetric_limit
from runtime.stages.contract.stage import Float64, Int32, Int64
from runtime.stages.dense import Dense

__all__ = ["LayerInputs", "RealLayer", "quantise_dense", "shift_to_fit"]

CLIP_SHARES = (1.0, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4)
"""Of the largest weight, at which the scale may end: what is best is searched among them. Steps of
a tenth are finer than it matters, as the error about its least is flat; below 0.4 the saturated
weights of a bell curve are already worse than any rounding to 4 bits."""
MAX_CALIBRATION_ROWS = 4096
"""Windows that a scale is chosen on: a quantile of 0.999 rests on the four largest of them."""
MAX_ACCUMULATOR = 2.0**30
"""A weight step is never so small that inputs at their worst could come near 32 bits."""


class RealLayer(NamedTuple):
    """A layer before it is rounded.

    Parameters
    ----------
    weights : float64 (n_out, n_in)
        Real weights for integer inputs.
    bias : float64 (n_out,)
        Real bias.
    relu : bool
        Whether negative outputs become zero.
    """

    weights: Float64
    bias: Float64
    relu: bool = False


class LayerInputs(NamedTuple):
    """What a layer is given: training inputs, and the range that each input is proven to keep.

    Parameters
    ----------
    x : int32 (n_samples, n_in)
    low, high : int64 (n_in,)
    """

    x: Int32
    low: Int64
    high: Int64


def quantise_dense(
    layer: RealLayer,
    inputs: LayerInputs,
    *,
    weight_bits: int,
    out_bits: int,
    clip_quantile: float,
    power_of_two: bool = False,
    n_summed: int = 1,
) -> tuple[Dense, float]:
    """Round a real layer to a :class:`~runtime.stages.dense.Dense` stage.

    Parameters
    ----------
    layer : RealLayer
    inputs : LayerInputs
        Training inputs, evenly thinned to 4096 rows, and the range that is proven for them.
    weight_bits : int
        2 to 8, or 16; 2 leaves -1, 0 and 1.
    out_bits : int
        8, 16, or 32 for unscaled accumulators (scores).
    clip_quantile : float
        Share of training outputs that must not saturate.
    power_of_two : bool
        Whether a step of the weights, and so of unscaled accumulators, is to be one.
    n_summed : int
        Of so many frames unscaled accumulators are added up afterwards.

    Returns
    -------
    stage : Dense
    unit : float
        Real value of one step of the stage's output.
    """
    weights, bias, relu = layer
    x, low, high = inputs
    sample = x[:: -(-len(x) // MAX_CALIBRATION_ROWS)].astype(np.float64)
    extreme = np.maximum(np.abs(low), np.abs(high)).astype(np.float64)
    # A sum over frames is renewed by adding one value and taking another away.
    limit_of_one = MAX_ACCUMULATOR / (2 * n_summed if n_summed > 1 else 1)
    smallest = float((np.abs(weights) @ extreme).max()) / limit_of_one
    unit_w = max(smallest, _weight_unit(weights, sample, symmetric_limit(weight_bits)))
    if power_of_two:
        unit_w = 2.0 ** math.ceil(math.log2(unit_w))
    limit = symmetric_limit(weight_bits)
    rounded = np.clip(np.floor(weights / unit_w + 0.5), -limit, limit)
    integer: NDArray[np.signedinteger] = rounded.astype(np.int8 if weight_bits <= 8 else np.int16)
    real_bias = bias / unit_w
    # Rounded weights on inputs that are never negative add up to an offset; the bias takes it back.
    missing = (weights / unit_w - rounded) @ sample.mean(axis=0)
    integer_bias = np.floor(real_bias + missing + 0.5).astype(np.int32)
    multiplier, shift = 1, 0
    if out_bits != 32:
        y = sample @ weights.T + bias
        largest = float(np.quantile(np.maximum(y, 0.0) if relu else np.abs(y), clip_quantile))
        unit_y = max(largest, unit_w) / symmetric_limit(out_bits)
        worst = np.abs(integer.astype(np.int64)) @ np.maximum(np.abs(low), np.abs(high))
        bound = int((worst + np.abs(integer_bias.astype(np.int64))).max())
        multiplier, shift = choose_multiplier(unit_w / unit_y, bound, "dense")
    stage = Dense(
        weights=integer,
        bias=integer_bias,
        multiplier=multiplier,
        shift=shift,
        relu=relu,
        out_bits=out_bits,
        real_weights=weights / unit_w,
        real_bias=real_bias,
    )
    return stage, unit_w * 2**shift / multiplier


def shift_to_fit(largest: float, n_bits: int) -> int:
    """Return the least shift that brings a magnitude within a symmetric number of `n_bits` bits."""
    return max(0, math.ceil(math.log2(max(1.0, largest / symmetric_limit(n_bits)))))


def _weight_unit(weights: Float64, sample: Float64, limit: int) -> float:
    """Return the real value of one integer weight step that costs the outputs the least error."""
    largest = float(np.abs(weights).max())
    if largest == 0.0:
        return 1.0
    units = [share * largest / limit for share in CLIP_SHARES]
    gram = sample.T @ sample

    def error(unit: float) -> float:
        missing = weights - unit * np.clip(np.floor(weights / unit + 0.5), -limit, limit)
        return float(np.sum((missing @ gram) * missing))

    return min(units, key=error)
