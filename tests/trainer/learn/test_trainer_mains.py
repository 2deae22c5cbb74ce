"""Against other light: what is left of the mains' flicker, of full frames, and of a hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from capture.measure.flicker import AS_A_HAND_HZ, clear_rate_hz
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.pixels import Pixels
from trainer.learn.excerpt import Excerpt
from trainer.learn.mains import (
    frames_kept,
    hold_for,
    learn_steady,
    mains_taps,
    noise_share,
    steadied,
)
from trainer.recipe import FeatureRecipe, load_recipe

STEADY, AS_IT_COMES = FeatureRecipe(steady=True), FeatureRecipe()
RATES = st.floats(5.0, 1000.0)
MAINS_HZ = (100.0, 120.0)
"""Twice the frequency of the mains of the world."""


def gain(taps: tuple[int, ...], hz: float, frame_rate_hz: float) -> float:
    """Return what a mean leaves of a sine's amplitude."""
    turns = np.exp(2j * np.pi * hz / frame_rate_hz * np.arange(len(taps)))
    return float(abs(turns @ np.array(taps)) / sum(taps))


def folded(hz: float, rate: float) -> float:
    """Return how often a sine is seen to go to and fro, by way of its sampled phase."""
    turn = np.angle(np.exp(2j * np.pi * hz / rate))
    return float(abs(turn) / (2 * np.pi) * rate)


@pytest.mark.parametrize(
    ("rate", "taps"),
    [(30.0, (1, 1, 1)), (60.0, (1, 1, 1)), (40.0, (1, 1)), (45.0, (3, 2, 5, 2, 3)), (20.0, (1,))],
)
def test_usual_rates_have_short_means(rate: float, taps: tuple[int, ...]) -> None:
    """At 30 frames a second it is a mean of three; where both frequencies stand still, none."""
    assert mains_taps(rate) == taps


@pytest.mark.parametrize(
    ("rate", "clear"), [(30.0, 36.0), (29.97, 36.0), (50.0, 47.0), (60.0, 57.0), (45.0, 45.0)]
)
def test_where_flicker_stands_still_another_rate_is_near(rate: float, clear: float) -> None:
    """What 60 Hz mains leave at 30 frames a second is taken out at 36, and so is that of 50 Hz."""
    assert clear_rate_hz(rate) == clear


@settings(max_examples=20, deadline=None)
@given(rate=st.floats(1.0, 240.0))
def test_at_a_clear_rate_a_mean_takes_out_both_mains(rate: float) -> None:
    """Whatever rate one comes from, at the clear one no more than 2 % of either comes through."""
    clear = clear_rate_hz(rate)
    taps = mains_taps(clear)
    assert max(gain(taps, hz, clear) for hz in MAINS_HZ) <= 0.021


