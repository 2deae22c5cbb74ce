"""The watching state's own little model: some rows, weak light, and whether a hand has come.

It is an ordinary `Model` of ordinary stages, so that it is generated, executed and priced exactly
like the model that it wakes.

A hand sends the LED's light back, and the optic spreads it over all pixels: what tells it from an
empty scene best is the sum of them all (the matched filter of a change that is the same
everywhere). The mean of the last `RECENT` frames is held against the mean of the `BEFORE` frames
before them, which the sensor saw empty. How much of a difference is noise follows from the same
frames, since noise grows with the light of the surroundings: from how far the columns' changes are
apart from each other, which a lamp that is switched on moves at once, and from the changes of the
sum, which flicker of the mains moves. The threshold is so many times that noise (a detector of
constant false-alarm rate), and one more frame of the sensor's own noise stands beside it.

The watching goes on at its own rate and light while the model is awake: there it tells when nothing
moves any more, by the last frame's change alone, and the frames of the hold time fill the means for
the sleep that follows. What the first `WARM_UP_FRAMES` frames decide, after a start or after the
last movement, is not heeded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.firmware.setting import USUAL_HOLD_S
from runtime.fixedpoint import INT32_MAX
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.dense import Dense
from runtime.stages.motion import Motion
from runtime.stages.window import Window

__all__ = [
    "BEFORE", "CLASSES", "MOVED", "RECENT", "WARM_UP_FRAMES", "Watching", "moved_margin",
    "watching_model", "watching_threshold",
]  # fmt: skip

CLASSES = ("still", "moving")
RECENT = 4
"""Frames that a hand is looked for in. More see a fainter one, and later; at 5 frames a second
these are 0.8 s, within which an answer is taken for a direct one (a second at most: J. Nielsen,
Usability Engineering, 1993, section 5.5, from memory)."""
BEFORE = 8
"""Frames that they are held against. With twice as many as `RECENT`, the empty scene's own noise
adds a fifth to that of the frames looked at (a factor of sqrt(1 + 1/2)); more would take in what
left before."""
WARM_UP_FRAMES = BEFORE + RECENT
"""The very first change is from nothing, and has to have left what is looked at."""
_DEVIATIONS = {8: 4.5, 4: 4.8, 2: 5.5, 1: 6.7}
"""How many standard deviations of its noise a difference has to reach, by the bins across.

Noise alone then wakes about once in four hours at 5 frames a second (by simulation, and by a test).
Were the noise known, 4.2 would do (normal distribution, one side); fewer bins tell less of it.
"""
_MEAN_CHANGE = 2.0 / math.sqrt(math.pi)
"""Mean magnitude of the difference of two values of unit noise."""
MOVED = (3, 1)
"""While awake, something moves where the last change is above a third of the sum of eight at rest:
2.67 times their mean. Noise alone does that less than once in an hour's watching."""
_BINS_ACROSS = 8
_MOST_WEIGHT = 127
"""Of what is compared: 8 bits, and as much of them as can be, so that all may be whole numbers."""


@dataclass(frozen=True, slots=True)
class Watching:
    """How the sensor watches.

    Parameters
    ----------
    n_rows : int
        Middle rows that are read.
    rate_hz : float
        Frame pairs a second.
    led_share, exposure_share : float
        LED current and exposure over the recordings'.
    hold_s : float
        How long it stays awake after the last movement: a second wake meanwhile is the same one.
    """

    n_rows: int = 16
    rate_hz: float = 5.0
    led_share: float = 0.2
    exposure_share: float = 1.0
    hold_s: float = USUAL_HOLD_S


def _dark_noise(sensor: Sensor, n_pixels: int) -> float:
    """Noise of the sum of lit minus dark over pixels without light: reading and rounding."""
    gain = sensor.conversion_gain_dn_per_e
    return math.sqrt(2.0 * n_pixels * (sensor.read_noise_e**2 * gain**2 + 1.0 / 12.0))


def _shift(sensor: Sensor, n_pixels: int) -> int:
    """Binary places that sums lose: a step stays below half of the dark noise."""
    return max(0, math.floor(math.log2(max(_dark_noise(sensor, n_pixels) / 2.0, 1.0))))


def _changes_of_noise(n_bins: int) -> float:
    """Mean of a frame's changes as `Motion` adds them up, for unit noise of the whole sum.

    Of the sum itself, and of bins less their mean, which have ``sqrt(1 - 1/n)`` of a bin's noise.
    """
    return _MEAN_CHANGE * (1.0 + math.sqrt(n_bins - 1.0))


