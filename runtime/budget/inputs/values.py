"""One number that goes into a budget: a range, a unit, and where it comes from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

from runtime.errors import FormatError

__all__ = ["Bench", "Input", "Kind", "counted", "origin_of", "setting"]

Kind = Literal["measured", "counted", "setting", "published", "from memory", "invented"]

_PUBLISHED = re.compile(r"^[^,]+,.*\b(19|20)\d\d\b")
_COLDEST_DEGC = -273.15
_SHOWN_DIGITS = 12


@dataclass(frozen=True, slots=True)
class Bench:
    """How a value was measured: on what, with what, when, and which file holds the trace.

    Parameters
    ----------
    device, instrument : str
        The device measured and what measured it, in words.
    date : str
        Day of the measurement, ``2026-11-20``.
    sha256 : str
        Hash of the file that the value was worked out from, 64 hexadecimal digits.
    """

    device: str
    instrument: str
    date: str
    sha256: str

    @property
    def words(self) -> str:
        """The four in one line, the hash cut short."""
        file = f"file sha256 {self.sha256[:_SHOWN_DIGITS]}..."
        return f"{self.device}, with {self.instrument}, on {self.date}, {file}"

    def to_json(self) -> dict[str, str]:
        """Return the four, the hash whole."""
        return {
            "device": self.device,
            "instrument": self.instrument,
            "date": self.date,
            "sha256": self.sha256,
        }


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
        ``measured`` (a device on a bench), ``counted`` (by this program: executed on an emulated
        core, or over recordings), ``setting`` (chosen by the designer), ``published`` (data sheet,
        paper or standard), ``from memory`` or ``invented``.
    source : str
        The origin in words: how it was measured, or title, table and year.
    bench : Bench, optional
        How a measured value was measured.
    drawn_with : str
        Name of the input that this one is the same quantity as, so that both take the same draw;
        empty where it has its own.
    """

    name: str
    unit: str
    low: float
    typical: float
    high: float
    kind: Kind
    source: str
    bench: Bench | None = None
    drawn_with: str = ""

    def __post_init__(self) -> None:
        least = _COLDEST_DEGC if self.unit == "degC" else 0.0
        if not least <= self.low <= self.typical <= self.high < float("inf"):
            raise FormatError(
                self.name,
                "range",
                f"{self.low:g}, {self.typical:g}, {self.high:g}",
                f"{least:g} <= low <= typical <= high",
            )

    @property
    def varies(self) -> bool:
        """Whether the range has a width."""
        return self.low < self.high

    def to_json(self) -> dict[str, Any]:
        """Return the fields as plain JSON values; what is not told is left out."""
        found: dict[str, Any] = {
            "unit": self.unit,
            "low": self.low,
            "typical": self.typical,
            "high": self.high,
            "kind": self.kind,
            "source": self.source,
        }
        if self.bench is not None:
            found["bench"] = self.bench.to_json()
        if self.drawn_with:
            found["drawn_with"] = self.drawn_with
        return found


def origin_of(source: str) -> Kind:
    """Classify a source text of the parts library.

    Raises
    ------
    ValueError
        The text neither cites a title, place and year nor starts with ``from memory``,
        ``invented`` or ``setting``; or it says that the value was measured, which a text cannot.
    """
    if source.lower().startswith("measured"):
        raise ValueError(
            "source cannot be 'measured': write measured = { device, instrument, date, sha256 } "
            "in its place"
        )
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


def counted(name: str, unit: str, low: float, typical: float, high: float, source: str) -> Input:
    """Return an input that this program counted: by execution, or over recordings."""
    return Input(name, unit, low, typical, high, "counted", source)
