"""Collect every input of a budget: parts, operating states, settings, and what was counted."""

from __future__ import annotations

from dataclasses import dataclass, replace

from runtime.budget.inputs.evaluation import Evaluation, WakeUp
from runtime.budget.inputs.library import (
    Driver,
    Host,
    Led,
    Library,
    Link,
    Mcu,
    Readout,
    Regulator,
    Usage,
)
from runtime.budget.inputs.part_values import Part
from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.inputs.values import Input, counted, origin_of, setting
from runtime.budget.price.controller_inputs import controller_inputs
from runtime.budget.price.operating_states import Memory, OperatingStates, states_together
from runtime.budget.price.power import EXPOSURES, average_power, busy_us
from runtime.budget.price.profiles import Profiles
from runtime.errors import UsageError
from runtime.firmware.day.cost import interrupt_cycles
from runtime.firmware.emit.device.program import buffered_pixels
from runtime.firmware.machine.cores import find_core
from runtime.firmware.profile import CoreProfile
from runtime.firmware.setting import SETTING_FILE, SLEEP_EXPOSURE_US, DeviceSetting
from runtime.model import Model

__all__ = ["Choice", "Gathered", "chosen_parts", "gather"]


_UNUSED = (
    "usage.watching_rows", "led.radiant_flux", "host_link.bit_energy", "host_link.bit_rate",
    "host_link.supply", "sensor_link.message_energy", "mcu.clock", "led.direct_current",
    "led.pulse_current", "led.pulse_time", "led.pulse_duty",
)  # fmt: skip
"""Values of the parts that no formula takes: a list of inputs holds what the result hangs on."""


_LEAST_EMPTY_HOURS = 0.5
_COUNT_BYTES = 2
_STATES = ("watching", "active")
_CHANGES_AN_HOUR = (10.0, 60.0, 200.0)


@dataclass(frozen=True, slots=True)
class Choice:
    """Names of the parts that a budget is for."""

    mcu: str = "stm32u385"
    host: str = "phone-mixed"
    led: str = "ir940-smd"
    driver: str = "step-down"
    regulator: str = "buck-60na"
    readout: str = "state-of-the-art"
    sensor_link: str = "spi"
    host_link: str = "i2c"
    usage: str = "everyday"


@dataclass(frozen=True, slots=True)
class Gathered:
    """Every input by name, the titles of the parts, and the controller's states chosen.

    ``n_choices`` is how many choices of states exist together; ``states`` is the cheapest of those
    that keep the frame rates.
    """

    inputs: dict[str, Input]
    titles: dict[str, str]
    states: OperatingStates
    n_choices: int


def chosen_parts(library: Library, choice: Choice) -> dict[str, Part]:
    """Return the parts of a choice, by what each is.

    Raises
    ------
    UsageError
        A part is unknown; the message lists those that exist.
    """
    return {
        "mcu": library.get(Mcu, choice.mcu),
        "host": library.get(Host, choice.host),
        "led": library.get(Led, choice.led),
        "driver": library.get(Driver, choice.driver),
        "regulator": library.get(Regulator, choice.regulator),
        "readout": library.get(Readout, choice.readout),
        "sensor_link": library.get(Link, choice.sensor_link),
        "host_link": library.get(Link, choice.host_link),
        "usage": library.get(Usage, choice.usage),
    }


def gather(
    model: Model,
    watching: Model,
    library: Library,
    choice: Choice,
    profiles: Profiles,
    evaluation: Evaluation | None,
    setting_of_device: DeviceSetting | None = None,
) -> Gathered:
    """Collect every input by name, the titles of the parts, and the controller's states.

    A model's own `setting_of_device` stands above the sensor's and the usage's.

    Raises
    ------
    UsageError
        A part is unknown, or no choice of the controller's states exists together.
    """
    mcu, link = library.get(Mcu, choice.mcu), library.get(Link, choice.sensor_link)
    driver, parts = library.get(Driver, choice.driver), chosen_parts(library, choice)
    titles = {group: part.title for group, part in parts.items()} | {"core": mcu.core}
    inputs: dict[str, Input] = {}
    for group, part in parts.items():
        inputs.update(part.inputs(group))
    inputs |= _of_the_sensor(model, watching)
    for state, key, unit in (
        ("watching.rate", "usage.watching_rate", "Hz"),
        ("watching.led_current", "usage.watching_led_current", "mA"),
    ):
        inputs[state] = replace(inputs.pop(key), name=state, unit=unit)
    if setting_of_device is not None:
        inputs |= _as_set(setting_of_device, inputs)
    if model.entry.always_on:
        inputs |= _always_on(inputs)
    _refuse_undriven(choice.driver, driver, inputs)
    inputs |= _slept(setting_of_device or DeviceSetting.of(model.sensor), model.entry.always_on)
    inputs |= _of_the_profiles(profiles, mcu.core)
    if model.period > 1:
        inputs["active.peak_cycles"] = _peak(profiles.active[mcu.core], model.period)
    if evaluation is not None and evaluation.wake_up is not None:
        setting_of = (inputs["usage.watching_rows"].typical, inputs["watching.rate"].typical)
        shares = (
            inputs["watching.led_current"].typical / max(model.sensor.led_current_ma, 1e-9),
            inputs["watching.exposure"].typical / model.sensor.exposure_us,
        )
        if evaluation.wake_up.counted_at(round(setting_of[0]), setting_of[1], *shares):
            assumed = inputs["usage.false_wakes"]
            inputs.update(_measured_watching(evaluation.wake_up, evaluation.emulated, assumed))
    inputs |= _voltage_ratios(library.get(Led, choice.led), inputs)
    for unused in _UNUSED:
        inputs.pop(unused, None)
    together = states_together(mcu, link, _memory(model, profiles, mcu.core))
    of_states = [(states, inputs | controller_inputs(mcu, states, link)) for states in together]
    states, inputs = min(of_states, key=lambda each: _worth(each[1]))
    return Gathered(dict(sorted(inputs.items())), titles, states, len(together))


