"""Against other light: frames that it fills are held off, and flicker of the mains is averaged.

What a lamp changes between the two exposures of a pair stays in their difference, in every pixel
that sees it. It is a sine of 100 or 120 Hz, which frames see folded down, and a mean over a few
frames takes it out whatever its strength, phase and pattern: as long as nothing has divided by the
sum of the values, all of this is linear. Afterwards it is too late, since a sum that goes up and
down with a lamp turns shares of it into something else.

A frame that is full of light tells nothing, and a mean over frames carries it into the next ones.
So a frame above three quarters of what the sensor holds is replaced first, by the last one before
it: of a bright hand and flicker together few frames are, and one that is replaced flickers no more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from capture.measure.flicker import (
    AS_A_HAND_HZ,
    LONGEST_MEAN_S,
    MAINS_FLICKER_HZ,
    folded_hz,
)
from runtime.fixedpoint import INT32_MAX
from runtime.sensor import Sensor
from runtime.stages.contract.stage import EntryStage, Float64, Int64
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from trainer.learn.excerpt import Excerpt
from trainer.recipe import FeatureRecipe

__all__ = ["frames_kept", "hold_for", "learn_steady", "mains_taps", "noise_share", "steadied"]

LEFT = 0.02
"""Share of the flicker that whole-number weights may leave: at 30 frames a second, mains that are a
tenth of a hertz off leave as much with any."""
MOST_NOISE = 0.5
"""Share of the noise's power that comes through at most: as of a mean of two frames. Shorter means
take flicker out as well, but by weights of both signs that let other movement through louder."""
MOST_WHOLE_NOISE = 0.75**2
"""The same of whole-number weights, 6 % more noise: rounded weights are never as quiet as the real
ones, which at some rates are at the limit themselves."""
MOST_WEIGHT = 1 << 10
"""Largest sum of the weights: values become ten bits wider at most."""
HEADROOM_BITS = 30
"""Sums of all values stay below that many bits, as the level stage adds them up."""
FULL_SHARE = 0.75
"""Of the range, the sum above which a frame is full."""
LONGEST_HELD_S = 1.0
"""For so long one frame stands for full ones."""
BRIEFLY_HELD_S = 0.1
"""The same, where the light may have come near by degrees."""


def mains_taps(frame_rate_hz: float) -> tuple[int, ...]:
    """Return the weights of the last frames that leave nothing of the mains' flicker.

    Of all weights of a length that take out each folded frequency, those that let the least noise
    through (a least-norm solution; at 30 frames a second a mean of three frames); of all lengths
    the shortest that lets no more than half of its power through. A frequency that this
    rate makes as slow as a hand, or too slow for any such mean, is left.

    Parameters
    ----------
    frame_rate_hz : float

    Returns
    -------
    tuple of int
        Oldest frame first; ``(1,)`` where no mean helps.
    """
    folded = sorted({round(folded_hz(f, frame_rate_hz), 6) for f in MAINS_FLICKER_HZ})
    places = [hz / frame_rate_hz for hz in folded if hz >= AS_A_HAND_HZ]
    while places:
        for n_frames in range(2, math.floor(LONGEST_MEAN_S * frame_rate_hz + 1e-9) + 1):
            weights = _quietest(n_frames, places)
            if weights is not None:
                return _whole(weights, places)
        del places[0]  # the slowest wants the longest mean
    return (1,)


def frames_kept(features: FeatureRecipe, frame_rate_hz: float) -> int:
    """Return how many frames before the last have a part in a recipe's mean: none without it."""
    return len(mains_taps(frame_rate_hz)) - 1 if features.without_lamps else 0


def noise_share(taps: tuple[int, ...], shift: int = 0) -> float:
    """Return what noise that is new in every frame becomes, as a factor of its rms."""
    return math.sqrt(sum(tap * tap for tap in taps)) / 2.0**shift


def learn_steady(
    features: FeatureRecipe, frame_rate_hz: float, low: Int64, high: Int64
) -> Steady | None:
    """Return the stage for an entry stage's values; None where the recipe or the rate has none.

    Parameters
    ----------
    frame_rate_hz : float
        Of the sensor.
    low, high : int64 (n_values,)
        Proven range of the values; where weighted sums of them could grow too large for what
        follows, they are rounded.
    """
    if not frames_kept(features, frame_rate_hz):
        return None
    taps = mains_taps(frame_rate_hz)
    most = float(np.maximum(np.abs(low), np.abs(high)).sum()) * sum(abs(tap) for tap in taps)
    shift = max(0, math.ceil(math.log2(max(1.0, most))) - HEADROOM_BITS)
    return Steady(len(low), taps, shift)


