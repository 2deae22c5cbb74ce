"""Photon transfer: the worked figures of the standard, and flat fields of known making."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest

from capture.emulated.optic.pixels import NON_UNIFORMITY, PixelArray
from capture.frames import FrameBlock
from capture.measure.photon_transfer import (
    LightLevel,
    PhotonTransfer,
    corrected_spatial_variance,
    dark_noise_e,
    decibels,
    draw_curve,
    measure_level,
    photon_transfer,
    quantum_efficiency,
    saturation_snr,
    threshold_e,
)
from runtime.errors import FormatError
from runtime.sensor import Sensor

SENSOR = Sensor(
    "flat", 32, 32, 12, conversion_gain_dn_per_e=0.28, read_noise_e=10.9, full_well_e=13_000.0
)


def test_the_formulas_give_the_published_worked_figures() -> None:
    """The formulas give the worked data set published with EMVA 1288 Release 4.0, linear model.

    Inputs and results are those of the data set of the standard's reference implementation.
    """
    gain = 0.280769280926
    efficiency = quantum_efficiency(0.126726922819, gain)
    assert 100 * efficiency == pytest.approx(45.1356, abs=5e-5)
    variance = 3.07341849276**2
    assert dark_noise_e(variance, gain) == pytest.approx(10.8980, abs=5e-5)
    threshold_photons = threshold_e(variance, gain) / efficiency
    assert threshold_photons == pytest.approx(25.3601, abs=5e-5)
    saturation_e = 30957 * efficiency
    assert saturation_e == pytest.approx(13972.63, abs=0.5)
    assert saturation_snr(saturation_e) == pytest.approx(118.206, abs=2e-3)
    assert decibels(saturation_snr(saturation_e)) == pytest.approx(41.4528, abs=2e-4)
    dynamic_range = 30957 / threshold_photons
    assert dynamic_range == pytest.approx(1220.70, abs=0.02)
    assert decibels(dynamic_range) == pytest.approx(61.7322, abs=2e-4)
    corrected = corrected_spatial_variance(83.4962165406, 553.573746657, 50)
    assert corrected == pytest.approx(72.4247416075, abs=1e-9)


def flat_field(sensor: Sensor, electrons: float, n: int, rng: np.random.Generator) -> FrameBlock:
    pixels = PixelArray(sensor, "unit-a")
    shape = (n, sensor.n_rows, sensor.n_cols)
    wavering = 1.0 + 0.01 * rng.standard_normal((n, 1))  # light that wavers as a whole
    mean = (wavering * electrons * pixels.response + pixels.dark_e).astype(np.float32)
    dark = np.broadcast_to(pixels.dark_e, mean.shape)
    number = np.arange(n, dtype=np.int64)
    return FrameBlock(
        number,
        number,
        pixels.read(mean, rng).reshape(shape),
        pixels.read(dark, rng).reshape(shape),
    )


def series(sensor: Sensor, seed: int, signals: list[float]) -> list[LightLevel]:
    rng = np.random.default_rng(seed)
    return [
        measure_level(flat_field(sensor, electrons, 20, rng), sensor.exposure_us)
        for electrons in signals
    ]


SIGNALS = [*np.linspace(200, 12_500, 14).tolist(), 13_500.0, 15_000.0]


@pytest.fixture(scope="module")
def result() -> PhotonTransfer:
    return photon_transfer(series(SENSOR, 1, SIGNALS), np.random.default_rng(2))


def test_gain_and_noise_of_emulated_flat_fields_are_recovered(result: PhotonTransfer) -> None:
    """Gain comes back within 2 % and read noise within 5 % of what the emulated pixels have."""
    gain, noise = result.conversion_gain_dn_per_e, result.read_noise_e
    assert gain.value == pytest.approx(0.28, rel=0.02)
    assert noise.value == pytest.approx(10.9, rel=0.05)
    assert gain.low < gain.value < gain.high
    assert gain.high - gain.low < 0.04 * gain.value


def test_the_rest_of_the_sheet_is_recovered(result: PhotonTransfer) -> None:
    """Saturation, dynamic range and non-uniformity come back as the pixels were made."""
    assert result.saturation_e is not None
    assert result.dynamic_range is not None
    assert result.snr_max is not None
    assert result.saturation_e.value == pytest.approx(13_000, rel=0.06)
    assert result.dynamic_range.value == pytest.approx(13_000 / 11.4, rel=0.08)
    assert result.snr_max.value == pytest.approx(np.sqrt(13_000), rel=0.04)
    assert result.response_nonuniformity.value == pytest.approx(NON_UNIFORMITY, rel=0.15)
    assert result.dark_signal_e_per_s is None


def test_intervals_cover() -> None:
    """The 95 % interval of the gain holds the true gain in most of repeated measurements."""
    signals = np.linspace(200, 12_000, 8).tolist()
    small = Sensor(
        "flat", 16, 16, 12, conversion_gain_dn_per_e=0.28, read_noise_e=10.9, full_well_e=60_000.0
    )
    covered = 0
    for seed in range(20):
        gain = photon_transfer(
            series(small, seed, signals), np.random.default_rng(seed)
        ).conversion_gain_dn_per_e
        covered += gain.low <= 0.28 <= gain.high
    assert covered >= 15


def test_an_unsaturated_series_says_nothing_of_saturation() -> None:
    """Where no level saturates, saturation and dynamic range are left open."""
    result = photon_transfer(series(SENSOR, 3, SIGNALS[:8]), np.random.default_rng(1))
    assert result.saturation_e is result.dynamic_range is result.snr_max is None
    assert result.conversion_gain_dn_per_e.value == pytest.approx(0.28, rel=0.03)


def test_dark_signal_needs_several_exposures() -> None:
    """With several lengths of exposure the dark signal comes out in electrons per second."""
    levels = []
    rng = np.random.default_rng(6)
    for exposure_us, electrons in zip(np.linspace(1e3, 15e3, 6), SIGNALS[1:7], strict=True):
        sensor = Sensor(
            "flat",
            32,
            32,
            conversion_gain_dn_per_e=0.28,
            exposure_us=float(exposure_us),
            dark_signal_e_per_s=20_000.0,
        )
        block = flat_field(sensor, electrons, 20, rng)
        levels.append(measure_level(block, sensor.exposure_us))
    result = photon_transfer(levels, np.random.default_rng(1))
    assert result.dark_signal_e_per_s is not None
    assert result.dark_signal_e_per_s.value == pytest.approx(20_000, rel=0.03)


def test_a_series_that_cannot_tell_is_refused() -> None:
    """Too few levels, frames or pixels, or no light at all, are refused with the reason."""
    levels = series(SENSOR, 1, SIGNALS[:3])
    with pytest.raises(FormatError, match="number of levels is 3"):
        photon_transfer(levels, np.random.default_rng(1))
    with pytest.raises(FormatError, match="at least 2 frame pairs"):
        measure_level(flat_field(SENSOR, 100.0, 1, np.random.default_rng(1)), 200.0)
    with pytest.raises(FormatError, match="flat-field series"):
        photon_transfer(series(SENSOR, 1, [0.0] * 5), np.random.default_rng(1))


def test_the_curve_is_drawn_the_same_each_time(result: PhotonTransfer, tmp_path: Path) -> None:
    """The curve is an SVG picture, byte for byte the same for the same series."""
    draw_curve(result, tmp_path / "a.svg")
    draw_curve(result, tmp_path / "b.svg")
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert ET.parse(tmp_path / "a.svg").getroot().tag.endswith("svg")  # noqa: S314  # our own file
