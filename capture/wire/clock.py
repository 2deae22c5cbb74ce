"""A device's clock against the host's: exchanges of time, and the line that they leave room for.

One exchange is a request and its answer: the host's clock when the request went and when the answer
came, the device's when the request came and when its answer went. Offset and round trip are those
of NTP (RFC 5905, section 8). Of the round trip nobody knows how much was the way there and how much
the way back, so one exchange says that the offset lies within half a round trip of its middle, and
no more. The offset over time is taken as a straight line, its slope the drift. All lines that pass
through every exchange's room are found by linear programming (as Moon, Skelly and Towsley do for
one way, "Estimation and removal of clock skew from network delay measurements", INFOCOM 1999; from
memory): the middle of their range is the answer, half of it the error. Exchanges with the shortest
round trips decide, without any constant. Where no line passes, the rooms are widened by as little
as lets one through; that much the clock wanders off a line, and it is part of the error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.errors import FormatError

__all__ = ["ClockFit", "Exchange", "fit_clock"]

Floats = npt.NDArray[np.float64]

_TICK_US = 1.0
"""Both clocks are read in whole microseconds: a reading may be this much early."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """One exchange of time, microseconds; NTP's four time stamps.

    Parameters
    ----------
    sent_us : int
        Host's clock before the request went (T1).
    device_us : int
        Device's clock when it had the request (T2).
    held_us : int
        How long the device held it before its answer began to go (T3 - T2), 0 or more.
    arrived_us : int
        Host's clock when the answer had come (T4), not before `sent_us`.

    Raises
    ------
    FormatError
        The answer came before the request, or the device held it longer than it took.
    """

    sent_us: int
    device_us: int
    held_us: int
    arrived_us: int

    def __post_init__(self) -> None:
        longest = self.arrived_us - self.sent_us
        # Each of the four readings may be a tick early.
        if longest < 0 or not 0 <= self.held_us <= longest + 2:
            raise FormatError("exchange", "held_us", self.held_us, f"0 to {max(0, longest)}")

    @property
    def offset_us(self) -> float:
        """Device's clock minus the host's: ((T2 - T1) + (T3 - T4)) / 2 (RFC 5905, section 8)."""
        answered_us = self.device_us + self.held_us
        return ((self.device_us - self.sent_us) + (answered_us - self.arrived_us)) / 2

    @property
    def round_trip_us(self) -> int:
        """Time on the way, there and back: (T4 - T1) - (T3 - T2) (RFC 5905, section 8)."""
        return self.arrived_us - self.sent_us - self.held_us


@dataclass(frozen=True, slots=True)
class ClockFit:
    """The host's clock as a straight line of the device's, with bounds.

    Parameters
    ----------
    n_exchanges : int
        What it rests on.
    first_us, last_us : int
        Device's clock at the first and the last of them.
    shortest_us : int
        Shortest round trip.
    offset_us : float
        Device's clock minus the host's, half-way between first and last.
    offset_error_us : float
        Bound of its error; holds whatever the two ways' shares of a round trip.
    drift_ppm : float
        By how much the device's clock runs faster than the host's, millionths.
    drift_error_ppm : float
        Bound of its error, likewise.
    wander_us : float
        How far the clocks are off a straight line at least; 0 where one fits.
    low_us, high_us : float64 array, shape (3,)
        Bounds of the offset at the first exchange, half-way and at the last.
    """

    n_exchanges: int
    first_us: int
    last_us: int
    shortest_us: int
    offset_us: float
    offset_error_us: float
    drift_ppm: float
    drift_error_ppm: float
    wander_us: float
    low_us: Floats
    high_us: Floats

    def host_us(self, device_us: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return the host's clock at times of the device's, and the bound of its error.

        Parameters
        ----------
        device_us : int array, any shape
            Device's clock, microseconds. Beyond first and last the error grows with the distance.

        Returns
        -------
        float64 arrays, the same shape
            Microseconds.
        """
        given = np.asarray(device_us, np.int64)
        known = np.array([self.first_us, (self.first_us + self.last_us) / 2, self.last_us])
        beyond_s = (given - np.clip(given, self.first_us, self.last_us)) / 1e6
        # Over time the highest offset of all lines is convex: its chord lies above it.
        ends = [self.drift_ppm - self.drift_error_ppm, self.drift_ppm + self.drift_error_ppm]
        steps = np.multiply.outer(ends, beyond_s)
        low = np.interp(given, known, self.low_us) + steps.min(axis=0)
        high = np.interp(given, known, self.high_us) + steps.max(axis=0)
        return given - (low + high) / 2, (high - low) / 2

    def to_json(self) -> dict[str, float | int]:
        """Return the figures as plain JSON values."""
        return {
            "n_exchanges": self.n_exchanges,
            "first_us": self.first_us,
            "last_us": self.last_us,
            "shortest_round_trip_us": self.shortest_us,
            "offset_us": self.offset_us,
            "offset_error_us": self.offset_error_us,
            "drift_ppm": self.drift_ppm,
            "drift_error_ppm": self.drift_error_ppm,
            "wander_us": self.wander_us,
        }


