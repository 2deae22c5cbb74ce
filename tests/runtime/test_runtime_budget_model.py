"""The power model, its uncertainty, the host verdict: against handbooks and other libraries."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from statsmodels.stats.power import TTestIndPower

from runtime.budget.advice import what_would_halve
from runtime.budget.host import detection_power, judge, runs_needed, smallest_difference
from runtime.budget.inputs import Input
from runtime.budget.parts import KINDS, load_parts
from runtime.budget.power import PARTS, STATES, average_power, battery_use, frame_energy
from runtime.budget.uncertainty import draw, interval_of, sensitivity, typical_values
from runtime.errors import FormatError, UsageError

NAMES = {
    "mcu": "stm32u575", "led": "ir940-smd", "driver": "switched", "regulator": "buck",
    "readout": "state-of-the-art", "host": "watch", "usage": "everyday",
}  # fmt: skip


def _fixed(name: str, value: float) -> Input:
    return Input(name, "1", value, value, value, "setting", "chosen for the test")


def _inputs() -> dict[str, Input]:
    """A complete set of inputs from the library and a 32 x 32 sensor."""
    library = load_parts()
    found: dict[str, Input] = {}
    for kind, name in NAMES.items():
        found |= library.get(KINDS[kind], name).inputs(kind)
    for group, name in (("sensor_link", "spi"), ("host_link", "i2c")):
        found |= library.get(KINDS["link"], name).inputs(group)
    for name, value in {
        "sensor.exposure": 200, "sensor.bits": 12, "active.rate": 30, "watching.rate": 5,
        "active.led_current": 100, "watching.led_current": 20, "active.pixels": 1024,
        "watching.pixels": 256, "active.cycles": 20_000, "watching.cycles": 2_000,
    }.items():  # fmt: skip
        found[name] = _fixed(name, value)
    return found


def _typical(**changes: float) -> dict[str, Any]:
    values: dict[str, Any] = typical_values(_inputs())
    values.update({key.replace("__", "."): value for key, value in changes.items()})
    return values


def _total(values: dict[str, Any]) -> float:
    return float(sum(average_power(values).values()))


def test_led_energy_is_charge_times_voltage_over_efficiency() -> None:
    """LED and driver together take charge x forward voltage / driver efficiency."""
    energy = frame_energy(_typical(driver__settle_time=0.0), "active")
    joules = 0.1 * 200e-6 * 1.35 / 0.82
    assert energy["LED"] + energy["LED driver"] == pytest.approx(joules * 1e6)


def test_readout_is_linear_in_pixels_read() -> None:
    """Readout energy grows in proportion to pixels read (common practice, no source)."""
    energies = [
        frame_energy(_typical(active__pixels=n), "active")["pixel readout"] for n in (1, 64, 4096)
    ]
    assert energies[1] == pytest.approx(64 * energies[0])
    assert energies[2] == pytest.approx(4096 * energies[0])


def test_readout_of_a_small_array_matches_common_practice() -> None:
    """1,024 pixels x 30/s x 50 pJ is 1.54 uW per exposure (common practice, no source)."""
    values = _typical(readout__pixel_energy=50.0, readout__conversion_energy=0.0)
    per_exposure = frame_energy(values, "active")["pixel readout"] * 30 / 2
    assert per_exposure == pytest.approx(1.54, abs=0.005)


def test_total_agrees_with_a_second_calculation_by_hand() -> None:
    """Written out anew in SI units from the inputs alone, the average agrees to 0.1 %."""
    v = _typical()

    def si(key: str, factor: float) -> float:
        return float(v[key]) * factor

    volts, hertz = v["mcu.supply"], v["mcu.clock"] * 1e6
    amps = si("mcu.run_current", 1e-6) * v["mcu.clock"] * v["mcu.derating"]
    day = 0.0
    active = 60 * v["usage.hand_present"] + v["usage.hold_time"] * (
        v["usage.visits"] + v["usage.false_wakes"] * v["usage.on_time"]
    )
    for state, seconds in (("active", active), ("watching", 86400 - active)):
        pulse = si("sensor.exposure", 1e-6) + si("driver.settle_time", 1e-6)
        px = 2 * v[f"{state}.pixels"]
        each = max(si("readout.pixel_time", 1e-6), 12 / si("sensor_link.bit_rate", 1e6))
        on = si("readout.start_up_time", 1e-6) + 2 * pulse + px * each
        led = si(f"{state}.led_current", 1e-3) * pulse * v["led.forward_voltage"]
        rail = (
            px * (si("readout.pixel_energy", 1e-12) + si("readout.conversion_energy", 1e-12))
            + px * 12 * si("sensor_link.bit_energy", 1e-12)
            + si("readout.bias_power", 1e-6) * on
            + v[f"{state}.cycles"] / hertz * amps * volts
            + si("mcu.wait_current", 1e-6) * volts * on
            + si("mcu.wake_up_time", 1e-6) * amps * volts
        )
        frame = led / v["driver.efficiency"] + rail / v["regulator.efficiency"]
        day += frame * v[f"{state}.rate"] * seconds
    always = (
        si("mcu.sleep_current", 1e-6) * volts
        + si("readout.idle_power", 1e-6)
        + si("sensor_link.standby_power", 1e-6)
        + si("host_link.standby_power", 1e-6)
    )
    events = (
        v["usage.gestures"] * v["usage.hand_present"] / 60 * si("host_link.message_energy", 1e-6)
    )
    boots = v["usage.cold_starts"] * si("usage.start_up_time", 1e-3) * amps * volts
    day += (always * 86400 + events + boots) / v["regulator.efficiency"]
    quiescent = si("regulator.quiescent_current", 1e-6) + si("driver.quiescent_current", 1e-6)
    day += quiescent * v["host.battery_voltage"] * 86400
    assert _total(v) == pytest.approx(day / 86400 * 1e6, rel=1e-3)


def test_everyday_use_stays_under_100_microwatts() -> None:
    """Half an hour of hand and 200 gestures a day cost less than 100 uW, nothing left out."""
    power = average_power(_typical())
    assert set(power) == {(p, s) for p in PARTS for s in STATES}
    assert all(sum(power[p, s] for s in STATES) > 0 for p in PARTS)
    assert 10 < sum(power.values()) < 100


@pytest.mark.parametrize(
    "key", ["active.cycles", "active.pixels", "watching.rate", "mcu.sleep_current", "usage.visits"]
)
def test_power_grows_with_every_load(key: str) -> None:
    """Doubling a load never lowers the average."""
    v = _typical()
    assert _total({**v, key: 2 * v[key]}) > _total(v)


def test_battery_use_is_energy_over_capacity() -> None:
    """1 mW all day is 24 mWh: 2 % of a 1.2 Wh battery, 6.23 mAh at 3.85 V."""
    use = battery_use(1000.0, _typical())
    assert use["percent_per_day"] == pytest.approx(2.0)
    assert use["mah_per_day"] == pytest.approx(24 / 3.85)


def test_sample_sizes_of_the_handbook() -> None:
    """Effects of 0.2, 0.5, 0.8 need 393, 64, 26 a group: Cohen (1988), table 2.4.1, 5 %, 80 %.

    The handbook rounds; the smallest whole number that reaches 80 % may be one more.
    """
    for effect, published in ((0.2, 393), (0.5, 64), (0.8, 26)):
        assert runs_needed(effect) in (published, published + 1)


@pytest.mark.parametrize("effect", [0.03, 0.1, 0.35, 1.0, 2.0])
def test_sample_sizes_agree_with_another_library(effect: float) -> None:
    """The number of runs is that of statsmodels' TTestIndPower, solved for n and rounded up."""
    n = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8, alternative="two-sided")
    assert runs_needed(effect) == max(2, math.ceil(float(np.squeeze(n))))


