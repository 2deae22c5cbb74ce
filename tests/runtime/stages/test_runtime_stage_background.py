"""What becomes background, and when."""

from __future__ import annotations

import dataclasses

import numpy as np

from runtime.stages.passive.background import Background

STAGE = Background(4, 2, 3, 11, 1, 2, 0, 0, (4, 7, 12), 16)
RNG = np.random.default_rng(4)


def fronts(values: np.ndarray) -> np.ndarray:
    y, _ = STAGE.run(np.rint(values).astype(np.int32), STAGE.initial_state())
    return y


def still(n_frames: int, level: float = 5000.0) -> np.ndarray:
    return level + RNG.normal(0.0, 20.0, (n_frames, 4))


def test_slow_light_becomes_background() -> None:
    """A drift of a hundredth of the noise a frame stays within a few times the noise."""
    drift = np.arange(2000)[:, None] * np.array([0.2, -0.2, 0.0, 0.0])
    assert np.abs(fronts(still(2000) + drift)[100:, :4]).max() < 120


def test_a_bag_stands_in_front_and_then_no_more() -> None:
    """What comes and is still is less than half within twice the frames of the second shift."""
    bag = np.where(np.arange(700)[:, None] >= 100, 900.0, 0.0)
    y = fronts(still(700) + bag)[:, 0]
    assert y[110] > 800 and y[100 + 256] < 900 * 0.45 and abs(y[-1]) < 100


def test_who_moves_stays_in_front() -> None:
    """What comes and moves has hardly faded after as many frames as make a bag disappear."""
    person = np.zeros((700, 4))
    person[100:, 0] = 900.0 + 300.0 * RNG.standard_normal(600)
    y = fronts(still(700) + person)[:, 0]
    assert y[-50:].mean() > 900 * 0.75


def test_unrest_is_told_for_the_noise_of_the_place() -> None:
    """Twice as much noise tells more noise and no more unrest; movement tells more unrest."""
    quiet, noisy = fronts(still(300)), fronts(5000.0 + 2.0 * (still(300) - 5000.0))
    assert noisy[-1, 4] - quiet[-1, 4] > 32  # an octave is 64
    moving = still(300)
    moving[200:] += 400.0 * RNG.standard_normal((100, 4))
    assert fronts(moving)[-1, 5] > quiet[-1, 5] + 64 and abs(noisy[-1, 5]) < 64


def test_what_a_sensor_sees_before_its_exposure_is_set_is_forgotten() -> None:
    """Frames that are saturated at the start, eight at most, leave no ghost behind."""
    values = still(60)
    values[:8] = [65_535.0, 0.0, 30_000.0, 9_000.0]
    y = fronts(values)
    assert np.abs(y[40:, :4]).max() < 60
    assert abs(y[-1, 5]) < 64  # and the place at rest is not taken for one that is never still


def test_less_than_anybody_makes_becomes_background_in_any_noise() -> None:
    """A change of the light far above the noise is followed quickly below the least, else not."""
    light = np.where(np.arange(200)[:, None] >= 100, 400.0, 0.0)
    values = np.rint(5000.0 + light + RNG.normal(0.0, 1.0, (200, 4))).astype(np.int32)
    for least, gone in ((1700, True), (700, False)):
        stage = dataclasses.replace(STAGE, near_least=least, shifts=(4, 12, 12))
        y, _ = stage.run(values, stage.initial_state())
        assert (abs(y[-1, 0]) < 20) == gone


def test_the_longest_quick_mean_is_of_as_many_frames_as_it_says() -> None:
    """A shift of five takes in a thirty-second of a step, however little was seen at the start."""
    stage = dataclasses.replace(STAGE, quick_shift=5, unrest_shift=5)
    values = np.where(np.arange(60)[:, None] >= 40, 3200, np.zeros((1, 4), np.int64))
    y, _ = stage.run(values.astype(np.int32), stage.initial_state())
    assert y[40, :4].tolist() == [100] * 4


def test_switched_light_begins_anew_where_nothing_stands_in_front() -> None:
    """A step of all light by half an octave leaves no ghost, by a whole one or with somebody does.

    Steps of whole octaves are those of an exposure.
    """
    stage = dataclasses.replace(STAGE, octave_bits=6, near_least=200, shifts=(7, 12, 12))
    for octaves, person, ghost in (
        (0.5, 0, False),
        (-2.6, 0, False),
        (1.0, 0, True),
        (0.5, 1, True),
    ):
        values = 5000.0 + RNG.normal(0.0, 4.0, (160, 4))
        values[:, 3] = 640.0
        values[80:, 0] += 900.0
        values[80:, 3] += 64.0 * octaves
        values[60:, 1] += 700.0 * person
        y, _ = stage.run(np.rint(values).astype(np.int32), stage.initial_state())
        assert (abs(y[-1, 0]) > 400) == ghost
