"""A model's folder opened for pricing: what does not hang on the parts that are chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from runtime.budget.gather import Choice, Gathered, gather
from runtime.budget.inputs.evaluation import Evaluation, read_evaluation
from runtime.budget.inputs.library import Library, Usage
from runtime.budget.price.profiles import Profiles, profiles_of
from runtime.firmware.setting import SETTING_FILE, DeviceSetting, read_setting
from runtime.firmware.watching import watching_model
from runtime.model import Model, load_model
from runtime.sensor import Sensor

__all__ = ["Opened", "open_model"]


@dataclass(frozen=True, slots=True)
class Opened:
    """A model, its evaluation and its setting.

    Parameters
    ----------
    folder : Path
    model : Model
    evaluation : Evaluation or None
        None where the folder holds none.
    setting : DeviceSetting
        What the device program is set to.
    own_setting : bool
        Whether the folder tells it; else the usage does.
    """

    folder: Path
    model: Model
    evaluation: Evaluation | None
    setting: DeviceSetting
    own_setting: bool

    def profiles(
        self, cores: Sequence[str], device_core: str, compiler: str, keep: bool
    ) -> Profiles:
        """Return what is executed on some cores, as `profiles_of` does."""
        return profiles_of(
            self.folder, self.model, self.setting, cores, device_core, compiler, keep
        )

    def gathered(self, library: Library, choice: Choice, profiles: Profiles) -> Gathered:
        """Return every input of a budget with a choice of parts, as `gather` does."""
        watching = watching_model(self.model.sensor, self.setting.watching_rows)
        own = self.setting if self.own_setting else None
        return gather(self.model, watching, library, choice, profiles, self.evaluation, own)


def open_model(folder: Path, usage: Usage) -> Opened:
    """Open a model's folder.

    Parameters
    ----------
    folder : Path
    usage : Usage
        Says how to watch where the folder does not.

    Raises
    ------
    Error
        A file is faulty.
    """
    model, evaluation = load_model(folder), read_evaluation(folder)
    own = (folder / SETTING_FILE).exists()
    setting = read_setting(folder, model.sensor) if own else _as_used(model.sensor, usage)
    return Opened(folder, model, evaluation, setting, own)


def _as_used(sensor: Sensor, usage: Usage) -> DeviceSetting:
    """Return what the device program is set to where a usage says how to watch."""
    return replace(
        DeviceSetting.of(sensor),
        watching_rate_hz=usage.watching_rate.typical,
        watching_rows=round(usage.watching_rows.typical),
        watching_led_current_ma=usage.watching_led_current.typical,
        hold_time_s=usage.hold_time.typical,
    )
