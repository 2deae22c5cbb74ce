"""What a model is made for: a device's setting, and how far it is weaker than what was recorded."""

from __future__ import annotations

from dataclasses import dataclass

from capture.thin.setting import Setting
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Sensor

__all__ = ["AtSetting"]


@dataclass(frozen=True, slots=True)
class AtSetting:
    """The setting of a device, and what recordings have to be thinned by to stand for it.

    Parameters
    ----------
    device : DeviceSetting
        Rates, LED current, exposure and watching.
    thinning : Setting, optional
        How much weaker it is than the recordings; None where they were made at it.
    """

    device: DeviceSetting
    thinning: Setting | None = None

    def watching_share(self, recorded: Sensor) -> float:
        """Return the LED's charge in a frame of the watching state over the recordings'."""
        charge = self.device.watching_led_current_ma * self.device.exposure_us
        return min(1.0, charge / max(recorded.led_current_ma * recorded.exposure_us, 1e-9))
