"""What a reader must know before believing a budget: where its parts do not fit together."""

from __future__ import annotations

from collections.abc import Mapping

from runtime.budget.inputs.library import Driver, Mcu
from runtime.budget.inputs.values import Input
from runtime.budget.price.led_rating import LedRating
from runtime.budget.price.power import busy_us, dark_electrons
from runtime.firmware.profile import CoreProfile
from runtime.sensor import Sensor

__all__ = ["cautions", "lacking"]

_DARK_SHARE = 0.21
"""Dark electrons over read noise squared that make noise in the dark a tenth larger: 1.1^2 - 1."""


def cautions(
    sensor: Sensor,
    inputs: Mapping[str, Input],
    parts: tuple[Mcu, Driver],
    core: CoreProfile,
    firmware: str,
    ratings: tuple[LedRating, ...],
) -> tuple[str, ...]:
    """Return sentences for people, the weightiest first; empty where all parts fit together.

    Parameters
    ----------
    sensor : Sensor
        The setting that the recordings were made at.
    inputs : mapping of str to Input
        The budget's inputs.
    parts : (Mcu, Driver)
        The chosen controller and LED driver.
    core : CoreProfile
        The model on the controller's core.
    firmware : str
        `Profiles.firmware`.
    ratings : tuple of LedRating
        The LED's ratings in either state.
    """
    mcu, driver = parts
    led, found = inputs["led.wavelength"], []
    lit = sensor.led_current_ma > 0.0
    if lit and not led.low <= sensor.led_wavelength_nm <= led.high:
        found.append(
            f"The recordings were lit at {sensor.led_wavelength_nm:g} nm, the chosen LED emits at "
            f"{led.typical:g} nm: the accuracy shown was not measured at this light."
        )
    if lit and driver.leds > 1:
        found.append(
            f"The driver lights {driver.leds} LEDs, which lie apart, the recordings were lit by "
            "one: the accuracy shown was not measured at this light."
        )
    if firmware == "on disk, changed":
        found.append(
            "The firmware in the model folder is not what the model gives: what is priced is the "
            "changed firmware."
        )
    if firmware == "on disk, set otherwise":
        found.append(
            "The device program in the model folder is set to other rates, rows or currents than "
            "are priced: write them into device.toml and export it anew."
        )
    values = {name: x.typical for name, x in inputs.items()}
    found += lacking(values, mcu, core)
    found += _led(inputs["led.rated_current"].typical, ratings)
    gathered = float(dark_electrons(values))
    if gathered > _DARK_SHARE * sensor.read_noise_e**2:
        found.append(
            f"At {values['usage.temperature']:g} °C a pixel gathers {gathered:.3g} electrons of "
            f"dark signal in one exposure, which adds a tenth or more to its read noise of "
            f"{sensor.read_noise_e:g}: the accuracy shown was not measured at this warmth."
        )
    return tuple(found)


def lacking(values: Mapping[str, float], mcu: Mcu, core: CoreProfile) -> list[str]:
    """Return sentences of what a controller has too little of: time, flash or RAM."""
    found = []
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
    return found


def _led(rated_ma: float, ratings: tuple[LedRating, ...]) -> list[str]:
    """Return a sentence where the LED is driven beyond what its data sheet tells or allows."""
    worst = max(ratings, key=lambda one: (not one.kept, one.current_ma))
    told, harm = [], []
    if worst.current_ma > rated_ma:
        told.append(f"its data-sheet values hold at {rated_ma:g} mA")
        harm.append("forward voltage and light are extrapolated")
    if not worst.kept:
        told.append(
            f"its rating allows {worst.allowed_ma:g} mA in pulses of {worst.pulse_us:.3g} µs"
        )
        harm.append("it may fail")
    if not told:
        return []
    told_words, harm_words = " and ".join(told), ", and ".join(harm)
    return [f"The LED is driven at {worst.current_ma:g} mA, {told_words}: {harm_words}."]
