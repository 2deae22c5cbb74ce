"""The parts library: data sheets in TOML, checked, every value with a range and a source.

A file holds tables ``[kind.name]``; ``kind`` is a key of `KINDS`. Each value is written

    run_current = { unit = "uA/MHz", low = 50, typical = 52, high = 60, source = "..." }

and a fault names the file, the line and the key.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Annotated, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    field_validator,
    model_validator,
)

from runtime.budget.inputs.values import Input, origin_of
from runtime.errors import FormatError, UsageError
from runtime.firmware.machine.cores import CORES
from runtime.tomlfile import read_toml

__all__ = [
    "KINDS",
    "Driver",
    "Host",
    "Led",
    "Library",
    "Link",
    "Mcu",
    "Readout",
    "Regulator",
    "Usage",
    "load_parts",
]

_BUILT_IN = Path(__file__).parents[2] / "parts"
_MAX_BYTES = 1 << 20


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Value(_Strict):
    """A range with its unit and source."""

    unit: str
    low: float = Field(ge=0)
    typical: float = Field(ge=0)
    high: float = Field(ge=0)
    source: str

    @field_validator("source")
    @classmethod
    def _cited(cls, source: str) -> str:
        origin_of(source)
        return source

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.low <= self.typical <= self.high:
            raise ValueError(
                f"range {self.low:g}, {self.typical:g}, {self.high:g} is not low <= typical <= high"
            )
        return self


_LEAST, _MOST = 1e-6, 1e6
"""Beyond these no part lies, in any unit of this file: nothing computed from them overflows."""


def _in(unit: str, at_least: float = 0.0, at_most: float = _MOST) -> AfterValidator:
    def check(value: Value) -> Value:
        if value.unit != unit:
            raise ValueError(f"unit is {value.unit!r}, expected {unit!r}")
        if value.high > at_most:
            raise ValueError(f"high is {value.high:g}, expected at most {at_most:,.0f}")
        if value.low < at_least:
            raise ValueError(f"low is {value.low:g}, expected at least {at_least:g}")
        return value

    return AfterValidator(check)


Mhz = Annotated[Value, _in("MHz", _LEAST)]
Volt = Annotated[Value, _in("V", _LEAST, 60)]
MicroampPerMhz = Annotated[Value, _in("uA/MHz")]
Microamp = Annotated[Value, _in("uA")]
Milliamp = Annotated[Value, _in("mA", _LEAST)]
Microsecond = Annotated[Value, _in("us")]
Millisecond = Annotated[Value, _in("ms")]
Second = Annotated[Value, _in("s")]
Factor = Annotated[Value, _in("1")]
Cycles = Annotated[Value, _in("cycles")]
Femtojoule = Annotated[Value, _in("fJ")]
Bits = Annotated[Value, _in("1", _LEAST, 24)]
Efficiency = Annotated[Value, _in("1", _LEAST, 1)]
Probability = Annotated[Value, _in("1", at_most=1)]
Nanometre = Annotated[Value, _in("nm", _LEAST)]
Millimetre = Annotated[Value, _in("mm", _LEAST)]
MilliwattPerSteradian = Annotated[Value, _in("mW/sr", _LEAST)]
Milliwatt = Annotated[Value, _in("mW", _LEAST)]
Microwatt = Annotated[Value, _in("uW")]
Picojoule = Annotated[Value, _in("pJ")]
Microjoule = Annotated[Value, _in("uJ")]
MegabitPerSecond = Annotated[Value, _in("Mbit/s", _LEAST)]
WattHour = Annotated[Value, _in("Wh", _LEAST)]
Hour = Annotated[Value, _in("h", _LEAST, 24)]
Minute = Annotated[Value, _in("min", at_most=1440)]
PerDay = Annotated[Value, _in("1/day")]
PerHour = Annotated[Value, _in("1/h")]
Hertz = Annotated[Value, _in("Hz", _LEAST)]
Rows = Annotated[Value, _in("rows", 1)]


class Part(_Strict):
    """What every part has: a name for people and a maker."""

    title: str = Field(min_length=1, max_length=120)
    maker: str = Field(min_length=1, max_length=120)

    def inputs(self, group: str) -> dict[str, Input]:
        """Return the values of this part as inputs named ``group.key``."""
        found = {}
        for key in type(self).model_fields:
            value = getattr(self, key)
            if isinstance(value, Value):
                name = f"{group}.{key}"
                found[name] = Input(
                    name, value.unit, value.low, value.typical, value.high,
                    origin_of(value.source), value.source,
                )  # fmt: skip
        return found


class Mcu(Part):
    """A microcontroller at one clock and one supply voltage."""

    core: str
    flash_kb: int = Field(gt=0, le=1_000_000)
    ram_kb: int = Field(gt=0, le=1_000_000)
    clock: Mhz
    supply: Volt
    run_current: MicroampPerMhz
    derating: Factor
    flash_wait: Cycles
    wait_current: Microamp
    sleep_current: Microamp
    wake_up_time: Microsecond

    @field_validator("core")
    @classmethod
    def _known_core(cls, core: str) -> str:
        known = [one.name for one in CORES]
        if core not in known:
            raise ValueError(f"core is {core!r}, expected one of {', '.join(known)}")
        return core


class Led(Part):
    """A light-emitting diode; flux and intensity hold at the rated current."""

    wavelength: Nanometre
    rated_current: Milliamp
    forward_voltage: Volt
    radiant_flux: Milliwatt
    radiant_intensity: MilliwattPerSteradian
    source_width: Millimetre


class Driver(Part):
    """What makes the LED current from the battery."""

    efficiency: Efficiency
    quiescent_current: Microamp
    settle_time: Microsecond


class Regulator(Part):
    """What makes the rail of controller and sensor from the battery."""

    efficiency: Efficiency
    quiescent_current: Microamp


class Readout(Part):
    """A class of sensor readout; energies are per pixel and exposure, per step of conversion."""

    pixel_energy: Picojoule
    walden_figure: Femtojoule
    effective_bits: Bits
    bias_power: Microwatt
    idle_power: Microwatt
    start_up_time: Microsecond
    pixel_time: Microsecond


class Link(Part):
    """A digital link."""

    bit_energy: Picojoule
    bit_rate: MegabitPerSecond
    message_energy: Microjoule
    standby_power: Microwatt


class Host(Part):
    """A device with a battery; spread is the run-to-run deviation of its mean power, relative.

    A deviation that rests on `n_runs` runs is uncertain itself: its range is at least the 90 %
    interval of a normal sample's deviation, s sqrt((n - 1) / chi-square quantile).
    """

    n_runs: int = Field(ge=2, le=1_000_000)
    baseline_power: Milliwatt
    spread: Annotated[Value, _in("1", _LEAST)]
    battery_energy: WattHour
    battery_voltage: Volt

    def inputs(self, group: str) -> dict[str, Input]:
        """Return the values as inputs, the spread with the range that its runs leave it."""
        from scipy.special import chdtri

        found = super().inputs(group)
        x, free = found[f"{group}.spread"], self.n_runs - 1
        low, high = (x.typical * (free / float(chdtri(free, tail))) ** 0.5 for tail in (0.05, 0.95))
        if low < x.low or high > x.high:
            source = f"{x.source}; range of {self.n_runs} runs"
            found[x.name] = replace(x, low=min(low, x.low), high=max(high, x.high), source=source)
        return found


class Usage(Part):
    """A day: how long the sensor is on, a hand is there, and how it watches in between."""

    on_time: Hour
    hand_present: Minute
    visits: PerDay
    gestures: PerHour
    false_wakes: PerHour
    miss_rate: Probability
    hold_time: Second
    watching_rate: Hertz
    watching_rows: Rows
    watching_led_current: Milliamp
    cold_starts: PerDay
    start_up_time: Millisecond


P = TypeVar("P", bound=Part)

KINDS: dict[str, type[Part]] = {
    "mcu": Mcu,
    "led": Led,
    "driver": Driver,
    "regulator": Regulator,
    "readout": Readout,
    "link": Link,
    "host": Host,
    "usage": Usage,
}


class Library:
    """Parts by kind and name."""

    def __init__(self, parts: dict[str, dict[str, Part]]) -> None:
        self._parts = parts

    def names(self, kind: str) -> tuple[str, ...]:
        """Names of one kind, in the order of the files."""
        return tuple(self._parts.get(kind, {}))

    def get(self, kind: type[P], name: str) -> P:
        """Return the part of a kind by name.

        Raises
        ------
        UsageError
            There is no such part; the message lists those that exist.
        """
        key = next(k for k, v in KINDS.items() if v is kind)
        part = self._parts.get(key, {}).get(name)
        if not isinstance(part, kind):
            known = ", ".join(self.names(key))
            raise UsageError("parts library", key, name, f"one of {known}")
        return part


def _read(path: Path, parts: dict[str, dict[str, Part]]) -> None:
    file = read_toml(path, _MAX_BYTES)
    for kind, tables in file.data.items():
        if kind not in KINDS:
            known = ", ".join(KINDS)
            raise FormatError(file.place(kind), "kind of part", kind, f"one of {known}")
        if not isinstance(tables, dict):
            raise FormatError(file.place(kind), kind, "not a table")
        for name, fields in tables.items():
            with file.faults(kind, name):
                parts.setdefault(kind, {})[name] = KINDS[kind].model_validate(fields)


@cache
def _built_in() -> dict[str, dict[str, Part]]:
    parts: dict[str, dict[str, Part]] = {}
    for path in sorted(_BUILT_IN.glob("*.toml")):
        _read(path, parts)
    return parts


def load_parts(own: Path | None = None) -> Library:
    """Load the library, and over it a user's own file.

    Raises
    ------
    FormatError
        A file is faulty; the message names file, line, key and reason.
    """
    parts = {kind: dict(named) for kind, named in _built_in().items()}
    if own is not None:
        _read(own, parts)
    return Library(parts)
