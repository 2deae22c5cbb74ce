"""What a recorded session is worth: drops, timing, saturation, levels, and a plain verdict."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np

from capture.cues.labels import GOOD, Event
from capture.frames import FrameBlock
from capture.measure.flicker import find_flicker
from capture.measure.led import LedStability, LedWatch
from capture.measure.signs import SATURATED_SHARE
from capture.measure.unread import unread_s
from capture.store.session import Session
from capture.store.source_truth import session_truth
from runtime.errors import Error
from runtime.sensor import Sensor

__all__ = ["Quality", "measure", "quality_faults", "session_quality"]

# What a session may show and still be trained on: common practice, no source.
MAX_DROPPED = 0.01
# A hand that comes close saturates for a moment; light or exposure set wrong, most of the time.
MAX_SATURATED = 0.25
MAX_JITTER = 0.2
# 20 K of warming: infrared LEDs give about 0.5 % less for each kelvin (data sheets, from memory).
MAX_LED_DRIFT = 0.10
MAX_LED_RMS = 0.05


@dataclass(frozen=True, slots=True)
class Quality:
    """Figures of one session.

    Parameters
    ----------
    n_pairs : int
        Frame pairs recorded.
    duration_s : float
        First to last, seconds of the device's clock.
    n_dropped : int
        Frame pairs missing between the first and the last, but for lost connections.
    frame_rate_hz : float
        Measured between neighbouring frame pairs; 0 with fewer than two.
    jitter_us : float
        Standard deviation of the time between neighbouring frame pairs, microseconds.
    n_gaps : int
        Lost connections that the recorder noted; the cues they touched were given again.
    gap_s : float
        How long they lasted together, seconds.
    n_clock_falls : int
        Frame pairs whose time is not after the one before.
    saturated_fraction : float
        Share of all lit pixels that are saturated (`Sensor.saturation_counts`).
    saturated_pairs_fraction : float
        Share of the frame pairs in which more than 1 % of the lit pixels are.
    mean_lit_counts, mean_dark_counts : float
        Mean levels, counts.
    ambient_counts : float
        Dark level above the sensor's black level, counts.
    level_drift : float
        Mean lit minus dark in the last tenth of the session against the first tenth, as a share;
        hand and LED together.
    led_drift : float or None
        Change of the LED's light from start to end, as a share, movement left out
        (`capture.measure.led`); None if the session is too short to tell.
    led_drift_error : float
        Standard error of `led_drift`.
    led_rms : float or None
        Variation of the LED's light from pulse to pulse, as a share, with what a hand trembled;
        None likewise.
    led_rms_error : float
        Standard error of `led_rms`.
    flicker_hz : float or None
        Mains flicker seen in the dark exposures; None if none is.
    flicker_counts : float
        Its amplitude in the mean dark level, counts.
    flicker_hidden_hz : tuple of float
        Mains flicker that this frame rate cannot show.
    n_takes, n_rejected : int
        Labelled takes that are good, and those that are not.
    unread_fraction : float
        Share of the good takes' time that has no readouts: they end early, or frame pairs are
        missing there.
    apertures : tuple of str
        Where the sensor's apertures are; empty where it has one over the whole array.
    baseline_mm : float or None
        From the first aperture to the second; None likewise.
    temperature_c : (float, float) or None
        Coldest and warmest that the sensor said it was; None where it said nothing or has one
        aperture.
    lit : bool
        Whether the LED was on; else nothing is said of it, and `level_drift` is 0.
    n_sources : int or None
        Sources of light whose places are known (`capture.store.source_truth`); None without.
    """

    n_pairs: int
    duration_s: float
    n_dropped: int
    frame_rate_hz: float
    jitter_us: float
    saturated_fraction: float
    mean_lit_counts: float
    mean_dark_counts: float
    ambient_counts: float
    level_drift: float
    saturated_pairs_fraction: float = 0.0
    n_gaps: int = 0
    gap_s: float = 0.0
    n_clock_falls: int = 0
    led_drift: float | None = None
    led_drift_error: float = 0.0
    led_rms: float | None = None
    led_rms_error: float = 0.0
    flicker_hz: float | None = None
    flicker_counts: float = 0.0
    flicker_hidden_hz: tuple[float, ...] = ()
    n_takes: int = 0
    n_rejected: int = 0
    unread_fraction: float = 0.0
    apertures: tuple[str, ...] = ()
    baseline_mm: float | None = None
    temperature_c: tuple[float, float] | None = None
    n_sources: int | None = None
    lit: bool = True

    @property
    def dropped_fraction(self) -> float:
        """Share of the frame pairs sent that are missing."""
        return self.n_dropped / max(1, self.n_pairs + self.n_dropped)

    def to_json(self) -> dict[str, object]:
        """Return the figures as plain JSON values."""
        return dataclasses.asdict(self) | {"dropped_fraction": self.dropped_fraction}


def measure(
    blocks: Iterable[FrameBlock],
    sensor: Sensor,
    gaps_after: Collection[int] = (),
    takes: Collection[Event] = (),
) -> Quality:
    """Return the figures of a stream of readouts, in bounded memory.

    Parameters
    ----------
    blocks : iterable of FrameBlock
        In order.
    sensor : Sensor
        What recorded them.
    gaps_after : collection of int
        Sequence of the last frame pair before each lost connection.
    takes : collection of Event
        Labelled ones that are good.
    """
    sequences, times, lit_levels, dark_levels, saturated_shares = [], [], [], [], []
    watch = LedWatch(sensor)
    for block in blocks:
        sequences.append(block.sequence)
        times.append(block.time_us)
        lit_levels.append(block.lit.mean(axis=(1, 2)))
        dark_levels.append(block.dark.mean(axis=(1, 2)))
        saturated_shares.append((block.lit >= sensor.saturation_counts).mean(axis=(1, 2)))
        watch.add(block)
    if not sequences:
        unread = float(bool(takes))
        none = Quality(0, 0.0, 0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        return dataclasses.replace(none, n_takes=len(takes), unread_fraction=unread)
    sequence, time_us = np.concatenate(sequences), np.concatenate(times)
    lit, dark = np.concatenate(lit_levels), np.concatenate(dark_levels)
    saturated = np.concatenate(saturated_shares)
    steps, steps_us = np.diff(sequence), np.diff(time_us).astype(np.float64)
    lost = np.isin(sequence[:-1], list(gaps_after)) & (steps > 1)
    gap_s = float(steps_us[lost].sum()) / 1e6
    steps_us = steps_us[steps == 1]
    level = lit - dark
    tenth = max(1, len(level) // 10)
    first, last = float(level[:tenth].mean()), float(level[-tenth:].mean())
    rising_us = steps_us[steps_us > 0]
    frame_rate_hz = 1e6 / float(rising_us.mean()) if rising_us.size else 0.0
    on = sensor.led_current_ma > 0.0
    led = watch.result() if on else LedStability(None, 0.0, None, 0.0)
    flicker = find_flicker(dark, time_us, frame_rate_hz or sensor.frame_rate_hz)
    missing_s, asked_s = unread_s(takes, sequence, time_us, sensor.frame_period_us)
    return Quality(
        n_pairs=len(sequence),
        duration_s=float(time_us[-1] - time_us[0]) / 1e6,
        n_dropped=int((steps[~lost] - 1).sum()),
        frame_rate_hz=frame_rate_hz,
        jitter_us=float(steps_us.std()) if steps_us.size else 0.0,
        saturated_fraction=float(saturated.mean()),
        mean_lit_counts=float(lit.mean()),
        mean_dark_counts=float(dark.mean()),
        ambient_counts=float(dark.mean()) - sensor.black_level_counts,
        level_drift=last / first - 1.0 if first and on else 0.0,
        saturated_pairs_fraction=float((saturated > SATURATED_SHARE).mean()),
        n_gaps=int(np.count_nonzero(lost)),
        gap_s=gap_s,
        n_clock_falls=int(np.count_nonzero(np.diff(time_us) <= 0)),
        led_drift=led.drift,
        led_drift_error=led.drift_error,
        led_rms=led.rms,
        led_rms_error=led.rms_error,
        flicker_hz=flicker.frequency_hz,
        flicker_counts=flicker.amplitude_counts,
        flicker_hidden_hz=flicker.hidden_hz,
        n_takes=len(takes),
        unread_fraction=missing_s / asked_s if asked_s else 0.0,
        lit=on,
    )


def session_quality(session: Session, blocks: Iterable[FrameBlock] | None = None) -> Quality:
    """Return the figures of a session and its labels.

    Parameters
    ----------
    blocks : iterable of FrameBlock, optional
        Its readouts, where somebody else looks at them too; read here without.
    """
    takes = [event for event in session.events if event.status == GOOD]
    sensor = session.sensor
    several = len(sensor.apertures) > 1
    return dataclasses.replace(
        measure(blocks or session.blocks(), sensor, _gaps_after(session), takes),
        n_rejected=len(session.events) - len(takes),
        apertures=tuple(str(each) for each in sensor.apertures) if several else (),
        baseline_mm=sensor.baseline_mm() if several else None,
        temperature_c=_temperature_c(session) if several else None,
        n_sources=_n_sources(session),
    )


def _temperature_c(session: Session) -> tuple[float, float] | None:
    said = [entry.get("temperature_c") for entry in session.journal("/status")]
    known = [float(each) for each in said if isinstance(each, int | float)]
    return (min(known), max(known)) if known else None


def _n_sources(session: Session) -> int | None:
    try:
        truth = session_truth(session.path)
    except Error:  # told with what is wrong in the data set
        return None
    return None if truth is None else len(truth.sources)


def _gaps_after(session: Session) -> set[int]:
    found = (entry.get("after_sequence") for entry in session.journal("/gaps"))
    return {n for n in found if isinstance(n, int) and 0 <= n < 2**32}


def quality_faults(quality: Quality, sensor: Sensor) -> tuple[str, ...]:
    """Return why a session is not fit for training; empty if it is."""
    reasons = []
    if quality.n_pairs == 0:
        return ("it holds no frame pair: ended before the first came, its files may be deleted",)
    if quality.n_takes == 0:
        reasons.append("it has no good take")
    if quality.dropped_fraction > MAX_DROPPED:
        reasons.append(
            f"{quality.dropped_fraction:.1%} of the frame pairs are missing, at most "
            f"{MAX_DROPPED:.0%} is allowed"
        )
    if quality.unread_fraction > MAX_DROPPED:
        reasons.append(
            f"{quality.unread_fraction:.1%} of the takes' time has no frame pairs, at most "
            f"{MAX_DROPPED:.0%} is allowed"
        )
    if quality.saturated_pairs_fraction > MAX_SATURATED:
        reasons.append(
            f"lit pixels are saturated in {quality.saturated_pairs_fraction:.0%} of the frame "
            f"pairs, at most {MAX_SATURATED:.0%} is allowed"
        )
    if quality.n_clock_falls:
        reasons.append(f"the sensor's clock does not rise at {quality.n_clock_falls} frame pairs")
    if quality.jitter_us > MAX_JITTER * sensor.frame_period_us:
        reasons.append(
            f"the time between frame pairs varies by {quality.jitter_us:.0f} us, at most "
            f"{MAX_JITTER:.0%} of the frame period is allowed"
        )
    # Twice the error, so that a session is not refused for a hand that was elsewhere at its end.
    if (
        quality.led_drift is not None
        and abs(quality.led_drift) - 2.0 * quality.led_drift_error > MAX_LED_DRIFT
    ):
        reasons.append(
            f"the LED's light changed by {quality.led_drift:+.0%} from start to end, at most "
            f"{MAX_LED_DRIFT:.0%} is allowed"
        )
    if quality.led_rms is not None and (
        quality.led_rms - 2.0 * quality.led_rms_error > MAX_LED_RMS
    ):
        reasons.append(
            f"the LED's light varies by {quality.led_rms:.1%} rms from pulse to pulse, at most "
            f"{MAX_LED_RMS:.0%} is allowed"
        )
    return tuple(reasons)
