"""A budget worked out anew from what ``budget.json`` prints, in SI units and other formulas.

Nothing of the package's formulas is imported: energies are summed here per part of the circuit
over a whole day, in joules, coulombs and seconds.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from budget_models import CORES, write_folder
from statsmodels.stats.power import TTestIndPower

from runtime.budget import Choice, Computation, budget
from runtime.budget.inputs.library import Mcu, load_parts
from runtime.budget.verdict.margin import Margin

PREFIX = {"p": 1e-12, "f": 1e-15, "u": 1e-6, "m": 1e-3, "M": 1e6}
SPECIAL = {
    "uA/MHz": 1e-12, "mW/sr": 1e-3, "Mbit/s": 1e6, "min": 60.0, "h": 3600.0, "Wh": 3600.0,
    "1/h": 1 / 3600, "1/day": 1 / 86400, "mm": 1e-3, "nm": 1e-9,
}  # fmt: skip
DAY = 86_400.0


def _si(printed: dict[str, Any]) -> float:
    """Turn a printed typical value into SI units by its printed unit."""
    unit, value = str(printed["unit"]), float(printed["typical"])
    if unit in SPECIAL:
        return value * SPECIAL[unit]
    if unit in ("1", "V", "Hz", "s", "cycles", "bytes", "rows", "K", "degC", "e/s"):
        return value
    return value * PREFIX[unit[0]]


def _recalculated(printed: dict[str, Any]) -> dict[str, float]:
    """Work out a day's energy, and what follows, from printed inputs alone."""
    v = {name: _si(x) for name, x in printed.items()}
    day_s = min(
        v["usage.on_time"],
        v["usage.hand_present"]
        + v["usage.hold_time"]
        * (v["usage.visits"] * DAY + v["usage.false_wakes"] * v["usage.on_time"]),
    )
    seconds = {"active": day_s, "watching": v["usage.on_time"]}
    warmer = printed["usage.temperature"]["typical"] - 25.0
    bit_j = v["sensor_link.bit_energy"] * (v["mcu.supply"] / v["sensor_link.supply"]) ** 2
    waiting_a = v["mcu.wait_current"] * math.exp(math.log(v["mcu.wait_growth"]) * warmer / 10.0)
    asleep_a = v["mcu.sleep_current"] * math.exp(math.log(v["mcu.sleep_growth"]) * warmer / 10.0)
    started_s = v["mcu.start_time"] + v["mcu.start_change_time"]
    lit_s = v["sensor.exposure"] + v["driver.settle_time"]
    battery_j = rail_j = charge_c = lit_day_s = led_j = 0.0
    for state, spent in seconds.items():
        pairs = spent * v[f"{state}.rate"]
        exposures = 2 * v[f"{state}.pixels"]
        bits = exposures * v["sensor.bits"]
        per_pixel_s = max(v["readout.pixel_time"], v["sensor.bits"] / v["sensor_link.bit_rate"])
        awake_s = v["readout.start_up_time"] + 2 * lit_s + exposures * per_pixel_s
        of_state = {key.split(".")[1]: x for key, x in v.items() if key.split(".")[0] == state}
        running_w = of_state["run_current"] * of_state["derating"] * v["mcu.supply"]
        cycles = of_state["cycles"] + of_state["flash_bytes"] / 16 * of_state["flash_wait"]
        volts = v["led.forward_voltage"] * of_state["voltage_ratio"]
        woken_s = of_state["wake_up_time"] + of_state["clock_change_time"]
        woken_s *= of_state["interrupts"]
        charge_c += pairs * v[f"{state}.led_current"] * lit_s
        led_j += pairs * v[f"{state}.led_current"] * lit_s * volts
        lit_day_s += pairs * lit_s
        rail_j += pairs * (
            cycles / of_state["clock"] * running_w
            + (started_s * v["mcu.start_current"] + woken_s * of_state["wake_up_current"])
            * v["mcu.supply"]
            + awake_s * (v["readout.bias_power"] + waiting_a * v["mcu.supply"])
            + bits * bit_j
            + exposures
            * (
                v["readout.pixel_energy"]
                + v["readout.walden_figure"] * math.exp2(v["readout.effective_bits"])
            )
        )
        if state == "active":
            latency_s = started_s + awake_s + woken_s + cycles / of_state["clock"]
            start_up_w = running_w
    rail_j += v["usage.gestures"] * v["usage.hand_present"] * v["host_link.message_energy"]
    rail_j += v["usage.cold_starts"] * DAY * v["usage.start_up_time"] * start_up_w
    rail_j += DAY * (
        asleep_a * v["mcu.supply"]
        + v["readout.idle_power"]
        + v["sensor_link.standby_power"]
        + v["host_link.standby_power"]
    )
    battery_j += led_j / v["driver.efficiency"]
    battery_j += rail_j / v["regulator.efficiency"]
    volts = v["host.battery_voltage"]
    idle_a = v["regulator.quiescent_current"] + v["driver.quiescent_current"]
    battery_j += DAY * idle_a * volts
    watts = battery_j / DAY
    spread_w = v["host.spread"] * v["host.baseline_power"]
    life_s = v["host.battery_energy"] / v["host.baseline_power"]
    shorter_s = v["host.battery_energy"] / (v["host.baseline_power"] + watts)
    return {
        "average_uw": watts * 1e6,
        "mah_per_day": battery_j / volts / 3.6,
        "percent_per_day": 100 * battery_j / v["host.battery_energy"],
        "hours_lost": (life_s - shorter_s) / 3600,
        "ratio": watts / spread_w,
        "latency_ms": latency_s * 1e3,
        "duty": lit_day_s / DAY,
        "average_current_ua": charge_c / DAY * 1e6,
        "dark_electrons": v["sensor.dark_signal"] * v["sensor.exposure"]
        * math.exp2(warmer / v["readout.dark_doubling"]),
    }  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("recalculated") / "dynamic")


