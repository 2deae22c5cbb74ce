"""The margin of an equivalence verdict: how much added draw is declared not to matter.

A margin is declared before anything is looked at, in one of three units: per cent of the battery a
day, minutes of a charge, or milliwatts. The first two become milliwatts with the host's battery and
its own draw.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from runtime.errors import UsageError

__all__ = ["DEFAULT_MARGIN", "Margin", "parse_margin"]

_FORM = re.compile(r"\s*([0-9]*\.?[0-9]+(?:[eE][+-]?[0-9]+)?)\s*(%/day|min/charge|mW)\s*")
_EXPECTED = "a number with a unit, such as 0.1%/day, 5min/charge or 25mW"
_MOST = 1e6


@dataclass(frozen=True, slots=True)
class Margin:
    """An added draw up to which host and host with the feature count as equivalent.

    Parameters
    ----------
    value : float
        Above 0.
    unit : str
        ``%/day`` (of the battery's energy), ``min/charge`` or ``mW``.
    """

    value: float
    unit: str

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"

    def in_mw(self, battery_wh: float | None = None, baseline_mw: float | None = None) -> float:
        """Return the margin in mW.

        Parameters
        ----------
        battery_wh : float, optional
            Energy of a full battery; needed unless the margin is in mW.
        baseline_mw : float, optional
            Draw of the host alone; needed for minutes of a charge.

        Raises
        ------
        UsageError
            A figure that the unit needs is missing or not above 0, or no draw takes so many
            minutes from a charge.

        Notes
        -----
        A day at p per cent takes p / 100 of the energy in 24 h. A charge lasts E / P; m minutes
        less is E / (P + a) = E / P - m / 60, solved for a.
        """
        if self.unit == "mW":
            return self.value
        if battery_wh is None or not battery_wh > 0.0:
            raise UsageError("--margin", f"battery for {self}", battery_wh, "its energy in Wh")
        if self.unit == "%/day":
            return self.value / 100.0 * battery_wh * 1000.0 / 24.0
        if baseline_mw is None or not baseline_mw > 0.0:
            raise UsageError("--margin", f"draw of the host for {self}", baseline_mw, "its mW")
        hours = battery_wh * 1000.0 / baseline_mw
        if self.value / 60.0 >= hours:
            raise UsageError(
                "--margin", "minutes of a charge", f"{self.value:g}", f"below {60.0 * hours:.0f}"
            )
        return battery_wh * 1000.0 / (hours - self.value / 60.0) - baseline_mw


DEFAULT_MARGIN = Margin(0.1, "%/day")
"""A thousandth of the battery a day: a setting, shown as the default wherever it is used."""


def parse_margin(text: str, where: str = "--margin") -> Margin:
    """Read a margin such as ``0.1%/day``, ``5min/charge`` or ``25mW``.

    Raises
    ------
    UsageError
        The number or its unit is missing, or the number is not above 0.
    """
    match = _FORM.fullmatch(text)
    if not match:
        raise UsageError(where, "the margin", repr(text), _EXPECTED)
    value = float(match[1])
    if not 0.0 < value < _MOST:
        raise UsageError(where, "the margin", repr(text), f"above 0 and below {_MOST:g}")
    return Margin(value, match[2])
