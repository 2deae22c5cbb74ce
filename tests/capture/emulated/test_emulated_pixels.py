"""Pixels: the noise that was set is the noise that is measured."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from capture.emulated.optic.optics import SENSORS
from capture.emulated.optic.pixels import NON_UNIFORMITY, QUANTUM_EFFICIENCY, PixelArray

SENSOR = SENSORS["lensless32"]


def _flat(electrons: float, n: int, pixels: PixelArray) -> np.ndarray:
    return np.full((n, pixels.sensor.n_pixels), electrons, np.float32)


def test_photon_transfer_recovers_gain_and_read_noise() -> None:
    """The slope of variance over mean is the gain, and its foot the read noise.

    Source: EMVA Standard 1288 Release 4.0, section 2 (from memory): sigma^2 - sigma_dark^2 =
    K (mu - mu_dark). Limits: gain within 2 %, read noise within 5 %.
    """
    pixels, rng = PixelArray(SENSOR, "flat"), np.random.default_rng(11)
    levels = np.linspace(500.0, 9000.0, 8)
    means, variances = [], []
    for level in (0.0, *levels):
        counts = pixels.read(_flat(level, 64, pixels), rng).astype(np.float64)
        means.append(counts.mean())
        variances.append(counts.var(axis=0, ddof=1).mean())
    gain = np.polyfit(np.array(means) - means[0], np.array(variances) - variances[0], 1)[0]
    rounding = 1.0 / 12.0  # variance of rounding to whole counts
    read_e = np.sqrt(variances[0] - rounding) / gain
    assert gain == pytest.approx(SENSOR.conversion_gain_dn_per_e, rel=0.02)
    assert read_e == pytest.approx(SENSOR.read_noise_e, rel=0.05)


def test_signal_to_noise_grows_as_the_root_of_the_frames_averaged() -> None:
    """Averaging 16 exposures makes the noise 4 times smaller (independent draws)."""
    pixels, rng = PixelArray(SENSOR, "flat"), np.random.default_rng(12)
    counts = pixels.read(_flat(2000.0, 1600, pixels)[:, :256], rng).astype(np.float64)
    single = counts.std(axis=0, ddof=1).mean()
    averaged = counts.reshape(100, 16, -1).mean(axis=1).std(axis=0, ddof=1).mean()
    assert single / averaged == pytest.approx(4.0, rel=0.03)


def test_signal_to_noise_grows_as_the_root_of_the_light() -> None:
    """Where shot noise rules, four times the light doubles the signal-to-noise ratio."""
    pixels, rng = PixelArray(SENSOR, "flat"), np.random.default_rng(13)

    def snr(electrons: float) -> float:
        counts = pixels.read(_flat(electrons, 200, pixels), rng).astype(np.float64)
        return float((counts.mean() - SENSOR.black_level_counts) / counts.std(axis=0).mean())

    assert snr(12_000.0) / snr(3_000.0) == pytest.approx(2.0, rel=0.03)


def test_electrons_are_photons_times_quantum_efficiency() -> None:
    """The power of 10,000 photons in one exposure gives 10,000 x QE electrons.

    Source: photon energy h c / lambda, 2.113e-19 J at 940 nm, from the exact SI constants.
    """
    pixels = PixelArray(SENSOR, "flat")
    power = 10_000 * 2.113e-19 / (SENSOR.exposure_us * 1e-6)
    light = pixels.electrons(np.full((1, SENSOR.n_pixels), power, np.float32)) - pixels.dark_e
    assert light.mean() == pytest.approx(10_000 * QUANTUM_EFFICIENCY, rel=2e-3)


def test_dark_counts_are_black_level_plus_dark_signal() -> None:
    """Without light the mean is the offset and the dark electrons; both scale as they should."""
    sensor = dataclasses.replace(SENSOR, exposure_us=16_000.0, dark_signal_e_per_s=5_000.0)
    pixels, rng = PixelArray(sensor, "flat"), np.random.default_rng(14)
    none = np.zeros((200, sensor.n_pixels), np.float32)
    counts = pixels.read(pixels.electrons(none), rng)
    expected = 64 + 0.25 * 5_000.0 * 0.016
    assert counts.mean() == pytest.approx(expected, abs=0.4)


def test_saturation_holds_at_the_full_well() -> None:
    """However much light, no pixel goes past its full well or the ADC's range."""
    pixels, rng = PixelArray(SENSOR, "flat"), np.random.default_rng(15)
    counts = pixels.read(_flat(1e6, 4, pixels), rng)
    assert set(np.unique(counts)) == {64 + round(16_000.0 * 0.25)}
    wide = PixelArray(dataclasses.replace(SENSOR, full_well_e=1e6), "flat")
    assert wide.read(_flat(1e6, 4, wide), rng).min() == SENSOR.max_counts


def test_response_is_fixed_for_a_unit_and_differs_between_units() -> None:
    """Photo response non-uniformity is about the set share, and belongs to the unit."""
    a, again, b = (PixelArray(SENSOR, unit).response for unit in ("a", "a", "b"))
    np.testing.assert_array_equal(a, again)
    assert not np.array_equal(a, b)
    assert a.std() == pytest.approx(NON_UNIFORMITY, rel=0.1)


def test_the_same_generator_gives_the_same_counts() -> None:
    """Noise comes from the generator alone."""
    pixels = PixelArray(SENSOR, "flat")
    first, second = (pixels.read(_flat(300.0, 3, pixels), np.random.default_rng(9)) for _ in "ab")
    np.testing.assert_array_equal(first, second)
    assert first.dtype == np.uint16
