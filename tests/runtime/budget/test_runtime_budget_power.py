"""The power model by hand: round numbers in, and every part worked out on paper."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from runtime.budget.price.power import (
    FLASH_LINE_BYTES,
    PARTS,
    STATES,
    active_seconds,
    average_power,
    battery_use,
    busy_us,
    controller_cycles,
    dark_electrons,
    formulas_of,
    frame_energy,
    frame_time_us,
    latency_ms,
    led_load,
)

ROUND: dict[str, Any] = {
    "sensor.exposure": 200.0, "sensor.bits": 12.0, "driver.settle_time": 50.0,
    "driver.efficiency": 0.8, "driver.quiescent_current": 2.0, "led.forward_voltage": 1.5,
    "readout.pixel_time": 1.0, "readout.start_up_time": 100.0, "readout.pixel_energy": 40.0,
    "readout.walden_figure": 0.0, "readout.effective_bits": 10.0, "readout.bias_power": 1000.0,
    "readout.idle_power": 3.0,
    "sensor_link.bit_rate": 24.0, "sensor_link.supply": 1.0,
    "sensor_link.bit_energy": 10.0, "sensor_link.standby_power": 0.5,
    "host_link.message_energy": 8640.0, "host_link.standby_power": 0.25,
    "mcu.supply": 2.0, "mcu.wait_current": 500.0, "mcu.wait_growth": 1.0,
    "mcu.sleep_current": 1.0, "mcu.sleep_growth": 2.0, "mcu.start_time": 3.0,
    "mcu.start_change_time": 1.0, "mcu.start_current": 1000.0,
    "active.clock": 50.0, "active.flash_wait": 3.0, "active.run_current": 5000.0,
    "active.derating": 1.25, "active.wake_up_time": 20.0, "active.clock_change_time": 30.0,
    "active.wake_up_current": 2000.0, "active.voltage_ratio": 1.0,
    "watching.clock": 20.0, "watching.flash_wait": 1.0, "watching.run_current": 2000.0,
    "watching.derating": 1.0, "watching.wake_up_time": 20.0, "watching.clock_change_time": 0.0,
    "watching.wake_up_current": 2000.0, "watching.voltage_ratio": 0.8,
    "regulator.efficiency": 0.5, "regulator.quiescent_current": 0.75,
    "host.battery_voltage": 4.0, "host.battery_energy": 1.2, "host.baseline_power": 50.0,
    "usage.on_time": 10.0, "usage.hand_present": 30.0, "usage.hold_time": 2.0,
    "usage.visits": 100.0, "usage.false_wakes": 5.0, "usage.gestures": 4.0,
    "usage.temperature": 25.0, "sensor.dark_signal": 500.0, "readout.dark_doubling": 8.0,
    "usage.cold_starts": 6.0, "usage.start_up_time": 12.0,
    "active.pixels": 1024.0, "active.rate": 30.0, "active.led_current": 100.0,
    "active.cycles": 20_000.0, "active.flash_bytes": 1600.0,
    "watching.pixels": 64.0, "watching.rate": 5.0, "watching.led_current": 20.0,
    "watching.cycles": 2_000.0, "watching.flash_bytes": 160.0,
    "active.interrupts": 1.0, "watching.interrupts": 2.0,
}  # fmt: skip
"""Invented, and round, so that the parts below can be worked out on paper."""


def test_a_frame_takes_start_up_two_pulses_and_its_pixels() -> None:
    """100 us, two pulses of 250 us, 2 x 1,024 pixels of 1 us; a slower link sets the pace."""
    assert frame_time_us(ROUND, "active") == 100 + 500 + 2048
    assert frame_time_us(ROUND, "watching") == 100 + 500 + 128
    slow = ROUND | {"sensor_link.bit_rate": 6.0}  # 12 bits at 6 bits a us are 2 us a pixel
    assert frame_time_us(slow, "watching") == 100 + 500 + 256


def test_cycles_are_those_executed_and_a_wait_for_each_line_of_flash() -> None:
    """1,600 bytes are 100 lines of 16; each costs the state's wait, three cycles or one, more."""
    assert FLASH_LINE_BYTES == 16
    assert controller_cycles(ROUND, "active") == 20_000 + 300
    assert controller_cycles(ROUND, "watching") == 2_000 + 10


