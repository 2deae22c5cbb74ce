"""What a model draws with another choice of electronics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from runtime.budget.inputs.uncertainty import Interval

__all__ = ["VARIED", "PartsPrice"]

VARIED = ("mcu", "driver", "regulator", "sensor_link")
"""Parts that are chosen anew: none of them changes what the sensor sees."""


@dataclass(frozen=True, slots=True)
class PartsPrice:
    """One choice of parts and its price.

    Parameters
    ----------
    names, titles : dict of str to str
        Of each of `VARIED`: its name in the parts library, and in words.
    average_uw : Interval
        Over the day, uW.
    """

    names: dict[str, str]
    titles: dict[str, str]
    average_uw: Interval

    @classmethod
    def of(cls, choice: Any, titles: Mapping[str, str], average_uw: Interval) -> PartsPrice:
        """Return the price of a `Choice`, whose parts' titles are told by kind."""
        names = {kind: str(getattr(choice, kind)) for kind in VARIED}
        return cls(names, {kind: titles[kind] for kind in VARIED}, average_uw)

    def rank(self) -> tuple[float, str]:
        """What choices are sorted by: the median, then the controller's name."""
        return self.average_uw.median, self.names["mcu"]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"parts": self.names, "average_uw": self.average_uw.to_json()}
