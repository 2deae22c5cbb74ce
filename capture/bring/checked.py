"""What is found in arrays, made into counts and times that a recording may hold, or refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.bring.readouts import Frames
from runtime.errors import FormatError
from runtime.sensor import Sensor

__all__ = ["Clock", "Light", "checked_counts"]

_MOST_OFF_RATE = 0.05
"""A window is counted in frames: at 5 % off, a gesture of 0.4 s is off by less than a frame."""
_MOSTLY = 0.75
"""Of an empty scene half of the lit exposures are the darker ones, by noise."""
_MAX_TIME_US = 2**63 // 1000
_IN_US = "times are microseconds: a second is 1000000"
_MAX_STEP = 2**31 // 1_000_000
"""Of frames left out at a time: any sequence of a million frames stays within its range."""


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
            if found.sequence is None:
                sequence = self._by_times(time_us)
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
        far = (dark_us != 0) & (np.abs(dark_us - time_us) >= self.sensor.frame_period_us)
        if far.any():
            at = int(np.argmax(far))
            raise FormatError(
                f"{self.where} frame pair {self.n + at}", "dark_time_us", int(dark_us[at]),
                f"less than a frame from its lit exposure's {int(time_us[at])}",
            )  # fmt: skip
        if not self.n:
            self.first_us = int(time_us[0])
        told = found.sequence is not None
        whole_steps = (np.diff(sequence) == 1) | (not told)  # else times are judged by themselves
        self.steps_us.append(np.diff(time_us)[whole_steps].astype(np.float64))
        self.last = int(sequence[-1]), int(time_us[-1])
        self.n += len(number)
        return sequence, time_us, dark_us

    def _by_times(self, time_us: NDArray[np.int64]) -> NDArray[np.int64]:
        """Number frame pairs by their times: where they leave a frame out, one is missing."""
        steps = np.diff(time_us, prepend=self.last[1] if self.n else time_us[0])
        frames = np.clip(np.rint(steps / self.sensor.frame_period_us), 1, _MAX_STEP)
        frames[0] = frames[0] if self.n else 0
        return np.cumsum(frames.astype(np.int64)) + max(0, self.last[0])

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
                f"whole numbers from 0 to {highest}", _IN_US if name != "sequence" else "",
            )  # fmt: skip
        return values.astype(np.int64)

    def finish(self) -> float:
        """Check the frame rate; return the time from the first frame pair to the last, seconds."""
        steps = np.concatenate(self.steps_us)
        period_us = float(np.median(steps)) if len(steps) else self.sensor.frame_period_us
        if abs(period_us / self.sensor.frame_period_us - 1.0) > _MOST_OFF_RATE:
            raise FormatError(
                self.where, "frame rate by its times", f"{1e6 / period_us:.2f} Hz",
                f"{self.sensor.frame_rate_hz:g} Hz as in the sensor file", _IN_US,
            )  # fmt: skip
        return (self.last[1] - self.first_us) / 1e6


class Light:
    """The light of frame pairs as they come: is it raw, and which exposure is the lit one.

    Parameters
    ----------
    where : str
        Name of the file in errors.
    sensor : Sensor
        Its black level and noise are what no dark exposure lies below.
    """

    def __init__(self, where: str, sensor: Sensor) -> None:
        self.where, self.sensor = where, sensor
        self.n_pairs = self.n_darker = self.n_same = 0
        self.balance = self.dark = 0.0

    def add(self, lit: NDArray[np.uint16], dark: NDArray[np.uint16]) -> None:
        """Take in counts (n_frames, n_rows, n_cols)."""
        dark_means = dark.mean(axis=(1, 2))
        light = lit.mean(axis=(1, 2)) - dark_means
        self.balance += float(light.sum())
        self.dark += float(dark_means.sum())
        self.n_darker += int((light < 0).sum())
        self.n_same += int((lit == dark).all(axis=(1, 2)).sum())
        self.n_pairs += len(lit)

    def finish(self) -> list[str]:
        """Return what should be known of the readouts; refuse those that lie in another order."""
        if self.n_pairs < 2:
            raise FormatError(self.where, "number of frame pairs", self.n_pairs, "at least 2")
        if self.n_same == self.n_pairs and self.sensor.led_current_ma > 0.0:
            raise FormatError(
                self.where, "frame pairs whose lit and dark exposure are the same", "100%", "none",
                "the same exposures seem to be given as both: noise makes each its own",
            )  # fmt: skip
        if self.balance < 0 and self.n_darker > _MOSTLY * self.n_pairs:  # the LED only adds light
            raise FormatError(
                self.where, "frame pairs whose lit exposure is the darker one",
                f"{self.n_darker / self.n_pairs:.0%}", "few",
                "lit and dark seem to be swapped: choose another --lit-dark",
            )  # fmt: skip
        sensor, dark = self.sensor, self.dark / self.n_pairs
        noise_dn = sensor.read_noise_e * sensor.conversion_gain_dn_per_e
        if dark < sensor.black_level_counts - 1.0 - noise_dn:  # light and leakage only add to it
            return [
                f"{self.where}: dark exposures are {dark:.1f} counts on average, below the sensor "
                f"file's black_level_counts of {sensor.black_level_counts}: correct it there, or "
                "bring raw counts, before any subtraction or scaling"
            ]
        return []