@pytest.mark.parametrize(
    "choice",
    [
        Choice(),
        Choice(host="watch", led="red660-smd", readout="ordinary", usage="heavy"),
        Choice(
            host="earbud-case", driver="linear", regulator="linear", readout="discrete",
            sensor_link="parallel", host_link="ble",
        ),
    ],
    ids=["defaults", "watch", "plainest supplies"],
)  # fmt: skip
def test_second_calculation_from_the_printed_inputs_agrees(folder: Path, choice: Choice) -> None:
    """From budget.json's inputs alone every printed result follows to 0.1 %."""
    data = json.loads(json.dumps(budget(folder, choice=choice, cores=CORES).to_json()))
    again = _recalculated(data["inputs"])
    _agrees(data, again)


def _agrees(data: dict[str, Any], again: dict[str, float]) -> None:
    """Hold every printed result to the second calculation."""
    verdict = data["host_verdict"]
    printed = {
        "average_uw": data["average_uw"],
        "latency_ms": data["latency_ms"],
        **{key: verdict[key] for key in ("mah_per_day", "percent_per_day", "hours_lost", "ratio")},
        **data["led_over_the_day"],
        "dark_electrons": data["dark_electrons"],
    }
    assert printed.keys() == again.keys()
    for key, value in again.items():
        assert printed[key]["typical"] == pytest.approx(value, rel=1e-3), key


@pytest.mark.parametrize("mcu", ["stm32u575", "nrf54l15", "cc2340r5", "saml21"])
def test_a_warm_day_with_other_states_is_worked_out_anew(
    folder: Path, tmp_path: Path, mcu: str
) -> None:
    """At 45 degrees, with the fastest clock and any controller, every printed result follows."""
    rows = load_parts().get(Mcu, mcu).state
    clocks = {name: row.clock.typical for name, row in rows.items() if row.clock is not None}
    running = [name for name in clocks if "core" in rows[name].runs]
    own = tmp_path / "own.toml"
    own.write_text(
        f'[mcu.{mcu}]\ncomputing = "{max(running, key=lambda name: clocks[name])}"\n'
        + ('waiting = "sleep-160"\n' if "sleep-160" in rows else "")
        + '[usage.everyday]\ntemperature = { unit = "degC", typical = 45, source = "setting" }\n'
    )
    found = budget(folder, cores=CORES, choice=Choice(mcu=mcu), parts=own)
    data = json.loads(json.dumps(found.to_json()))
    assert (data["inputs"]["mcu.start_change_time"]["typical"] > 0) is ("sleep-160" in rows)
    _agrees(data, _recalculated(data["inputs"]))


def test_printed_number_of_sessions_is_that_of_the_printed_ratio(folder: Path) -> None:
    """Sessions a side follow from the printed ratio by another library's power analysis."""
    choice = Choice(host="band")
    verdict = budget(folder, choice=choice, cores=CORES).to_json()["host_verdict"]
    pairs = (("typical", "typical"), ("median", "median"), ("low", "high"), ("high", "low"))
    for end, other in pairs:
        n = TTestIndPower().solve_power(
            verdict["ratio"][other], alpha=0.05, power=0.8, alternative="two-sided"
        )
        planned = verdict["planning"]["sessions_a_side"][end]
        assert planned == pytest.approx(float(n), abs=1.0)


def test_printed_verdict_follows_from_the_printed_bounds(folder: Path) -> None:
    """The word is that of bounds and margin as printed, and the margin in mW that of the host's."""
    for host, unit, value in (("band", "%/day", 0.1), ("phone-mixed", "min/charge", 2.0)):
        computation = Computation(margin=Margin(value, unit))
        data = budget(
            folder, choice=Choice(host=host), cores=CORES, computation=computation
        ).to_json()
        verdict, inputs = data["host_verdict"], data["inputs"]
        low, high = verdict["bounds"]["low"], verdict["bounds"]["high"]
        word = "hidden" if high < value else "visible" if low > value else "undecided"
        assert verdict["word"] == word
        wh = inputs["host.battery_energy"]["typical"]
        base = inputs["host.baseline_power"]["typical"]
        mw = wh * 1e3 * value / 100 / 24
        if unit == "min/charge":
            mw = wh * 1e3 / (wh * 1e3 / base - value / 60) - base
        assert verdict["margin"]["mw"] == pytest.approx(mw, rel=1e-9)


def test_parts_add_up(folder: Path) -> None:
    """The parts' averages, over states and in all, are the printed average."""
    data = budget(folder, cores=CORES).to_json()
    by_part = data["average_uw_by_part"].values()
    assert sum(p["total"]["typical"] for p in by_part) == pytest.approx(
        data["average_uw"]["typical"], rel=1e-9
    )
    for p in by_part:
        states = p["watching"] + p["active"] + p["always"]
        assert states == pytest.approx(p["total"]["typical"], rel=1e-9, abs=1e-12)
