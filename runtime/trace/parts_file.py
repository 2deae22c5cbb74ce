"""A parts file of what a trace says of the parts: single values, laid over the library.

A trace shows fewer sums than a budget has values. Where one sum holds two of them, the budget's
smaller one is left as it is, and the larger takes the rest; values are worked back from the battery
to the rail with the budget's own efficiency. So the budget that takes these values gives the
measured charges again.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.library import Link, Mcu, load_parts
from runtime.budget.price.converter import conversion_energy_pj
from runtime.budget.price.operating_states import Leg, states_together
from runtime.budget.price.power import driver_standby_ua, pulse_us, woken_us
from runtime.errors import UsageError
from runtime.trace.measurement import Measurement
from runtime.trace.predicted import CLOCK_UP, Prediction
from runtime.trace.terms import drawn, held_uw, sleep_uw

__all__ = ["MeasuredPart", "MeasuredParts", "measured_parts", "parts_text"]

Floats = NDArray[np.float64]

_INNER = 1.0 - math.sqrt(0.1)
"""Share of a bound's distance at which the budget's draws leave 5 % beyond: see `draw` there."""
_REFERENCE_DEGC = 25.0
_LEAST, _MOST = 1e-6, 1e6


@dataclass(frozen=True, slots=True)
class MeasuredPart:
    """One value of a part.

    Parameters
    ----------
    table : tuple of str
        Keys of its table, such as ``("mcu", "stm32u575", "state", "sleep")``.
    key, unit : str
    low, typical, high : float
    before : float
        What the budget had.
    """

    table: tuple[str, ...]
    key: str
    unit: str
    low: float
    typical: float
    high: float
    before: float


@dataclass(frozen=True, slots=True)
class MeasuredParts:
    """The values, and for those that cannot be had from this trace one sentence each."""

    values: tuple[MeasuredPart, ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Try:
    """A value to be: its place, unit, what the budget had, bounds, and how it is worked out."""

    table: tuple[str, ...]
    key: str
    unit: str
    before: float
    work_out: Callable[[], Floats]
    most: float = _MOST
    least: float = 0.0


def measured_parts(found: Measurement, predicted: Prediction) -> MeasuredParts:
    """Return what a trace says of the parts of a budget."""
    values: list[MeasuredPart] = []
    missing: list[str] = []
    for each in _tries(found, predicted):
        where = ".".join((*each.table, each.key))
        if any((*v.table, v.key) == (*each.table, each.key) for v in values):
            missing.append(f"{where}: one state has two roles; the first is written")
            continue
        try:
            with np.errstate(divide="ignore", invalid="ignore"):
                draws = each.work_out()
        except ZeroDivisionError:
            missing.append(f"{where}: the budget has a zero where it cannot")
            continue
        typical = float(draws[0])
        if not np.isfinite(draws).all() or not each.least < typical <= each.most:
            missing.append(
                f"{where}: the trace gives {typical:.4g} {each.unit}, which cannot be: what the "
                "budget takes off or adds to it differs on this device"
            )
            continue
        low, high = np.quantile(draws[1:], [0.05, 0.95])
        low = typical - max(0.0, typical - float(low)) / _INNER
        high = typical + max(0.0, float(high) - typical) / _INNER
        values.append(
            MeasuredPart(
                each.table, each.key, each.unit, max(low, each.least), typical,
                min(high, each.most), each.before,
            )
        )  # fmt: skip
    seen = {f.phase for f in found.phases if f.n_samples > 0.0}
    missing += [
        f"{phase}: not told from its neighbours on this trace"
        for phase in ("wake", "compute")
        if phase not in seen
    ]
    return MeasuredParts(tuple(values), tuple(missing))


def parts_text(found: Measurement, parts: MeasuredParts) -> str:
    """Return the parts file as TOML.

    Values of a synthetic trace are written as invented, with a source that says so.
    """
    bench = found.bench
    head = "Synthetic: no device was measured." if bench.synthetic else "Measured on a bench."
    lines = [
        f"# {head} From {found.trace}, {found.n_frames} frames in state {bench.state}.",
        "# For palmwatt budget MODEL --parts; low and high leave 5 % of the draws beyond the 90 %",
        "# interval of the trace on either side.",
    ]
    if bench.synthetic:
        origin = f"source = {_quoted(f'invented: a synthetic trace, sha256 {found.sha256}')}"
    else:
        pairs = (
            ("device", bench.device), ("instrument", bench.instrument),
            ("date", bench.date.isoformat()), ("sha256", found.sha256),
        )  # fmt: skip
        inner = ", ".join(f"{key} = {_quoted(value)}" for key, value in pairs)
        origin = f"measured = {{ {inner} }}"
    table: tuple[str, ...] = ()
    for v in sorted(parts.values, key=lambda v: (v.table, v.key)):
        if v.table != table:
            table = v.table
            lines += ["", f"[{'.'.join(table)}]"]
        lines.append(
            f"{v.key} = {{ unit = {_quoted(v.unit)}, low = {v.low:.6g}, typical = "
            f"{v.typical:.6g}, high = {v.high:.6g}, {origin} }}"
        )
    lines += ["", *(f"# not from this trace: {sentence}" for sentence in parts.missing)]
    return "\n".join(lines).rstrip() + "\n"


def _quoted(text: str) -> str:
    """Return a basic string of TOML; JSON's is one, but for the control character 7F."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _tries(found: Measurement, predicted: Prediction) -> Iterator[_Try]:
    v = predicted.values
    mcu = ("mcu", predicted.names["mcu"], "state")
    sleeping = (*mcu, predicted.operating["sleeping"])
    yield _Try(
        sleeping, "current", "uA", v["mcu.sleep_current"], lambda: _sleep_ua(found, predicted)
    )
    yield from _of_the_sensor(found, predicted)
    seen = {f.phase for f in found.phases if f.n_samples > 0.0}
    if "compute" in seen:
        yield from _of_compute(found, predicted)
    leg = _start(predicted) if "wake" in seen else None
    if leg is not None:
        yield _Try(
            (*sleeping, "wakes"), leg.through, "us", v["mcu.start_time"],
            lambda: drawn(found, "wake", "time_us"),
        )  # fmt: skip
    yield from _of_the_led(found, predicted)


