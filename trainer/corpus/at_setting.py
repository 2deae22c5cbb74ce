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

    def watching_share(self, recorded: Sensor) -> tuple[float, float]:
        """Return the watching state's LED current and exposure over the recordings'."""
        ma = max(recorded.led_current_ma, 1e-9)
        return (
            min(1.0, self.device.watching_led_current_ma / ma),
            min(1.0, self.device.exposure_us / recorded.exposure_us),
        )