@settings(max_examples=200, deadline=None)
@example(rate=956.0)  # the smallest whole weights without flicker let more noise through
@given(rate=RATES)
def test_a_mean_takes_out_what_it_can(rate: float) -> None:
    """It is short, takes out a flicker or all but 2 % of it, half of the noise, and no hand."""
    taps = mains_taps(rate)
    if len(taps) == 1:
        assert taps == (1,)
        return
    assert len(taps) <= rate / 6 + 1e-6 and noise_share(taps) <= 0.75 * sum(taps)
    assert taps == taps[::-1]  # nothing is told from the direction of time
    left = {hz: gain(taps, hz, rate) for hz in MAINS_HZ}
    assert min(left.values()) <= 0.021
    for hz, share in left.items():
        slow = folded(hz, rate) < AS_A_HAND_HZ
        assert share <= 0.021 or slow or rate < 75  # two at once need five frames in a sixth
    assert gain(taps, 3.0, rate) > 0.6


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**32 - 1), rate=st.sampled_from([30.0, 45.0, 50.0, 60.0, 75.0, 90.0]),
    hz=st.sampled_from(MAINS_HZ),
)  # fmt: skip
def test_no_phase_pattern_or_strength_of_a_lamp_comes_through(
    seed: int, rate: float, hz: float
) -> None:
    """Values with and without a lamp are the same behind the stage, but for 2 % of the lamp."""
    if folded(hz, rate) < AS_A_HAND_HZ:
        return
    rng = np.random.default_rng(seed)
    time_s = np.arange(60) / rate
    hand = 40_000 * (1 + np.sin(2 * np.pi * 2.0 * time_s))[:, None] * rng.random(16)
    strength = 10.0 ** rng.uniform(2, 5)
    turn = np.sin(2 * np.pi * hz * time_s + rng.uniform(0, 6))
    lamp = strength * turn[:, None] * rng.random(16)
    most = np.full(16, 400_000, dtype=np.int64)
    stage = learn_steady(STEADY, rate, -most, most)
    assert stage is not None and stage.shift == 0
    both, alone = (
        stage.run(np.rint(x).astype(np.int32), stage.initial_state())[0][stage.n_kept :]
        for x in (hand + lamp, hand)
    )
    step = sum(abs(tap) for tap in stage.taps)  # of rounding to whole counts
    assert np.abs(both - alone).max() <= 0.022 * strength * sum(stage.taps) + step


def test_only_recipes_that_ask_have_it() -> None:
    """Of what moves without the key, or at a rate that offers none, there is no stage."""
    most = np.full(4, 1000, dtype=np.int64)
    assert learn_steady(AS_IT_COMES, 30.0, -most, most) is None
    assert learn_steady(STEADY, 20.0, -most, most) is None
    assert frames_kept(AS_IT_COMES, 30.0) == frames_kept(STEADY, 20.0) == 0
    assert frames_kept(STEADY, 30.0) == 2


@pytest.mark.parametrize("name", ["dynamic", "dynamic_lean", "finger_count", "static_shapes"])
def test_recipes_asked_under_strong_flicker_take_the_mean(name: str) -> None:
    """Recipes that were held to strong flicker take the mean against it at their own rate."""
    recipe = load_recipe(name)
    assert recipe.frame_rate_hz is not None
    assert frames_kept(recipe.features, recipe.frame_rate_hz) == 2


HELD = FeatureRecipe(segments=1, segment_frames=12, motion=False)
"""A window that adds up frames of something held still."""


@pytest.mark.parametrize(
    ("features", "has"),
    [
        (HELD, True),
        (HELD.model_copy(update={"steady": False}), False),
        (HELD.model_copy(update={"segments": 2}), False),
        (HELD.model_copy(update={"segment_frames": 1}), False),
        (HELD.model_copy(update={"motion": True}), False),
        (HELD.model_copy(update={"swing_frames": 4}), False),
    ],
)
def test_what_is_held_still_has_the_mean_unasked(features: FeatureRecipe, has: bool) -> None:
    """One segment of several frames, in which no movement counts, has it but where it says no."""
    assert features.without_lamps == has
    assert frames_kept(features, 30.0) == (2 if has else 0)


def test_the_digest_tells_whether_there_is_a_mean_and_not_how_it_is_said() -> None:
    """A held shape's recipe is the same with the key as without it, and another without a mean."""
    recipe = load_recipe("static_shapes")
    digests = [
        recipe.model_copy(
            update={"features": recipe.features.model_copy(update={"steady": steady})}
        ).digest()
        for steady in (None, True, False)
    ]
    assert digests[0] == digests[1] == recipe.digest() != digests[2]


