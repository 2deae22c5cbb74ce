"""Whether the LED is driven within its data sheet's ratings, state by state."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from runtime.budget.inputs.library import Led
from runtime.budget.price.power import pulse_us

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
    source : str
        Where that rating is from.
    """

    state: str
    current_ma: float
    pulse_us: float
    duty: float
    allowed_ma: float
    source: str

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
            "source": self.source,
            "kept": self.kept,
        }


def led_ratings(led: Led, v: Mapping[str, Any], n_leds: int = 1) -> tuple[LedRating, ...]:
    """Return the rating in either state.

    Parameters
    ----------
    led : Led
        The LED; of a rating's range, the lowest value is the limit.
    v : mapping of str to float
        The budget's inputs by name.
    n_leds : int
        LEDs in series; each takes its share of the current that a setting names.

    Notes
    -----
    A pulse is as long as exposure and settling of the driver together.
    """
    found = []
    for state in ("watching", "active"):
        lit_us = float(pulse_us(v, state))
        duty = lit_us * 1e-6 * float(v[f"{state}.rate"])
        short = lit_us <= led.pulse_time.low and duty <= led.pulse_duty.low
        rating = led.pulse_current if short else led.direct_current
        source = rating.as_input("rating").source
        current = float(v[f"{state}.led_current"]) / n_leds
        found.append(LedRating(state, current, lit_us, duty, rating.low, source))
    return tuple(found)