def fit_clock(exchanges: Sequence[Exchange]) -> ClockFit | None:
    """Return the line of the exchanges of one run of a device's clock.

    Parameters
    ----------
    exchanges : sequence of Exchange
        In any order; the clock must not have been set between them.

    Returns
    -------
    ClockFit or None
        None with fewer than two, or without time between them: nothing then says how it drifts.

    Notes
    -----
    Nine linear programs in two or three unknowns; 1,200 exchanges take a fifth of a second.
    """
    device_us = np.array([e.device_us + e.held_us / 2 for e in exchanges], np.float64)
    if device_us.size < 2 or np.ptp(device_us) <= 0:
        return None
    first, last = int(device_us.min()), int(device_us.max())
    later_s = (device_us - (first + last) / 2) / 1e6
    offset = np.array([e.offset_us for e in exchanges], np.float64)
    base = float(offset.mean())  # large numbers would cost the solver its digits
    room = np.array([e.round_trip_us for e in exchanges], np.float64) / 2 + _TICK_US
    wander, (drift_low, drift_high), bounds = _bounds(later_s, offset - base, room)
    low, high = bounds[:, 0] + base - wander, bounds[:, 1] + base + wander
    return ClockFit(
        n_exchanges=device_us.size,
        first_us=first,
        last_us=last,
        shortest_us=min(e.round_trip_us for e in exchanges),
        offset_us=float(low[1] + high[1]) / 2,
        offset_error_us=float(high[1] - low[1]) / 2,
        drift_ppm=(drift_low + drift_high) / 2,
        drift_error_ppm=(drift_high - drift_low) / 2 + 2e6 * wander / (last - first),
        wander_us=wander,
        low_us=low,
        high_us=high,
    )


def _bounds(
    later_s: Floats, offset: Floats, room: Floats
) -> tuple[float, tuple[float, float], Floats]:
    """Return the bounds of all lines that pass through every room.

    Parameters
    ----------
    later_s : float64 array, shape (n,)
        Time of each exchange from half-way between first and last, seconds.
    offset, room : float64 array, shape (n,)
        Middle of its room, and half its width, microseconds.

    Returns
    -------
    float
        By how much the rooms had to be widened, microseconds.
    tuple of float
        Lowest and highest drift, microseconds a second.
    float64 array, shape (3, 2)
        Lowest and highest offset at the first exchange, half-way and at the last.
    """
    from scipy.optimize import linprog

    n = later_s.size
    rows = np.column_stack(
        [np.repeat([1.0, -1.0], n), np.concatenate([later_s, -later_s]), np.full(2 * n, -1.0)]
    )
    limit = np.concatenate([offset + room, room - offset])
    free = [(None, None), (None, None)]
    widened = linprog([0, 0, 1], A_ub=rows, b_ub=limit, bounds=[*free, (0, None)])
    wander = float(widened.x[2])
    limit += wander + 1e-3 * (wander > 0)  # a nanosecond more, for the solver's own rounding

    def extremes(*line: float) -> tuple[float, float]:
        low, high = (
            linprog([sign * part for part in line], A_ub=rows[:, :2], b_ub=limit, bounds=free).fun
            for sign in (1.0, -1.0)
        )
        return float(low), -float(high)

    at = (float(later_s.min()), 0.0, float(later_s.max()))
    return wander, extremes(0.0, 1.0), np.array([extremes(1.0, time_s) for time_s in at])
