"""The level stage's constants: from light and noise, never from how often nobody is in view."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from trainer.learn.excerpt import Excerpt
from trainer.learn.features import StageChain, learn_features
from trainer.learn.levels import LOG_BITS, in_view, learn_level, noise_counts, shape_floor
from trainer.recipe import FeatureRecipe, QuantisationRecipe

SENSOR = Sensor("invented", 32, 32)
FEATURES = FeatureRecipe(bins=(4, 4), level_bits=16)
N_PIXELS = 64
"""Of one bin."""
NOISE = noise_counts(SENSOR, N_PIXELS, 40.0)


def hands(rng: np.random.Generator, n_frames: int = 600) -> NDArray[np.int32]:
    """Return invented bins of hands at up to twice the usual distance and half of it."""
    shape = rng.gamma(4.0, 1.0, (1, 16)) * rng.lognormal(0.0, 0.2, (n_frames, 16))
    light = 60_000 * 2.0 ** rng.uniform(-3.0, 3.0, (n_frames, 1))
    noise = NOISE * rng.standard_normal((n_frames, 16))
    return (light * shape / shape.sum(axis=1, keepdims=True) + noise).astype(np.int32)


def nobody(rng: np.random.Generator, n_frames: int, flicker: float = 0.0) -> NDArray[np.int32]:
    """Return bins of frames without a hand: noise, and a lamp that changes between exposures."""
    lamp = flicker * np.sin(rng.uniform(0, 2 * np.pi, (n_frames, 1)))
    noise = NOISE * rng.standard_normal((n_frames, 16))
    return np.asarray(lamp / 16 + noise, dtype=np.float64).astype(np.int32)


def alike(found: tuple[int, int, int], wanted: tuple[int, int, int], share: float) -> bool:
    """Tell whether gains are equal, and floors and middles within a share of their light."""
    octaves = np.log2(1 + share)
    floors = abs(np.log2(found[0] / wanted[0])) <= octaves + 1 / wanted[0]
    return bool(
        found[1] == wanted[1]
        and floors
        and abs(found[2] - wanted[2]) <= octaves * 2 ** LOG_BITS[16]
    )


def learned(values: NDArray[np.int32], noise: float = NOISE) -> tuple[int, int, int]:
    level = learn_level(values, FEATURES, 0.999, noise)
    return level.floor, level.gain_bits, level.log_offset


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), share=st.sampled_from([0.1, 0.5, 0.9]))
def test_frames_without_a_hand_change_nothing(seed: int, share: float) -> None:
    """The level stage learned with 10, 50 or 90 % of empty frames is the one learned without."""
    rng = np.random.default_rng(seed)
    seen = hands(rng)
    empty = nobody(rng, int(len(seen) * share / (1 - share)))
    assert alike(
        learned(np.concatenate([seen, empty])), learned(seen), share=0.02
    )  # noise that passes for light


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), strength=st.floats(0.02, 0.3))
def test_flicker_without_a_hand_is_not_taken_for_one(seed: int, strength: float) -> None:
    """However many frames show a lamp's flicker alone, gain and middle stay as they are."""
    rng = np.random.default_rng(seed)
    seen, flicker = hands(rng), strength * 8_000
    few, many = (nobody(rng, n, flicker) for n in (200, 5000))
    found = [learned(np.concatenate([seen, each])) for each in (few, many)]
    # The floor rests on a median of what sums below zero: of 200 frames it is known to a fifth.
    assert alike(found[1], found[0], share=0.2) and found[1][1] == learned(seen)[1]
    together = np.concatenate([seen, many])
    shown = in_view(together, shape_floor(together, NOISE))
    assert shown[len(seen) :].mean() < 0.01 and shown[: len(seen)].mean() > 0.95


