"""The parts library: data sheets in TOML, checked, every value with a range and an origin.

A file holds tables ``[kind.name]``; ``kind`` is a key of `KINDS`. How a value is written stands in
`runtime.budget.inputs.part_values`; a fault names the file, the line and the key.

A user's file is laid over the library key by key. A part of a new name is written whole; of a part
that the library holds, only what differs::

    [mcu.stm32u575.state.stop-2]
    current = { unit = "uA", low = 4.0, typical = 4.1, high = 4.3, measured = { device = "board 3",
                instrument = "source measure unit", date = "2026-11-20", sha256 = "..." } }

(a value stands on one line of the file). A value is replaced whole, with its unit and its origin.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Self, TypeVar

from pydantic import Field, model_validator

from runtime.budget.inputs.controllers import Mcu
from runtime.budget.inputs.part_values import (
    LEAST,
    Bits,
    Celsius,
    Efficiency,
    Femtojoule,
    Hertz,
    Hour,
    Kelvin,
    MegabitPerSecond,
    Microamp,
    Microjoule,
    Microsecond,
    Microwatt,
    Milliamp,
    Millimetre,
    Millisecond,
    Milliwatt,
    MilliwattPerSteradian,
    Minute,
    Nanometre,
    Part,
    PerDay,
    PerHour,
    Picojoule,
    Positive,
    Probability,
    Rows,
    Second,
    Source,
    Strict,
    Value,
    Volt,
    WattHour,
    in_unit,
)
from runtime.budget.inputs.values import Input
from runtime.errors import FormatError, UsageError
from runtime.tomlfile import read_toml

__all__ = [
    "KINDS",
    "Curve",
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
_OF_A_VALUE = {"unit", "source", "measured"}
"""A table with one of these keys is a value, not a table of values."""


_IDEALITY_VOLTS = 0.0514
"""2 kT/q at 25 degrees Celsius, V."""


class Curve(Strict):
    """Forward voltage over current: points of a data sheet, currents rising, voltages not falling.

    Between points it is interpolated over the logarithm of the current. Below the first it falls by
    2 kT/q with each factor e of the current (51.4 mV at 25 degrees Celsius): a diode's ideality is
    at most 2 (Shockley, Noyce and Sah, 1957; from memory), and its resistance would make it fall
    further. Above the last the line of the last two goes on over the current itself.
    """

    current_ma: Annotated[tuple[Positive, ...], Field(min_length=1, max_length=64, strict=False)]
    voltage_v: Annotated[tuple[Positive, ...], Field(min_length=1, max_length=64, strict=False)]
    source: Source

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if len(self.current_ma) != len(self.voltage_v):
            counts = f"{len(self.current_ma)} currents and {len(self.voltage_v)} voltages"
            raise ValueError(f"{counts} given, expected as many of one as of the other")
        for what, x, least in (
            ("current_ma", self.current_ma, True),
            ("voltage_v", self.voltage_v, False),
        ):
            if any(b < a or (least and b == a) for a, b in pairwise(x)):
                raise ValueError(
                    f"{what} falls or stands still somewhere, expected in rising order"
                )
        return self

    def at(self, current_ma: float) -> float:
        """Return the forward voltage at a current > 0, V."""
        x, volts = self.current_ma, self.voltage_v
        if current_ma <= x[0]:
            return max(LEAST, volts[0] - _IDEALITY_VOLTS * math.log(x[0] / current_ma))
        if current_ma > x[-1]:
            steep = (volts[-1] - volts[-2]) / (x[-1] - x[-2]) if len(x) > 1 else 0.0
            return volts[-1] + steep * (current_ma - x[-1])
        i = bisect_left(x, current_ma)
        share = math.log(current_ma / x[i - 1]) / math.log(x[i] / x[i - 1])
        return volts[i - 1] + share * (volts[i] - volts[i - 1])


class Led(Part):
    """A light-emitting diode; voltage, flux and intensity hold at the rated current.

    ``voltage_points`` say how the forward voltage follows the current. ``direct_current`` is the
    most that may flow all the time; up to ``pulse_current`` may flow in pulses of no more than
    ``pulse_time`` that are lit no larger a share of the time than ``pulse_duty``.
    """

    wavelength: Nanometre
    rated_current: Milliamp
    forward_voltage: Volt
    radiant_flux: Milliwatt
    radiant_intensity: MilliwattPerSteradian
    source_width: Millimetre
    voltage_points: Curve
    direct_current: Milliamp
    pulse_current: Milliamp
    pulse_time: Microsecond
    pulse_duty: Probability


class Driver(Part):
    """What makes the LED current from the battery.

    Of several ``leds`` in series each takes its share of the current that a setting names: together
    they give the light of one. A driver of 0 is none, which lights nothing.
    """

    leds: int = Field(default=1, ge=0, le=8)
    efficiency: Efficiency
    quiescent_current: Microamp
    settle_time: Microsecond


class Regulator(Part):
    """What makes the rail of controller and sensor from the battery."""

    efficiency: Efficiency
    quiescent_current: Microamp


class Readout(Part):
    """A class of sensor readout; energies are per pixel and exposure, per step of conversion.

    ``dark_doubling`` is by how much warmer the dark signal is twice as large.
    """

    pixel_energy: Picojoule
    walden_figure: Femtojoule
    effective_bits: Bits
    bias_power: Microwatt
    idle_power: Microwatt
    start_up_time: Microsecond
    pixel_time: Microsecond
    dark_doubling: Kelvin


class Link(Part):
    """A digital link of one or more wires that carry bits side by side.

    ``bit_energy`` holds at ``supply``; lines are charged and discharged, so that it follows the
    square of the voltage. Where ``slower`` is true the link may run at less than ``bit_rate``, and
    does where the controller's waiting state allows only less.
    """

    wires: int = Field(default=1, ge=1, le=64)
    slower: bool = False
    supply: Volt
    bit_energy: Picojoule
    bit_rate: MegabitPerSecond
    message_energy: Microjoule
    standby_power: Microwatt


class Host(Part):
    """A device with a battery; spread is how its mean power differs between sessions, relative.

    A session is a handful of runs in one sitting: runs of one share its temperature, its battery
    and its background work. A deviation that rests on `n_sessions` of them is uncertain itself: its
    range is at least the 90 % interval of a normal sample's deviation, s sqrt((n - 1) / chi-square
    quantile).
    """

    n_sessions: int = Field(ge=2, le=1_000_000)
    baseline_power: Milliwatt
    spread: Annotated[Value, in_unit("1", LEAST)]
    battery_energy: WattHour
    battery_voltage: Volt

    def inputs(self, group: str) -> dict[str, Input]:
        """Return the values as inputs, the spread with the range that its sessions leave it."""
        from scipy.special import chdtri

        found = super().inputs(group)
        x, free = found[f"{group}.spread"], self.n_sessions - 1
        low, high = (x.typical * (free / float(chdtri(free, tail))) ** 0.5 for tail in (0.05, 0.95))
        if low < x.low or high > x.high:
            source = f"{x.source}; range of {self.n_sessions} sessions"
            found[x.name] = replace(x, low=min(low, x.low), high=max(high, x.high), source=source)
        return found


class Usage(Part):
    """A day: how long the sensor is on, a hand is there, and how it watches in between.

    ``temperature`` is that of controller and sensor, in degrees Celsius.
    """

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
    temperature: Celsius


P = TypeVar("P", bound=Part)
Parts = dict[str, dict[str, Part]]
Table = dict[str, Any]
Tables = dict[str, dict[str, Table]]

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


def _laid_over(below: Table, above: Table) -> Table:
    """Return a table with another over it: tables are joined, values are replaced whole."""
    joined = dict(below)
    for key, new in above.items():
        old = below.get(key)
        joined[key] = new
        if isinstance(old, dict) and isinstance(new, dict) and not _OF_A_VALUE & {*old, *new}:
            joined[key] = _laid_over(old, new)
    return joined


def _read(path: Path, parts: Parts, written: Tables) -> None:
    """Read a file's parts, each laid over what was written of it before."""
    file = read_toml(path, _MAX_BYTES)
    for kind, tables in file.data.items():
        if kind not in KINDS:
            known = ", ".join(KINDS)
            raise FormatError(file.place(kind), "kind of part", kind, f"one of {known}")
        if not isinstance(tables, dict):
            raise FormatError(file.place(kind), kind, "not a table")
        for name, fields in tables.items():
            if not isinstance(fields, dict):
                raise FormatError(file.place(kind, name), f"{kind}.{name}", "not a table")
            whole = _laid_over(written.get(kind, {}).get(name, {}), fields)
            with file.faults(kind, name):
                parts.setdefault(kind, {})[name] = KINDS[kind].model_validate(whole)
            written.setdefault(kind, {})[name] = whole


@cache
def _built_in() -> tuple[Parts, Tables]:
    parts: Parts = {}
    written: Tables = {}
    for path in sorted(_BUILT_IN.glob("*.toml")):
        _read(path, parts, written)
    return parts, written


def load_parts(own: Path | None = None) -> Library:
    """Load the library, and over it a user's own file, key by key.

    Raises
    ------
    FormatError
        A file is faulty; the message names file, line, key and reason.
    """
    built_in, written = _built_in()
    parts = {kind: dict(named) for kind, named in built_in.items()}
    if own is not None:
        _read(own, parts, {kind: dict(named) for kind, named in written.items()})
    return Library(parts)
