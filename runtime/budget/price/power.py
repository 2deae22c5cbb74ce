"""The power model: plain arithmetic from named inputs to average power by part.

Every function takes numbers or arrays of draws alike, so that the typical value, the Monte Carlo
interval and the sensitivity indices come from the same lines. Formulas are also text
(`FORMULAS`), printed with the result: whoever has the printed inputs can work the budget out anew.

Conventions: charge in nC, energy in uJ, power in uW; mA x us = nC; uA x us = pC.
"""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.budget.price.converter import conversion_energy_pj

__all__ = [
    "EXPOSURES",
    "FORMULAS",
    "PARTS",
    "STATES",
    "active_seconds",
    "average_power",
    "battery_use",
    "busy_us",
    "controller_cycles",
    "dark_electrons",
    "driver_standby_ua",
    "formulas_of",
    "frame_energy",
    "frame_time_us",
    "frames_a_day",
    "latency_ms",
    "led_load",
    "pulse_us",
    "slept_us",
    "started_us",
    "woken_us",
]

Draws = float | NDArray[np.float64]
Values = Mapping[str, Any]

STATES = ("watching", "active", "always")
PARTS = (
    "LED", "LED driver", "pixel readout", "sensor bias", "compute", "waiting for pixels",
    "wake-ups", "transfer", "sleep and standby", "start-up", "regulator",
)  # fmt: skip
EXPOSURES = 2
"""One lit and one dark exposure are a frame pair."""
_DAY_S = 86_400.0
FLASH_LINE_BYTES = 16
"""What a controller's flash delivers at once; a state's ``flash_wait`` is counted for each."""
_REFERENCE_DEGC = 25.0
"""Where data sheets tell their typical currents and dark signals."""

FORMULAS: dict[str, str] = {
    "pixel exposures": "2 x state.pixels",
    "exposure us": "active: sensor.exposure; watching: watching.exposure",
    "frame time us": "readout.start_up_time + 2 x (exposure us + driver.settle_time) "
    "+ pixel exposures x max(readout.pixel_time, sensor.bits / sensor_link.bit_rate)",
    "controller cycles": "state.cycles + state.flash_bytes / 16 x state.flash_wait",
    "run power uW": "state.run_current x state.derating x mcu.supply",
    "LED": "state.led_current x (exposure us + driver.settle_time) x led.forward_voltage "
    "x state.voltage_ratio / 1e3",
    "LED driver": "LED x (1 / driver.efficiency - 1), and "
    "driver.quiescent_current x host.battery_voltage all day; where LED average current uA is 0 "
    "the LED is never lit, and no driver is there to wait",
    "pixel readout": "pixel exposures x (readout.pixel_energy "
    "+ readout.walden_figure x 2^readout.effective_bits / 1e3) / 1e6",
    "sensor bias": "readout.bias_power x frame time / 1e6",
    "compute": "controller cycles / state.clock x run power / 1e6",
    "waiting for pixels": "mcu.wait_current x mcu.wait_growth^((usage.temperature - 25) / 10) "
    "x mcu.supply x frame time / 1e6",
    "wake-ups": "((mcu.start_time + mcu.start_change_time) x mcu.start_current "
    "+ state.interrupts x (state.wake_up_time + state.clock_change_time) x state.wake_up_current) "
    "x mcu.supply / 1e6",
    "transfer": "pixel exposures x sensor.bits x sensor_link.bit_energy "
    "x (mcu.supply / sensor_link.supply)^2 / 1e6 per frame, and "
    "usage.gestures x usage.hand_present / 60 x host_link.message_energy per day",
    "sleep and standby": "mcu.sleep_current x mcu.sleep_growth^((usage.temperature - 25) / 10) "
    "x mcu.supply + readout.idle_power + sensor_link.standby_power + host_link.standby_power, "
    "all day",
    "start-up": "usage.cold_starts x usage.start_up_time x run power, active, / 1e3 per day",
    "regulator": "(all rail energy) x (1 / regulator.efficiency - 1), and "
    "regulator.quiescent_current x host.battery_voltage all day",
    "active seconds a day": "min(3600 x usage.on_time, 60 x usage.hand_present + usage.hold_time "
    "x (usage.visits + usage.false_wakes x usage.on_time))",
    "active frames a day": "active.rate x active seconds",
    "watching frames a day": "watching.rate x 3600 x usage.on_time: it goes on while active",
    "average uW": "sum over states of energy per frame x frames / 86400, "
    "plus daily energies / 86400, plus all-day power",
    "latency ms": "(mcu.start_time + mcu.start_change_time + frame time + state.interrupts "
    "x (state.wake_up_time + state.clock_change_time) + (controller cycles + state.peak_cycles) "
    "/ state.clock) / 1e3, active; state.peak_cycles are 0 where they are no input",
    "dark electrons": "sensor.dark_signal x 2^((usage.temperature - 25) / readout.dark_doubling) "
    "x sensor.exposure / 1e6",
    "LED duty": "sum over states of (exposure us + driver.settle_time) x frames / 1e6 / 86400",
    "LED average current uA": "sum over states of state.led_current x (exposure us "
    "+ driver.settle_time) x frames / 1e3 / 86400",
    "mAh a day": "average uW x 24 / host.battery_voltage / 1e3",
    "% of the battery a day": "100 x average uW x 24 / 1e6 / host.battery_energy",
    "hours lost": "1e3 x host.battery_energy x (1 / host.baseline_power "
    "- 1 / (host.baseline_power + average uW / 1e3))",
    "added draw over spread": "average uW / 1e3 / (host.spread x host.baseline_power)",
}

