"""What a reader must know before believing a budget: where its parts do not fit together."""

from __future__ import annotations

from collections.abc import Mapping

from runtime.budget.inputs.library import Mcu
from runtime.budget.inputs.values import Input
from runtime.budget.price.led_rating import led_ratings
from runtime.budget.price.light import LightScreening
from runtime.budget.price.power import busy_us, dark_electrons
from runtime.firmware.profile import CoreProfile
from runtime.sensor import Sensor

__all__ = ["cautions"]

_DARK_SHARE = 0.21
"""Dark electrons over read noise squared that make noise in the dark a tenth larger: 1.1^2 - 1."""


def cautions(
    sensor: Sensor,
    inputs: Mapping[str, Input],
    mcu: Mcu,
    core: CoreProfile,
    firmware: str,
    light: LightScreening,
) -> tuple[str, ...]:
    """Return sentences for people, the weightiest first; empty where all parts fit together.

    Parameters
    ----------
    sensor : Sensor
        The setting that the recordings were made at.
    inputs : mapping of str to Input
        The budget's inputs.
    mcu : Mcu
        The chosen controller.
    core : CoreProfile
        The model on the controller's core.
    firmware : str
        `Profiles.firmware`.
    light : LightScreening
        The light screened, with and without a fault.
    """
    led, found = inputs["led.wavelength"], []
    if not led.low <= sensor.led_wavelength_nm <= led.high:
        found.append(
            f"The recordings were lit at {sensor.led_wavelength_nm:g} nm, the chosen LED emits at "
            f"{led.typical:g} nm: the accuracy shown was not measured at this light."
        )
    if firmware == "on disk, changed":
        found.append(
            "The firmware in the model folder is not what the model gives: what is priced is the "
            "changed firmware."
        )
    values = {name: x.typical for name, x in inputs.items()}
    limits = ("led.direct_current", "led.pulse_current", "led.pulse_time", "led.pulse_duty")
    ratings = led_ratings(values | {name: inputs[name].low for name in limits})
    taken_us = busy_us(values, "active")
    if taken_us * values["active.rate"] > 1e6:
        found.append(
            f"One frame takes {taken_us / 1e3:.3g} ms on {mcu.title}, longer than the "
            f"{1e3 / values['active.rate']:.3g} ms between frames: the rate cannot be kept."
        )
    flash, ram = core.code_bytes + core.const_bytes, core.ram_bytes + core.stack_bytes
    for what, used, there in (("flash", flash, mcu.flash_kb), ("RAM", ram, mcu.ram_kb)):
        if used > 1024 * there:
            found.append(
                f"The model takes {used:,} bytes of {what}, {mcu.title} has {1024 * there:,}."
            )
    rated = inputs["led.rated_current"].typical
    current = max(values["active.led_current"], values["watching.led_current"])
    if current > rated:
        found.append(
            f"The LED is driven at {current:g} mA, its data-sheet values hold at {rated:g} mA: "
            "forward voltage and light are extrapolated."
        )
    found += [
        f"The LED is driven at {one.current_ma:g} mA while {one.state}, in pulses of "
        f"{one.pulse_us:.3g} us; its rating allows {one.allowed_ma:g} mA: it may fail."
        for one in ratings
        if not one.kept
    ]
    gathered = float(dark_electrons(values))
    if gathered > _DARK_SHARE * sensor.read_noise_e**2:
        found.append(
            f"At {values['usage.temperature']:g} °C a pixel gathers {gathered:.3g} electrons of "
            f"dark signal in one exposure, which adds a tenth or more to its read noise of "
            f"{sensor.read_noise_e:g}: the accuracy shown was not measured at this warmth."
        )
    if light.stuck_on_margin < 1.0:
        found.append(
            "An LED stuck on, as a single fault, passes a limit for the eye by "
            f"{1.0 / light.stuck_on_margin:.2g} times: the driver needs a limit of its own on time."
        )
    return tuple(found)