def test_latency_is_wake_ups_frame_and_compute() -> None:
    """4 us to start, 2,648 us of frame, 50 us to 50 MHz, and 20,300 cycles there are 3.108 ms."""
    assert latency_ms(ROUND) == pytest.approx((4 + 2648 + 50 + 406) / 1e3)
    assert busy_us(ROUND, "watching") == pytest.approx(4 + 728 + 2 * 20 + 2010 / 20)


def test_each_part_of_an_active_frame() -> None:
    """Microjoules by part of one active frame pair, on paper."""
    assert frame_energy(ROUND, "active") == pytest.approx(
        {
            "LED": 100 * 250 * 1.5 / 1e3,  # mA x us = nC, x V = nJ
            "LED driver": 37.5 * 0.25,  # 1 / 0.8 - 1
            "pixel readout": 2048 * 40 / 1e6,
            "sensor bias": 1000 * 2648 / 1e6,
            "compute": 20_300 * 100 * 2 * 1.25 / 1e6,
            "waiting for pixels": 500 * 2 * 2648 / 1e6,
            "wake-ups": (4 * 1000 + 50 * 2000) * 2 / 1e6,
            "transfer": 2048 * 12 * 10 * 4 / 1e6,  # twice the voltage: four times the energy
        }
    )


def test_an_exposure_that_is_slept_through_costs_a_wake_up_and_no_waiting() -> None:
    """Of 2,648 us, two exposures of 250 us are slept through, for two more starts of 4 us each."""
    asleep = ROUND | {"active.sleeps": 2.0}
    found, waited = frame_energy(asleep, "active"), frame_energy(ROUND, "active")
    assert found["waiting for pixels"] == pytest.approx(500 * 2 * 2148 / 1e6)
    assert found["wake-ups"] == pytest.approx((3 * 4 * 1000 + 50 * 2000) * 2 / 1e6)
    others = [part for part in found if part not in ("waiting for pixels", "wake-ups")]
    assert [found[part] for part in others] == [waited[part] for part in others]
    assert latency_ms(asleep) == pytest.approx(latency_ms(ROUND) + 8e-3)
    assert frame_energy(asleep, "watching") == frame_energy(ROUND, "watching")
    told = formulas_of(asleep)
    assert "slept us" in told and "slept us" in told["waiting for pixels"]
    for name in ("wake-ups", "latency ms"):
        assert told[name].startswith("((1 + state.sleeps) x (")
    assert "slept us" not in formulas_of(ROUND)


def test_each_part_of_a_watching_frame() -> None:
    """Microjoules by part of one watching frame pair, on paper."""
    found = frame_energy(ROUND, "watching")
    assert found["LED"] == pytest.approx(20 * 250 * 1.5 * 0.8 / 1e3)
    assert found["pixel readout"] == pytest.approx(128 * 40 / 1e6)
    assert found["compute"] == pytest.approx(2010 * (2000 / 20) * 2 / 1e6)
    # Each interrupt wakes the core from waiting: two of 20 us.
    assert found["wake-ups"] == pytest.approx((4 * 1000 + 2 * 20 * 2000) * 2 / 1e6)
    assert found["transfer"] == pytest.approx(128 * 120 * 4 / 1e6)
    # The converter's energy is added to the pixel's: 10 bits at 100 fJ a step are 102.4 pJ.
    more = frame_energy(ROUND | {"readout.walden_figure": 100.0}, "watching")
    assert more["pixel readout"] == pytest.approx(128 * (40 + 102.4) / 1e6)


def test_active_seconds_are_hands_and_holds_within_the_day() -> None:
    """30 min of hand, and 2 s after each of 100 visits and 50 false wakes: 2,100 s a day."""
    assert active_seconds(ROUND) == 1800 + 2 * 150
    assert active_seconds(ROUND | {"usage.hand_present": 600.0}) == 36_000
    assert active_seconds(ROUND | {"usage.hand_present": np.array([30.0, 600.0])}).tolist() == [
        2100.0, 36_000.0,
    ]  # fmt: skip


