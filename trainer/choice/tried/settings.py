"""What an option is in a sensor's own numbers: its setting, its device, its name."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

from capture.thin.setting import Setting, least_bits, thinned_sensor
from runtime.firmware.sensor_file import SensorFile
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Sensor
from trainer.choice.tried.knobs import Option, WatchingOption
from trainer.corpus.at_setting import AtSetting

__all__ = ["Tried", "device_of", "key_of", "setting_of", "tried_of"]


@dataclass(frozen=True, slots=True)
class Tried:
    """An option at one data set: its setting, and the sensor that follows.

    Parameters
    ----------
    name : str
        Tells it from all others, and says what it is: ``dynamic-led25-exp100-rows16-15hz-12bit``.
    option : Option
    setting : Setting
        How much weaker than recorded.
    sensor : Sensor
        At the setting.
    first_row : int
        Of the rows recorded.
    """

    name: str
    option: Option
    setting: Setting
    sensor: Sensor
    first_row: int

    @property
    def identity(self) -> str:
        """Its name and its recipe's values: what is kept of it is of no use to a changed recipe."""
        return f"{self.name} {self.option.recipe.digest()}"

    @property
    def structure(self) -> str:
        """What of it decides how many instructions a frame takes: all but light and bits."""
        recipe = self.option.recipe.digest()
        return f"{recipe} {self.setting.rows} {self.setting.frame_rate_divisor}"

    def at(self, device: DeviceSetting) -> AtSetting:
        """Return what a model at it is made for."""
        return AtSetting(device, self.setting)

    def file(self, device: DeviceSetting) -> SensorFile:
        """Return its ``sensor.toml``."""
        return SensorFile(self.sensor, self.first_row, device)


def setting_of(option: Option, recorded: Sensor) -> Setting:
    """Return how much weaker an option is than what was recorded."""
    n_rows = max(1, round(option.rows_share * recorded.n_rows))
    first = (recorded.n_rows - n_rows) // 2
    return Setting(
        option.led_share,
        option.exposure_share,
        None if n_rows == recorded.n_rows else (first, first + n_rows),
        option.rate_divisor,
        None if option.bits_at_most >= recorded.bit_depth else option.bits_at_most,
    )


def tried_of(options: Sequence[Option], recorded: Sensor) -> list[Tried]:
    """Return what there is to try at a sensor, each once: recipes that are one at a rate are one.

    Bits whose steps are too coarse to be foretold are left out, where others are tried as well.

    Raises
    ------
    UsageError
        A knob asks for what the sensor cannot be set to.
    """
    fewest = least_bits(recorded)
    options = [one for one in options if one.bits_at_most >= fewest] or options
    found: dict[tuple[str, str], Tried] = {}
    for option in options:
        setting = setting_of(option, recorded)
        sensor = thinned_sensor(recorded, setting)
        first_row = setting.rows[0] if setting.rows else 0
        key = key_of(option, recorded)
        found.setdefault(key, Tried(_name(option, sensor), option, setting, sensor, first_row))
    return list(found.values())


def key_of(option: Option, recorded: Sensor) -> tuple[str, str]:
    """Return what two options have in common that are one and the same at a sensor.

    Lengths of a recipe follow the frame rate, so that knobs of it may come to the same there.
    """
    setting = setting_of(option, recorded)
    recipe = option.recipe.at(thinned_sensor(recorded, setting).frame_rate_hz)
    return recipe.digest(), json.dumps(setting.to_json(), sort_keys=True)


def _name(option: Option, sensor: Sensor) -> str:
    turned = "".join(f"-{key.rpartition('.')[2]}{value}" for key, value in option.turned)
    words = "".join(c if c.isalnum() or c in "-_." else "_" for c in turned)
    return (
        f"{option.recipe.name}{words}-led{100 * option.led_share:g}"
        f"-exp{100 * option.exposure_share:g}-rows{sensor.n_rows}"
        f"-{sensor.frame_rate_hz:g}hz-{sensor.bit_depth}bit"
    )


def device_of(sensor: Sensor, recorded: Sensor, watching: WatchingOption) -> DeviceSetting:
    """Return the device of a sensor at its setting, watching in some way.

    Parameters
    ----------
    sensor : Sensor
        At its setting.
    recorded : Sensor
        What the watching option's shares are of.
    watching : WatchingOption
    """
    base = DeviceSetting.of(sensor)
    return replace(
        base,
        watching_rate_hz=watching.rate_hz,
        watching_rows=max(1, round(watching.rows_share * recorded.n_rows)),
        watching_led_current_ma=round(watching.led_share * recorded.led_current_ma, 6),
        watching_exposure_us=round(watching.exposure_share * recorded.exposure_us, 6),
        hold_time_s=max(base.hold_time_s, 1.0 / watching.rate_hz),
    )
