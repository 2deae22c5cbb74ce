"""What must hold before the first cue: sensor, light, headroom, a hand in view, the disk."""

from __future__ import annotations

import shutil
import time
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.cues.energy import EnergyMeter
from capture.cues.labels import Event
from capture.cues.script import Script, schedule
from capture.frames import FrameBlock, FramePair
from capture.lead.missed import moved
from capture.measure.quality import MAX_DROPPED, MAX_SATURATED, Quality, measure
from capture.measure.signs import SATURATED_SHARE
from runtime.sensor import Sensor

__all__ = ["Check", "ReadinessChecks", "session_bytes"]

_LOOK_BACK_S = 4.0
_MOST_PAIRS = 512
_HEARD_S = 1.0
_SURE = 3.0  # standard errors by which lit must be above dark
_AS_LONG_AGAIN = 2  # pauses and cues that are given again


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that must hold.

    Parameters
    ----------
    name : str
        ``sensor``, ``light``, ``headroom``, ``hand`` or ``disk``.
    holds : bool or None
        None while it is not known yet.
    text : str
        What was found, and where it does not hold what to do.
    """

    name: str
    holds: bool | None
    text: str


def session_bytes(sensor: Sensor, script: Script) -> int:
    """Return the most that a session of a script takes on the disk, uncompressed, bytes."""
    seconds = schedule(script, 0)[-1].end_us / 1e6 + script.lead_in_s
    pair = 2 * 2 * sensor.n_rows * sensor.n_cols + 64  # counts of 16 bits, and the head
    return round(_AS_LONG_AGAIN * seconds * sensor.frame_rate_hz * pair)


class ReadinessChecks:
    """Looks at the frame pairs of the last four seconds.

    Parameters
    ----------
    sensor : Sensor
        As it is set.
    script : Script
        What is to be recorded.
    out : Path
        Folder where it is to be written.
    """

    def __init__(self, sensor: Sensor, script: Script, out: Path) -> None:
        self._sensor, self._out = sensor, out
        self._n_bytes = session_bytes(sensor, script)
        n_pairs = min(_MOST_PAIRS, max(8, round(_LOOK_BACK_S * sensor.frame_rate_hz)))
        self._pairs: deque[FramePair] = deque(maxlen=n_pairs)
        self._energy: deque[float] = deque(maxlen=n_pairs)
        self._meter = EnergyMeter()
        self._heard_s = time.monotonic()
        self._hand_seen = False

    def add(self, pair: FramePair) -> float:
        """Take the next frame pair; return its readout energy, counts."""
        self._heard_s = time.monotonic()
        if self._pairs and pair.sequence <= self._pairs[-1].sequence:
            self._pairs.clear()  # it was started anew
            self._energy.clear()
        self._pairs.append(pair)
        energy = float(self._meter.add(pair.lit[None], pair.dark[None])[0])
        self._energy.append(energy)
        return energy

    def results(self) -> tuple[Check, ...]:
        """Return what holds now, always in the same order."""
        disk = self._disk()
        if time.monotonic() - self._heard_s > _HEARD_S or len(self._pairs) < 8:
            text = "no frame pairs come: look at the cable" if self._pairs else "nothing came yet"
            waiting = (Check(name, None, "waits for the sensor") for name in ("light", "headroom"))
            sensor = Check("sensor", False if self._pairs else None, text)
            return (sensor, *waiting, self._hand(), disk)
        block = FrameBlock.stack(list(self._pairs))
        quality = measure([block], self._sensor)
        self._look_for_hand()
        return (
            _sensor(quality),
            self._light(block, quality),
            self._headroom(block, quality),
            self._hand(),
            disk,
        )

    def _light(self, block: FrameBlock, quality: Quality) -> Check:
        full = self._sensor.saturation_counts
        over = ((block.dark >= full).mean(axis=(1, 2)) > SATURATED_SHARE).mean()
        if over > MAX_SATURATED:
            text = f"the room alone saturates {over:.0%} of the frame pairs: shade the sensor"
            return Check("light", False, text)
        level = block.lit.mean(axis=(1, 2)) - block.dark.mean(axis=(1, 2))
        error = float(level.std(ddof=1)) / np.sqrt(level.size)
        if float(level.mean()) <= _SURE * error:
            text = "lit and dark exposures are alike: the LED gives no light"
            return Check("light", False, text)
        text = f"{quality.ambient_counts:.0f} of {full} counts from the room"
        if quality.flicker_hz is not None:
            text += f", which flickers at {quality.flicker_hz:.0f} Hz"
        return Check("light", True, text)

    def _headroom(self, block: FrameBlock, quality: Quality) -> Check:
        over, full = quality.saturated_pairs_fraction, self._sensor.saturation_counts
        text = f"brightest pixel {int(block.lit.max())} of {full} counts"
        if over > MAX_SATURATED:
            text += f", saturated in {over:.0%} of the frame pairs: lower exposure or LED current"
        return Check("headroom", over <= MAX_SATURATED, text)

    def _look_for_hand(self) -> None:
        time_s = [n / self._sensor.frame_rate_hz for n in range(len(self._energy))]
        whole = Event(0.0, time_s[-1], "hand", 0)
        self._hand_seen = self._hand_seen or moved(whole, self._energy, time_s)

    def _hand(self) -> Check:
        if self._hand_seen:
            return Check("hand", True, "a movement was seen")
        return Check("hand", None, "ask for a wave of the hand over the sensor, between rests")

    def _disk(self) -> Check:
        free = shutil.disk_usage(self._out).free
        text = f"{free / 1e9:.1f} GB free, the session takes {self._n_bytes / 1e9:.2f} GB at most"
        return Check("disk", free >= self._n_bytes, text)


def _sensor(quality: Quality) -> Check:
    lost = quality.dropped_fraction
    text = f"{quality.frame_rate_hz:.1f} frame pairs a second, {lost:.1%} missing"
    if lost > MAX_DROPPED:
        text += f", at most {MAX_DROPPED:.0%} is allowed: look at the cable and the hub"
    return Check("sensor", lost <= MAX_DROPPED, text)
