"""What would halve the power: one change at a time, everything else as it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from runtime.budget.price.power import average_power

__all__ = ["Advice", "what_would_halve"]

_CHANGES: dict[str, tuple[str, ...]] = {
    "LED charge (current or exposure)": ("watching.led_current", "active.led_current"),
    "watching rate": ("watching.rate",),
    "LED charge while watching": ("watching.led_current",),
    "frame rate while active": ("active.rate",),
    "pixels read": ("watching.pixels", "active.pixels"),
    "instructions executed": ("watching.cycles", "active.cycles"),
    "controller sleep current": ("mcu.sleep_current",),
    "controller wake-up times": (
        "mcu.start_time", "mcu.start_change_time", "watching.wake_up_time",
        "watching.clock_change_time",
        "active.wake_up_time", "active.clock_change_time",
    ),
    "sensor bias": ("readout.bias_power",),
    "controller current while pixels arrive": ("mcu.wait_current",),
    "LED driver current between pulses": ("driver.quiescent_current",),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Advice:
    """One change: the saving when it is halved, and the factor that alone halves the total."""

    change: str
    saving_at_half: float
    factor_to_halve: float | None

    def to_json(self) -> dict[str, str | float | None]:
        """Return plain JSON values."""
        return {
            "change": self.change,
            "saving_at_half": self.saving_at_half,
            "factor_to_halve": self.factor_to_halve,
        }


def what_would_halve(values: Mapping[str, Any]) -> tuple[Advice, ...]:
    """Return the changes by saving, largest first.

    Notes
    -----
    `saving_at_half` is a share of the total. `factor_to_halve` is None where even zero would not
    halve the total. What a change does to accuracy is not this function's to say.
    """

    def total(names: tuple[str, ...], factor: float) -> float:
        changed = {**values, **{name: values[name] * factor for name in names}}
        return float(sum(average_power(changed).values()))

    now = total((), 1.0)
    found = []
    for change, names in _CHANGES.items():
        factor = None
        if total(names, 0.0) < now / 2.0:
            low, high = 0.0, 1.0
            for _ in range(40):
                middle = (low + high) / 2.0
                low, high = (middle, high) if total(names, middle) < now / 2.0 else (low, middle)
            factor = low
        found.append(Advice(change, 1.0 - total(names, 0.5) / now, factor))
    return tuple(sorted(found, key=lambda a: (-a.saving_at_half, a.change)))
