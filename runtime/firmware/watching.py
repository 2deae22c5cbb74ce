"""The watching state's own little model: some rows, weak light, and whether anything moves.

It is an ordinary `Model` of ordinary stages, so that it is generated, executed and priced exactly
like the model that it wakes. Noise grows with the light of the surroundings; the threshold follows
it, as a detector of constant false-alarm rate does: the change since the frame before is held
against the changes of the frames before that.

The watching goes on at its own rate and light while the model is awake: it tells when nothing moves
any more, and the frames of the hold time fill the mean of changes for the sleep that follows. What
the first `WARM_UP_FRAMES` frames decide, after a start or after the last movement, is not heeded.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.dense import Dense
from runtime.stages.motion import Motion
from runtime.stages.window import Window

__all__ = [
    "CLASSES", "HISTORY", "NOW", "WARM_UP_FRAMES", "watching_model", "watching_threshold",
]  # fmt: skip

CLASSES = ("still", "moving")
_BINS_ACROSS = 8
HISTORY = 8
NOW = 3
"""The change wakes when it is above `HISTORY` / `NOW` = 2.67 times the mean of those before.

Noise alone, sums of 8 half-normal magnitudes, does that about once in four hours at 5 frames a
second (by simulation, and by a test).
"""
_SHIFT = 2
WARM_UP_FRAMES = HISTORY + 1


def _dark_noise(sensor: Sensor, n_bins: int, pixels_per_bin: int) -> float:
    """Mean sum of absolute changes of `n_bins` bins, in counts, without any light.

    Read noise and rounding, through the lit-minus-dark difference and the difference of two
    frames: half-normal magnitudes.
    """
    gain = sensor.conversion_gain_dn_per_e
    pixel = sensor.read_noise_e**2 * gain**2 + 1.0 / 12.0
    return n_bins * math.sqrt(4.0 * pixels_per_bin * pixel) * math.sqrt(2.0 / math.pi)


def _quiet(sensor: Sensor, n_rows: int) -> int:
    """Margin of scores that the sensor's own noise does not pass on `n_rows` rows."""
    across = math.gcd(_BINS_ACROSS, sensor.n_cols)
    noise = _dark_noise(sensor, across, n_rows * sensor.n_cols // across)
    return math.ceil(noise / 2.0**_SHIFT)


def watching_model(sensor: Sensor, n_rows: int = 16) -> Model:
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
    compared = np.full((2, HISTORY + 1), -1, dtype=np.int8)
    compared[0], compared[1, -1] = 0, NOW
    stages = (
        Bins(sensor.n_rows, sensor.n_cols, 1, across, first_row=first, last_row=first + n_rows),
        Motion(across, _SHIFT, 16),
        _dense(np.eye(1, across + 1, across, dtype=np.int8), 16),
        Window(1, HISTORY + 1, 1, 0, 16),
        _dense(compared, 32),
        Decision((True, False), _quiet(sensor, n_rows), hysteresis=0, persist=1, hold_off=0),
    )
    return Model(
        name="watching",
        task="watching",
        sensor=sensor,
        classes=CLASSES,
        stages=stages,
        provenance={"made by": "the noise of the sensor; nothing was learned"},
    )


def _dense(weights: NDArray[np.int8], out_bits: int) -> Dense:
    """Return weights without a bias, saturated to `out_bits`."""
    bias = np.zeros(len(weights), dtype=np.int32)
    return Dense(
        weights, bias, 1, 0, False, out_bits,
        real_weights=weights.astype(np.float64), real_bias=bias.astype(np.float64),
    )  # fmt: skip


def watching_threshold(model: Model) -> int:
    """Return the margin of scores from which a model of `watching_model` wakes."""
    return _quiet(model.sensor, len(model.entry.rows_read))
