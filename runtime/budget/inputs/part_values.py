"""A value of the parts library: a range with its unit and its origin. And what every part has.

A value is written as a table::

    sleep_current = { unit = "uA", low = 3.9, typical = 4.25, high = 8.95, source = "..." }

``low`` and ``high`` bound it; of a setting, which is exact, they may be left out. ``source`` says
where the value comes from: ``title, table or section, year`` of a document that was read, or a text
that starts with ``from memory``, ``invented`` or ``setting``. A value that was measured on a bench
has, in the place of ``source``, a table ``measured``::

    sleep_current = { unit = "uA", low = 4.0, typical = 4.1, high = 4.3, measured = {
        device = "board 3", instrument = "source measure unit", date = "2026-11-20",
        sha256 = "64 hexadecimal digits: the file that it was worked out from" } }

(one line in the file: TOML's tables in braces end with their line).
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from runtime.budget.inputs.values import Bench, Input, origin_of

__all__ = [
    "LEAST",
    "Bits",
    "Celsius",
    "Cycles",
    "Efficiency",
    "Factor",
    "Femtojoule",
    "Growth",
    "Hertz",
    "Hour",
    "Kelvin",
    "Measured",
    "MegabitPerSecond",
    "Mhz",
    "Microamp",
    "Microjoule",
    "Microsecond",
    "Microwatt",
    "Milliamp",
    "Millimetre",
    "Millisecond",
    "Milliwatt",
    "MilliwattPerSteradian",
    "Minute",
    "Nanometre",
    "Part",
    "PerDay",
    "PerHour",
    "Picojoule",
    "Positive",
    "Probability",
    "Rows",
    "Second",
    "Source",
    "Strict",
    "Value",
    "Volt",
    "WattHour",
    "in_unit",
]


class Strict(BaseModel):
    """A table of a parts file: no unknown key, and each of its own type."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _cited(source: str) -> str:
    origin_of(source)
    return source


Source = Annotated[str, AfterValidator(_cited)]
Positive = Annotated[float, Field(gt=0, le=1e6)]


def _a_day(text: str) -> str:
    if len(text) != len("2026-11-20"):
        raise ValueError(f"day is {text!r}, expected one as 2026-11-20")
    date.fromisoformat(text)
    return text


class Measured(Strict):
    """How a value was measured on a bench: device, instrument, day, and the file's hash."""

    device: str = Field(min_length=1, max_length=120)
    instrument: str = Field(min_length=1, max_length=120)
    date: Annotated[str, AfterValidator(_a_day)]
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$")


class Value(Strict):
    """A range with its unit, and either its source or how it was measured."""

    unit: str
    low: float
    typical: float
    high: float
    source: Source = ""
    measured: Measured | None = None

    @model_validator(mode="before")
    @classmethod
    def _exact(cls, data: Any) -> Any:
        """Take a setting that tells no range as exact."""
        if isinstance(data, dict) and str(data.get("source", "")).startswith("setting"):
            return {key: data["typical"] for key in ("low", "high") if "typical" in data} | data
        return data

    @model_validator(mode="after")
    def _has_one_origin(self) -> Self:
        if (self.measured is None) == (not self.source):
            both = "both" if self.source else "neither"
            raise ValueError(f"source and measured: {both} given, expected one of the two")
        return self

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.low <= self.typical <= self.high:
            raise ValueError(
                f"range {self.low:g}, {self.typical:g}, {self.high:g} is not low <= typical <= high"
            )
        return self

    def as_input(self, name: str) -> Input:
        """Return the value as an input of that name."""
        if self.measured is None:
            kind, source, bench = origin_of(self.source), self.source, None
        else:
            bench = Bench(**self.measured.model_dump())
            kind, source = "measured", bench.words
        return Input(name, self.unit, self.low, self.typical, self.high, kind, source, bench)


LEAST, _MOST = 1e-6, 1e6
"""Beyond these no part lies, in any unit of this file: nothing computed from them overflows."""


def in_unit(unit: str, at_least: float = 0.0, at_most: float = _MOST) -> AfterValidator:
    """Return a check that a value is in a unit, and its range within bounds."""

    def check(value: Value) -> Value:
        if value.unit != unit:
            raise ValueError(f"unit is {value.unit!r}, expected {unit!r}")
        if value.high > at_most:
            raise ValueError(f"high is {value.high:g}, expected at most {at_most:,.0f}")
        if value.low < at_least:
            raise ValueError(f"low is {value.low:g}, expected at least {at_least:g}")
        return value

    return AfterValidator(check)


Mhz = Annotated[Value, in_unit("MHz", LEAST)]
Volt = Annotated[Value, in_unit("V", LEAST, 60)]
Microamp = Annotated[Value, in_unit("uA")]
Milliamp = Annotated[Value, in_unit("mA", LEAST)]
Microsecond = Annotated[Value, in_unit("us")]
Millisecond = Annotated[Value, in_unit("ms")]
Second = Annotated[Value, in_unit("s")]
Factor = Annotated[Value, in_unit("1")]
Cycles = Annotated[Value, in_unit("cycles")]
Femtojoule = Annotated[Value, in_unit("fJ")]
Bits = Annotated[Value, in_unit("1", LEAST, 24)]
Efficiency = Annotated[Value, in_unit("1", LEAST, 1)]
Probability = Annotated[Value, in_unit("1", at_most=1)]
Nanometre = Annotated[Value, in_unit("nm", LEAST)]
Millimetre = Annotated[Value, in_unit("mm", LEAST)]
MilliwattPerSteradian = Annotated[Value, in_unit("mW/sr", LEAST)]
Milliwatt = Annotated[Value, in_unit("mW", LEAST)]
Microwatt = Annotated[Value, in_unit("uW")]
Picojoule = Annotated[Value, in_unit("pJ")]
Microjoule = Annotated[Value, in_unit("uJ")]
MegabitPerSecond = Annotated[Value, in_unit("Mbit/s", LEAST)]
WattHour = Annotated[Value, in_unit("Wh", LEAST)]
Hour = Annotated[Value, in_unit("h", LEAST, 24)]
Minute = Annotated[Value, in_unit("min", at_most=1440)]
PerDay = Annotated[Value, in_unit("1/day")]
PerHour = Annotated[Value, in_unit("1/h")]
Hertz = Annotated[Value, in_unit("Hz", LEAST)]
Rows = Annotated[Value, in_unit("rows", 1)]
Celsius = Annotated[Value, in_unit("degC", -60, 150)]
Kelvin = Annotated[Value, in_unit("K", 1, 100)]
Growth = Annotated[Value, in_unit("1", 1, 10)]


class Part(Strict):
    """What every part has: a name for people and a maker."""

    title: str = Field(min_length=1, max_length=120)
    maker: str = Field(min_length=1, max_length=120)

    def inputs(self, group: str) -> dict[str, Input]:
        """Return the values of this part as inputs named ``group.key``."""
        found = {}
        for key in type(self).model_fields:
            value = getattr(self, key)
            if isinstance(value, Value):
                found[f"{group}.{key}"] = value.as_input(f"{group}.{key}")
        return found
