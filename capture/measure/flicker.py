"""Mains flicker of the ambient light, seen in the dark exposures."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AS_A_HAND_HZ", "LONGEST_MEAN_S", "clear_rate_hz", "find_flicker", "folded_hz"]

MAINS_FLICKER_HZ = (100.0, 120.0)
"""Lamps flicker at twice the frequency of the mains, 50 or 60 Hz."""

AS_A_HAND_HZ = 6.0
"""Below it, folded flicker is as slow as hands, which go to and fro up to about five times a second
(from memory): no mean of frames parts the two, but another frame rate does."""
LONGEST_MEAN_S = 1 / 6
"""Longest mean of frames: a third of a quick movement, over which strokes are sought as well."""

_SEGMENT = 128  # frame pairs; about 4 s, in which the mains keep their phase
_MIN_RATIO = 15.0  # of power to the median of the spectrum; noise alone passes it in 1 of 30,000
_CLEAR_HZ = 1.0  # from 0, where hands move, and from half the frame rate


@dataclass(frozen=True, slots=True)
class Flicker:
    """What the dark exposures show of the mains.

    Parameters
    ----------
    frequency_hz : float or None
        Flicker that was found; None if none was.
    amplitude_counts : float
        Its amplitude in the mean dark level, counts; 0 if none was found.
    hidden_hz : tuple of float
        Frequencies that this frame rate folds onto 0 or onto half of it, so that they cannot be
        told from a steady level, or that fall together with another.
    """

    frequency_hz: float | None
    amplitude_counts: float
    hidden_hz: tuple[float, ...]


def folded_hz(frequency_hz: float, frame_rate_hz: float) -> float:
    """Frequency at which a faster one appears when it is sampled at the frame rate."""
    return abs(frequency_hz - frame_rate_hz * round(frequency_hz / frame_rate_hz))


def clear_rate_hz(frame_rate_hz: float) -> float:
    """Return the nearest frame rate at which a mean of frames takes out both mains' flicker.

    The nearest whole number of frame pairs a second, of two the lower, at which each frequency is
    folded to where no hand is, and a mean that is short enough has a frame for every condition:
    its sum, and two phases of each frequency; one pair of phases where both are folded together.

    Parameters
    ----------
    frame_rate_hz : float
        Frame pairs per second, > 0.
    """
    rates = np.arange(1, math.ceil(frame_rate_hz) + round(1 / LONGEST_MEAN_S) * 10)
    clear = [rate for rate in rates.tolist() if _is_clear(float(rate))]
    return float(min(clear, key=lambda rate: (abs(rate - frame_rate_hz), rate)))


def _is_clear(rate_hz: float) -> bool:
    places = {round(folded_hz(frequency, rate_hz), 6) for frequency in MAINS_FLICKER_HZ}
    n_frames = math.floor(LONGEST_MEAN_S * rate_hz + 1e-9)
    return min(places) >= AS_A_HAND_HZ and n_frames > 2 * len(places)


def find_flicker(
    dark_level: npt.NDArray[np.float64], time_us: npt.NDArray[np.int64], frame_rate_hz: float
) -> Flicker:
    """Look for mains flicker in the mean dark level of each frame pair.

    Parameters
    ----------
    dark_level : float64 array, shape (n_frames,)
        Mean of each dark exposure, counts.
    time_us : int64 array, shape (n_frames,)
        Device clock of each, microseconds.
    frame_rate_hz : float
        Frame pairs per second, > 0.

    Notes
    -----
    Stretches of 128 frame pairs, straightened and windowed (Hann); their mean power at the
    frequency, taken at the true times of the frames, against the median over all frequencies.
    """
    places = [folded_hz(frequency, frame_rate_hz) for frequency in MAINS_FLICKER_HZ]
    together = abs(places[0] - places[1]) < _CLEAR_HZ
    hidden = tuple(
        frequency
        for frequency, place in zip(MAINS_FLICKER_HZ, places, strict=True)
        if together or not _CLEAR_HZ <= place <= frame_rate_hz / 2 - _CLEAR_HZ
    )
    n_segments = len(dark_level) // _SEGMENT
    if n_segments == 0:
        return Flicker(None, 0.0, MAINS_FLICKER_HZ)
    levels = dark_level[: n_segments * _SEGMENT].reshape(n_segments, _SEGMENT)
    times_s = time_us[: n_segments * _SEGMENT].reshape(n_segments, _SEGMENT) * 1e-6
    number = np.arange(_SEGMENT)
    slope, offset = np.polyfit(number, levels.T, 1)
    window = np.hanning(_SEGMENT)
    windowed = (levels - offset[:, None] - slope[:, None] * number) * window

    def power(frequency_hz: float) -> float:
        turning = np.exp(-2j * np.pi * frequency_hz * (times_s - times_s[:, :1]))
        return float((np.abs((windowed * turning).sum(axis=1)) ** 2).mean())

    grid = np.linspace(_CLEAR_HZ, max(frame_rate_hz / 2 - _CLEAR_HZ, 2 * _CLEAR_HZ), 64)
    floor = float(np.median([power(frequency) for frequency in grid])) + 1e-12
    seen = {f: power(f) for f in MAINS_FLICKER_HZ if f not in hidden}
    best = max(seen, key=lambda frequency: seen[frequency], default=None)
    if best is None or seen[best] < _MIN_RATIO * floor:
        return Flicker(None, 0.0, hidden)
    return Flicker(best, 2 * float(np.sqrt(seen[best])) / float(window.sum()), hidden)
