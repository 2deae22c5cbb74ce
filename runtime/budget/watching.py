"""The watching state's own little model: few rows, weak light, and whether anything moves.

It is an ordinary `Model` of ordinary stages, so that it is generated, executed and priced exactly
like the model that it wakes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.decision import Decision
from runtime.stages.dense import Dense
from runtime.stages.motion import Motion

__all__ = ["CLASSES", "watching_model", "watching_threshold"]

CLASSES = ("still", "moving")
_BINS_ACROSS = 8
_AMBIENT_FILL = 0.1
_SIGMAS = 6.0


def _noise_threshold(sensor: Sensor, n_bins: int, pixels_per_bin: int) -> int:
    """Sum of absolute bin changes, in counts, that noise alone stays below.

    Photon noise of ambient light that fills a tenth of the pixel, read noise and rounding, through
    the lit-minus-dark difference and the difference of two frames; mean plus six deviations of the
    sum of half-normal magnitudes.
    """
    electrons = _AMBIENT_FILL * sensor.full_well_e + sensor.read_noise_e**2
    pixel = electrons * sensor.conversion_gain_dn_per_e**2 + 1.0 / 12.0
    bin_change = math.sqrt(4.0 * pixels_per_bin * pixel)
    mean = n_bins * bin_change * math.sqrt(2.0 / math.pi)
    spread = math.sqrt(n_bins * (1.0 - 2.0 / math.pi)) * bin_change
    return math.ceil(mean + _SIGMAS * spread)


def watching_model(sensor: Sensor, n_rows: int = 8) -> Model:
    """Return the model that watches the middle rows of a sensor for movement.

    Parameters
    ----------
    sensor : Sensor
        The sensor that the woken model reads.
    n_rows : int
        Rows read while watching, cut to the sensor's.

    Returns
    -------
    Model
        Task ``watching``, classes ``still`` and ``moving``; decision 1 means wake.
    """
    n_rows = min(n_rows, sensor.n_rows)
    first = (sensor.n_rows - n_rows) // 2
    across = math.gcd(_BINS_ACROSS, sensor.n_cols)
    threshold = _noise_threshold(sensor, across, n_rows * sensor.n_cols // across)
    weights: NDArray[np.int8] = np.zeros((2, across + 1), dtype=np.int8)
    weights[1, across] = 1
    bias = np.zeros(2, dtype=np.int32)
    stages = (
        Bins(sensor.n_rows, sensor.n_cols, 1, across, first_row=first, last_row=first + n_rows),
        Motion(across, 0, 32),
        Dense(
            weights, bias, 1, 0, False, 32,
            real_weights=weights.astype(np.float64), real_bias=bias.astype(np.float64),
        ),
        Decision((True, False), threshold, hysteresis=0, persist=1, hold_off=0),
    )  # fmt: skip
    return Model(
        name="watching",
        task="watching",
        sensor=sensor,
        classes=CLASSES,
        stages=stages,
        provenance={"made by": "the noise of the sensor; nothing was learned"},
    )


def watching_threshold(model: Model) -> int:
    """Return the score, in counts, from which a model of `watching_model` wakes."""
    decision = model.stages[-1]
    if not isinstance(decision, Decision):
        raise UsageError("watching stage", "last stage", decision.kind, Decision.kind)
    return decision.threshold
