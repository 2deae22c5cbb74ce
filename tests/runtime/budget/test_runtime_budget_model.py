"""The power model and the host verdict: against handbooks and another library."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from budget_models import library_inputs
from statsmodels.stats.power import TTestIndPower

from runtime.budget.advice import what_would_halve
from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.price.power import (
    PARTS,
    STATES,
    average_power,
    battery_use,
    controller_cycles,
    frame_energy,
    led_load,
)
from runtime.budget.verdict.host import host_verdict
from runtime.budget.verdict.planning import (
    detection_power,
    many,
    sessions_needed,
    smallest_difference,
)


def _typical(**changes: float) -> dict[str, Any]:
    values: dict[str, Any] = typical_values(library_inputs())
    values.update({key.replace("__", "."): value for key, value in changes.items()})
    return values


def _total(values: dict[str, Any]) -> float:
    return float(sum(average_power(values).values()))


def test_led_energy_is_charge_times_voltage_over_efficiency() -> None:
    """LED and driver together take charge x forward voltage / driver efficiency."""
    energy = frame_energy(_typical(driver__settle_time=0.0), "active")
    joules = 0.1 * 200e-6 * 1.35 / 0.82
    assert energy["LED"] + energy["LED driver"] == pytest.approx(joules * 1e6)


def test_what_a_driver_takes_between_pulses_is_counted_as_its_own() -> None:
    """The driver's standby current is drawn from the battery all day, past the rail regulator."""
    values = _typical(driver__quiescent_current=2.0, host__battery_voltage=3.85)
    power = average_power(values)
    assert power["LED driver", "always"] == pytest.approx(7.7)
    without = average_power({**values, "driver.quiescent_current": 0.0})
    assert power["regulator", "always"] == without["regulator", "always"]


def test_a_driver_waits_only_where_something_is_lit() -> None:
    """One LED lit in one state is enough for standby, and without any no driver takes anything."""
    dark = _typical(watching__led_current=0.0, active__led_current=0.0)
    standby = dark["driver.quiescent_current"] * dark["host.battery_voltage"]
    power = average_power(dark)
    assert all(power["LED driver", state] == 0.0 for state in STATES)
    for state in ("watching", "active"):
        lit = average_power({**dark, f"{state}.led_current": 1.0})
        assert lit["LED driver", "always"] == pytest.approx(standby)
    unseen = average_power({**dark, "watching.led_current": 20.0, "watching.rate": 0.0})
    assert unseen["LED driver", "always"] == 0.0
    drawn = np.array([0.0, 20.0])
    mixed = average_power({**dark, "active.led_current": drawn})["LED driver", "always"]
    assert mixed.tolist() == pytest.approx([0.0, standby])


def test_readout_is_linear_in_pixels_read() -> None:
    """Readout energy grows in proportion to pixels read (common practice, no source)."""
    energies = [
        frame_energy(_typical(active__pixels=n), "active")["pixel readout"] for n in (1, 64, 4096)
    ]
    assert energies[1] == pytest.approx(64 * energies[0])
    assert energies[2] == pytest.approx(4096 * energies[0])


def test_readout_of_a_small_array_matches_common_practice() -> None:
    """1,024 pixels x 30/s x 50 pJ is 1.54 uW per exposure (common practice, no source)."""
    values = _typical(readout__pixel_energy=50.0, readout__walden_figure=0.0)
    per_exposure = frame_energy(values, "active")["pixel readout"] * 30 / 2
    assert per_exposure == pytest.approx(1.54, abs=0.005)


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
        assert sessions_needed(effect) in (published, published + 1)


@pytest.mark.parametrize("effect", [0.03, 0.1, 0.35, 1.0, 2.0])
def test_sample_sizes_agree_with_another_library(effect: float) -> None:
    """The number of sessions is that of statsmodels' TTestIndPower, solved for n and rounded up."""
    n = TTestIndPower().solve_power(effect, alpha=0.05, power=0.8, alternative="two-sided")
    assert sessions_needed(effect) == max(2, math.ceil(float(np.squeeze(n))))