_ASLEEP: dict[str, str] = {
    "slept us": "state.sleeps x (exposure us + driver.settle_time): the controller sleeps "
    "through so many exposures of a frame; 0 where they are no input",
    "waiting for pixels": FORMULAS["waiting for pixels"].replace(
        "frame time", "(frame time us - slept us)"
    ),
    "wake-ups": "((1 + state.sleeps) x " + FORMULAS["wake-ups"].removeprefix("("),
    "latency ms": "((1 + state.sleeps) x (mcu.start_time + mcu.start_change_time)"
    + FORMULAS["latency ms"].removeprefix("(mcu.start_time + mcu.start_change_time"),
}
"""What these formulas are where a controller sleeps while the sensor exposes."""


def formulas_of(inputs: Container[str]) -> dict[str, str]:
    """Return the text of the formulas that some inputs, by name, go into."""
    sleeps = any(f"{state}.sleeps" in inputs for state in STATES)
    return FORMULAS | _ASLEEP if sleeps else FORMULAS


def pulse_us(v: Values, state: str) -> Any:
    """Microseconds that the LED is lit in a frame of a state, or the same time dark.

    Inputs without an exposure of the watching state, as older budgets have them, are of one that
    both states share.
    """
    exposure = v["sensor.exposure"]
    if state == "watching":
        exposure = v.get("watching.exposure", exposure)
    return exposure + v["driver.settle_time"]


def frame_time_us(v: Values, state: str) -> Draws:
    """Microseconds that the sensor is powered and the controller waits for one frame pair."""
    pixel_us = np.maximum(v["readout.pixel_time"], v["sensor.bits"] / v["sensor_link.bit_rate"])
    total: Draws = (
        v["readout.start_up_time"]
        + EXPOSURES * pulse_us(v, state)
        + EXPOSURES * v[f"{state}.pixels"] * pixel_us
    )
    return total


def slept_us(v: Values, state: str) -> Any:
    """Microseconds of a frame's exposures that the controller sleeps through."""
    return v.get(f"{state}.sleeps", 0.0) * pulse_us(v, state)


def controller_cycles(v: Values, state: str) -> Any:
    """Cycles that one frame takes on the controller: executed ones, and waits for its flash.

    Notes
    -----
    Executed cycles are counted at zero wait states. Each byte of the model's code and constants
    is taken as read from flash once a frame, which a cache that survives sleep may better, and a
    head that does not run on every frame does.
    """
    lines = v[f"{state}.flash_bytes"] / FLASH_LINE_BYTES
    return v[f"{state}.cycles"] + lines * v[f"{state}.flash_wait"]


