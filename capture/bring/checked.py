"""What is found in arrays, made into counts and times that a recording may hold, or refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.bring.readouts import Frames
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = ["Clock", "checked_counts"]

_MOST_OFF_RATE = 0.05
"""A window is counted in frames: at 5 % off, a gesture of 0.4 s is off by less than a frame."""
_MAX_TIME_US = 2**63 // 1000


def checked_counts(
    values: NDArray[Any], source: Path, sensor: Sensor, first: int
) -> NDArray[np.uint16]:
    """Return counts as uint16; they must be whole numbers of the sensor's range."""
    if values.dtype.kind not in "uif":
        raise FormatError(str(source), "dtype of counts", values.dtype, "whole numbers")
    with np.errstate(invalid="ignore"):
        whole = values if values.dtype.kind != "f" else np.rint(values)
        wrong = (whole != values) | (values < 0) | (values > sensor.max_counts)
    if wrong.any():
        at = tuple(int(i) for i in np.argwhere(wrong)[0])
        raise FormatError(
            f"{source} frame pair {first + at[0]}", f"counts at row {at[1]}, column {at[2]}",
            values[at], f"a whole number from 0 to {sensor.max_counts}",
            "bring raw counts, before any subtraction or scaling",
        )  # fmt: skip
    return np.ascontiguousarray(whole, dtype=np.uint16)


class Clock:
    """The times of frame pairs as they come, or those that the frame rate gives.

    Parameters
    ----------
    where : str
        Name of the file in errors.
    sensor : Sensor
        Its frame rate is what the times must agree with.
    """

    def __init__(self, where: str, sensor: Sensor) -> None:
        self.where, self.sensor = where, sensor
        self.n = 0
        self.last = -1, -1
        self.first_us = 0
        self.steps_us: list[NDArray[np.float64]] = []

    def place(self, found: Frames) -> tuple[NDArray[np.int64], ...]:
        """Return sequence, time and dark time of frame pairs, int64."""
        number = np.arange(self.n, self.n + len(found.lit))
        sequence = self._whole("sequence", found.sequence, number)
        if found.time_us is None:  # a pair that is missing takes its time all the same
            time_us = np.rint(sequence * self.sensor.frame_period_us).astype(np.int64)
        else:
            time_us = self._whole("time_us", found.time_us, number)
        dark_us = self._whole("dark_time_us", found.dark_time_us, np.zeros_like(number))
        for name, values, last in zip(
            ("sequence", "time_us"), (sequence, time_us), self.last, strict=True
        ):
            steps = np.diff(values, prepend=last)
            if (steps <= 0).any():
                at = int(np.argmax(steps <= 0))
                raise FormatError(
                    f"{self.where} frame pair {self.n + at}", name, int(values[at]), "rising"
                )
        if not self.n:
            self.first_us = int(time_us[0])
        whole_steps = np.diff(sequence) == 1
        self.steps_us.append(np.diff(time_us)[whole_steps].astype(np.float64))
        self.last = int(sequence[-1]), int(time_us[-1])
        self.n += len(number)
        return sequence, time_us, dark_us

    def _whole(
        self, name: str, values: NDArray[Any] | None, otherwise: NDArray[np.int64]
    ) -> NDArray[np.int64]:
        if values is None:
            return otherwise
        highest = 2**32 - 1 if name == "sequence" else _MAX_TIME_US
        good = values.dtype.kind in "uif"
        if good:
            with np.errstate(invalid="ignore"):
                good = bool(((values >= 0) & (values <= highest)).all())
                good = good and bool((np.floor(values) == values).all())
        if not good:
            raise FormatError(
                f"{self.where} from frame pair {self.n}", name, "out of range or not whole",
                f"whole numbers from 0 to {highest}",
            )  # fmt: skip
        return values.astype(np.int64)

    def finish(self) -> float:
        """Check the frame rate; return the time from the first frame pair to the last, seconds."""
        steps = np.concatenate(self.steps_us)
        period_us = float(np.median(steps)) if len(steps) else self.sensor.frame_period_us
        if abs(period_us / self.sensor.frame_period_us - 1.0) > _MOST_OFF_RATE:
            raise FormatError(
                self.where, "frame rate by its times", f"{1e6 / period_us:.2f} Hz",
                f"{self.sensor.frame_rate_hz:g} Hz as in the sensor file",
            )  # fmt: skip
        return (self.last[1] - self.first_us) / 1e6