def _warmer(found: Measurement, v: dict[str, float]) -> float:
    """Tens of kelvin above the reference at which the trace was taken."""
    degc = found.bench.temperature_c
    return ((v["usage.temperature"] if degc is None else degc) - _REFERENCE_DEGC) / 10.0


def _sleep_ua(found: Measurement, predicted: Prediction) -> Floats:
    v = predicted.values
    quiescent = driver_standby_ua(v) + v["regulator.quiescent_current"]
    rail = (sleep_uw(found) - quiescent * predicted.supply_v) * v["regulator.efficiency"]
    others = v["readout.idle_power"] + v["sensor_link.standby_power"] + v["host_link.standby_power"]
    grown = v["mcu.supply"] * v["mcu.sleep_growth"] ** _warmer(found, v)
    current: Floats = (rail - others) / grown
    return current


def _of_the_sensor(found: Measurement, predicted: Prediction) -> Iterator[_Try]:
    """What is spent while the sensor is on: bias and waiting, then pixels and their transfer."""
    v, eff = predicted.values, predicted.values["regulator.efficiency"]
    supply = v["mcu.supply"] * v["mcu.wait_growth"] ** _warmer(found, v)
    waiting_uw = v["mcu.wait_current"] * v["mcu.supply"]
    readout = ("readout", predicted.names["readout"])
    if waiting_uw >= v["readout.bias_power"]:
        yield _Try(
            ("mcu", predicted.names["mcu"], "state", predicted.operating["waiting"]), "current",
            "uA", v["mcu.wait_current"],
            lambda: (held_uw(found) * eff - v["readout.bias_power"]) / supply,
        )  # fmt: skip
    else:
        yield _Try(
            readout, "bias_power", "uW", v["readout.bias_power"],
            lambda: held_uw(found) * eff - waiting_uw,
        )  # fmt: skip
    n_read = 2.0 * v[f"{predicted.state}.pixels"]
    converted = conversion_energy_pj(v["readout.walden_figure"], v["readout.effective_bits"])
    raised = (v["mcu.supply"] / v["sensor_link.supply"]) ** 2 * v["sensor.bits"]
    bits_pj, pixel_pj = v["sensor_link.bit_energy"] * raised, v["readout.pixel_energy"] + converted

    def each_pj() -> Floats:
        asleep_and_held = sleep_uw(found) + held_uw(found)
        above = drawn(found, "readout", "energy_uj")
        above = above - asleep_and_held * drawn(found, "readout", "time_us") / 1e6
        energy: Floats = 1e6 * above * eff / n_read
        return energy

    if bits_pj >= pixel_pj:
        yield _Try(
            ("link", predicted.names["sensor_link"]), "bit_energy", "pJ",
            v["sensor_link.bit_energy"], lambda: (each_pj() - pixel_pj) / raised,
        )  # fmt: skip
    else:
        yield _Try(
            readout, "pixel_energy", "pJ", v["readout.pixel_energy"],
            lambda: each_pj() - bits_pj - converted,
        )  # fmt: skip