def busy_us(v: Values, state: str) -> Any:
    """Microseconds from the timer's tick until the controller may sleep again, at most.

    Where frames differ in work, that of the frame with the most counts.
    """
    woken = started_us(v, state) + woken_us(v, state)
    cycles = controller_cycles(v, state) + v.get(f"{state}.peak_cycles", 0.0)
    return woken + frame_time_us(v, state) + cycles / v[f"{state}.clock"]


def woken_us(v: Values, state: str) -> Any:
    """Microseconds on the ways from waiting to computing: once for each interrupt of a frame."""
    return v[f"{state}.interrupts"] * (v[f"{state}.wake_up_time"] + v[f"{state}.clock_change_time"])


def latency_ms(v: Values) -> Any:
    """Milliseconds from the timer's tick to the decision on that frame, in the active state."""
    return busy_us(v, "active") / 1e3


def dark_electrons(v: Values) -> Any:
    """Electrons of dark signal that a pixel gathers in one exposure, at the usage's temperature."""
    warmer = 2.0 ** ((v["usage.temperature"] - _REFERENCE_DEGC) / v["readout.dark_doubling"])
    return v["sensor.dark_signal"] * warmer * v["sensor.exposure"] / 1e6


def _run_power_uw(v: Values, state: str) -> Any:
    return v[f"{state}.run_current"] * v[f"{state}.derating"] * v["mcu.supply"]


def _grown(v: Values, name: str) -> Any:
    """Return a current of the controller at the usage's temperature, uA."""
    warmer = (v["usage.temperature"] - _REFERENCE_DEGC) / 10.0
    return v[f"mcu.{name}_current"] * v[f"mcu.{name}_growth"] ** warmer


def frame_energy(v: Values, state: str) -> dict[str, Any]:
    """Return uJ per frame pair by part in a state, before the rail regulator.

    Parameters
    ----------
    v : mapping of str to float or float64 (n_draws,)
        Inputs by name.
    state : str
        ``watching`` or ``active``.

    Notes
    -----
    LED: charge x forward voltage, and the driver's loss separately, so that their sum is charge x
    voltage / efficiency. Readout is linear in the pixels actually read (common practice, no
    source) plus a bias that runs as long as the sensor is powered.
    """
    read = EXPOSURES * v[f"{state}.pixels"]
    pixel_pj = v["readout.pixel_energy"] + conversion_energy_pj(
        v["readout.walden_figure"], v["readout.effective_bits"]
    )
    volts = v["led.forward_voltage"] * v[f"{state}.voltage_ratio"]
    led = v[f"{state}.led_current"] * pulse_us(v, state) * volts / 1e3
    on_us = frame_time_us(v, state)
    return {
        "LED": led,
        "LED driver": led * (1.0 / v["driver.efficiency"] - 1.0),
        "pixel readout": read * pixel_pj / 1e6,
        "sensor bias": v["readout.bias_power"] * on_us / 1e6,
        "compute": controller_cycles(v, state)
        / v[f"{state}.clock"] * _run_power_uw(v, state) / 1e6,
        "waiting for pixels": _grown(v, "wait")
        * v["mcu.supply"] * (on_us - slept_us(v, state)) / 1e6,
        "wake-ups": _wake_up_pc(v, state) * v["mcu.supply"] / 1e6,
        "transfer": read * v["sensor.bits"] * _bit_energy_pj(v) / 1e6,
    }  # fmt: skip


def _wake_up_pc(v: Values, state: str) -> Any:
    """Picocoulombs (uA x us) that the controller takes on its ways between states in a frame."""
    woken = woken_us(v, state) * v[f"{state}.wake_up_current"]
    return started_us(v, state) * v["mcu.start_current"] + woken


def started_us(v: Values, state: str) -> Any:
    """Microseconds of a frame from the sleeping state to the waiting one, each time it wakes."""
    once = v["mcu.start_time"] + v["mcu.start_change_time"]
    return (1.0 + v.get(f"{state}.sleeps", 0.0)) * once


def _bit_energy_pj(v: Values) -> Any:
    """Energy of a bit at the rail's voltage: lines are charged and discharged, C V^2."""
    return v["sensor_link.bit_energy"] * (v["mcu.supply"] / v["sensor_link.supply"]) ** 2