def _refuse_undriven(name: str, driver: Driver, inputs: dict[str, Input]) -> None:
    """Refuse a driver of no LED where one is lit: light would come of nothing."""
    lit = [s for s in _STATES if inputs[f"{s}.led_current"].typical > 0.0]
    if driver.leds == 0 and lit:
        got = f"{name}, which drives no LED, though one is lit while {' and '.join(lit)}"
        raise UsageError("parts library", "driver", got, "one that drives it")


def _memory(model: Model, profiles: Profiles, core: str) -> Memory:
    """Return what sleep must keep, and the rows of both exposures written while the core waits."""
    device = profiles.device[core]
    stack = max(device.stack_bytes, profiles.active[core].stack_bytes)
    return Memory(device.ram_bytes + stack, EXPOSURES * buffered_pixels(model) * _COUNT_BYTES)


def _worth(inputs: dict[str, Input]) -> tuple[float, float]:
    """Return what a choice of states is judged by: time lacking for the frame rates, then power."""
    v = typical_values(inputs)
    lacking = sum(max(0.0, busy_us(v, s) * v[f"{s}.rate"] / 1e6 - 1.0) for s in _STATES)
    return float(lacking), float(sum(average_power(v).values()))


def _voltage_ratios(led: Led, inputs: dict[str, Input]) -> dict[str, Input]:
    """Return the forward voltage at each state's current over that at the rated current."""
    points, found = led.voltage_points, {}
    rated = points.at(led.rated_current.typical)
    for state in _STATES:
        ma = inputs[f"{state}.led_current"].typical
        ratio = points.at(ma) / rated if ma > 0.0 else 1.0
        name, kind = f"{state}.voltage_ratio", origin_of(points.source)
        found[name] = Input(name, "1", ratio, ratio, ratio, kind, points.source)
    return found


def _of_the_sensor(model: Model, watching: Model) -> dict[str, Input]:
    """Return the settings of the sensor that the recordings were made with."""
    sensor, of_sensor = model.sensor, "as in the recordings"
    rows = (
        ("sensor.exposure", "us", sensor.exposure_us, of_sensor),
        ("watching.exposure", "us", sensor.exposure_us, f"{of_sensor}: that of the active state"),
        ("sensor.bits", "1", sensor.bit_depth, of_sensor),
        ("sensor.dark_signal", "e/s", sensor.dark_signal_e_per_s, f"{of_sensor}, at 25 degC"),
        ("active.rate", "Hz", sensor.frame_rate_hz, of_sensor),
        ("active.led_current", "mA", sensor.led_current_ma, of_sensor),
        ("active.pixels", "1", model.entry.n_pixels_read, "pixels that the first stage reads"),
        (
            "watching.pixels",
            "1",
            watching.entry.n_pixels_read,
            "pixels that the watching stage reads",
        ),
    )
    return {name: setting(name, unit, value, source) for name, unit, value, source in rows}


def _as_set(own: DeviceSetting, inputs: dict[str, Input]) -> dict[str, Input]:
    """Return the inputs that a model's own setting replaces."""
    values = {
        "sensor.exposure": own.exposure_us,
        "watching.exposure": own.exposure_of("watching"),
        "active.rate": own.frame_rate_hz,
        "active.led_current": own.led_current_ma,
        "watching.rate": own.watching_rate_hz,
        "watching.led_current": own.watching_led_current_ma,
        "usage.watching_rows": own.watching_rows,
        "usage.hold_time": own.hold_time_s,
    }
    source = f"{SETTING_FILE} of the model"
    return {name: setting(name, inputs[name].unit, x, source) for name, x in values.items()}


