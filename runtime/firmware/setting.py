"""What the device program is set to: rates, LED current, exposure, rows, how long it holds.

`DeviceSetting` is where these numbers live; the constants of ``pw_device.h`` are written from it,
and the budget prices them. A model folder may hold its own as ``device.toml``; without that file
the sensor's own rate, current and exposure hold, and the numbers below for watching. To change them
is to write the program anew: `runtime.firmware.emit.folder.write_firmware` with a setting writes it
and the file.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path

from runtime.errors import FormatError
from runtime.sensor import Sensor
from runtime.tomlfile import read_toml

__all__ = ["SETTING_FILE", "SLEEP_EXPOSURE_US", "USUAL_HOLD_S", "DeviceSetting", "read_setting"]

SETTING_FILE = "device.toml"
"""Name of the file in a model folder that holds another setting than the sensor's own."""
USUAL_HOLD_S = 2.0
"""How long a device stays awake after the last movement, where nothing else is asked for."""

SLEEP_EXPOSURE_US = 2000.0
"""Exposures of this length and longer are slept through. Waking takes less than was saved by then
with every controller of the parts library, the slowest of which pays it back in 1.2 ms; and a tick
of the usual clock that runs in sleep, 1/32768 s, is 1.5 % of it."""

_LIMITS = {
    "frame_rate_hz": (0.01, 10_000.0),
    "led_current_ma": (0.0, 10_000.0),
    "exposure_us": (0.1, 1e6),
    "watching_rate_hz": (0.01, 10_000.0),
    "watching_rows": (1, 256),
    "watching_led_current_ma": (0.0, 10_000.0),
    "hold_time_s": (0.01, 600.0),
    "rest_time_s": (1.0, 3600.0),
    "watching_exposure_us": (0.1, 1e6),
}
_OPTIONAL = ("watching_exposure_us",)


@dataclass(frozen=True, slots=True)
class DeviceSetting:
    """The numbers of the device program that are no part of the model.

    Which rows the active state reads is the model's own: those of its first stage.

    Parameters
    ----------
    frame_rate_hz : float
        Frame pairs a second in the active state.
    led_current_ma : float
        LED current in the active state.
    exposure_us : float
        Length of one exposure in the active state.
    watching_rate_hz : float
        Frame pairs a second while watching; the watching goes on at it while active.
    watching_rows : int
        Middle rows read while watching, cut to the sensor's.
    watching_led_current_ma : float
        LED current while watching.
    watching_exposure_us : float, optional
        Length of one exposure while watching; that of the active state where it is None. As much
        charge of the LED in a shorter pulse brings less of the surroundings' light, and so less of
        its noise.
    hold_time_s : float
        How long the active state lasts after the last movement; at least one watching period.
    rest_time_s : float
        Movement without any pause for this long, up to twice as long, is taken for a livelier
        rest: or light that grew noisy would keep the device awake for ever. Twice the mean visit
        of an everyday user (half an hour in 60 visits a day, invented).

    Raises
    ------
    FormatError
        A value is outside its range, or values do not fit each other.
    """

    frame_rate_hz: float
    led_current_ma: float
    exposure_us: float
    watching_rate_hz: float = 5.0
    watching_rows: int = 16
    watching_led_current_ma: float = 20.0
    hold_time_s: float = USUAL_HOLD_S
    rest_time_s: float = 60.0
    watching_exposure_us: float | None = None

    def __post_init__(self) -> None:
        for name, (low, high) in _LIMITS.items():
            value = getattr(self, name)
            if value is None and name in _OPTIONAL:
                continue
            wanted = int if isinstance(low, int) else (int, float)
            if isinstance(value, bool) or not isinstance(value, wanted):
                expected = "a whole number" if wanted is int else "a number"
                raise FormatError("device setting", name, repr(value), expected)
            if not low <= value <= high:  # refuses what is no number, too
                raise FormatError("device setting", name, value, f"{low:g} to {high:g}")
        fastest = max(self.frame_rate_hz, self.watching_rate_hz)
        for name in ("exposure_us", *_OPTIONAL):
            value = getattr(self, name)
            if value is not None and 2.0 * value > 1e6 / fastest:
                raise FormatError(
                    "device setting", name, value,
                    f"at most {0.5e6 / fastest:g} so that a lit and a dark exposure fit",
                )  # fmt: skip
        if self.hold_time_s * self.watching_rate_hz < 1.0 - 1e-9:
            raise FormatError(
                "device setting", "hold_time_s", self.hold_time_s,
                f"at least one watching period, {1.0 / self.watching_rate_hz:g} s",
            )  # fmt: skip

    @classmethod
    def of(cls, sensor: Sensor) -> DeviceSetting:
        """Return the setting of a sensor as it was recorded with, and the usual watching."""
        rate = min(sensor.frame_rate_hz, 5.0) if 2.0 * sensor.exposure_us > 1e6 / 5.0 else 5.0
        return cls(
            float(sensor.frame_rate_hz), float(sensor.led_current_ma), float(sensor.exposure_us),
            watching_rate_hz=rate, hold_time_s=max(USUAL_HOLD_S, math.ceil(1.0 / rate)),
        )  # fmt: skip

    def exposure_of(self, state: str) -> float:
        """Return the length of one exposure in a state, ``watching`` or ``active``, us."""
        if state == "watching" and self.watching_exposure_us is not None:
            return self.watching_exposure_us
        return self.exposure_us

    def sleeps_in(self, state: str) -> int:
        """Return how many exposures of a frame the device sleeps through in a state: both or none.

        See `SLEEP_EXPOSURE_US`.
        """
        return 2 if self.exposure_of(state) >= SLEEP_EXPOSURE_US else 0

    def to_toml(self) -> str:
        """Return the text of a ``device.toml``: one key a line, less what is not set."""
        values = {f.name: getattr(self, f.name) for f in dataclasses.fields(self)}
        return "".join(f"{k} = {v!r}\n" for k, v in values.items() if v is not None)


def read_setting(folder: Path, sensor: Sensor) -> DeviceSetting:
    """Return the setting of a model folder: its ``device.toml``, laid over the sensor's own.

    Raises
    ------
    FormatError
        The file is damaged, a key is unknown, or a value is out of range.
    """
    base, path = DeviceSetting.of(sensor), folder / SETTING_FILE
    if not path.exists():
        return base
    file = read_toml(path)
    known = [field.name for field in dataclasses.fields(DeviceSetting)]
    for key in file.data:
        if key not in known:
            raise FormatError(file.place(key), "key", key, f"one of {', '.join(known)}")
    try:
        return dataclasses.replace(base, **file.data)
    except FormatError as fault:
        raise FormatError(str(path), fault.what, fault.got, fault.expected, fault.do) from None
