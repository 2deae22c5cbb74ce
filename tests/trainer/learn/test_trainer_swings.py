"""Directions of swings: small movements to and fro are found under drift and unrest."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError
from runtime.stages.swing import Swing
from trainer.learn.directions import swing_directions
from trainer.recipe import FeatureRecipe, parse_recipe

FEATURES = FeatureRecipe(
    projection="swing", directions=2, motion=False, swing_frames=5, segments=1, segment_frames=40
)
N_VALUES, N_FRAMES, CUE = 60, 1800, 90
DRIFT, UNREST, TIP = np.linalg.qr(np.random.default_rng(1).normal(size=(N_VALUES, 3)))[0].T


def _recording(seed: int) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int64]]:
    """Return a hand that drifts and is not at rest; in every other cue something small moves too.

    At 30 frames a second the drift is at 0.3 Hz, unrest and movement at 2.2 and 2.6 Hz.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(N_FRAMES)
    moves = (t // CUE) % 2
    wave = 2.0 * np.pi * t[:, None] / 30.0 + rng.uniform(0.0, 2.0 * np.pi, 3)
    x = 20_000.0 * DRIFT * np.sin(0.3 * wave[:, :1]) + 300.0 * UNREST * np.sin(2.2 * wave[:, 1:2])
    x += 150.0 * TIP * np.sin(2.6 * wave[:, 2:]) * moves[:, None]
    x += rng.normal(0.0, 30.0, x.shape)
    ends = np.arange(CUE - 1, N_FRAMES, CUE)
    levelled = np.column_stack([x, rng.normal(0.0, 30.0, N_FRAMES)])
    return np.rint(levelled).astype(np.int32), ends, moves[ends]


def test_swings_of_a_small_movement_are_told_from_those_of_the_whole_hand() -> None:
    """Along the first direction a cue with the movement has many times the energy of one without.

    The movement is half as large as the unrest and a hundredth of the drift, so that most single
    values hardly show it.
    """
    first = swing_directions([_recording(seed) for seed in range(4)], FEATURES)[0]
    levelled, ends, labels = _recording(99)
    stage = Swing(N_VALUES, 5, 0, 32)
    swings = stage.signed(levelled[:, :-1], stage.initial_state())

    def ratios(values: NDArray[np.float64]) -> NDArray[np.float64]:
        energy = np.array([(values[end - 39 : end + 1] ** 2).mean(axis=0) for end in ends])
        return energy[labels == 1].mean(axis=0) / energy[labels == 0].mean(axis=0)

    told = ratios(swings @ first[:, None])[0]
    assert told > 20.0
    assert told > 10.0 * np.median(ratios(swings.astype(np.float64)))


def test_directions_do_not_depend_on_how_bright_a_recording_is() -> None:
    """Twice the values of everything, noise too, teach the same directions."""
    plain = [_recording(seed) for seed in range(3)]
    bright = [(2 * levelled, ends, labels) for levelled, ends, labels in plain]
    one, two = swing_directions(plain, FEATURES), swing_directions(bright, FEATURES)
    cosine = np.sum(one * two, axis=1) / np.linalg.norm(one, axis=1) / np.linalg.norm(two, axis=1)
    np.testing.assert_allclose(np.abs(cosine), 1.0, atol=1e-6)


def test_windows_too_early_for_a_whole_swing_are_refused() -> None:
    """Nothing is learned from windows that end before five runs of frames were seen."""
    levelled, _, _ = _recording(1)
    with pytest.raises(UsageError, match="classes with a whole swing is 0"):
        swing_directions([(levelled, np.array([3, 9]), np.array([0, 1]))], FEATURES)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('projection = "swing"\nmotion = false', "needs swing_frames"),
        ("swing_frames = 5", "motion must be false"),
        ("swing_frames = 33\nmotion = false", "swing_frames"),
    ],
)
def test_a_recipe_that_mixes_swings_and_motion_is_refused(keys: str, message: str) -> None:
    """The error names what does not go together."""
    text = f"""
name = "two"
task = "two"
classes = ["left", "right"]

[features]
{keys}
"""
    with pytest.raises(FormatError, match=message):
        parse_recipe(text, "two")
