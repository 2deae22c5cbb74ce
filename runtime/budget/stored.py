"""A budget as ``budget.json`` holds it, read again: what a comparison of two takes from each.

The file may come from anybody: it is read with a bound, every field is checked, and its printed
average has to follow from its printed inputs by the formulas of this version.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from textwrap import shorten
from typing import Annotated, Any, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.price.power import average_power, battery_use
from runtime.budget.result import FORMAT
from runtime.errors import FormatError
from runtime.files import read_limited

__all__ = ["StoredBudget", "StoredInput", "read_stored"]

_ANEW = "make it again with palmwatt budget"
_Name = Annotated[str, Field(max_length=200)]
_Text = Annotated[str, Field(max_length=2000)]


class _Read(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class StoredInput(_Read):
    """One input, as it was printed."""

    unit: _Name
    low: float
    typical: float
    high: float
    kind: _Name
    source: _Text

    @model_validator(mode="after")
    def _above_nothing(self) -> Self:
        if self.unit != "degC" and min(self.low, self.typical, self.high) < 0.0:
            raise ValueError("a value of at least 0")
        return self


class _StoredInterval(_Read):
    typical: float
    low: float
    high: float
    median: float

    @property
    def interval(self) -> Interval:
        return Interval(self.typical, self.low, self.high, self.median)


class _StoredMargin(_Read):
    value: Annotated[float, Field(gt=0)]
    unit: _Name
    declared: bool

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}" + ("" if self.declared else " (the default)")


class _StoredVerdict(_Read):
    word: _Name
    margin: _StoredMargin
    percent_per_day: _StoredInterval
    minutes_lost: _StoredInterval
    added_mw: _StoredInterval


class StoredBudget(_Read):
    """What a comparison takes from a ``budget.json``; other keys are ignored."""

    model: _Name
    model_hash: _Name
    scenario: Annotated[str, Field(max_length=60)]
    parts: Annotated[dict[_Name, _Text], Field(max_length=50)]
    inputs: Annotated[dict[_Name, StoredInput], Field(min_length=1, max_length=500)]
    average_uw: _StoredInterval
    latency_ms: _StoredInterval
    host_verdict: _StoredVerdict

    @property
    def values(self) -> dict[str, float]:
        """Every input at its typical value."""
        return {name: x.typical for name, x in self.inputs.items()}

    @property
    def title(self) -> str:
        """The scenario's name, and the model's where there is none."""
        return self.scenario or self.model


def read_stored(path: Path) -> StoredBudget:
    """Read a ``budget.json``.

    Raises
    ------
    UsageError
        It cannot be read.
    FormatError
        It is no budget, one of an older version, or its average does not follow from its inputs.
    """
    where = str(path)
    try:
        data: Any = json.loads(read_limited(path).decode("utf-8"))
    except (ValueError, RecursionError) as fault:
        raise FormatError(where, "the file", f"unreadable ({fault})", "a budget.json") from None
    if not isinstance(data, dict) or "inputs" not in data or "average_uw" not in data:
        raise FormatError(where, "the file", "no budget", "a budget.json of palmwatt budget")
    found = data.get("format", 1)
    if found != FORMAT or isinstance(found, bool):
        raise FormatError(where, "format", shorten(repr(found), 60), str(FORMAT), _ANEW)
    try:
        stored = StoredBudget.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        got = "missing" if first["type"] == "missing" else shorten(repr(first["input"]), 60)
        raise FormatError(where, key or "content", got, first["msg"].lower(), _ANEW) from None
    _recalculated(where, stored)
    return stored


def _recalculated(where: str, stored: StoredBudget) -> None:
    printed = stored.average_uw.typical
    again = total_uw(where, stored.values)
    if not math.isclose(again, printed, rel_tol=1e-9):
        raise FormatError(
            where, "average at typical inputs", f"{printed:g} µW",
            f"{again:g} µW, which follows from its inputs", _ANEW,
        )  # fmt: skip


def total_uw(where: str, values: Mapping[str, float]) -> float:
    """Return the average power of typical inputs.

    Raises
    ------
    FormatError
        An input is missing, or the result is no finite number.
    """
    try:
        with np.errstate(all="ignore"):
            total = float(sum(average_power(values).values()))
            use = battery_use(total, values)
    except KeyError as missing:
        raise FormatError(where, f"input {missing.args[0]}", "missing", "a value", _ANEW) from None
    except ArithmeticError as fault:
        raise FormatError(where, "average power", f"not computable ({fault})", "a number") from None
    if not all(math.isfinite(x) for x in (total, *use.values())):
        raise FormatError(where, "average power", "not finite", "a number", _ANEW)
    return total
