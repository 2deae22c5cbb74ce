"""Whether the LED is driven within its data sheet's ratings, state by state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["LedRating", "led_ratings"]


@dataclass(frozen=True, slots=True)
class LedRating:
    """What flows through the LED in a state, and what its ratings allow.

    Parameters
    ----------
    state : str
        ``watching`` or ``active``.
    current_ma, pulse_us, duty : float
        Current of a pulse, its length, and the share of the time that the LED is lit.
    allowed_ma : float
        The rating for pulses, where neither pulse nor duty is longer than it is told for; else the
        rating for current that flows all the time.
    """

    state: str
    current_ma: float
    pulse_us: float
    duty: float
    allowed_ma: float

    @property
    def kept(self) -> bool:
        """Whether the rating is kept."""
        return self.current_ma <= self.allowed_ma

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "current_ma": self.current_ma,
            "pulse_us": self.pulse_us,
            "duty": self.duty,
            "allowed_ma": self.allowed_ma,
            "kept": self.kept,
        }


def led_ratings(v: Mapping[str, Any]) -> tuple[LedRating, ...]:
    """Return the rating in either state, from the budget's inputs by name.

    Notes
    -----
    A pulse is as long as exposure and settling of the driver together; ratings are limits, and so
    the lowest value of their range is for the caller to hand over.
    """
    found = []
    for state in ("watching", "active"):
        pulse_us = float(v["sensor.exposure"] + v["driver.settle_time"])
        duty = pulse_us * 1e-6 * float(v[f"{state}.rate"])
        short = pulse_us <= v["led.pulse_time"] and duty <= v["led.pulse_duty"]
        allowed = v["led.pulse_current"] if short else v["led.direct_current"]
        current = float(v[f"{state}.led_current"])
        found.append(LedRating(state, current, pulse_us, duty, float(allowed)))
    return tuple(found)