def test_smallest_difference_inverts_the_sample_size() -> None:
    """At n runs the smallest detectable difference has 80 % power, near 2.8 sigma sqrt(2/n)."""
    for n in (5, 30, 400):
        found = smallest_difference(2.0, n)
        assert detection_power(found / 2.0, n) == pytest.approx(0.8, abs=1e-9)
    assert smallest_difference(2.0, 400) == pytest.approx(2.8 * 2.0 * math.sqrt(2 / 400), rel=0.01)


def _verdict(added_uw: float, spread_mw: float, wide: float = 0.0) -> Any:
    spread = np.linspace(1 - wide, 1 + wide, 101)
    use = {key: (1.0, np.ones(3)) for key in ("hours_lost", "percent_per_day", "mah_per_day")}
    return judge(
        (added_uw, added_uw * spread), (spread_mw, np.full(101, spread_mw)), use, 30, "a watch"
    )


def test_verdict_is_monotonic_in_added_power_and_spread() -> None:
    """More added power never needs more runs; more spread never needs fewer."""
    by_power = [_verdict(p, 1.0).runs.typical for p in (1, 10, 100, 1000, 10_000)]
    assert by_power == sorted(by_power, reverse=True)
    by_spread = [_verdict(100.0, s).runs.typical for s in (0.1, 1.0, 10.0)]
    assert by_spread == sorted(by_spread)


