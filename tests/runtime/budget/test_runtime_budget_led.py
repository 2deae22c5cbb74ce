"""The LED: voltage that follows the current, ratings of pulses, and light that is stuck on."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from budget_models import CORES, write_folder
from hypothesis import given
from hypothesis import strategies as st

from runtime.budget import Choice, budget
from runtime.budget.inputs.library import Curve, Led, load_parts
from runtime.budget.price.led_rating import led_ratings
from runtime.budget.price.light import screen
from runtime.errors import FormatError

EMITTER = load_parts().get(Led, "ir940-smd")


def _curve(*points: tuple[float, float]) -> Curve:
    currents, volts = zip(*points, strict=True)
    return Curve(current_ma=list(currents), voltage_v=list(volts), source="invented")


def test_between_points_the_voltage_follows_the_logarithm_of_the_current() -> None:
    """At each point it is the point's; half way of a decade in logarithm, the mean of its ends."""
    curve = _curve((1.0, 1.0), (10.0, 1.2), (100.0, 1.5))
    assert [curve.at(x) for x in (1, 10, 100)] == pytest.approx([1.0, 1.2, 1.5])
    assert curve.at(10**1.5) == pytest.approx(1.35)


def test_below_the_points_it_is_a_diode_of_ideality_two() -> None:
    """2 kT/q is 51.4 mV at 298 K, so that a fifth of the current takes 82.7 mV off."""
    kt_q = 1.380649e-23 * 298.15 / 1.602176634e-19
    curve = _curve((100.0, 1.35))
    assert curve.at(20.0) == pytest.approx(1.35 - 2 * kt_q * math.log(5), abs=1e-4)
    assert curve.at(1e-6) > 0.0


def test_above_the_points_the_last_line_goes_on() -> None:
    """A diode's resistance: from 1.7 V at 100 mA and 3.6 V at 1 A, 5.7 V at 2 A."""
    curve = _curve((100.0, 1.7), (1000.0, 3.6))
    assert curve.at(2000.0) == pytest.approx(3.6 + 1.9 / 900 * 1000)
    assert _curve((50.0, 2.1)).at(80.0) == 2.1


@given(
    a=st.floats(0.01, 5000.0),
    b=st.floats(0.01, 5000.0),
    name=st.sampled_from(load_parts().names("led")),
)
def test_voltage_never_falls_with_current(a: float, b: float, name: str) -> None:
    """More current never goes with less forward voltage, and all of it is finite and positive."""
    curve = load_parts().get(Led, name).voltage_points
    low, high = curve.at(min(a, b)), curve.at(max(a, b))
    assert 0.0 < low <= high < math.inf


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        ("current_ma = [1, 1], voltage_v = [1, 2]", "current_ma falls or stands still"),
        ("current_ma = [1, 2], voltage_v = [2, 1]", "voltage_v falls"),
        ("current_ma = [1, 2], voltage_v = [2]", "2 currents and 1 voltages"),
        ("current_ma = [], voltage_v = []", "at least 1"),
        ("current_ma = [0], voltage_v = [1]", "above 0"),
    ],
)
def test_points_that_make_no_curve_are_refused(tmp_path: Path, points: str, reason: str) -> None:
    """Points out of order, unpaired, missing or not positive are one line."""
    own = tmp_path / "own.toml"
    own.write_text(f'[led.ir940-smd]\nvoltage_points = {{ {points}, source = "invented" }}\n')
    with pytest.raises(FormatError, match=reason) as caught:
        load_parts(own)
    assert "line 2" in str(caught.value)


def _values(current_ma: float, exposure_us: float, rate_hz: float) -> dict[str, float]:
    return {
        "sensor.exposure": exposure_us, "driver.settle_time": 0.0, "watching.rate": 5.0,
        "watching.led_current": 20.0, "active.rate": rate_hz, "active.led_current": current_ma,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("current_ma", "exposure_us", "rate_hz", "kept"),
    [
        (100.0, 200.0, 30.0, True),  # what may flow all the time
        (150.0, 100.0, 30.0, True),  # a short pulse, seldom
        (150.0, 101.0, 30.0, False),  # a pulse longer than the rating is told for
        (201.0, 50.0, 30.0, False),  # more than pulses may have
        (150.0, 100.0, 5001.0, False),  # lit more than half of the time
    ],
)
def test_pulses_are_held_against_their_rating(
    current_ma: float, exposure_us: float, rate_hz: float, kept: bool
) -> None:
    """100 mA always, 200 mA for 100 us and half of the time: a pulse beyond these breaks it."""
    assert (EMITTER.direct_current.low, EMITTER.pulse_current.low) == (100, 200)
    watching, active = led_ratings(EMITTER, _values(current_ma, exposure_us, rate_hz))
    assert watching.kept
    assert active.kept is kept
    assert active.to_json()["source"]


def test_leds_in_series_are_held_each_to_its_rating() -> None:
    """Of two, each takes half of the current: 200 mA all the time, which one may not have."""
    for current_ma, n_leds, kept in ((200.0, 1, False), (200.0, 2, True), (201.0, 2, False)):
        _, active = led_ratings(EMITTER, _values(current_ma, 101.0, 30.0), n_leds)
        assert (active.current_ma, active.kept) == (current_ma / n_leds, kept)


