"""The file that a sensor's setting goes round in: ``sensor.toml``, for sensor and device alike.

It holds the fields of `runtime.sensor.Sensor` as they are at the setting, the first row read, and a
table ``[watching]`` with the numbers of the watching state::

    name = "lensless32"
    n_rows = 16
    ...
    apertures = [ { x_mm = -0.93, y_mm = 0.0, first_row = 0, n_rows = 16, ... }, ... ]
    first_row = 8

    [watching]
    rate_hz = 2.0
    rows = 8
    led_current_ma = 5.0
    exposure_us = 20.0
    hold_time_s = 2.0
    rest_time_s = 60.0

``apertures`` stands there only for a sensor that has others than one over its whole array.
`palmwatt emulate` and `palmwatt record` set a sensor to it, `palmwatt train` makes a model for it.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runtime.errors import FormatError
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Sensor
from runtime.tomlfile import TomlFile, read_toml

__all__ = ["SENSOR_FILE", "SensorFile", "read_sensor_file"]

SENSOR_FILE = "sensor.toml"
"""Its name in a model folder."""

_WATCHING = {
    "rate_hz": "watching_rate_hz",
    "rows": "watching_rows",
    "led_current_ma": "watching_led_current_ma",
    "exposure_us": "watching_exposure_us",
    "hold_time_s": "hold_time_s",
    "rest_time_s": "rest_time_s",
}


@dataclass(frozen=True, slots=True)
class SensorFile:
    """A sensor at a setting, and the device around it.

    Parameters
    ----------
    sensor : Sensor
        With the rows that are read.
    first_row : int
        Of the sensor's own rows, the first that is read.
    device : DeviceSetting
        Of the same rate, current and exposure.

    Raises
    ------
    FormatError
        The rows do not exist, or sensor and device differ.
    """

    sensor: Sensor
    first_row: int
    device: DeviceSetting

    def __post_init__(self) -> None:
        row = self.first_row
        if isinstance(row, bool) or not isinstance(row, int) or not 0 <= row < 256:
            raise FormatError("sensor setting", "first_row", repr(row), "0 to 255")
        for field in ("frame_rate_hz", "led_current_ma", "exposure_us"):
            of_sensor, of_device = getattr(self.sensor, field), getattr(self.device, field)
            if of_sensor != of_device:
                raise FormatError("sensor setting", f"{field} of the device", of_device, of_sensor)

    def to_toml(self) -> str:
        """Return the text of a ``sensor.toml``: the same bytes each time."""
        lines = [f"{key} = {_toml(value)}" for key, value in self.sensor.to_json().items()]
        lines += [f"first_row = {self.first_row}", "", "[watching]"]
        values = {key: getattr(self.device, name) for key, name in _WATCHING.items()}
        lines += [f"{key} = {_toml(value)}" for key, value in values.items() if value is not None]
        return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(_toml(each) for each in value)}]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(each)}" for key, each in value.items()) + " }"
    # A JSON string of printable ASCII is a TOML basic string.
    return json.dumps(value) if isinstance(value, str) else repr(value)


def read_sensor_file(path: Path) -> SensorFile:
    """Read a ``sensor.toml``; what it does not say of watching is the usual.

    Raises
    ------
    FormatError
        It cannot be read, or a key is unknown, missing or out of range; the message names it.
    """
    file = read_toml(path, expected="a sensor file (TOML)")
    fields = dict(file.data)
    first_row, watching = fields.pop("first_row", 0), fields.pop("watching", {})
    try:
        sensor = Sensor.from_json(fields, str(path))
        return SensorFile(sensor, first_row, _device(file, sensor, watching))
    except FormatError as error:
        where = error.where if error.where.startswith(str(path)) else str(path)
        raise FormatError(where, error.what, error.got, error.expected, error.do) from None


def _device(file: TomlFile, sensor: Sensor, watching: Any) -> DeviceSetting:
    if not isinstance(watching, Mapping):
        raise FormatError(file.place("watching"), "watching", type(watching).__name__, "a table")
    for key in watching:
        if key not in _WATCHING:
            expected = f"one of {', '.join(_WATCHING)}"
            raise FormatError(file.place("watching", key), "key", key, expected)
    found = {_WATCHING[key]: value for key, value in watching.items()}
    return dataclasses.replace(DeviceSetting.of(sensor), **found)