def _of_compute(found: Measurement, predicted: Prediction) -> Iterator[_Try]:
    v, state = predicted.values, predicted.state
    role = "computing" if state == "active" else "watching"
    table = ("mcu", predicted.names["mcu"], "state", predicted.operating[role])
    time_us = drawn(found, "compute", "time_us")
    # Bringing the clock up draws another current: the budget's word is taken off.
    up_us = float(woken_us(v, state))
    up_uj = sum(s.energy_uj for s in predicted.steps if s.name == CLOCK_UP)

    def derating() -> Floats:
        above = drawn(found, "compute", "energy_uj") - sleep_uw(found) * time_us / 1e6
        lasting = (time_us - up_us) * v["mcu.supply"]
        rail_ua = 1e6 * (above - up_uj) * v["regulator.efficiency"] / lasting
        share: Floats = rail_ua / v[f"{state}.run_current"]
        return share

    def flash_wait() -> Floats:
        cycles = (time_us - up_us) * v[f"{state}.clock"]
        lines = v[f"{state}.flash_bytes"] / 16.0
        wait: Floats = (cycles - v[f"{state}.cycles"]) / lines
        return wait

    yield _Try(table, "derating", "1", v[f"{state}.derating"], derating)
    yield _Try(table, "flash_wait", "cycles", v[f"{state}.flash_wait"], flash_wait)


def _start(predicted: Prediction) -> Leg | None:
    """Return how the controller gets from sleeping to waiting; None where the library lacks it."""
    library = load_parts()
    try:
        mcu = library.get(Mcu, predicted.names["mcu"])
        link = library.get(Link, predicted.names["sensor_link"])
        choices = states_together(mcu, link)
    except UsageError:
        return None
    legs = [each.start for each in choices if each.names() == predicted.operating]
    known = [leg for leg in legs if leg.wake_up_time is not None and leg.clock_change_time is None]
    return known[0] if known else None


def _of_the_led(found: Measurement, predicted: Prediction) -> Iterator[_Try]:
    v, state = predicted.values, predicted.state
    driver = ("driver", predicted.names["driver"])
    time_us = drawn(found, "led", "time_us")

    def efficiency() -> Floats:
        below = sleep_uw(found) + held_uw(found)
        lit = drawn(found, "led", "energy_uj") - below * time_us / 1e6
        volts = v["led.forward_voltage"] * v[f"{state}.voltage_ratio"]
        share: Floats = v[f"{state}.led_current"] * time_us * volts / 1e3 / lit
        return share

    yield _Try(driver, "efficiency", "1", v["driver.efficiency"], efficiency, 1.0, _LEAST)
    yield _Try(
        driver, "settle_time", "us", v["driver.settle_time"],
        lambda: time_us - (pulse_us(v, state) - v["driver.settle_time"]),
    )  # fmt: skip
