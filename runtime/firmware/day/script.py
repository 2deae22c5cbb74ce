"""What happens on a day: when something moves, when a single frame stands out, what is read."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from runtime.errors import FormatError
from runtime.firmware.machine.board import FAULTS
from runtime.stages.contract.stage import Counts

__all__ = ["BoardTimes", "DayScript", "Kind", "Readout", "played"]

Kind = Literal["watching", "active"]
"""Of a frame: read by the watching stage in its weak light, or by the model in full light."""
Readout = Callable[[float, Kind], tuple[Counts, Counts]]
"""From seconds since the start, and the kind of frame, to a lit and a dark exposure.

Each is uint16 (n_rows, n_cols); whole exposures, of which the program reads the rows it wants.
"""

_MOST_SECONDS = 7 * 86_400.0


@dataclass(frozen=True, slots=True)
class BoardTimes:
    """What a board's hardware takes, microseconds: at most 100,000 each.

    Parameters
    ----------
    settle_us : float
        From switching the LED to the beginning of an exposure, lit or dark alike.
    start_up_us : float
        From power on until the sensor can expose.
    pixel_us : float
        One pixel of one exposure, read or sent, whichever is longer.
    """

    settle_us: float = 2.0
    start_up_us: float = 60.0
    pixel_us: float = 0.6

    def __post_init__(self) -> None:
        for name in ("settle_us", "start_up_us", "pixel_us"):
            value = getattr(self, name)
            if not 0.0 <= value <= 100_000.0:
                raise FormatError("board times", name, value, "0 to 100000")


@dataclass(frozen=True, slots=True)
class DayScript:
    """A day, or any other time from a cold start on.

    Parameters
    ----------
    seconds : float
        How long it lasts, up to a week.
    visits : tuple of (start_s, end_s)
        In order of time and apart from each other: from `start_s` until before `end_s` something
        moves in what `readout` gives.
    false_wakes : tuple of float
        Seconds, in order, at which a single watching frame stands out, or the light changes once.
    readout : callable
        What the sensor gives at a time, see `Readout`.
    faults : tuple of (time_s, fault), optional
        In order: from a time on, the next frame's first rows are wrong once, by one of `FAULTS`.

    Raises
    ------
    FormatError
        Times are out of order or out of the day, or a fault is unknown.
    """

    seconds: float
    visits: tuple[tuple[float, float], ...]
    false_wakes: tuple[float, ...]
    readout: Readout
    faults: tuple[tuple[float, str], ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 < self.seconds <= _MOST_SECONDS:
            raise FormatError("day", "seconds", self.seconds, f"above 0, at most {_MOST_SECONDS:g}")
        last = 0.0
        for start, end in self.visits:
            if not last <= start < end <= self.seconds:
                raise FormatError(
                    "day", "visit", f"{start:g} to {end:g}", "within the day and after the last"
                )
            last = end
        for name, times in (
            ("false wake", self.false_wakes),
            ("fault", tuple(time for time, _ in self.faults)),
        ):
            if list(times) != sorted(times) or not all(0 <= t < self.seconds for t in times):
                raise FormatError("day", name, times, "times of the day, in order")
        for _, kind in self.faults:
            if kind not in FAULTS:
                raise FormatError("day", "fault", repr(kind), f"one of {', '.join(FAULTS)}")

    @property
    def visited_s(self) -> float:
        """Seconds in which something moves."""
        return sum(end - start for start, end in self.visits)


def played(
    seconds: float,
    visits: tuple[tuple[float, float], ...],
    false_wakes: tuple[float, ...],
    scenes: tuple[tuple[Counts, Counts], tuple[Counts, Counts]],
    step_s: float = 0.2,
) -> DayScript:
    """Return a day that plays frames: one loop of them while nothing is there, another in visits.

    Parameters
    ----------
    seconds, visits, false_wakes : as in `DayScript`
    scenes : pair of (lit, dark)
        Frames of rest and of movement, each uint16 (n_frames, n_rows, n_cols). Frames of movement
        change from each to the next; those of rest differ by noise alone, if at all.
    step_s : float
        How long each frame is to be seen: the watching period, or a part of it.

    Notes
    -----
    A false wake shows the first frame of movement for one step.
    """
    (still_lit, still_dark), (lit, dark) = scenes
    starts = [start for start, _ in visits]

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        at = bisect_right(starts, t_s + 1e-9) - 1
        if at >= 0 and t_s < visits[at][1] - 1e-9:
            index = int((t_s - visits[at][0]) / step_s + 1e-6) % len(lit)
            return lit[index], dark[index]
        at = bisect_right(false_wakes, t_s + 1e-9) - 1
        if at >= 0 and t_s < false_wakes[at] + step_s - 1e-9:
            return lit[0], dark[0]
        index = int(t_s / step_s + 1e-6) % len(still_lit)
        return still_lit[index], still_dark[index]

    return DayScript(seconds, visits, false_wakes, readout)