def test_wide_values_are_rounded_to_what_follows() -> None:
    """What all weighted values add up to at most stays below 31 bits, whatever the sensor."""
    most = np.full(256, 2**27, dtype=np.int64)
    stage = learn_steady(STEADY, 30.0, -most, most)
    assert stage is not None and stage.shift > 0
    _, high = stage.bounds(-most // 2, most // 2)
    assert int(high.sum()) <= 2**30


SENSOR = Sensor("small", 8, 6, bit_depth=10, black_level_counts=64)
EVERY_PIXEL = Bins(8, 6, 4, 3)
TWO_PIXELS = Pixels(8, 6, np.array([3, 40], dtype=np.int32))


@given(st.floats(0.0, 0.24), st.floats(0.0, 0.74), st.sampled_from([EVERY_PIXEL, TWO_PIXELS]))
def test_full_frames_are_told_from_others_by_three_quarters_of_what_a_sensor_holds(
    ambient: float, light: float, entry: Bins | Pixels
) -> None:
    """A lit exposure full in every pixel is held off while ambient light takes less than a quarter.

    No frame is whose light adds up to less than three quarters.
    """
    span = SENSOR.saturation_counts - SENSOR.black_level_counts
    dark = np.full((1, 8, 6), SENSOR.black_level_counts + round(ambient * span), dtype=np.uint16)
    full, usual = np.full_like(dark, SENSOR.saturation_counts), dark + round(light * span)
    stage = hold_for(STEADY, 30.0, entry, SENSOR)
    assert stage is not None and stage.n_values == entry.n_out
    for lit, passes in ((full, False), (usual.astype(np.uint16), True)):
        assert (entry.run_frames(lit, dark).sum() <= stage.limit) == passes
    assert stage.near == stage.limit // 2  # from which light would have doubled at once


@pytest.mark.parametrize(
    ("rate", "longest", "brief"), [(3.0, 3, 1), (30.0, 30, 3), (45.0, 45, 4), (0.2, 1, 1)]
)
def test_a_frame_stands_for_a_second_of_full_ones(rate: float, longest: int, brief: int) -> None:
    """At the demo's three frames a second for three, and nowhere for fewer than one.

    Where light has come by degrees, it stands for a tenth of a second.
    """
    stage = hold_for(STEADY, rate, EVERY_PIXEL, SENSOR)
    assert stage is not None and (stage.longest, stage.brief) == (longest, brief)


def test_recipes_and_sensors_without_the_stage() -> None:
    """There is none where a recipe says so, or where full frames add up to more than 32 bits."""
    wide = Sensor("wide", 256, 256, bit_depth=16)
    assert hold_for(FeatureRecipe(hold=False), 30.0, EVERY_PIXEL, SENSOR) is None
    assert hold_for(STEADY, 30.0, Bins(256, 256, 8, 8), wide) is None


def test_the_digest_tells_only_that_there_is_no_stage() -> None:
    """A recipe that holds off full frames is the one that it was, and another without."""
    recipe = load_recipe("dynamic")
    held, without = (
        recipe.model_copy(update={"features": recipe.features.model_copy(update={"hold": hold})})
        for hold in (True, False)
    )
    assert held.digest() == recipe.digest() != without.digest()


@pytest.mark.parametrize("features", [STEADY, AS_IT_COMES], ids=["steady", "as_it_comes"])
def test_constants_are_learned_from_what_the_device_sees(features: FeatureRecipe) -> None:
    """Full frames change nothing of excerpts but that the frame before each stands for it."""
    rng = np.random.default_rng(4)
    lit = rng.integers(80, 200, (40, 8, 6)).astype(np.uint16)
    dark = np.full_like(lit, 64)
    full = rng.random(40) < 0.3
    full[0] = False
    before = np.maximum.accumulate(np.where(full, 0, np.arange(40)))
    glared = np.where(full[:, None, None], SENSOR.max_counts, lit)
    seen, wanted = (
        steadied(
            features, 30.0, (EVERY_PIXEL, SENSOR),
            [Excerpt.whole(EVERY_PIXEL.run_frames(frames, dark))], 1.0,
        )
        for frames in (glared, lit[before])
    )  # fmt: skip
    assert [stage.kind for stage in seen[0]] == ["hold", *["steady"] * features.without_lamps]
    np.testing.assert_array_equal(seen[1][0].values, wanted[1][0].values)
    assert seen[2] == wanted[2]
