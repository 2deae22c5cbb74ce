"""Copies under another name that hold their original's noise."""

from __future__ import annotations

import numpy as np
import pytest

from capture.measure.readiness import near_copies
from capture.measure.shared_noise import LEAST_FRAMES, find_shared_noise
from capture.measure.signs import N_SIGNS, Signs
from runtime.sensor import Sensor

SENSOR = Sensor("bench", 8, 8, frame_rate_hz=30.0)
N_FRAMES = 900
PEOPLE = ["P01", "P02", "P03"]


def recording(seed: int, n_frames: int = N_FRAMES) -> np.ndarray:
    """Mean dark and lit exposures: flicker and hands on cue for all, noise of one's own."""
    rng = np.random.default_rng(seed)
    frame = np.arange(n_frames)
    values = np.zeros((n_frames, N_SIGNS))
    flicker = 0.5 * np.sin(2 * np.pi * frame / 7.3)
    values[:, 0] = 70 + flicker + rng.normal(0, 0.2, n_frames)
    hand = np.where(frame % 60 > 30, rng.uniform(100, 300, n_frames // 60 + 1)[frame // 60], 0.0)
    values[:, 1] = values[:, 0] + hand + rng.normal(0, 0.3, n_frames)
    return values


def signs(values: np.ndarray, time_s: np.ndarray | None = None) -> Signs:
    return Signs(SENSOR, values, np.arange(len(values)) / 30.0 if time_s is None else time_s)


def noisier(values: np.ndarray, seed: int, gain: float = 1.0) -> np.ndarray:
    return gain * values + np.random.default_rng(seed).normal(0, 0.2, values.shape)


@pytest.mark.parametrize("cut", [slice(None), slice(3, None), slice(0, 500), slice(400, None)])
@pytest.mark.parametrize("gain", [1.0, 0.8])
def test_a_copy_is_found_by_noise_that_was_left(cut: slice, gain: float) -> None:
    """As much noise again, another gain and frames cut off hide no copy."""
    one = recording(1)
    three = [signs(one), signs(recording(2)), signs(noisier(one[cut], 5, gain))]
    (found,) = find_shared_noise(PEOPLE, three)
    assert (found.first, found.second) == (0, 2)
    assert 0.1 < found.share < 0.9
    assert find_shared_noise(["P01", "P02", "P01"], three) == []
    (caution,) = near_copies(PEOPLE, ["a", "b", "c"], three)
    assert "a and c change alike from frame to frame (" in caution.text
    assert caution.value == pytest.approx(found.share, abs=1e-6)


def test_frames_left_out_hide_no_copy() -> None:
    """What is compared lies on the sensor's clock, so that every tenth frame may be missing."""
    one = recording(1)
    kept = np.flatnonzero(np.arange(N_FRAMES) % 10 != 4)
    thinner = signs(one[kept], kept / 30.0)
    (found,) = find_shared_noise(PEOPLE[:2], [signs(one), thinner])
    assert found.share > 0.5


def test_a_copy_that_runs_backwards_is_found() -> None:
    """Time turned round, noise added and another gain hide no copy."""
    one = recording(1)
    three = [signs(one), signs(recording(2)), signs(noisier(one[::-1], 5, 0.8))]
    (found,) = find_shared_noise(PEOPLE, three)
    assert (found.first, found.second) == (0, 2)


def test_a_copy_is_found_where_every_second_frame_is_missing() -> None:
    """No two frames on end are left: steps over the gaps hold the noise of their ends."""
    one, kept = recording(1, 3 * N_FRAMES), np.arange(0, 3 * N_FRAMES, 2)
    copy = signs(noisier(one[kept], 5), kept / 30.0)
    (found,) = find_shared_noise(PEOPLE[:2], [signs(one), copy])
    assert 0.1 < found.share < 0.9


def test_people_under_one_lamp_and_led_by_the_same_cues_share_no_noise() -> None:
    """Flicker in step, hands that come at the same times and an empty sensor are no copies."""
    many = [signs(recording(seed)) for seed in range(12)]
    assert find_shared_noise([f"P{i}" for i in range(12)], many) == []
    still = np.zeros((N_FRAMES, N_SIGNS))
    assert find_shared_noise(PEOPLE[:2], [signs(still), signs(still)]) == []
    assert find_shared_noise([], []) == []


def test_short_recordings_are_not_judged() -> None:
    """Below 256 frames, a few seconds of flicker are as alike as copies are."""
    one = recording(1, LEAST_FRAMES)
    assert find_shared_noise(PEOPLE[:2], [signs(one), signs(one)])[0].share > 0.95
    assert find_shared_noise(PEOPLE[:2], [signs(one), signs(one[1:])]) == []
