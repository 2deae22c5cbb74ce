"""One number that goes into a budget: a range, a unit, and where it comes from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from runtime.errors import FormatError

__all__ = ["Input", "Kind", "measured", "origin_of", "setting"]

Kind = Literal["measured", "setting", "published", "from memory", "invented"]

_PUBLISHED = re.compile(r"^[^,]+,.*\b(19|20)\d\d\b")


@dataclass(frozen=True, slots=True)
class Input:
    """One named input of the power model.

    Parameters
    ----------
    name : str
        ``group.key``, for example ``mcu.run_current``.
    unit : str
        Unit as written in the parts library; ``1`` is a pure number.
    low, typical, high : float
        Range; Monte Carlo takes `typical` as the median and the others as bounds.
    kind : str
        ``measured`` (on an emulated core), ``setting`` (chosen by the designer), ``published``
        (data sheet, paper or standard), ``from memory`` or ``invented``.
    source : str
        The origin in words: how it was measured, or title, table and year.
    """

    name: str
    unit: str
    low: float
    typical: float
    high: float
    kind: Kind
    source: str

    def __post_init__(self) -> None:
        if not 0.0 <= self.low <= self.typical <= self.high < float("inf"):
            raise FormatError(
                self.name,
                "range",
                f"{self.low:g}, {self.typical:g}, {self.high:g}",
                "0 <= low <= typical <= high",
            )

    @property
    def varies(self) -> bool:
        """Whether the range has a width."""
        return self.low < self.high

    def to_json(self) -> dict[str, str | float]:
        """Return the fields as plain JSON values."""
        return {
            "unit": self.unit,
            "low": self.low,
            "typical": self.typical,
            "high": self.high,
            "kind": self.kind,
            "source": self.source,
        }


def origin_of(source: str) -> Kind:
    """Classify a source text of the parts library.

    Raises
    ------
    ValueError
        The text neither cites a title, place and year nor starts with ``from memory``,
        ``invented`` or ``setting``.
    """
    if source.startswith("from memory"):
        return "from memory"
    if source.startswith("invented"):
        return "invented"
    if source.startswith("setting"):
        return "setting"
    if _PUBLISHED.match(source):
        return "published"
    raise ValueError(
        "source must be 'title, table or section, year', or start with 'from memory', "
        "'invented' or 'setting'"
    )


def setting(name: str, unit: str, value: float, source: str) -> Input:
    """Return an input that the designer chose, without a range."""
    return Input(name, unit, value, value, value, "setting", source)


def measured(name: str, unit: str, low: float, typical: float, high: float, source: str) -> Input:
    """Return an input that this program measured."""
    return Input(name, unit, low, typical, high, "measured", source)
