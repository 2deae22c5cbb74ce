"""What became of a day: frames, light, wakes, time asleep; executed, or by a formula."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

__all__ = ["DayTally"]


@dataclass(frozen=True, slots=True)
class DayTally:
    """The quantities of a day that a budget multiplies with charges and energies.

    Attributes
    ----------
    watching_frames, active_frames : float
        Frame pairs of each kind that were begun, dropped ones among them.
    wakes : float
        How often the watching stage woke the model.
    wake_ups : float
        How often the controller was woken from sleep, that during exposures among it.
    led_watching_uc, led_active_uc : float
        Charge through the LED, microcoulombs.
    sensor_s : float
        Seconds in which the sensor was powered, exposed or was read.
    sleep_s : float
        Seconds asleep, exposures that are slept through among them. Computing takes no time on this
        clock: it is counted in instructions.
    """

    watching_frames: float
    active_frames: float
    wakes: float
    wake_ups: float
    led_watching_uc: float
    led_active_uc: float
    sensor_s: float
    sleep_s: float

    @property
    def led_uc(self) -> float:
        """Charge through the LED in all, microcoulombs."""
        return self.led_watching_uc + self.led_active_uc

    def against(self, other: DayTally) -> dict[str, float]:
        """Return by how much each quantity is above the other's, by name."""
        return {
            f.name: getattr(self, f.name) - getattr(other, f.name) for f in dataclasses.fields(self)
        }
