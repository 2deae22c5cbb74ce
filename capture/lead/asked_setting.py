"""A sensor set to what a ``sensor.toml`` asks for, before it is recorded."""

from __future__ import annotations

import dataclasses
import math

from capture.wire.codec import CommandKind
from capture.wire.link import SerialLink
from runtime.errors import UsageError
from runtime.firmware.sensor_file import SensorFile
from runtime.sensor import Sensor

__all__ = ["set_sensor"]

_STEPS = {"exposure_us": 1e-3, "led_current_ma": 1e-3, "frame_rate_hz": 1e-3}
"""Smallest steps that the wire can ask for, in each field's unit."""


def set_sensor(link: SerialLink, asked: SensorFile) -> None:
    """Ask a stopped sensor for a setting, and see that it is in force.

    Parameters
    ----------
    link : SerialLink
        Open port of a sensor.
    asked : SensorFile

    Raises
    ------
    UsageError
        The sensor is another one, or cannot be set so.
    PortError
        It does not answer, or refuses.
    """
    link.ask(CommandKind.STOP)
    wanted = asked.sensor
    # The exposure has to fit the rate at each step: a longer one follows the rate, a shorter one
    # goes before it.
    before = link.describe().sensor
    _same_kind(link.url, before, wanted)
    if wanted.exposure_us > before.exposure_us:
        _ask(link, CommandKind.SET_FRAME_RATE, wanted.frame_rate_hz)
        _ask(link, CommandKind.SET_EXPOSURE, wanted.exposure_us)
    else:
        _ask(link, CommandKind.SET_EXPOSURE, wanted.exposure_us)
        _ask(link, CommandKind.SET_FRAME_RATE, wanted.frame_rate_hz)
    _ask(link, CommandKind.SET_LED_CURRENT, wanted.led_current_ma)
    link.ask(CommandKind.SET_ROWS, asked.first_row | wanted.n_rows << 16)
    _refuse_another(link.url, link.describe().sensor, wanted)


def _ask(link: SerialLink, kind: CommandKind, value: float) -> None:
    link.ask(kind, round(1000.0 * value))


def _same_kind(where: str, there: Sensor, wanted: Sensor) -> None:
    """Refuse a sensor whose fixed values differ; rows and what can be set are not looked at.

    Apertures are cut with the rows, and looked at once those are set.
    """
    settable = {"n_rows", "apertures", *_STEPS}
    for field in dataclasses.fields(Sensor):
        if field.name not in settable:
            _hold(where, field.name, getattr(there, field.name), getattr(wanted, field.name))


def _refuse_another(where: str, there: Sensor, wanted: Sensor) -> None:
    for field in dataclasses.fields(Sensor):
        _hold(where, field.name, getattr(there, field.name), getattr(wanted, field.name))


def _hold(where: str, name: str, got: object, expected: object) -> None:
    if isinstance(got, float | int) and isinstance(expected, float | int):
        # What the wire carries is rounded: to its steps, and gains to a millionth.
        if math.isclose(got, expected, rel_tol=1e-4, abs_tol=_STEPS.get(name, 1e-6)):
            return
    elif got == expected:
        return
    do = "plug in the sensor that the file was made for"
    raise UsageError(where, f"{name} of the sensor", got, expected, do)
