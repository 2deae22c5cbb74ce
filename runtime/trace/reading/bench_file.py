"""What was on the bench: the TOML file beside a trace, checked.

A trace ``run.csv`` has ``run.toml`` beside it:

    kind = "measured"                  # or "synthetic"; goes with every figure
    device = "board 3, revision B"
    instrument = "source meter, serial 1234"
    date = 2026-11-20
    state = "active"                   # or "watching": one state of the device a trace
    temperature_c = 23.0

    [time]
    channel = "t"                      # or rate_hz = 100000.0 in its place; .sr files know theirs
    unit = "s"
    error_ppm = 50.0

    [current]
    channel = "i"
    unit = "mA"
    offset_ua = 0.0                    # reading without a device, which is subtracted
    hold_s = 0.005                     # how long the instrument stays in a range it needs no more

    [[current.range]]                  # one, or several that the instrument switches, rising
    up_to_ma = 100.0
    gain_error_percent = 0.1
    offset_error_ua = 1.0

    [voltage]
    supply_v = 3.85                    # or channel and unit in its place
    error_percent = 0.1

    [markers]                          # optional: pins that are high during a phase
    led = "D0"

Errors of the instrument are its bounds either way; any value within them is as likely as another.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from runtime.tomlfile import read_toml

__all__ = ["BENCH_TABLES", "MARKED", "BenchFile", "Range", "read_bench_file"]

MARKED = ("wake", "led", "readout", "compute")
"""Phases that a pin can mark. Sleep is what is left."""

Name = Annotated[str, Field(min_length=1, max_length=120)]


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Time(_Strict):
    """How samples lie in time: a channel with its unit, or a rate; a session file has its own."""

    channel: Name | None = None
    unit: Literal["s", "ms", "us"] = "s"
    rate_hz: float | None = Field(default=None, gt=0, le=1e9)
    error_ppm: float = Field(default=100.0, ge=0, le=10_000)

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if self.channel is not None and self.rate_hz is not None:
            raise ValueError("channel and rate_hz are both there; one says it")
        return self


class Range(_Strict):
    """One range of the instrument, with the bounds of its errors."""

    up_to_ma: float = Field(gt=0, le=100_000)
    gain_error_percent: float = Field(ge=0, le=50)
    offset_error_ua: float = Field(ge=0, le=1e6)


class Current(_Strict):
    """The channel of the device's current.

    A reading is of the narrowest range that it fits into, and for `hold_s` after a reading of a
    wider one still of that.
    """

    channel: Name
    unit: Literal["A", "mA", "uA", "nA"]
    offset_ua: float = Field(default=0.0, ge=-1e6, le=1e6)
    hold_s: float = Field(default=0.0, ge=0, le=10)
    range: tuple[Range, ...] = Field(min_length=1, max_length=6, strict=False)

    @model_validator(mode="after")
    def _rising(self) -> Self:
        tops = [each.up_to_ma for each in self.range]
        if sorted(set(tops)) != tops:
            raise ValueError("current.range does not rise in up_to_ma")
        return self


class Voltage(_Strict):
    """The supply, taken at the battery as the current is: one value, or a channel."""

    supply_v: float | None = Field(default=None, gt=0, le=60)
    channel: Name | None = None
    unit: Literal["V", "mV"] = "V"
    error_percent: float = Field(default=0.0, ge=0, le=50)

    @model_validator(mode="after")
    def _one_of_two(self) -> Self:
        if (self.channel is None) == (self.supply_v is None):
            raise ValueError("supply_v or channel says the supply, one of the two")
        return self


class Markers(_Strict):
    """Channels of pins that are high during a phase of the frame."""

    wake: Name | None = None
    led: Name | None = None
    readout: Name | None = None
    compute: Name | None = None

    def wired(self) -> dict[str, str]:
        """Return the channel of each phase that is marked."""
        named = {phase: getattr(self, phase) for phase in MARKED}
        return {phase: channel for phase, channel in named.items() if channel is not None}


class Unpowered(_Strict):
    """A stretch of the trace with the device off: what is read there is the instrument's zero."""

    from_s: float = Field(ge=0)
    to_s: float = Field(gt=0)

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.to_s <= self.from_s:
            raise ValueError("to_s is not after from_s")
        return self


class BenchFile(_Strict):
    """What was on the bench: device, instrument and channels.

    `led_pulse_us` and `frame_period_ms` say what the firmware was set to; where a budget is given,
    its own values stand in for those that are missing. `n_samples` says how many there should be.
    """

    kind: Literal["measured", "synthetic"]
    device: Name
    instrument: Name
    date: datetime.date
    state: Literal["active", "watching"] = "active"
    temperature_c: float | None = Field(default=None, ge=-100, le=200)
    led_pulse_us: float | None = Field(default=None, gt=0, le=1e6)
    frame_period_ms: float | None = Field(default=None, gt=0, le=1e6)
    n_samples: int | None = Field(default=None, gt=0)
    time: Time = Time()
    current: Current
    voltage: Voltage
    markers: Markers = Markers()
    unpowered: Unpowered | None = None

    @property
    def synthetic(self) -> bool:
        """Whether no device was measured at all."""
        return self.kind == "synthetic"


BENCH_TABLES: dict[str, type[BaseModel]] = {
    "time": Time,
    "current": Current,
    "current.range": Range,
    "voltage": Voltage,
    "markers": Markers,
    "unpowered": Unpowered,
}
"""The tables of the file by name."""


def read_bench_file(path: Path) -> BenchFile:
    """Read the file beside a trace.

    Raises
    ------
    FormatError
        It cannot be read, or a key is missing, unknown or wrong; the message names file and line.
    """
    file = read_toml(path, expected="the TOML file beside the trace")
    with file.faults():
        return BenchFile.model_validate(file.data)