def test_verdict_words() -> None:
    """Hidden, borderline and visible as the interval of runs lies to the threshold."""
    assert _verdict(50.0, 1.0).word == "hidden"
    assert _verdict(5000.0, 1.0).word == "visible"
    assert _verdict(735.6, 1.0, wide=0.4).word == "borderline"
    assert runs_needed(0.0) == 1_000_000_000


def test_linear_case_agrees_with_error_propagation() -> None:
    """Where the model is linear, Monte Carlo gives the deviation of the law of propagation.

    GUM, JCGM 100:2008, equation 10; a triangle from -a to a has variance a^2 / 6 (its table
    of distributions, clause 4.3.9).
    """
    inputs = {
        name: Input(name, "1", 10 - a, 10, 10 + a, "invented", "test")
        for name, a in (("x", 1.0), ("y", 2.0), ("z", 3.0))
    }
    draws = draw(inputs, 200_000, np.random.default_rng(3))
    total = 1.0 * draws["x"] + 2.0 * draws["y"] + 0.5 * draws["z"]
    law = math.sqrt((1.0**2 + 4.0**2 + 1.5**2) / 6)
    assert float(np.std(total)) == pytest.approx(law, rel=0.01)
    assert float(np.mean(total)) == pytest.approx(35.0, rel=0.001)


def test_sensitivity_agrees_with_the_closed_form_of_a_curved_function() -> None:
    """Indices of the Ishigami function agree with its closed form.

    Ishigami and Homma, An importance quantification technique, ISUMA 1990; a = 7, b = 0.1. The
    triangle draws are turned into uniform ones by its distribution function.
    """
    a, b = 7.0, 0.1
    inputs = {n: Input(n, "1", 0.0, 0.5, 1.0, "invented", "test") for n in ("x1", "x2", "x3")}

    def ishigami(v: Any) -> Any:
        def uniform(x: Any) -> Any:
            return np.where(x < 0.5, 2 * x**2, 1 - 2 * (1 - x) ** 2)

        x1, x2, x3 = (2 * math.pi * uniform(v[n]) - math.pi for n in ("x1", "x2", "x3"))
        return np.sin(x1) + a * np.sin(x2) ** 2 + b * x3**4 * np.sin(x1)

    found = {
        s.name: s for s in sensitivity(ishigami, inputs, np.random.default_rng(5), log2_points=13)
    }
    v1 = 0.5 * (1 + b * math.pi**4 / 5) ** 2
    v2, v13 = a**2 / 8, b**2 * math.pi**8 * (1 / 18 - 1 / 50)
    variance = v1 + v2 + v13
    assert found["x1"].first_order == pytest.approx(v1 / variance, abs=0.02)
    assert found["x2"].first_order == pytest.approx(v2 / variance, abs=0.02)
    assert found["x3"].first_order == pytest.approx(0.0, abs=0.02)
    assert found["x1"].total == pytest.approx((v1 + v13) / variance, abs=0.02)
    assert found["x3"].total == pytest.approx(v13 / variance, abs=0.02)


def test_same_seed_gives_the_same_interval() -> None:
    """Two runs with one seed agree in every bit; the typical value lies inside."""
    found = []
    for _ in range(2):
        draws = draw(_inputs(), 10_000, np.random.default_rng(1))
        found.append(interval_of(_total(_typical()), sum(average_power(draws).values())))
    assert found[0] == found[1]
    assert found[0].low < found[0].typical < found[0].high


def test_typical_values_are_medians() -> None:
    """Of a lopsided range half the draws lie below typical, and none beyond the bounds."""
    x = draw({"x": Input("x", "1", 9.0, 10.0, 90.0, "invented", "t")}, 20_000,
             np.random.default_rng(4))["x"]  # fmt: skip
    assert float(np.median(x)) == pytest.approx(10.0, abs=0.3)
    assert float(np.min(x)) >= 9.0
    assert float(np.max(x)) <= 90.0


def test_ranges_and_draws_are_checked() -> None:
    """A swapped range and a senseless number of draws are refused."""
    with pytest.raises(FormatError, match="low <= typical <= high"):
        Input("x", "1", 2.0, 1.0, 3.0, "invented", "test")
    with pytest.raises(UsageError, match="number of draws"):
        draw({}, 0, np.random.default_rng(1))


def test_advice_holds_what_it_says() -> None:
    """Applying the factor that is said to halve the power halves it."""
    v = _typical()
    best = what_would_halve(v)[0]
    assert best.saving_at_half > 0
    rate = next(a for a in what_would_halve(v) if a.change == "watching rate")
    changed = {**v, "watching.rate": v["watching.rate"] * 0.5}
    assert rate.saving_at_half == pytest.approx(1 - _total(changed) / _total(v))