def active_seconds(v: Values) -> Any:
    """Seconds a day in the active state: a hand is there, or left less than the hold time ago."""
    wakes = v["usage.visits"] + v["usage.false_wakes"] * v["usage.on_time"]
    wanted = 60.0 * v["usage.hand_present"] + v["usage.hold_time"] * wakes
    return np.minimum(3600.0 * v["usage.on_time"], wanted)


def frames_a_day(v: Values) -> dict[str, Any]:
    """Frame pairs a day in either state; the watching goes on at its rate while active."""
    return {
        "watching": v["watching.rate"] * 3600.0 * v["usage.on_time"],
        "active": v["active.rate"] * active_seconds(v),
    }


def led_load(v: Values) -> dict[str, Any]:
    """Return the LED's load over the day.

    Returns
    -------
    dict
        ``duty``, the share of the day that it is lit, and ``average_current_ua``.
    """
    lit_us = {state: pulse_us(v, state) * n / _DAY_S for state, n in frames_a_day(v).items()}
    return {
        "duty": sum(lit_us.values()) / 1e6,
        "average_current_ua": sum(v[f"{s}.led_current"] * us for s, us in lit_us.items()) / 1e3,
    }


def _always(v: Values) -> dict[str, Any]:
    """Powers in uW that do not depend on the state, by part.

    The LED driver hangs on the battery, all others on the rail, before its regulator.
    """
    gestures = v["usage.gestures"] * v["usage.hand_present"] / 60.0
    start_uj = v["usage.cold_starts"] * v["usage.start_up_time"] * _run_power_uw(v, "active") / 1e3
    return {
        "transfer": gestures * v["host_link.message_energy"] / _DAY_S,
        "sleep and standby": _grown(v, "sleep") * v["mcu.supply"]
        + v["readout.idle_power"]
        + v["sensor_link.standby_power"]
        + v["host_link.standby_power"],
        "start-up": start_uj / _DAY_S,
        "LED driver": driver_standby_ua(v) * v["host.battery_voltage"],
    }


def driver_standby_ua(v: Values) -> Any:
    """Return what the LED driver draws between pulses, uA; a device that lights nothing has none.

    Whether the LED is lit at all follows from the currents, rates and time of both states, and
    from no name of a model or of a part.
    """
    return v["driver.quiescent_current"] * (led_load(v)["average_current_ua"] > 0.0)


def average_power(v: Values) -> dict[tuple[str, str], Any]:
    """Return average uW over the day, drawn from the battery, by part and state.

    Parameters
    ----------
    v : mapping of str to float or float64 (n_draws,)
        Inputs by name.

    Returns
    -------
    dict of (part, state) to float or float64 (n_draws,)
        Every pair of `PARTS` and `STATES`; the sum is the total.
    """
    frames = frames_a_day(v)
    power: dict[tuple[str, str], Any] = {(p, s): 0.0 for p in PARTS for s in STATES}
    loss = 1.0 / v["regulator.efficiency"] - 1.0
    for state in ("watching", "active"):
        frames_per_s = frames[state] / _DAY_S
        for part, energy in frame_energy(v, state).items():
            power[part, state] = energy * frames_per_s
    for part, value in _always(v).items():
        power[part, "always"] = value
    for state in STATES:
        rail = sum(power[p, state] for p in PARTS if p not in ("LED", "LED driver", "regulator"))
        power["regulator", state] = rail * loss
    quiescent = v["regulator.quiescent_current"] * v["host.battery_voltage"]
    power["regulator", "always"] = power["regulator", "always"] + quiescent
    return power


def battery_use(average_uw: Any, v: Values) -> dict[str, Any]:
    """Return what an average power takes from the host's battery.

    Returns
    -------
    dict
        ``mah_per_day``, ``percent_per_day`` and ``hours_lost`` of one battery filling.
    """
    capacity_mwh = 1e3 * v["host.battery_energy"]
    base = v["host.baseline_power"]
    return {
        "mah_per_day": average_uw * 24.0 / v["host.battery_voltage"] / 1e3,
        "percent_per_day": 100.0 * average_uw * 24.0 / 1e3 / capacity_mwh,
        "hours_lost": capacity_mwh / base - capacity_mwh / (base + average_uw / 1e3),
    }