def hold_for(
    features: FeatureRecipe, frame_rate_hz: float, entry: EntryStage, sensor: Sensor
) -> Hold | None:
    """Return the stage that replaces full frames; None where the recipe or the sensor has none.

    A lit exposure that is full in every pixel differs from its dark one by all that the sensor
    holds above black, less what the room's light takes of it: it is missed where that is more than
    a quarter of the range. A hand whose light is near the limit crosses it with every turn of a
    flicker, and a mean over frames of which some are replaced lets the flicker through: half of the
    range is where bright hands are. A frame stands for at most a second of full ones: a
    movement lasts about as long, and what lasts longer is the scene.

    A hand that comes near fills pixels as well, but by degrees. So where light had not more than
    doubled at once, full frames are held off for a tenth of a second only: movements last several
    times as long.

    Parameters
    ----------
    frame_rate_hz : float
        Of the sensor.
    entry : EntryStage
        Whose values are summed; the stage counts with the pixels that it reads.
    sensor : Sensor
        One whose values could add up to more than 32 bits has no such stage.
    """
    if not features.hold or entry.n_pixels_read * sensor.max_counts > INT32_MAX:
        return None
    span = sensor.saturation_counts - sensor.black_level_counts
    limit = round(FULL_SHARE * entry.n_pixels_read * span)
    longest, brief = (
        max(1, round(seconds * frame_rate_hz)) for seconds in (LONGEST_HELD_S, BRIEFLY_HELD_S)
    )
    return Hold(entry.n_out, limit, limit // 2, longest, brief)


def steadied(
    features: FeatureRecipe,
    frame_rate_hz: float,
    source: tuple[EntryStage, Sensor],
    excerpts: Sequence[Excerpt],
    value_noise: float,
) -> tuple[tuple[Hold | Steady, ...], list[Excerpt], float]:
    """Return the stages against other light, and excerpts and noise of a value behind them.

    Parameters
    ----------
    source : (EntryStage, Sensor)
        What the values come from.
    excerpts : sequence of Excerpt
        The entry stage's outputs.
    value_noise : float
        Of one value, counts rms; new in every frame.
    """
    entry, sensor = source
    hold = hold_for(features, frame_rate_hz, entry, sensor)
    most = np.full(entry.n_in, sensor.max_counts, dtype=np.int64)
    steady = learn_steady(features, frame_rate_hz, *entry.bounds(-most, most))
    stages = tuple(stage for stage in (hold, steady) if stage is not None)
    if steady is not None:
        value_noise *= noise_share(steady.taps, steady.shift)
    return stages, [e.through(*stages) for e in excerpts], value_noise


def _quietest(n_frames: int, places: list[float]) -> Float64 | None:
    """Return the weights of least noise that add up to 1 and to nothing at each place.

    None where there are none, or where too much noise comes through.
    """
    at = np.arange(n_frames) - (n_frames - 1) / 2
    turns = 2 * np.pi * np.array(places)[:, None] * at
    wanted = np.concatenate([np.ones((1, n_frames)), np.cos(turns), np.sin(turns)])
    answer = np.zeros(len(wanted))
    answer[0] = 1.0
    weights = np.asarray(np.linalg.pinv(wanted) @ answer, dtype=np.float64)
    solved = bool(np.abs(wanted @ weights - answer).max() < 1e-6)
    return weights if solved and float(weights @ weights) <= MOST_NOISE + 1e-9 else None


def _whole(weights: Float64, places: list[float]) -> tuple[int, ...]:
    """Return the smallest whole numbers in about these ratios that leave little enough."""
    turns = np.exp(2j * np.pi * np.array(places)[:, None] * np.arange(len(weights)))
    for total in range(1, MOST_WEIGHT):
        taps = np.floor(weights * total + 0.5)
        gain = taps.sum()
        clear = gain > 0 and np.abs(turns @ taps).max() <= LEFT * gain
        if clear and taps @ taps <= MOST_WHOLE_NOISE * gain**2:
            break
    return tuple(int(tap) for tap in taps)