def test_the_led_is_lit_once_a_frame() -> None:
    """5 x 36,000 watching frames, also while active, and 63,000 active ones, of 250 us each."""
    found = led_load(ROUND)
    watching, active = 5 * 36_000, 30 * 2100
    assert found["duty"] == pytest.approx((watching + active) * 250e-6 / 86_400)
    assert found["average_current_ua"] == pytest.approx(
        (20e3 * watching + 100e3 * active) * 250e-6 / 86_400
    )


def test_average_power_is_every_part_of_every_state() -> None:
    """Frames x energy / 86,400 s, what goes on all day, and the regulator's loss, on paper."""
    power = average_power(ROUND)
    watching, active = 180_000 / 86_400, 63_000 / 86_400  # frames a second
    for state, rate in (("watching", watching), ("active", active)):
        for part, energy in frame_energy(ROUND, state).items():
            assert power[part, state] == pytest.approx(energy * rate)
        rail = sum(
            energy * rate
            for part, energy in frame_energy(ROUND, state).items()
            if part not in ("LED", "LED driver")
        )
        assert power["regulator", state] == pytest.approx(rail)  # half is lost: as much again
    transfer = 4 * 30 / 60 * 8640 / 86_400  # two gestures a day
    sleep = 1 * 2 + 3 + 0.5 + 0.25
    start_up = 6 * 12 * (100 * 50 * 2 * 1.25) / 1e3 / 86_400
    assert power["transfer", "always"] == pytest.approx(transfer)
    assert power["sleep and standby", "always"] == pytest.approx(sleep)
    assert power["start-up", "always"] == pytest.approx(start_up)
    assert power["LED driver", "always"] == pytest.approx(2 * 4)
    assert power["regulator", "always"] == pytest.approx(transfer + sleep + start_up + 0.75 * 4)
    named = {(p, s) for p in PARTS for s in STATES}
    assert set(power) == named
    for part in ("LED", "pixel readout", "sensor bias", "compute", "wake-ups"):
        assert power[part, "always"] == 0.0
    for state in ("watching", "active"):
        assert power["sleep and standby", state] == power["start-up", state] == 0.0


def test_battery_use_of_a_day_and_of_a_filling() -> None:
    """1 mW is 24 mWh a day: 6 mAh at 4 V and 2 % of 1.2 Wh, and 50 mW go on for 0.47 h less."""
    use = battery_use(1000.0, ROUND)
    assert use["mah_per_day"] == pytest.approx(6.0)
    assert use["percent_per_day"] == pytest.approx(2.0)
    assert use["hours_lost"] == pytest.approx(1200 / 50 - 1200 / 51)
    assert battery_use(0.0, ROUND)["hours_lost"] == 0.0


def test_a_better_regulator_loses_less() -> None:
    """At 80 % a quarter of what the rail takes is lost, at 100 % nothing."""
    for efficiency, lost in ((0.8, 0.25), (1.0, 0.0)):
        power = average_power(ROUND | {"regulator.efficiency": efficiency})
        for state in ("watching", "active"):
            rail = sum(
                power[p, state] for p in PARTS if p not in ("LED", "LED driver", "regulator")
            )
            assert power["regulator", state] == pytest.approx(lost * rail)


def test_warmth_doubles_what_leaks() -> None:
    """At 45 degrees a sleep current that doubles in 10 K is four times, a held one the same."""
    warm = ROUND | {"usage.temperature": 45.0}
    now, then = average_power(ROUND), average_power(warm)
    more = then["sleep and standby", "always"] - now["sleep and standby", "always"]
    assert more == pytest.approx(3 * 1 * 2)
    for state in ("watching", "active"):
        assert then["waiting for pixels", state] == now["waiting for pixels", state]
    grown = average_power(warm | {"mcu.wait_growth": 3.0})
    for state in ("watching", "active"):
        assert grown["waiting for pixels", state] == pytest.approx(
            9 * now["waiting for pixels", state]
        )


def test_dark_signal_gathers_over_an_exposure() -> None:
    """500 electrons a second are 0.1 in 200 us, and 0.8 where it is three doublings warmer."""
    assert dark_electrons(ROUND) == pytest.approx(0.1)
    assert dark_electrons(ROUND | {"usage.temperature": 49.0}) == pytest.approx(0.8)