@pytest.mark.parametrize("bits", [8, 10, 16])
def test_bit_depth_scales_the_floor_and_nothing_else(bits: int) -> None:
    """A sensor of other steps gives the same gain, and floor and middle in as much light."""
    seen, steps = hands(np.random.default_rng(4)), 2.0 ** (bits - SENSOR.bit_depth)
    other = replace(
        SENSOR,
        bit_depth=bits,
        conversion_gain_dn_per_e=SENSOR.conversion_gain_dn_per_e * steps,
        black_level_counts=round(SENSOR.black_level_counts * steps),
    )
    floor, gain_bits, offset = learned(seen)
    noise = noise_counts(other, N_PIXELS, 40.0 * steps)
    found = learned(np.floor(seen * steps).astype(np.int32), noise)
    assert found[0] == pytest.approx(floor * steps, rel=0.02) and found[1] == gain_bits
    assert abs(found[2] - offset - ((bits - SENSOR.bit_depth) << 12)) <= 64


def test_saturated_frames_do_not_move_the_level() -> None:
    """Frames in which a torch fills both exposures, or the lit one, change no more than a bit."""
    seen = hands(np.random.default_rng(9))
    full = np.full((6, 16), N_PIXELS * SENSOR.max_counts, dtype=np.int32)
    both = np.concatenate([seen, np.zeros((60, 16), dtype=np.int32), full])
    assert alike(learned(both), learned(seen), share=0.06)


def test_hands_keep_their_resolution() -> None:
    """With 90 % of empty frames, a hand's median share still has nine bits after the stage."""
    rng = np.random.default_rng(3)
    seen = hands(rng)
    level = learn_level(np.concatenate([seen, nobody(rng, 9 * len(seen))]), FEATURES, 0.999, NOISE)
    assert np.median(np.abs(level.run(seen, {})[0][:, :-1])) > 512


def test_noise_is_that_of_the_linear_model() -> None:
    """Simulated exposures without LED light have the noise that is worked out for them.

    Model: EMVA 1288 release 4.0, 2021; Poisson electrons, normal read noise, rounded counts.
    """
    rng = np.random.default_rng(1)
    electrons = 300.0
    counts = [
        np.rint(
            SENSOR.conversion_gain_dn_per_e
            * (
                rng.poisson(electrons, (4000, 64))
                + SENSOR.read_noise_e * rng.standard_normal((4000, 64))
            )
        )
        for _ in range(2)
    ]
    found = (counts[0] - counts[1]).sum(axis=1).std()
    ambient = SENSOR.conversion_gain_dn_per_e * electrons
    assert noise_counts(SENSOR, 64, ambient) == pytest.approx(found, rel=0.05)


def test_level_gain_leaves_the_asked_share_unsaturated() -> None:
    """The level stage's gain saturates no more training values than the recipe allows."""
    rng = np.random.default_rng(11)
    values = (rng.gamma(2.0, 800.0, (400, 16)) * rng.uniform(0.2, 5.0, (400, 1))).astype(np.int32)
    level = learn_level(values, FeatureRecipe(bins=(4, 4)), 0.99, 20.0)
    shares = level.run(values, {})[0][:, :-1]
    assert (np.abs(shares) >= level.limit).mean() <= 0.011
    assert np.abs(shares).max() > level.limit // 3


def test_noise_alone_still_gives_a_stage() -> None:
    """Recordings in which nobody was ever in view are learned from without an error."""
    level = learn_level(nobody(np.random.default_rng(5), 300), FEATURES, 0.999, NOISE)
    assert level.floor >= 4


@pytest.mark.parametrize("spread", [0.3, 0.03, 0.003])
def test_how_much_light_comes_back_is_kept_where_shapes_hardly_differ(spread: float) -> None:
    """Behind directions of an optic that tells shapes weakly, all light still is what it was."""
    rng = np.random.default_rng(11)
    light = 100_000 * 2.0 ** rng.uniform(-1.5, 1.5, (800, 1))
    values = (light * (1 + spread * rng.standard_normal((800, 16)))).astype(np.int32)
    features = FeatureRecipe(
        bins=(4, 4), level_bits=16, roots=True, projection="principal", directions=4,
        direction_bits=16, motion=False, segments=1, segment_frames=1,
    )  # fmt: skip
    level = learn_level(values, features, 0.999, NOISE)
    chain = StageChain.start(Bins(32, 32, 4, 4), 4095).then(level)
    chain = learn_features(
        chain, [Excerpt.whole(values).through(level)], features, QuantisationRecipe(), 1
    )
    told = chain.run(values)[:, -1].astype(np.float64)
    assert np.corrcoef(told, np.log2(values.sum(axis=1)))[0, 1] > 0.99
