"""Collect every input of a budget: parts, settings, and what was measured."""

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
from runtime.budget.inputs.values import Input, measured, setting
from runtime.budget.price.profiles import Profiles
from runtime.budget.price.watching import WARM_UP_FRAMES
from runtime.model import Model

__all__ = ["Choice", "gather"]


_UNUSED = (
    "usage.watching_rows", "led.radiant_flux", "host_link.bit_energy", "host_link.bit_rate",
    "sensor_link.message_energy",
)  # fmt: skip
"""Values of the parts that no formula takes: a list of inputs holds what the result hangs on."""


_LEAST_EMPTY_HOURS = 0.5


@dataclass(frozen=True, slots=True)
class Choice:
    """Names of the parts that a budget is for."""

    mcu: str = "stm32u575"
    host: str = "phone-mixed"
    led: str = "ir940-smd"
    driver: str = "switched"
    regulator: str = "buck"
    readout: str = "state-of-the-art"
    sensor_link: str = "spi"
    host_link: str = "i2c"
    usage: str = "everyday"


def gather(
    model: Model,
    watching: Model,
    library: Library,
    choice: Choice,
    profiles: Profiles,
    evaluation: Evaluation | None,
) -> tuple[dict[str, Input], dict[str, str]]:
    """Collect every input by name, and the titles of the parts."""
    parts = {
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
    titles = {group: part.title for group, part in parts.items()}
    core = library.get(Mcu, choice.mcu).core
    titles["core"] = core
    inputs: dict[str, Input] = {}
    for group, part in parts.items():
        inputs.update(part.inputs(group))
    sensor, entry = model.sensor, model.entry
    watched = watching.entry.n_pixels_read
    of_sensor = "as in the recordings"
    for one in (
        setting("sensor.exposure", "us", sensor.exposure_us, of_sensor),
        setting("sensor.bits", "1", sensor.bit_depth, of_sensor),
        setting("active.rate", "Hz", sensor.frame_rate_hz, of_sensor),
        setting("active.led_current", "mA", sensor.led_current_ma, of_sensor),
        setting(
            "active.pixels", "1", entry.n_pixels_read, "pixels that the model's first stage reads"
        ),
        setting("watching.pixels", "1", watched, "pixels that the watching stage reads"),
        setting(
            "watching.warm_up_frames", "1", WARM_UP_FRAMES, "frames that fill its mean of changes"
        ),
    ):
        inputs[one.name] = one
    for state, key, unit in (
        ("watching.rate", "usage.watching_rate", "Hz"),
        ("watching.led_current", "usage.watching_led_current", "mA"),
    ):
        x = inputs.pop(key)
        inputs[state] = Input(state, unit, x.low, x.typical, x.high, x.kind, x.source)
    n_rows = round(inputs["usage.watching_rows"].typical)
    for unused in _UNUSED:
        inputs.pop(unused)
    for state, found in (("active", profiles.active[core]), ("watching", profiles.watching[core])):
        low, typical, high = found.cycles_per_frame
        inputs[f"{state}.cycles"] = measured(
            f"{state}.cycles", "cycles", low, typical, high,
            f"executed instructions of {found.n_frames} recorded frames on an emulated {core}, "
            f"priced by: {found.timing_source}",
        )  # fmt: skip
        flash = found.code_bytes + found.const_bytes
        inputs[f"{state}.flash_bytes"] = measured(
            f"{state}.flash_bytes", "bytes", flash, flash, flash,
            f"code and constants in the ELF file compiled for {core}",
        )  # fmt: skip
    if evaluation is not None and evaluation.wake_up is not None:
        share = inputs["watching.led_current"].typical / max(sensor.led_current_ma, 1e-9)
        if evaluation.wake_up.counted_at(n_rows, inputs["watching.rate"].typical, share):
            assumed = inputs["usage.false_wakes"]
            inputs.update(_measured_watching(evaluation.wake_up, evaluation.emulated, assumed))
    return dict(sorted(inputs.items())), titles


def _measured_watching(wake: WakeUp, emulated: bool, assumed: Input) -> dict[str, Input]:
    """Return misses and false wakes as counted over recordings, in place of the assumed ones.

    A rate of rare events cannot be told from minutes: false wakes stay assumed below
    `_LEAST_EMPTY_HOURS`, and their source says what was counted.
    """
    how = "watching stage run over recordings" + (" of an emulated sensor" if emulated else "")
    how += f", at its own rate and light, {wake.n_arrivals:,} arrivals"
    missed, false = wake.miss_rate, wake.false_wakes_per_hour
    found = {
        "usage.miss_rate": measured(
            "usage.miss_rate", "1", min(missed.low, missed.value), missed.value,
            max(missed.high, missed.value), how,
        )
    }  # fmt: skip
    counted = f"{wake.n_false_wakes} in {60 * wake.empty_hours:.3g} min without a hand"
    if wake.empty_hours >= _LEAST_EMPTY_HOURS:
        found[assumed.name] = measured(
            assumed.name, assumed.unit, min(false.low, false.value), false.value,
            max(false.high, false.value), f"{how}, {counted}",
        )  # fmt: skip
    else:
        source = f"{assumed.source}; recordings: {counted}, too short to tell a rate"
        found[assumed.name] = replace(assumed, source=source)
    return found