def test_smallest_difference_inverts_the_sample_size() -> None:
    """At n sessions the smallest detectable difference has 80 % power, near 2.8 sigma sqrt(2/n)."""
    for n in (5, 30, 400):
        found = smallest_difference(2.0, n)
        assert detection_power(found / 2.0, n) == pytest.approx(0.8, abs=1e-9)
    assert smallest_difference(2.0, 400) == pytest.approx(2.8 * 2.0 * math.sqrt(2 / 400), rel=0.01)


def test_advice_holds_what_it_says() -> None:
    """Applying the factor that is said to halve the power halves it."""
    v = _typical()
    best = what_would_halve(v)[0]
    assert best.saving_at_half > 0
    rate = next(a for a in what_would_halve(v) if a.change == "watching rate")
    changed = {**v, "watching.rate": v["watching.rate"] * 0.5}
    assert rate.saving_at_half == pytest.approx(1 - _total(changed) / _total(v))


def test_flash_waits_are_cycles_too() -> None:
    """Each 16 bytes of code and constants cost the flash's wait states once a frame."""
    v = _typical(active__flash_wait=5.0, active__flash_bytes=1600.0, active__cycles=1000.0)
    assert controller_cycles(v, "active") == 1000 + 100 * 5
    slower = {**v, "active.flash_wait": 10.0}
    assert frame_energy(slower, "active")["compute"] == pytest.approx(
        frame_energy(v, "active")["compute"] * 2000 / 1500
    )


def test_led_load_is_duty_and_average_current() -> None:
    """A pulse of 200 us, 30 times a second all day, is a duty of 0.6 % and 0.6 mA of 100 mA."""
    v = _typical(
        driver__settle_time=0.0, watching__rate=0.0, usage__hand_present=1440.0,
        usage__on_time=24.0,
        usage__visits=0.0, usage__false_wakes=0.0, usage__cold_starts=0.0,
    )  # fmt: skip
    found = led_load(v)
    assert found["duty"] == pytest.approx(200e-6 * 30)
    assert found["average_current_ua"] == pytest.approx(600.0)


def test_a_milliwatt_on_a_watch_is_about_two_percent() -> None:
    """1 mW is about 2 % of a watch's mean draw, and of its battery each day."""
    v = _typical()
    assert 1.0 / v["host.baseline_power"] == pytest.approx(0.02, abs=0.005)
    assert battery_use(1000.0, v)["percent_per_day"] == pytest.approx(2.0, abs=0.5)


def test_numbers_of_sessions_are_said_in_three_digits() -> None:
    """A number of sessions is not shown more finely than it is known."""
    assert many(37) == "37"
    assert many(11_432) == "about 11,400"
    assert many(2e6) == "more than a million"


_ENDS = (1e-6, 1.0, 1e6)


@pytest.mark.parametrize("seed", range(5))
def test_no_allowed_part_overflows_the_model(seed: int) -> None:
    """Whatever a parts file may hold, power, battery use and verdict come out as finite numbers."""
    rng = np.random.default_rng(seed)
    values: dict[str, Any] = {
        name: (0.0 if name.startswith("usage.") and rng.random() < 0.5 else rng.choice(_ENDS))
        for name in library_inputs()
    }
    at_most_one = ("driver.efficiency", "regulator.efficiency")
    values.update({name: min(1.0, values[name] or 1.0) for name in at_most_one})
    values["readout.effective_bits"] = 24.0
    values["usage.temperature"] = float(rng.choice((-60.0, 150.0)))
    for name in ("mcu.sleep_growth", "mcu.wait_growth"):
        values[name] = float(rng.choice((1.0, 10.0)))
    values["readout.dark_doubling"] = float(rng.choice((1.0, 100.0)))
    average = float(sum(average_power(values).values()))
    use = battery_use(average, values)
    spread = values["host.spread"] * values["host.baseline_power"]
    drawn = {key: (use[key], np.full(3, use[key])) for key in use}
    verdict = host_verdict(
        (average, np.full(3, average)), (spread, np.full(3, spread)), drawn, None, 1.0, "it"
    )
    assert verdict.word in ("hidden", "visible")
    assert all(math.isfinite(x) for x in (average, *use.values(), verdict.planning.sessions.high))
