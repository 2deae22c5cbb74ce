"""What stands in front of the background: stages from ambient readouts to features of people.

Nothing here is fitted to people: the constants follow from the sensor's noise and from the times
that the recipe gives.
"""

from __future__ import annotations

import math

from runtime.sensor import Sensor
from runtime.stages.level import Level
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.background import Background
from trainer.learn.entry_stage import nearest_divisor
from trainer.learn.features import StageChain
from trainer.learn.levels import LEAST_FLOOR, noise_counts
from trainer.recipe import OccupancyRecipe

__all__ = ["ambient_entry", "front_chain"]

SHARE_BITS = 13
"""Bits of a share of the sum where all are alike; four times as much still fits 16."""
WHOLE_LOG_BITS = 10
"""Of the logarithm of a sensor's one value: 1,024 steps an octave, 31 octaves fit 16 bits."""
SUM_LOG_BITS = 6
"""Of the logarithm beside shares: an eighth of an octave is 8 steps, and an octave far less of them
than anybody changes of the shares."""
_QUICK_S, _UNREST_S, _REST_S = 2.0, 8.0, 1024.0
"""Over which noise is averaged; over which unrest is, which a step every other second keeps up; and
in which the unrest at rest doubles, or less: so a place that grows noisy is known by then."""
_NEAR_SHIFT, _STILL_SHIFT = 1, 2
"""Half of the unrest at rest, and a quarter above it. Of noise of spread 1, changes between frames
are 1.13 on average, and a quick mean over 4 frames is 0.30 away: about a quarter of the unrest."""
_MOST_QUICK = 5
_NEAR_SHARE_BITS = 8
"""What changes less than one part in 256 of all light is nobody: seen across a place, somebody
covers some parts in a hundred of the field, and differs from what is behind by half or so (a coat
of 10 % on a floor of 20 %)."""


def ambient_entry(sensor: Sensor, bins: tuple[int, int]) -> Ambient:
    """Return ambient bins of a sensor, as many as asked for or the nearest that divide it."""
    down = nearest_divisor(bins[0], sensor.n_rows)
    across = nearest_divisor(bins[1], sensor.n_cols)
    return Ambient(sensor.n_rows, sensor.n_cols, down, across, sensor.black_level_counts)


def front_chain(entry: Ambient, sensor: Sensor, recipe: OccupancyRecipe) -> StageChain:
    """Return entry, level and background.

    A sensor of one value has no shares: there the logarithm of its sum stands in front.

    Raises
    ------
    OverflowRisk
        The stages could pass 32 bits.
    """
    n = entry.n_out
    gain_bits = SHARE_BITS + math.ceil(math.log2(n)) if n > 1 else 0
    noise = n * noise_counts(sensor, sensor.n_pixels // n, 0.0)
    least = max(LEAST_FLOOR, 1 << max(1, gain_bits - 14))
    floor = max(least, math.ceil(noise))
    level = Level(n, 16, gain_bits, floor, WHOLE_LOG_BITS if n == 1 else SUM_LOG_BITS, 0)

    def shift(seconds: float, most: int) -> int:
        frames = max(1.0, seconds * sensor.frame_rate_hz)
        return min(most, max(0, round(math.log2(frames))))

    background = Background(
        n_values=n + 1,
        quick_shift=shift(_QUICK_S, _MOST_QUICK),
        unrest_shift=shift(_UNREST_S, _MOST_QUICK),
        rest_shift=max(1, shift(_REST_S, 20)),
        near_shift=_NEAR_SHIFT,
        still_shift=_STILL_SHIFT,
        near_least=_near_least(n, gain_bits),
        octave_bits=level.log_bits,
        shifts=(shift(recipe.drift_s, 15), shift(recipe.still_s, 15), shift(recipe.busy_s, 15)),
        n_bits=16,
    )
    return StageChain.start(entry, sensor.max_counts).then(level, background).learned_behind()


def _near_least(n_values: int, gain_bits: int) -> int:
    """Return what `_NEAR_SHARE_BITS` is in shares, or in the logarithm of a sensor's one value."""
    if n_values > 1:
        return 1 << (gain_bits - _NEAR_SHARE_BITS)
    return round(math.log2(1.0 + 2.0**-_NEAR_SHARE_BITS) * (1 << WHOLE_LOG_BITS))