def test_a_light_stuck_on_is_screened_by_hand() -> None:
    """16 mW/sr of a 0.2 mm chip at 50 mm, lit all the time, is 4.1 times below the limit.

    On paper: radiance 0.016 / 0.0002^2 = 4e5 W/(m2 sr), weighted with 10^((700 - 940) / 500) =
    0.331; the weak-stimulus limit of IEC 62471:2006 is 6000 over at least 11 mrad, 5.45e5. The
    cornea's 100 W/m2 stand over 0.016 / 0.05^2 = 6.4 W/m2.
    """
    found = screen(940.0, 0.016, 0.2, 205.0, 30.0)
    weighted = 0.016 / 0.0002**2 * 10 ** (-240 / 500)
    assert found.stuck_on_margin == pytest.approx(6000 / 0.011 / weighted)
    assert found.stuck_on_margin == pytest.approx(4.1, abs=0.05)
    assert found.stuck_on_margin < found.margin
    # Nearer, the cornea's limit is the first: 100 W/m2 of 0.016 W/sr are reached at 12.65 mm.
    assert found.stuck_on_closest_mm == pytest.approx(1e3 * math.sqrt(0.016 / 100), rel=1e-6)
    assert found.to_json()["stuck_on"]["margin"] == found.stuck_on_margin


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("led") / "dynamic")


def test_each_states_voltage_is_that_of_its_current(folder: Path) -> None:
    """At 100 mA the emitter has its 1.35 V, at 20 mA in the watching state less, and so priced."""
    data = budget(folder, cores=CORES).to_json()
    inputs, uj = data["inputs"], data["energy_per_frame_uj"]
    assert inputs["active.voltage_ratio"]["typical"] == 1.0
    ratio = inputs["watching.voltage_ratio"]["typical"]
    assert ratio == pytest.approx(EMITTER.voltage_points.at(20.0) / 1.35)
    assert uj["watching"]["LED"] == pytest.approx(20 * 201 * 1.35 * ratio / 1e3)


def test_warmth_of_the_day_moves_dark_signal_and_sleep(folder: Path, tmp_path: Path) -> None:
    """A day at 60 degrees costs more than one at 25, gathers more dark signal, and is told."""
    own = tmp_path / "own.toml"
    own.write_text(
        '[usage.everyday]\ntemperature = { unit = "degC", typical = 60, source = "setting: hot" }\n'
    )
    cool, hot = budget(folder, cores=CORES), budget(folder, cores=CORES, parts=own)
    growth = hot.inputs["mcu.sleep_growth"].typical
    asleep = [b.terms["sleep and standby", "always"] for b in (cool, hot)]
    current = cool.inputs["mcu.sleep_current"].typical * cool.inputs["mcu.supply"].typical
    assert asleep[1] - asleep[0] == pytest.approx(current * (growth**3.5 - 1))
    assert hot.average_uw.typical > cool.average_uw.typical
    doubled = 2 ** (35 / hot.inputs["readout.dark_doubling"].typical)
    assert hot.dark_electrons.typical == pytest.approx(doubled * cool.dark_electrons.typical)
    assert json.loads(json.dumps(hot.to_json()))["dark_electrons"]["typical"] > 0
    assert not any("dark signal" in c for c in hot.cautions)


def test_dark_signal_beside_read_noise_is_told(folder: Path, tmp_path: Path) -> None:
    """Dark electrons that make a tenth of noise more, above 13.4 of a read noise of 8, are told."""
    own = tmp_path / "own.toml"
    for warmth, told in ((81.0, False), (82.0, True)):  # 0.1 electrons at 25 degrees double each 8
        own.write_text(
            f'[usage.everyday]\ntemperature = {{ unit = "degC", typical = {warmth}, '
            'source = "setting: hot" }\n'
            "[readout.state-of-the-art]\n"
            'dark_doubling = { unit = "K", typical = 8, source = "setting: known" }\n'
        )
        found = budget(folder, cores=CORES, parts=own)
        assert found.dark_electrons.typical == pytest.approx(0.1 * 2 ** ((warmth - 25) / 8))
        assert any("dark signal" in c for c in found.cautions) is told


def test_an_led_beyond_its_rating_is_told(folder: Path) -> None:
    """A red LED of 50 mA that is driven at 100 mA for 201 us is said to be beyond its rating."""
    found = budget(folder, cores=CORES, choice=Choice(led="red660-smd"))
    assert any("its rating allows 50 mA in pulses of 201 µs: " in c for c in found.cautions)
    assert any("it may fail" in c for c in found.cautions)
    assert not budget(folder, cores=CORES).cautions


def test_light_is_screened_at_the_stronger_states_current(folder: Path, tmp_path: Path) -> None:
    """Where the watching state drives the LED harder than the active one, its light is screened."""
    own = tmp_path / "own.toml"
    own.write_text(
        "[usage.everyday]\n"
        'watching_led_current = { unit = "mA", typical = 200, source = "setting: strong" }\n'
    )
    usual, strong = budget(folder, cores=CORES), budget(folder, cores=CORES, parts=own)
    assert usual.light.radiant_intensity_w_sr == pytest.approx(0.016)
    assert strong.light.radiant_intensity_w_sr == pytest.approx(0.032)
    assert strong.light.stuck_on_margin == pytest.approx(usual.light.stuck_on_margin / 2)
