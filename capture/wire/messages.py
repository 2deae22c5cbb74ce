"""What travels between sensor and host, as types; ``wire.py`` turns them into bytes and back."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from capture.frames import Counts
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = [
    "MAX_SIDE",
    "Acknowledge",
    "Command",
    "CommandKind",
    "Description",
    "Exposure",
    "Message",
    "Result",
    "Status",
    "check_range",
]

MAX_SIDE = 256
"""Most pixels down or across."""
_MAX_TEXT = 63


class CommandKind(enum.IntEnum):
    """What the host requests; the value's unit in brackets."""

    DESCRIBE = 1
    START = 2
    STOP = 3
    SET_EXPOSURE = 4  # nanoseconds
    SET_LED_CURRENT = 5  # microamperes
    SET_FRAME_RATE = 6  # millihertz
    SET_ROWS = 7  # first row + 65536 * number of rows
    CLOCK = 8  # 0; the acknowledge's value is how long it was held, microseconds


class Result(enum.IntEnum):
    """How a command ended."""

    DONE = 0
    UNKNOWN = 1
    OUT_OF_RANGE = 2
    NOT_NOW = 3


@dataclass(frozen=True, slots=True)
class Description:
    """What the sensor is and how it is set.

    Parameters
    ----------
    sensor : Sensor
        As set now: ``n_rows`` are the rows that are read. Travels in the steps of the packet's
        integers (PROTOCOL.md), so an arbitrary float comes back rounded to them.
    unit, firmware : str
        The physical sensor and its program, at most 63 bytes of UTF-8 each.
    first_row : int
        First row that is read.
    time_us : int
        Device clock, microseconds.
    """

    sensor: Sensor
    unit: str
    firmware: str
    first_row: int = 0
    time_us: int = 0

    def __post_init__(self) -> None:
        for name in ("unit", "firmware"):
            _check_text(name, getattr(self, name))
        _check_text("sensor name", self.sensor.name)
        check_range("first_row", self.first_row, 0, MAX_SIDE - self.sensor.n_rows)


@dataclass(frozen=True, slots=True, eq=False)
class Exposure:
    """One exposure.

    Parameters
    ----------
    lit : bool
        The LED was on.
    sequence : int
        Frame pair since the start, the same for its lit and its dark exposure.
    time_us : int
        Device clock at the start of the exposure, microseconds.
    counts : uint16 array, shape (n_rows, n_cols)
        Raw ADC values below 2**bits, 1 to 256 pixels a side.
    bits : int
        Bits a pixel takes on the wire: 4 to 16.
    first_row : int
        Row of the sensor that ``counts[0]`` is.
    """

    lit: bool
    sequence: int
    time_us: int
    counts: Counts
    bits: int = 12
    first_row: int = 0


@dataclass(frozen=True, slots=True)
class Status:
    """How the sensor fares: its temperature in steps of 0.01 degrees, supply, lost exposures."""

    time_us: int
    temperature_c: float
    supply_mv: int
    overruns: int


@dataclass(frozen=True, slots=True)
class Command:
    """What the host requests; the number in `sequence` comes back in the acknowledge."""

    kind: CommandKind
    value: int = 0
    sequence: int = 0


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """How the command numbered `sequence` ended, and the value that is now in force."""

    kind: int
    result: Result
    value: int
    sequence: int
    time_us: int = 0


Message = Description | Exposure | Status | Command | Acknowledge


def check_range(name: str, value: int, low: int, high: int) -> None:
    """Refuse a value that its field cannot hold: FormatError."""
    if not low <= value <= high:
        raise FormatError("packet", name, value, f"{low} to {high}")


def _check_text(name: str, text: str) -> None:
    if len(text.encode("utf-8", "replace")) > _MAX_TEXT or not text.isprintable():
        raise FormatError("packet", name, repr(text[:80]), f"printable, up to {_MAX_TEXT} bytes")
