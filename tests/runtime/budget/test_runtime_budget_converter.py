"""Energy of conversions and of whole readouts: against published converters and sensors."""

from __future__ import annotations

import pytest

from runtime.budget.inputs.library import Readout, load_parts
from runtime.budget.price.converter import conversion_energy_pj, effective_bits, walden_figure_fj


@pytest.mark.parametrize(
    ("power_w", "rate_hz", "sndr_db", "published_fj"),
    [(84e-9, 200e3, 55.63, 0.850), (510e-9, 200e3, 69.1, 1.094)],
)
def test_walden_figure_of_published_converters(
    power_w: float, rate_hz: float, sndr_db: float, published_fj: float
) -> None:
    """84 nW and 510 nW at 200 kS/s are 0.850 and 1.094 fJ a step.

    ADC Performance Survey (Murmann), rev. 20250609, rows of these power, rate and SNDR.
    """
    assert walden_figure_fj(power_w, rate_hz, sndr_db) == pytest.approx(published_fj, abs=6e-4)


def test_energy_of_a_conversion_is_what_the_converter_draws_over_its_rate() -> None:
    """Figure x 2^bits gives back power over rate, and an ideal 12-bit converter has 12 bits.

    Ideal SNDR is 6.02 N + 1.76 dB (W. Kester, MT-001, Analog Devices, 2009; from memory).
    """
    assert effective_bits(6.02 * 12 + 1.76) == pytest.approx(12.0)
    figure = walden_figure_fj(84e-9, 200e3, 55.63)
    energy = conversion_energy_pj(figure, effective_bits(55.63))
    assert energy == pytest.approx(84e-9 / 200e3 * 1e12)


@pytest.mark.parametrize(
    ("power_w", "frames_hz", "pixels", "published_pj"),
    [
        (71.2e-6, 360, 64 * 64, 48.3),  # a published 64 x 64 sensor (common practice, no source)
        (74.4e-6, 510, 64 * 64, 35.6),  # the same
        (1.12e-3, 120, 160 * 120, 486),  # Sensors 20(11):3101, abstract, 2020
        (1.14e-6, 13, 64 * 64, 21.4),  # IEICE Electronics Express 12:20150711, abstract, 2015
    ],
)
def test_published_sensors_lie_within_the_readout_classes(
    power_w: float, frames_hz: float, pixels: int, published_pj: float
) -> None:
    """Energy per pixel and frame of published sensors lies within a class of the library."""
    energy_pj = power_w / frames_hz / pixels * 1e12
    assert energy_pj == pytest.approx(published_pj, rel=5e-3)
    ranges = []
    for name in ("state-of-the-art", "ordinary"):
        part = load_parts().get(Readout, name)
        ends = [
            getattr(part.pixel_energy, end)
            + conversion_energy_pj(
                getattr(part.walden_figure, end), getattr(part.effective_bits, end)
            )
            for end in ("low", "high")
        ]
        ranges.append(ends)
    assert any(low <= energy_pj <= high for low, high in ranges)


def test_readout_classes_span_common_practice() -> None:
    """State of the art is 10 to 60 pJ in all, ordinary 50 to 500 (common practice, no source)."""
    for name, low, high in (("state-of-the-art", 10, 60), ("ordinary", 50, 500)):
        part = load_parts().get(Readout, name)
        least = conversion_energy_pj(part.walden_figure.low, part.effective_bits.low)
        most = conversion_energy_pj(part.walden_figure.high, part.effective_bits.high)
        assert low <= part.pixel_energy.low + least
        assert part.pixel_energy.high + most <= high
