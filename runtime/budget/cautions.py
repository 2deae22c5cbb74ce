"""What a reader must know before believing a budget: where its parts do not fit together."""

from __future__ import annotations

from collections.abc import Mapping

from runtime.budget.inputs.library import Mcu
from runtime.budget.inputs.values import Input
from runtime.budget.price.power import busy_us
from runtime.firmware.profile import CoreProfile
from runtime.sensor import Sensor

__all__ = ["cautions"]


def cautions(
    sensor: Sensor,
    inputs: Mapping[str, Input],
    mcu: Mcu,
    core: CoreProfile,
    firmware: str,
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
    return tuple(found)
