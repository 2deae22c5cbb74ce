"""Sums over bins thinned at once, against pixels thinned one by one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from capture.frames import FrameBlock
from capture.thin.setting import Setting, thinned_sensor
from capture.thin.thinned import thinned
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from trainer.choice.tried.reduced_thinning import at_times, thin_reduced
from trainer.corpus.recordings import LabelledCue, Recording
from trainer.corpus.reduced import Reduced
from trainer.recipe import load_recipe

SENSOR = Sensor("bench", 16, 16)
N_FRAMES = 4000
LED, AMBIENT = 300.0, 60.0
RECIPE = load_recipe("dynamic")


def _exposures() -> FrameBlock:
    """Return exposures of even light as the sensor's noise model gives them."""
    rng, gain = np.random.default_rng(4), SENSOR.conversion_gain_dn_per_e
    shape = (N_FRAMES, 16, 16)

    def read(signal: float) -> np.ndarray:
        electrons = rng.poisson(signal / gain, shape)
        electrons = electrons + SENSOR.read_noise_e * rng.standard_normal(shape)
        return np.rint(SENSOR.black_level_counts + gain * electrons).astype(np.uint16)

    index = np.arange(N_FRAMES)
    time_us = (index * SENSOR.frame_period_us).astype(np.int64)
    return FrameBlock(index, time_us, read(LED + AMBIENT), read(AMBIENT), time_us + 300)


def _reduced(block: FrameBlock, bins: Bins) -> Reduced:
    values = bins.run_frames(block.lit, block.dark)
    frames = np.zeros((len(block), 6))
    frames[:, 0] = block.time_us / 1e6
    frames[:, 1] = block.dark.mean(axis=(1, 2))
    recording = Recording(Path("none"), "P01", "unit", "test", False, "digest")
    cue = LabelledCue(30, 90, 0)
    nothing = np.zeros(0, dtype=np.int64)
    return Reduced(recording, values, frames, [cue], [(30, 95)], [40], [80], nothing, nothing)


@pytest.mark.parametrize(
    "setting",
    [
        Setting(0.25),
        Setting(1.0, 0.5),
        Setting(0.5, 0.5, bit_depth=10),
        Setting(0.06, frame_rate_divisor=2),
    ],
)
def test_sums_are_thinned_as_their_pixels_are(setting: Setting) -> None:
    """Mean and variance of a bin's sum are those of the pixels thinned one by one, within 4 %."""
    block, bins = _exposures(), Bins(16, 16, 4, 4)
    quick = thin_reduced(_reduced(block, bins), SENSOR, setting, 16, RECIPE)
    slow = FrameBlock.concatenate(list(thinned([block], SENSOR, setting, np.random.default_rng(9))))
    pixels = bins.run_frames(slow.lit, slow.dark).astype(np.float64)
    assert len(quick.values) == len(pixels)
    assert quick.values.mean() == pytest.approx(pixels.mean(), rel=0.01)
    assert quick.values.var(axis=0).mean() == pytest.approx(pixels.var(axis=0).mean(), rel=0.04)
    assert quick.dark.mean() == pytest.approx(slow.dark.mean(), abs=0.6)


def test_nothing_weaker_changes_nothing() -> None:
    """At the recorded setting sums come back as they are, with cues and movements in place."""
    reduced = _reduced(_exposures()[:200], Bins(16, 16, 4, 4))
    same = thin_reduced(reduced, SENSOR, Setting(), 16, RECIPE)
    assert np.array_equal(same.values, reduced.values)
    assert (same.cues, same.starts, same.ends) == (reduced.cues, reduced.starts, reduced.ends)


def test_movements_stay_at_their_moments_at_a_lower_rate() -> None:
    """With every second frame, a movement begins and ends at the same time of the recording."""
    reduced = _reduced(_exposures()[:200], Bins(16, 16, 4, 4))
    frames = reduced.frames_table[::2]
    moved = at_times(reduced, reduced.values[::2], frames, RECIPE.at(15.0))
    assert (moved.starts, moved.ends) == ([20], [40])
    assert (moved.cues[0].start, moved.cues[0].stop) == (15, 46)
    assert abs(moved.time_s[moved.ends[0]] - reduced.time_s[80]) < 1e-9


def test_the_thinned_sensor_is_what_a_model_is_told_of() -> None:
    """Dark counts follow the sensor's own black level at fewer bits."""
    setting = Setting(0.5, bit_depth=10)
    reduced = thin_reduced(_reduced(_exposures(), Bins(16, 16, 1, 1)), SENSOR, setting, 256, RECIPE)
    after = thinned_sensor(SENSOR, setting)
    assert reduced.dark.mean() == pytest.approx(after.black_level_counts + AMBIENT / 4, abs=0.3)