def _weights(n_bins: int) -> tuple[int, int]:
    """Weights of each frame's noise, and of the sums, by which noise alone stays below."""
    n_frames = BEFORE + RECENT
    noise_of_difference = math.sqrt(BEFORE**2 * RECENT + RECENT**2 * BEFORE)
    of_noise = n_frames * _changes_of_noise(n_bins) / (_DEVIATIONS[n_bins] * noise_of_difference)
    of_sums = min(_MOST_WEIGHT // BEFORE, math.floor(_MOST_WEIGHT * of_noise))
    return round(of_sums / of_noise), of_sums


def _bins_across(sensor: Sensor, n_rows: int) -> int:
    """Bins side by side: eight, or as many fewer as a whole sum of that many keeps in 32 bits."""
    across = math.gcd(_BINS_ACROSS, sensor.n_cols)
    whole = n_rows * sensor.n_cols * sensor.max_counts
    while across > 1 and across * whole > INT32_MAX:
        across //= 2
    return across


def watching_model(sensor: Sensor, n_rows: int = 16) -> Model:
    """Return the model that watches the middle rows of a sensor for a hand.

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

    Notes
    -----
    Of its nine values behind the bins the last is their sum, the others are the bins less their
    mean; `Motion` adds up how much all nine changed.
    """
    n_rows = min(n_rows, sensor.n_rows)
    first = (sensor.n_rows - n_rows) // 2
    across = _bins_across(sensor, n_rows)
    apart = across * np.eye(across, dtype=np.int8) - np.int8(1)
    values = np.vstack([apart, np.full(across, across)]).astype(np.int8)
    shift = int(math.log2(across)) + _shift(sensor, n_rows * sensor.n_cols)
    kept = np.eye(across + 2, dtype=np.int8)[across:]  # the sum, and how much all changed
    noise_weight, weight = _weights(across)
    compared = np.zeros((2, BEFORE + RECENT, 2), dtype=np.int8)
    compared[1, :BEFORE, 0], compared[1, BEFORE:, 0] = -RECENT * weight, BEFORE * weight
    compared[1, :, 1] = -noise_weight
    quiet = math.ceil(noise_weight * _quiet(sensor, n_rows))
    stages = (
        Bins(sensor.n_rows, sensor.n_cols, 1, across, first_row=first, last_row=first + n_rows),
        _dense(values, 16, shift),
        Motion(across + 1, 0, 16),
        _dense(kept, 16),
        Window(2, BEFORE + RECENT, 1, 0, 16),
        _dense(compared.reshape(2, -1), 32),
        Decision((True, False), quiet, hysteresis=0, persist=1, hold_off=0),
    )
    return Model(
        name="watching",
        task="watching",
        sensor=sensor,
        classes=CLASSES,
        stages=stages,
        provenance={"made by": "the noise of the sensor; nothing was learned"},
    )


def _dense(weights: NDArray[np.int8], out_bits: int, shift: int = 0) -> Dense:
    """Return weights without a bias, scaled down by a shift and saturated to `out_bits`."""
    bias = np.zeros(len(weights), dtype=np.int32)
    return Dense(
        weights, bias, 1, shift, False, out_bits,
        real_weights=weights.astype(np.float64), real_bias=bias.astype(np.float64),
    )  # fmt: skip


def _quiet(sensor: Sensor, n_rows: int) -> float:
    """Mean changes of a frame, as `Motion` gives them, by the sensor's own noise on some rows."""
    n_pixels = n_rows * sensor.n_cols
    steps = _dark_noise(sensor, n_pixels) / 2.0 ** _shift(sensor, n_pixels)
    return _changes_of_noise(_bins_across(sensor, n_rows)) * steps


def watching_threshold(model: Model) -> int:
    """Return the margin of scores from which a model of `watching_model` wakes."""
    n_rows = len(model.entry.rows_read)
    noise_weight, _ = _weights(_bins_across(model.sensor, n_rows))
    return math.ceil(noise_weight * _quiet(model.sensor, n_rows))


def moved_margin(model: Model) -> int:
    """Return by how much 9 times the last change is above 4 times those of rest, awake."""
    return math.ceil(MOVED[1] * _quiet(model.sensor, len(model.entry.rows_read)))
