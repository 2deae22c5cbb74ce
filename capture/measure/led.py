"""How steady the LED is, estimated from an ordinary session in which a hand moves.

Lit minus dark is the LED's light as it comes back: a steady part, from the cover and whatever lies
still, and the hand's, both in proportion to what the LED gives out. A hand changes the pattern of
the readout, the LED only its scale.

*Drift* is therefore measured along the one pattern that movement leaves alone. Readouts are binned
to at most 16 by 16 values; C is the second moment of their changes over 64 frame pairs, m their
mean. The weights ``w = C^-1 m / (m' C^-1 m)`` answer to a change of scale with 1 and to movement as
little as any weights can (minimum variance at unit response: Capon, "High-resolution
frequency-wavenumber spectrum analysis", Proceedings of the IEEE 57(8), 1969; from memory). A change
slower than 64 frame pairs is not in C, so that it is not suppressed. Drift is the slope over ten
stretches of the session, each the median of its weighted readouts (Theil and Sen: the median of the
slopes between all pairs of stretches), and its error what their scatter about the line allows.

*Rms* from pulse to pulse is measured where the hand is stillest: the second difference of three
neighbouring readouts along the part of their pattern that the dark exposures do not share, in the
tenth of the session in which the first and the third differ least and nothing is saturated; photon
and read noise, as the sensor states them, are taken off. Pixels with much dark signal of their own
are left out: it does not flicker as the lamps do, so that a few of them would stand for the pattern
of the dark exposures. What a hand still trembles stays in it: the LED itself varies no more than
that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.frames import Counts, FrameBlock
from runtime.sensor import Sensor

__all__ = ["LedStability", "LedWatch"]

Floats = npt.NDArray[np.float64]

_MAX_BINS = 16  # down and across
_LAG = 64  # frame pairs; about two seconds, one movement
_MEAN_OF = 16  # frame pairs that are averaged and kept
_STRETCHES = 10
_STILLEST = 0.1
_PAIRS_A_VALUE = 4
"""Frame pairs for each binned value, below which C is too poorly known."""
_MAD_TO_SIGMA = 1.4826  # of a normal distribution
_FAR_OUT = 3.0
"""Spans between the quartiles, above the upper one: "far out" (J. W. Tukey, Exploratory Data
Analysis, 1977, section 2D, from memory)."""


@dataclass(frozen=True, slots=True)
class LedStability:
    """What a session says of the LED, as shares of its mean light.

    Parameters
    ----------
    drift : float or None
        Change from the first to the last frame pair; None if the session is too short to tell.
    drift_error : float
        Standard error of the drift.
    rms : float or None
        Variation from pulse to pulse, with what a hand trembled; None if the session has no three
        readouts on end.
    rms_error : float
        Standard error of the rms.
    """

    drift: float | None
    drift_error: float
    rms: float | None
    rms_error: float


class LedWatch:
    """Takes a session's readouts in order and estimates how steady the LED was.

    Parameters
    ----------
    sensor : Sensor
        What recorded them; its gain and read noise say how much of the variation is noise.

    Notes
    -----
    Holds a matrix of 256 by 256, 64 binned readouts, and for an hour at 60 frame pairs a second
    about 35 MB of averages.
    """

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor
        self._rows, self._cols = (_bin_starts(n) for n in (sensor.n_rows, sensor.n_cols))
        n_values = len(self._rows) * len(self._cols)
        self._changes = np.zeros((n_values, n_values))
        self._recent = np.zeros((0, n_values))
        self._means: list[Floats] = []
        self._triples: list[Floats] = []
        self._n_pairs = 0

    def add(self, block: FrameBlock) -> None:
        """Take the next frame pairs."""
        light = block.lit.astype(np.float64) - block.dark
        binned = np.add.reduceat(np.add.reduceat(light, self._rows, 1), self._cols, 2)
        values = np.concatenate((self._recent, binned.reshape(len(block), -1)))
        changes = values[_LAG:] - values[:-_LAG]
        self._changes += changes.T @ changes
        new = values[len(self._recent) :]
        self._means += [new[i : i + _MEAN_OF].mean(axis=0) for i in range(0, len(new), _MEAN_OF)]
        self._recent = values[-_LAG:]
        self._n_pairs += len(block)
        if len(block) >= 3:
            self._triples.append(self._second_differences(block, light))

    def _second_differences(self, block: FrameBlock, light: Floats) -> Floats:
        """Return for three neighbours each: change of scale, movement, variance of noise."""
        steps = np.diff(block.sequence) == 1
        clear = block.lit.max(axis=(1, 2)) < self._sensor.saturation_counts
        whole = steps[:-1] & steps[1:] & clear[:-2] & clear[1:-1] & clear[2:]
        usual = _not_far_out(block.dark.reshape(len(light), -1))
        flat = light.reshape(len(light), -1)[:, usual]
        middle, bend = flat[1:-1][whole], (flat[:-2] - 2.0 * flat[1:-1] + flat[2:])[whole]
        black, gain = self._sensor.black_level_counts, self._sensor.conversion_gain_dn_per_e
        dark = block.dark.reshape(len(light), -1)[:, usual].astype(np.float64) - black
        # Light that flickers is another in the lit and the dark exposure: what has the pattern of
        # the dark exposures says nothing of the LED. The LED's pattern is that of the whole block,
        # since a single readout would answer to its own noise.
        ambient = (dark[:-2] + dark[1:-1] + dark[2:])[whole]
        pattern = flat.mean(axis=0)
        share = ambient @ pattern / ((ambient**2).sum(axis=1) + 1e-9)
        own = pattern - share[:, None] * ambient
        answer = (middle * own).sum(axis=1)
        scale = (bend * own).sum(axis=1) / np.where(np.abs(answer) > 1e-9, answer, np.inf)
        # Both of these are orthogonal to the second difference: what LED and noise do to them is
        # independent of it, so that choosing by them does not choose small or large values.
        across, total = (flat[2:] - flat[:-2])[whole], (flat[2:] + flat[1:-1] + flat[:-2])[whole]
        moved = (across**2).sum(axis=1) / ((total**2).sum(axis=1) + 1e-9)
        # Shot noise, K times the counts, with read noise and rounding, of both exposures.
        counts = np.maximum(middle + 2.0 * dark[1:-1][whole], 0.0)
        noise = gain * counts + 2.0 * ((gain * self._sensor.read_noise_e) ** 2 + 1.0 / 12.0)
        floor = (own**2 * noise).sum(axis=1) / np.maximum(answer**2, 1e-9)
        return np.stack((scale, moved, floor))

    def result(self) -> LedStability:
        """Return the estimate from the readouts so far."""
        return LedStability(*self._drift(), *self._rms())

    def _rms(self) -> tuple[float | None, float]:
        scale, moved, noise = np.concatenate([np.zeros((3, 0)), *self._triples], axis=1)
        if not scale.size:
            return None, 0.0
        still = np.argsort(moved, kind="stable")[: max(1, round(_STILLEST * scale.size))]
        # The second difference of independent values has six times their variance.
        variance = (_MAD_TO_SIGMA * float(np.median(np.abs(scale[still])))) ** 2 / 6.0
        rms = math.sqrt(max(0.0, variance - float(np.median(noise[still]))))
        # Of a variance from the median absolute deviation, relative: 2 * 1.17 / sqrt(n) for a
        # normal distribution; neighbouring differences share readouts and count half.
        error = variance * 2.0 * 1.17 / math.sqrt(still.size / 2.0)
        return rms, math.sqrt(rms**2 + error) - rms

    def _drift(self) -> tuple[float | None, float]:
        n_values = len(self._changes)
        if self._n_pairs < max(_PAIRS_A_VALUE * n_values, 2 * _LAG * _STRETCHES // 2):
            return None, 0.0
        means = np.array(self._means)
        mean = means.mean(axis=0)
        # A hair of the mean on the diagonal, so that values that never change can be solved for.
        ridge = 1e-9 * (np.trace(self._changes) / n_values + 1.0)
        weights = np.linalg.solve(self._changes + ridge * np.eye(n_values), mean)
        answer = float(weights @ mean)
        if answer <= 0.0:  # no light comes back
            return None, 0.0
        shares = means @ weights / answer
        levels = np.array([np.median(part) for part in np.array_split(shares, _STRETCHES)])
        levels /= np.median(levels)
        places = (np.arange(_STRETCHES) + 0.5) / _STRETCHES
        first, last = np.triu_indices(_STRETCHES, 1)
        drift = float(np.median((levels[last] - levels[first]) / (places[last] - places[first])))
        scatter = float(np.std(levels - drift * places, ddof=2))
        # Standard error of a slope over evenly spread places on a line of length 1.
        return drift, scatter * math.sqrt(12.0 / _STRETCHES)


def _not_far_out(dark: Counts) -> npt.NDArray[np.bool_]:
    """Return which pixels' dark exposures, (n, n_pixels), are not far above those of the others."""
    level = dark.mean(axis=0)
    lower, upper = np.quantile(level, (0.25, 0.75))
    return np.asarray(level <= upper + _FAR_OUT * (upper - lower))


def _bin_starts(n: int) -> npt.NDArray[np.int64]:
    """Return where each of at most 16 bins of nearly equal size begins."""
    n_bins = min(n, _MAX_BINS)
    return np.arange(n_bins) * n // n_bins