def _always_on(inputs: dict[str, Input]) -> dict[str, Input]:
    """Return what a device that never watches does all day, in the place of a usage's visits."""
    source = "the program: it never watches, and the model is given every frame"
    values = {
        "watching.rate": 0.0,
        "watching.led_current": 0.0,
        "usage.hand_present": 60.0 * inputs["usage.on_time"].typical,
        "usage.visits": 0.0,
        "usage.false_wakes": 0.0,
        "usage.miss_rate": 0.0,
    }
    found = {name: setting(name, inputs[name].unit, x, source) for name, x in values.items()}
    told = "invented: changes of how many are there"
    low, typical, high = _CHANGES_AN_HOUR
    name = "usage.gestures"
    return found | {name: Input(name, "1/h", low, typical, high, "invented", told)}


def _slept(own: DeviceSetting, always_on: bool) -> dict[str, Input]:
    """Return the exposures of a frame that the program sleeps through, of states that do."""
    source = f"the program: it sleeps through exposures of {SLEEP_EXPOSURE_US:g} us and longer"
    sleeps = {state: own.sleeps_in(state) for state in (_STATES[1:] if always_on else _STATES)}
    return {
        f"{state}.sleeps": setting(f"{state}.sleeps", "1", n, source)
        for state, n in sleeps.items()
        if n
    }


def _of_the_profiles(profiles: Profiles, core: str) -> dict[str, Input]:
    """Return cycles, interrupts and bytes of the program as emitted, on the controller's core."""
    inputs, device = {}, profiles.device[core]
    entering = "/".join(f"{x:g}" for x in interrupt_cycles(find_core(core)))
    for state, found, frame in (
        ("active", profiles.active[core], device.active),
        ("watching", profiles.watching[core], device.watching),
    ):
        low, typical, high = frame.cycles
        inputs[f"{state}.cycles"] = counted(
            f"{state}.cycles", "cycles", low, typical, high,
            f"as emitted: executed instructions of the whole device program on {frame.n_frames} "
            f"frames by rows on an emulated {core}, and {entering} cycles for each interrupt, "
            f"priced by: {found.timing_source}",
        )  # fmt: skip
        inputs[f"{state}.interrupts"] = counted(
            f"{state}.interrupts", "1", frame.interrupts, frame.interrupts, frame.interrupts,
            "as emitted: interrupts of a frame; the core sleeps in between while rows are read",
        )  # fmt: skip
        flash = found.code_bytes + found.const_bytes + device.own_bytes
        inputs[f"{state}.flash_bytes"] = counted(
            f"{state}.flash_bytes", "bytes", flash, flash, flash,
            f"code and constants in the ELF file compiled for {core}, the device program's own "
            "among them",
        )  # fmt: skip
    return inputs


def _peak(found: CoreProfile, period: int) -> Input:
    """Return the cycles that the frame on which every stage runs takes above the mean."""
    more = found.worst_frame_instructions / found.instructions_per_frame - 1.0
    low, typical, high = (more * cycles for cycles in found.cycles_per_frame)
    return counted(
        "active.peak_cycles", "cycles", low, typical, high,
        f"of the frame that takes most, above the mean, in proportion to its instructions: the "
        f"head runs on some of {period} frames",
    )  # fmt: skip


def _measured_watching(wake: WakeUp, emulated: bool, assumed: Input) -> dict[str, Input]:
    """Return misses and false wakes as counted over recordings, in place of the assumed ones.

    A rate of rare events cannot be told from minutes: false wakes stay assumed below
    `_LEAST_EMPTY_HOURS`, and their source says what was counted.
    """
    how = "watching stage run over recordings" + (" of an emulated sensor" if emulated else "")
    how += f", at its own rate and light, {wake.n_arrivals:,} arrivals"
    missed, false = wake.miss_rate, wake.false_wakes_per_hour
    found = {
        "usage.miss_rate": counted(
            "usage.miss_rate", "1", min(missed.low, missed.value), missed.value,
            max(missed.high, missed.value), how,
        )
    }  # fmt: skip
    tally = f"{wake.n_false_wakes} in {60 * wake.empty_hours:.3g} min without a hand"
    if wake.empty_hours >= _LEAST_EMPTY_HOURS:
        found[assumed.name] = counted(
            assumed.name, assumed.unit, min(false.low, false.value), false.value,
            max(false.high, false.value), f"{how}, {tally}",
        )  # fmt: skip
    else:
        source = f"{assumed.source}; recordings: {tally}, too short to tell a rate"
        found[assumed.name] = replace(assumed, source=source)
    return found
