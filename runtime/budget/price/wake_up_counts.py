"""How well the watching stage watches: arrivals missed and false wakes, counted over recordings.

Recordings are made at full light and full rate. What the watching state would have read of the
same scenes, at its own rate and its weaker light, is derived from them with the noise that the
weaker light would have left, and then the watching stage itself is run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.budget.inputs.uncertainty import Interval
from runtime.errors import FormatError, UsageError
from runtime.firmware.watching import WARM_UP_FRAMES, watching_model, watching_threshold
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
        }


def weaker_light(
    lit: Counts, dark: Counts, share: float, sensor: Sensor, rng: np.random.Generator
) -> Counts:
    """Return lit exposures as they would have been read at a share of the LED's light.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
        Exposures of one setting; where `lit` was saturated the result is too dim.
    share : float
        0 to 1.
    sensor : Sensor
        Gain, read noise and black level.
    rng : numpy.random.Generator
        Draws the noise that is added.

    Returns
    -------
    uint16 (n_frames, n_rows, n_cols)

    Notes
    -----
    With S electrons of LED light and A of everything else, the difference has variance
    S + 2 A + 2 read noise^2. Scaled by f, f^2 of it is left, where light of f S would have
    f S + 2 A + 2 read noise^2: what lacks, f (1 - f) S + (1 - f^2)(2 A + 2 read noise^2), is added.
    """
    if not 0.0 <= share <= 1.0:
        raise UsageError("weaker light", "share", share, "0 to 1")
    gain = sensor.conversion_gain_dn_per_e
    difference = lit.astype(np.float64) - dark
    led_e = np.maximum(0.0, difference) / gain
    other_e = np.maximum(0.0, dark.astype(np.float64) - sensor.black_level_counts) / gain
    floor = 2.0 * (other_e + sensor.read_noise_e**2)
    lacking = share * (1.0 - share) * led_e + (1.0 - share**2) * floor
    noise = gain * np.sqrt(lacking) * rng.standard_normal(lit.shape)
    counts = np.rint(dark + share * difference + noise)
    return np.clip(counts, 0, sensor.max_counts).astype(np.uint16)


def _at_rate(t_s: NDArray[np.float64], rate_hz: float) -> NDArray[np.intp]:
    """Indices of the frames that a slower clock would have taken."""
    if not len(t_s):
        return np.zeros(0, dtype=np.intp)
    tick = np.floor((t_s - t_s[0]) * rate_hz + 1e-6)
    return np.flatnonzero(np.diff(tick, prepend=-1.0) > 0)


def _watch(
    model: Model,
    session: WatchedSession,
    see: Callable[[Any], Counts],
    rate_hz: float,
    hold_s: float,
) -> tuple[NDArray[np.float64], list[Span]]:
    """Run the watching stage as the firmware does: what it sees while awake wakes nobody.

    Of that time only the frames are run that fill its mean of changes before the sleep.

    Returns
    -------
    watched_s : float64 (n_watched,)
        Times of the frames that the watching stage saw asleep.
    awake : list of (start_s, end_s)
        From each wake until the hand has left and the hold time is over.
    """
    t_s, dark, threshold = session.t_s, session.dark, watching_threshold(model)
    watched: list[NDArray[np.float64]] = []
    awake: list[Span] = []
    begin_s = t_s[0] + WARM_UP_FRAMES / rate_hz if len(t_s) else math.inf
    while begin_s < math.inf:
        from_s = begin_s - WARM_UP_FRAMES / rate_hz
        ticks = np.flatnonzero(t_s >= from_s)
        ticks = ticks[_at_rate(t_s[ticks], rate_hz)]
        warm, asleep = np.split(ticks, [np.searchsorted(t_s[ticks], begin_s)])
        state = model.run(see(warm), dark[warm]).state
        begin_s = math.inf
        for part in np.array_split(asleep, max(1, math.ceil(len(asleep) / _AT_ONCE))):
            run = model.run(see(part), dark[part], state)
            state = run.state
            moving = np.flatnonzero(run.evidence[:, 1] - run.evidence[:, 0] >= threshold)
            seen = part[: moving[0] + 1] if len(moving) else part
            watched.append(t_s[seen])
            if len(moving):
                wake = float(t_s[seen[-1]])
                begin_s = _asleep_again(wake, session.hands, hold_s)
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
    *,
    n_rows: int = 16,
    rate_hz: float = 5.0,
    led_share: float = 0.2,
    hold_s: float = 2.0,
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
    n_rows, rate_hz, led_share : int, float, float
        The watching state: rows read, frame pairs a second, LED current over the recordings'.
    hold_s : float
        How long the sensor stays awake after a wake: a second one meanwhile is the same one.

    Returns
    -------
    WakeUpCounts
        An arrival counts as missed when the sensor sleeps from its start to its end.

    Notes
    -----
    Time is counted in watching frames, so that a gap in the recording is no time. The first of an
    empty stretch is compared with one before the stretch, so it is left out.
    """
    model = watching_model(sensor, n_rows)
    arrivals = missed = false = n_watched = 0
    for session in sessions:

        def see(frames: Any, session: WatchedSession = session) -> Counts:
            return weaker_light(session.lit[frames], session.dark[frames], led_share, sensor, rng)

        watched, awake = _watch(model, session, see, rate_hz, hold_s)
        for start, end in session.hands:
            arrivals += 1
            missed += not any(wake <= end and start <= asleep for wake, asleep in awake)
        for start, end in session.empty:
            settled = start + 1.0 / rate_hz
            n_watched += int(np.count_nonzero((watched >= settled) & (watched <= end)))
            false += sum(settled <= wake <= end for wake, _ in awake)
    hours = n_watched / rate_hz / 3600.0
    return WakeUpCounts(arrivals, missed, false, hours, n_rows, rate_hz, led_share)
