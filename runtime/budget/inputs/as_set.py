"""How a device watches, where its model folder says so: not as a usage profile assumes."""

from __future__ import annotations

from pathlib import Path

from runtime.budget.inputs.library import Library, Usage
from runtime.budget.inputs.part_values import Value
from runtime.firmware.setting import SETTING_FILE, read_setting
from runtime.sensor import Sensor

__all__ = ["usage_as_set"]

_UNITS = {
    "watching_rate": ("watching_rate_hz", "Hz"),
    "watching_rows": ("watching_rows", "rows"),
    "watching_led_current": ("watching_led_current_ma", "mA"),
    "hold_time": ("hold_time_s", "s"),
}


def usage_as_set(library: Library, name: str, folder: Path, sensor: Sensor) -> Library:
    """Return a library whose usage watches as a model folder's setting says.

    Parameters
    ----------
    library : Library
    name : str
        Of the usage.
    folder : pathlib.Path
        Model folder; without a ``device.toml`` the library stays as it is.
    sensor : Sensor
        The model's.

    Raises
    ------
    FormatError, UsageError
        The setting is faulty, or there is no such usage.
    """
    if not (folder / SETTING_FILE).exists():
        return library
    setting = read_setting(folder, sensor)
    values = {
        key: Value.model_validate(
            {
                "unit": unit,
                "typical": float(getattr(setting, field)),
                "source": f"setting: {SETTING_FILE} of the model",
            }
        )
        for key, (field, unit) in _UNITS.items()
    }
    usage = library.get(Usage, name)
    return library.with_part("usage", name, usage.model_copy(update=values))
