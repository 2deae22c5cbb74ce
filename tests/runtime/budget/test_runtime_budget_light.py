"""Screening of LED light against published exposure limits."""

from __future__ import annotations

import pytest

from runtime.budget.price.light import (
    CAUTION,
    blue_limit,
    blue_weight,
    cornea_limit,
    retina_limit,
    retina_weight,
    screen,
)
from runtime.errors import UsageError


def test_cornea_and_lens_limit() -> None:
    """18000 t^-0.75, then 100 W/m2: ICNIRP 2013, Health Phys. 105(1):74-96, infrared limits."""
    for seconds, published in ((7, 4182.6), (10, 3200.9), (100, 569.2)):
        assert cornea_limit(seconds) == pytest.approx(published, abs=0.05)
    assert cornea_limit(1000) == cornea_limit(28_800) == 100.0


def test_retinal_weighting() -> None:
    """R is 1 from 500 to 700 nm, 0.5012 at 850 and 0.3311 at 940 (ICNIRP 2013, table 2)."""
    assert retina_weight(500) == retina_weight(660) == 1.0
    assert retina_weight(850) == pytest.approx(0.5012, abs=5e-5)
    assert retina_weight(940) == pytest.approx(0.3311, abs=5e-5)
    with pytest.raises(UsageError, match="wavelength"):
        retina_weight(450)


def test_weak_stimulus_limit_is_the_stricter_of_two_editions() -> None:
    """6000 / alpha of IEC 62471:2006 is below 6300 / alpha of ICNIRP 2013 (equation 9, erratum)."""
    assert retina_limit(1000, 0.05, visible=False) == pytest.approx(6000 / 0.05)
    assert retina_limit(5, 0.05, visible=False) == pytest.approx(2e4 * 5**-0.25 / 0.05)
    assert retina_limit(1000, 0.05, visible=True) == pytest.approx(2.8e4 / 0.05)
    at_100_s = retina_limit(99.999, 0.05, visible=False)  # the two branches meet at 100 s
    assert at_100_s <= 6000 / 0.05


def test_irradiance_of_an_emitter_array() -> None:
    """40 emitters of 0.011 W/sr at 0.12 m give 30.56 W/m2: intensity over distance squared."""
    found = screen(940, 40 * 0.011, 10.0, 1e6, 1.0, distances_mm=(120,), viewing_s=(7.0,))
    assert found.glances[0].irradiance_w_m2 == pytest.approx(30.56, abs=0.005)
    assert found.glances[0].cornea_limit_w_m2 == pytest.approx(4182.6, abs=0.05)


def test_pulses_are_averaged() -> None:
    """Half the pulse rate halves the mean irradiance, and leaves the single pulse as it is."""
    once, half = (screen(940, 0.02, 0.3, 200, rate) for rate in (60, 30))
    assert half.glances[0].irradiance_w_m2 == pytest.approx(once.glances[0].irradiance_w_m2 / 2)
    assert half.pulse_margin == once.pulse_margin


def test_closest_distance_is_where_the_margin_is_one() -> None:
    """Nearer than the distance told a limit is passed, farther none is."""
    found = screen(940, 2.0, 3.0, 1000, 200)
    for factor, passes in ((0.98, True), (1.02, False)):
        again = screen(940, 2.0, 3.0, 1000, 200, distances_mm=(found.closest_mm * factor,))
        assert (again.margin < 1.0) is passes


def test_red_light_is_held_against_the_ordinary_retinal_limit_alone() -> None:
    """At 660 nm no infrared limit applies, and the retinal limit is that of visible light."""
    glance = screen(660, 0.02, 0.3, 200, 30).glances[0]
    assert glance.cornea_limit_w_m2 is None
    assert glance.retina_limit_w_m2_sr == retina_limit(glance.seconds, 0.3 / 50, visible=True)


def test_visible_light_is_held_against_the_blue_light_limit_too() -> None:
    """1e6 / t up to 10,000 s, then 100 W/(m2 sr) (ICNIRP 2013 and IEC 62471:2006, 4.3.3).

    B is 0.1 at 500, 0.001 from 600 to 700 nm (ICNIRP 2013, table 2; from memory).
    """
    assert (blue_limit(10.0), blue_limit(9_999.0)) == (1e5, pytest.approx(100.01, abs=0.005))
    assert blue_limit(28_800.0) == 100.0
    assert blue_weight(500) == pytest.approx(0.1)
    assert blue_weight(600) == blue_weight(660) == pytest.approx(0.001)
    assert blue_weight(701) == 0.0
    green = screen(520, 0.02, 0.3, 200, 30, distances_mm=(50,), viewing_s=(28_800.0,))
    weighted = 10 ** (-70 / 50) * 0.02 * 200e-6 * 30 / 0.3e-3**2
    assert green.glances[0].blue_radiance_w_m2_sr == pytest.approx(weighted)
    assert green.margin == pytest.approx(100.0 / weighted)
    assert screen(940, 0.02, 0.3, 200, 30).glances[0].blue_radiance_w_m2_sr == 0.0


def test_two_distances_by_hand() -> None:
    """13 mW/sr at 940 nm, 205 us at 30 Hz, a chip of 0.2 mm, at 50 and 200 mm, step by step.

    Limits: ICNIRP 2013 and IEC 62471:2006 as above; at 200 mm the chip is smaller than 1.5 mrad.
    """
    found = screen(940, 0.013, 0.2, 205, 30, distances_mm=(50, 200), viewing_s=(10.0, 1000.0))
    near, _, far, _ = found.glances
    assert near.irradiance_w_m2 == pytest.approx(0.013 * 205e-6 * 30 / 0.05**2)
    assert near.irradiance_w_m2 == pytest.approx(0.03198)
    assert far.irradiance_w_m2 == pytest.approx(0.03198 / 16)
    assert near.radiance_w_m2_sr == pytest.approx(0.33113 * 7.995e-5 / 0.2e-3**2, rel=1e-4)
    assert far.radiance_w_m2_sr == pytest.approx(0.33113 * 7.995e-5 / 0.3e-3**2, rel=1e-4)
    assert near.retina_limit_w_m2_sr == pytest.approx(6000 / 0.011)
    pulse = 2e4 * 205e-6**-0.25 / 0.004 / (0.33113 * 0.013 / 0.2e-3**2)  # 4 mrad at 50 mm
    assert found.pulse_margin == found.margin == pytest.approx(pulse, rel=1e-4)


def test_caution_travels_with_the_numbers() -> None:
    """Whoever reads the JSON reads that it is a screening estimate and needs IEC 62471."""
    found = screen(940, 0.02, 0.3, 200, 30).to_json()
    assert found["caution"] == CAUTION
    assert "IEC 62471" in CAUTION
