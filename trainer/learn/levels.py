"""The level stage's constants, from the sensor's noise and from frames that show something.

How often nobody is in view says nothing about how a hand looks. So no share of all frames decides
anything here: a frame counts when more light came back than noise and flicker explain.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import symmetric_limit
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Int32
from runtime.stages.level import Level
from trainer.recipe import FeatureRecipe

__all__ = ["in_view", "learn_level", "noise_counts", "shape_floor"]

QUANTISATION_DN2 = 1.0 / 12.0
"""Variance of rounding to whole counts (EMVA 1288 release 4.0, 2021, its sigma_q squared)."""
LEAST_FLOOR = 4
"""Of the level stage, counts: below it, its table of reciprocals has no bits left to look at."""

FARTHER = 2
"""Times the usual distance, up to which shares are free of it. People who hold the hand where they
were asked to keep within half and twice; beyond, a hand is coming or leaving."""
DISTANCE_POWER = 4
"""Of the light that comes back from something smaller than the field of view: it is lit by the
inverse square of the distance, and seen by it again."""

LOG_BITS = {8: 3, 16: 12}
"""Of the logarithm to base two of all light, by the bits of a share: sixteen octaves either way of
8 bits, eight of 16."""
ROOTED_LOG_BITS = {8: 3, 16: 8}
"""Where shares go on as roots of at most 10 bits: as fine as those, a 256th of an octave (0.27 %)
for a step of a largest root (0.2 %). Values that go into one layer of 8-bit weights have to be of
one size: beside shares of 15 bits the logarithm was so much larger than their roots that its weight
was rounded to nothing where an optic's shares vary little, and how much light comes back was lost.
"""


def noise_counts(sensor: Sensor, n_pixels: int, ambient_counts: float) -> float:
    """Return the noise of a sum of lit minus dark over pixels to which no LED light comes back.

    The linear model of EMVA 1288 (release 4.0, 2021): read noise, rounding, and the shot noise of
    dark signal and of ambient light, in both exposures.

    Parameters
    ----------
    sensor : Sensor
    n_pixels : int
        Pixels summed, at least 1.
    ambient_counts : float
        Mean of a dark exposure over the black level; below zero it counts as none.

    Returns
    -------
    float
        Counts rms.
    """
    gain = sensor.conversion_gain_dn_per_e
    dark_e = sensor.dark_signal_e_per_s * sensor.exposure_us * 1e-6
    shot = gain * max(gain * dark_e, ambient_counts)
    variance = (gain * sensor.read_noise_e) ** 2 + QUANTISATION_DN2 + shot
    return math.sqrt(2.0 * n_pixels * variance)


def shape_floor(values: Int32, value_noise: float) -> float:
    """Return the sum above which a frame's values tell a shape, counts.

    At least as much light as makes the mean of the values equal to their noise: below, shares are
    more noise than shape. Ambient light that changes between the two exposures of a pair adds to
    the sum or takes from it alike; the LED's only adds. So what sums below zero shows by how much,
    and what flicker takes away it may add elsewhere: twice the median of the sums below zero is
    more than a sine of that median ever reaches, and comes on top of the noise where noise alone
    does not explain it. Frames without a hand, of which some sum below
    zero, do not move this however many they are.

    Parameters
    ----------
    values : int32 (n_frames, n_values)
        Outputs of an entry stage.
    value_noise : float
        Of one of them, as :func:`noise_counts` tells it.
    """
    total = values.sum(axis=1, dtype=np.int64)
    n_values = values.shape[1]
    below = total[total < 0]
    flicker = -2.0 * float(np.median(below)) if len(below) else 0.0
    # Half of what noise sums to is below zero, and half of that by more than 0.67 of its rms:
    # noise alone makes 1.35 times the rms of this, and twice of a few frames only by chance.
    if flicker <= 2.0 * math.sqrt(n_values) * value_noise:
        flicker = 0.0
    return float(max(n_values * value_noise + flicker, 1.0))


def in_view(values: Int32, floor: float) -> NDArray[np.bool_]:
    """Tell which frames show something, bool (n_frames,): those whose sum is above a floor."""
    return np.asarray(values.sum(axis=1, dtype=np.int64) > floor)


def learn_level(
    values: Int32, features: FeatureRecipe, clip_quantile: float, value_noise: float
) -> Level:
    """Choose the level stage's constants from training readouts.

    The floor is what a hand twice as far as usual sends back, or the sum above which values tell a
    shape where that is more: nearer, shares are free of distance; farther, they fade, and a hand
    that leaves fades out instead of becoming amplified noise and an ever smaller logarithm. It is
    at most half of the usual sum, which has to be seen whatever the noise. Of the frames in view,
    the gain is the largest power of two that leaves `clip_quantile` of the shares unsaturated, and
    the logarithm is zero at their median.

    Parameters
    ----------
    values : int32 (n_frames, n_values)
        Outputs of the entry stage, of frames in which people were asked to do something.
    value_noise : float
        Of one value, without light; counts rms.
    """
    total = values.sum(axis=1, dtype=np.int64)
    tells = shape_floor(values, value_noise)
    seen = in_view(values, tells)
    if not seen.any():  # nothing but noise: a model can still be made of it, as of anything
        seen = total >= np.median(total)
    usual = float(np.median(total[seen]))
    fades = max(tells, usual / FARTHER**DISTANCE_POWER)
    floor = max(LEAST_FLOOR, int(min(fades, usual / 2)))
    share = np.abs(values[seen]) / np.maximum(total[seen], floor)[:, None]
    largest = max(float(np.quantile(share, clip_quantile)), 2.0**-20)
    limit = symmetric_limit(features.level_bits)
    gain_bits = min(30, max(0, math.floor(math.log2(limit / largest))))
    log_bits = (ROOTED_LOG_BITS if features.roots else LOG_BITS)[features.level_bits]
    middle = math.floor(math.log2(max(floor, usual)) * 2**log_bits)
    return Level(
        n_values=values.shape[1],
        n_bits=features.level_bits,
        gain_bits=gain_bits,
        floor=max(floor, 1 << max(1, gain_bits - 14)),
        log_bits=log_bits,
        log_offset=middle,
    )
