"""The LED's drift and rms, told apart from a hand that moves."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from capture.frames import FrameBlock
from capture.measure.led import LedStability, LedWatch
from capture.measure.quality import Quality, quality_faults
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 24, 20, conversion_gain_dn_per_e=0.25, read_noise_e=8.0)


def session(
    n: int = 2400, drift: float = 0.0, rms: float = 0.0, flicker: float = 0.0, seed: int = 1,
    hot: int = 0,
) -> FrameBlock:  # fmt: skip
    """Return readouts of a steady pattern and of a hand of 8 patterns that wanders and gestures.

    The light scales all of it; pixels have the photon and read noise that the sensor states, and
    `hot` of them as much dark signal as half their range.
    """
    rng = np.random.default_rng(seed)
    n_pixels = SENSOR.n_pixels
    steady = 60.0 * rng.gamma(4.0, 0.25, n_pixels)
    patterns = rng.gamma(2.0, 0.5, (8, n_pixels))
    wander = np.cumsum(rng.normal(0.0, 1.5, (n, 8)), axis=0)
    gestures = 250.0 * (np.sin(np.arange(n)[:, None] / 25.0 + np.arange(8)) > 0.9)
    hand = np.abs(wander + 20.0) + gestures
    led = (1.0 + drift * np.linspace(0.0, 1.0, n)) * (1.0 + rms * rng.standard_normal(n))
    ambient = 200.0 * rng.gamma(4.0, 0.25, n_pixels)
    waver = 1.0 + flicker * rng.standard_normal((2, n, 1))
    gain = SENSOR.conversion_gain_dn_per_e
    own = np.where(np.arange(n_pixels) < hot, SENSOR.max_counts / 2, 0.0)

    def counts(mean: np.ndarray) -> np.ndarray:
        mean = mean + own
        sigma = np.sqrt(gain * mean + (gain * SENSOR.read_noise_e) ** 2)
        noisy = SENSOR.black_level_counts + mean + sigma * rng.standard_normal(mean.shape)
        whole = np.clip(np.rint(noisy), 0, SENSOR.max_counts).astype(np.uint16)
        return whole.reshape(n, SENSOR.n_rows, SENSOR.n_cols)

    lit = led[:, None] * (steady + hand @ patterns) + ambient * waver[0]
    number = np.arange(n, dtype=np.int64)
    return FrameBlock(number, 33_333 * number, counts(lit), counts(ambient * waver[1]))


def watched(block: FrameBlock, size: int = 256) -> LedStability:
    watch = LedWatch(SENSOR)
    for start in range(0, len(block), size):
        watch.add(block[start : start + size])
    return watch.result()


@pytest.mark.parametrize("drift", [-0.2, -0.05, 0.0, 0.15])
def test_drift_is_that_of_the_led_and_not_of_the_hand(drift: float) -> None:
    """Drift comes back within 3 %, whatever the hand did, and its error is of that size."""
    for seed in (1, 2, 3):
        found = watched(session(drift=drift, seed=seed))
        assert found.drift is not None
        assert found.drift == pytest.approx(drift, abs=0.03)
        assert 0.0005 < found.drift_error < 0.03


@pytest.mark.parametrize("rms", [0.0, 0.01, 0.03])
def test_rms_is_that_of_the_led_and_not_of_hand_noise_or_lamp(rms: float) -> None:
    """Variation from pulse to pulse comes back through movement, noise and a flickering lamp."""
    for flicker in (0.0, 0.05):
        found = watched(session(rms=rms, flicker=flicker))
        assert found.rms is not None
        assert 0.85 * rms <= found.rms < rms + 0.01
        assert rms < found.rms + 2.0 * found.rms_error < rms + 0.02


def test_a_few_pixels_of_much_dark_signal_do_not_hide_a_lamp() -> None:
    """What flickers is told from the LED though three pixels are bright in every dark exposure."""
    found = watched(session(rms=0.01, flicker=0.1, hot=3))
    assert found.rms == pytest.approx(0.01, abs=0.01)


def test_a_session_too_short_says_so() -> None:
    """Too few readouts give no drift, and fewer than three no rms."""
    assert watched(session(300)).drift is None
    assert watched(session(300)).rms is not None
    assert watched(session(300)[:2]) == LedStability(None, 0.0, None, 0.0)
    assert LedWatch(SENSOR).result() == LedStability(None, 0.0, None, 0.0)


def test_no_light_gives_no_drift() -> None:
    """A sensor whose LED is off has no drift to tell, and nothing is divided by nothing."""
    block = session()
    for lit in (block.dark, np.zeros_like(block.dark)):
        dark = FrameBlock(block.sequence, block.time_us, lit, lit)
        assert watched(dark).drift is None


def test_how_the_readouts_are_cut_does_not_change_the_drift() -> None:
    """Drift is the same however the readouts come in blocks, and gaps do no harm."""
    block = session(1200)
    whole, pieces = watched(block, 1200), watched(block, 16)
    assert whole.drift == pytest.approx(pieces.drift, abs=1e-9)
    kept = np.flatnonzero(np.arange(1200) % 7)
    gappy = FrameBlock(block.sequence[kept], block.time_us[kept], block.lit[kept], block.dark[kept])
    assert watched(gappy).rms is not None


def test_the_verdict_uses_them() -> None:
    """An LED that drifts beyond doubt, or varies, makes a session unfit, and it says why."""
    fit = Quality(2400, 80.0, 0, 30.0, 0.0, 0.0, 400.0, 70.0, 6.0, 0.0, n_takes=10)
    steady = dataclasses.replace(fit, led_drift=-0.14, led_drift_error=0.03, led_rms=0.01)
    assert quality_faults(steady, SENSOR) == ()
    (reason,) = quality_faults(dataclasses.replace(steady, led_drift_error=0.01), SENSOR)
    assert "LED's light changed by -14% from start to end" in reason
    (reason,) = quality_faults(dataclasses.replace(steady, led_rms=0.08), SENSOR)
    assert "8.0% rms from pulse to pulse" in reason
    unsure = dataclasses.replace(steady, led_rms=0.08, led_rms_error=0.02)
    assert quality_faults(unsure, SENSOR) == ()


def test_an_unlit_scene_says_how_little_it_tells() -> None:
    """Where little light comes back, noise is neither told as the LED's nor as its absence."""
    rng = np.random.default_rng(4)
    mean = np.array([70.0, 64.0]).reshape(2, 1, 1, 1)
    lit, dark = np.rint(rng.normal(mean, 2.2, (2, 2400, 24, 20))).astype(np.uint16)
    number = np.arange(2400, dtype=np.int64)
    found = watched(FrameBlock(number, 33_333 * number, lit, dark))
    assert found.rms is not None
    assert found.rms - 2.0 * found.rms_error < 0.0 < 0.005 < found.rms + 2.0 * found.rms_error
