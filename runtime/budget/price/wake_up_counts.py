"""How well the watching stage watches: arrivals missed and false wakes, counted over recordings.

Recordings are made at full light and full rate. What the watching state would have read of the
same scenes, at its own rate and its weaker light, is derived from them with the noise that the
weaker light would have left, and then the watching stage itself is run.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.uncertainty import Interval
from runtime.errors import FormatError, UsageError
from runtime.firmware.watching import (
    WARM_UP_FRAMES,
    Watching,
    watching_model,
    watching_threshold,
)
from runtime.intervals import clopper_pearson, garwood
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Counts

__all__ = ["WakeUpCounts", "WatchedSession", "measure_wake_up", "weaker_light"]

Span = tuple[float, float]
_COVERAGE = 0.90
_AT_ONCE = 64
"""Watching frames run at a time, so that little is run in vain after a wake."""


@dataclass(frozen=True, slots=True)
class WatchedSession:
    """A recorded session, and when a hand was there.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Exposures as recorded.
    t_s : float64 (n_frames,)
        Device clock, seconds, never falling; gaps are allowed.
    hands : tuple of (start_s, end_s)
        One for each arrival: a hand is there and moves.
    empty : tuple of (start_s, end_s)
        Stretches in which nothing ought to wake the sensor. What is in neither is not counted.
    """

    lit: Counts
    dark: Counts
    t_s: NDArray[np.float64]
    hands: tuple[Span, ...]
    empty: tuple[Span, ...]

    def __post_init__(self) -> None:
        if not len(self.lit) == len(self.dark) == len(self.t_s):
            lengths = f"{len(self.lit)}, {len(self.dark)}, {len(self.t_s)}"
            raise FormatError("watched session", "frames of lit, dark, t_s", lengths, "equal")
        if len(self.t_s) and not np.all(np.diff(self.t_s) >= 0):
            raise FormatError("watched session", "t_s", "falling somewhere", "in order of time")
        for start, end in (*self.hands, *self.empty):
            if not start < end:
                raise FormatError("watched session", "span", f"{start} to {end}", "start < end")


@dataclass(frozen=True, slots=True)
class WakeUpCounts:
    """What was counted, and at which setting; shares and rates carry exact 90 % intervals."""

    n_arrivals: int
    n_missed: int
    n_false_wakes: int
    empty_hours: float
    n_rows: int = 16
    rate_hz: float = 5.0
    led_share: float = 0.2
    exposure_share: float = 1.0
    delays_s: tuple[float, ...] = ()

    def __add__(self, other: WakeUpCounts) -> WakeUpCounts:
        """Return both counts together; of one setting."""
        return replace(
            self,
            n_arrivals=self.n_arrivals + other.n_arrivals,
            n_missed=self.n_missed + other.n_missed,
            n_false_wakes=self.n_false_wakes + other.n_false_wakes,
            empty_hours=self.empty_hours + other.empty_hours,
            delays_s=self.delays_s + other.delays_s,
        )

    def delay_s(self, share: float) -> float:
        """Return within how many seconds such a share of the arrivals not missed was answered."""
        return float(np.quantile(self.delays_s, share)) if self.delays_s else 0.0

    @property
    def miss_rate(self) -> Interval:
        """Share of arrivals without a wake (Clopper and Pearson, Biometrika 26:404, 1934)."""
        if self.n_arrivals == 0:
            return Interval(0.0, 0.0, 1.0)
        low, high = clopper_pearson(self.n_missed, self.n_arrivals, _COVERAGE)
        return Interval(self.n_missed / self.n_arrivals, low, high)

    @property
    def false_wakes_per_hour(self) -> Interval:
        """Wakes an hour of empty scene (Garwood, Biometrika 28:437, 1936)."""
        if self.empty_hours <= 0.0:
            raise UsageError("wake-up", "empty scene", "none", "some, to count false wakes in")
        low, high = garwood(self.n_false_wakes, self.empty_hours, _COVERAGE)
        return Interval(self.n_false_wakes / self.empty_hours, low, high)

    def to_json(self) -> dict[str, Any]:
        """Return what ``evaluation.json`` holds under ``wake_up``.

        Raises
        ------
        UsageError
            There was no arrival, or no empty scene.
        """
        if self.n_arrivals == 0:
            raise UsageError("wake-up", "arrivals", "none", "some, to count misses of")
        missed, false = self.miss_rate, self.false_wakes_per_hour
        return {
            "miss_rate": {"value": missed.typical, "low": missed.low, "high": missed.high},
            "false_wakes_per_hour": {"value": false.typical, "low": false.low, "high": false.high},
            "n_arrivals": self.n_arrivals,
            "n_missed": self.n_missed,
            "n_false_wakes": self.n_false_wakes,
            "empty_hours": self.empty_hours,
            "n_rows": self.n_rows,
            "rate_hz": self.rate_hz,
            "led_share": self.led_share,
            "exposure_share": self.exposure_share,
            "delay_s": {"median": self.delay_s(0.5), "share_95": self.delay_s(0.95)},
        }


def weaker_light(
    lit: Counts,
    dark: Counts,
    share: float,
    sensor: Sensor,
    rng: np.random.Generator,
    exposure_share: float = 1.0,
) -> tuple[Counts, Counts]:
    """Return exposures as they would have been read at a share of LED current and of exposure.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Exposures of one setting; where `lit` was saturated the result is too dim.
    share : float
        Of the LED's current, 0 to 1.
    sensor : Sensor
        Gain, read noise and black level.
    rng : numpy.random.Generator
        Draws the noise that is added.
    exposure_share : float
        Of the length of both exposures, above 0, to 1. The surroundings' light shrinks with it.

    Returns
    -------
    lit, dark : uint16 (n_frames, n_rows, n_cols)

    Notes
    -----
    With S electrons of LED light and A of everything else, the difference has variance
    S + 2 A + 2 read noise^2. Scaled by f = l e, f^2 of it is left, where LED current l and exposure
    e would have f S + 2 e A + 2 read noise^2: what lacks,
    f (1 - f) S + (e - f^2) 2 A + (1 - f^2) 2 read noise^2, is added. Flicker that is left in the
    difference is scaled by f as well, where a shorter exposure would have less of it.
    """
    if not 0.0 <= share <= 1.0:
        raise UsageError("weaker light", "share", share, "0 to 1")
    if not 0.0 < exposure_share <= 1.0:
        raise UsageError("weaker light", "exposure share", exposure_share, "above 0, to 1")
    gain, black = sensor.conversion_gain_dn_per_e, sensor.black_level_counts
    difference, above = lit.astype(np.float64) - dark, dark.astype(np.float64) - black
    left = share * exposure_share
    led_e, other_e = np.maximum(0.0, difference) / gain, np.maximum(0.0, above) / gain
    read_e2 = sensor.read_noise_e**2
    if exposure_share < 1.0:
        lacking = exposure_share * (1.0 - exposure_share) * other_e
        lacking += (1.0 - exposure_share**2) * read_e2
        noise = gain * np.sqrt(lacking) * rng.standard_normal(lit.shape)
        dark = _whole(black + exposure_share * above + noise, sensor)
    lacking = left * (1.0 - left) * led_e + 2.0 * (exposure_share - left**2) * other_e
    lacking += 2.0 * (1.0 - left**2) * read_e2
    noise = gain * np.sqrt(lacking) * rng.standard_normal(lit.shape)
    return _whole(dark + left * difference + noise, sensor), dark


def _whole(counts: NDArray[np.float64], sensor: Sensor) -> Counts:
    return np.clip(np.rint(counts), 0, sensor.max_counts).astype(np.uint16)


def _at_rate(t_s: NDArray[np.float64], rate_hz: float) -> NDArray[np.intp]:
    """Indices of the frames that a slower clock would have taken."""
    if not len(t_s):
        return np.zeros(0, dtype=np.intp)
    tick = np.floor((t_s - t_s[0]) * rate_hz + 1e-6)
    return np.flatnonzero(np.diff(tick, prepend=-1.0) > 0)


def _watch(
    model: Model, session: WatchedSession, watching: Watching, rng: np.random.Generator
) -> tuple[NDArray[np.float64], list[Span]]:
    """Run the watching stage as the firmware does: what it sees while awake wakes nobody.

    Of that time only the frames are run that fill its means before the sleep.

    Returns
    -------
    watched_s : float64 (n_watched,)
        Times of the frames that the watching stage saw asleep.
    awake : list of (start_s, end_s)
        From each wake until the hand has left and the hold time is over.
    """
    t_s, rate_hz, threshold = session.t_s, watching.rate_hz, watching_threshold(model)
    first = (session.lit.shape[1] - model.sensor.n_rows) // 2
    read = slice(first, first + model.sensor.n_rows)

    def see(frames: NDArray[np.intp], state: Any = None) -> Any:
        lit, dark = weaker_light(
            session.lit[frames, read], session.dark[frames, read], watching.led_share,
            model.sensor, rng, watching.exposure_share,
        )  # fmt: skip
        return model.run(lit, dark, state)

    watched: list[NDArray[np.float64]] = []
    awake: list[Span] = []
    begin_s = t_s[0] + WARM_UP_FRAMES / rate_hz if len(t_s) else math.inf
    while begin_s < math.inf:
        from_s = begin_s - WARM_UP_FRAMES / rate_hz
        ticks = np.flatnonzero(t_s >= from_s)
        ticks = ticks[_at_rate(t_s[ticks], rate_hz)]
        warm, asleep = np.split(ticks, [np.searchsorted(t_s[ticks], begin_s)])
        state = see(warm).state
        begin_s = math.inf
        for part in np.array_split(asleep, max(1, math.ceil(len(asleep) / _AT_ONCE))):
            run = see(part, state)
            state = run.state
            moving = np.flatnonzero(run.evidence[:, 1] - run.evidence[:, 0] >= threshold)
            seen = part[: moving[0] + 1] if len(moving) else part
            watched.append(t_s[seen])
            if len(moving):
                wake = float(t_s[seen[-1]])
                begin_s = _asleep_again(wake, session.hands, watching.hold_s)
                awake.append((wake, begin_s))
                break
    return np.concatenate([np.zeros(0), *watched]), awake


def _asleep_again(wake_s: float, hands: tuple[Span, ...], hold_s: float) -> float:
    """Seconds at which the sensor sleeps again: no hand was there for the hold time."""
    asleep = wake_s + hold_s
    for start, end in sorted(hands):
        if start <= asleep and end >= wake_s:
            asleep = max(asleep, end + hold_s)
    return asleep


def measure_wake_up(
    sensor: Sensor,
    sessions: Iterable[WatchedSession],
    rng: np.random.Generator,
    watching: Watching | None = None,
) -> WakeUpCounts:
    """Run the watching stage over recorded sessions and count misses and false wakes.

    Parameters
    ----------
    sensor : Sensor
        The setting of the recordings.
    sessions : iterable of WatchedSession
        Taken one after another, so that they need not fit into memory together. Nothing of the
        watching stage is learned, so every participant may be among them.
    rng : numpy.random.Generator
        For the noise of the weaker light.
    watching : Watching, optional
        The watching state; the usual one by default.

    Returns
    -------
    WakeUpCounts
        An arrival counts as missed when the sensor sleeps from its start to its end.

    Notes
    -----
    Time is counted in watching frames, so that a gap in the recording is no time. The first of an
    empty stretch is compared with one before the stretch, so it is left out.
    """
    watching = watching or Watching()
    rate_hz, n_rows = watching.rate_hz, min(watching.n_rows, sensor.n_rows)
    model = watching_model(replace(sensor, n_rows=n_rows), n_rows)  # no row that is not read
    arrivals = false = n_watched = 0
    delays: list[float] = []
    for session in sessions:
        watched, awake = _watch(model, session, watching, rng)
        for start, end in session.hands:
            arrivals += 1
            met = [wake for wake, asleep in awake if wake <= end and start <= asleep]
            delays += [max(0.0, met[0] - start)] if met else []
        for start, end in session.empty:
            settled = start + 1.0 / rate_hz
            n_watched += int(np.count_nonzero((watched >= settled) & (watched <= end)))
            false += sum(settled <= wake <= end for wake, _ in awake)
    return WakeUpCounts(
        arrivals, arrivals - len(delays), false, n_watched / rate_hz / 3600.0,
        watching.n_rows, rate_hz, watching.led_share, watching.exposure_share, tuple(delays),
    )  # fmt: skip
