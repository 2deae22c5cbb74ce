"""Against lamps: what a mean over frames leaves of the mains' flicker, and of a hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from capture.measure.flicker import AS_A_HAND_HZ, clear_rate_hz
from trainer.learn.mains import frames_kept, learn_steady, mains_taps, noise_share
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
