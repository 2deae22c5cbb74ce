"""Mains flicker at another moment: what ambient light was there when no dark exposure was made.

Lamps flicker at twice the frequency of the mains, faster than frame pairs follow each other. In the
dark exposures the flicker is seen folded down; at the true times of the exposures it is a sinusoid
all the same, whose cosine and sine are fitted around each frame pair beside a straight line, for
each pattern of the ambient light by itself: lamps stand elsewhere than windows. From these follows
the light at a moment near by, and over a shorter exposure, which flickers more: a mean over T of a
sinusoid is ``sin(w T / 2) / (w T / 2)`` of it.

Where the frame rate folds the flicker onto a steady level nothing is found
(`capture.measure.flicker`), and the light stays as it is. Harmonics of the flicker are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.measure.flicker import find_flicker, folded_hz

__all__ = ["Flicker", "fit_flicker"]

Floats = npt.NDArray[np.float64]

_LEAST_FRAMES, _MOST_FRAMES = 33, 129
"""Around each frame pair: about a second, in which a hand covers a lamp or does not."""
_CYCLES = 4.0
"""Of the folded flicker, at least, so that slow movement is not taken for it."""
_LEAST_SEEN = 0.1
"""Of a sinusoid's amplitude; what an exposure evens out more cannot be followed to a shorter."""


@dataclass(frozen=True, slots=True, eq=False)
class Flicker:
    """Flicker of a stretch of frame pairs, in the patterns of its ambient light.

    Parameters
    ----------
    hz : float
    cosine, sine : float64 array, shape (n_frames, n_patterns)
        Amplitudes around each frame pair, as exposures of `exposure_us` show them.
    start_us : float64 array, shape (n_frames,)
        When the dark exposures began that it was fitted to, on the clock of `cosine` and `sine`.
    exposure_us : float
    """

    hz: float
    cosine: Floats
    sine: Floats
    start_us: Floats
    exposure_us: float

    def at(self, start_us: Floats, exposure_us: float) -> Floats:
        """Return the flicker's part of exposures, shape (n_frames, n_patterns).

        Parameters
        ----------
        start_us : float64 array, shape (n_frames,)
            When each begins, on the clock of the frame pairs' first.
        exposure_us : float
            How long they are.
        """
        angle = 2e-6 * np.pi * self.hz * (start_us + exposure_us / 2.0)
        seen = _mean_of_wave(self.hz, exposure_us) / _mean_of_wave(self.hz, self.exposure_us)
        wave = np.cos(angle)[:, None] * self.cosine + np.sin(angle)[:, None] * self.sine
        return np.asarray(seen * wave)


def fit_flicker(
    shares: Floats,
    level: Floats,
    start_us: npt.NDArray[np.int64],
    exposure_us: float,
    rate_hz: float,
) -> Flicker | None:
    """Fit the flicker of a stretch of dark exposures; None where there is none to be seen.

    Parameters
    ----------
    shares : float64 array, shape (n_frames, n_patterns)
        How much of each pattern of light each dark exposure holds.
    level : float64 array, shape (n_frames,)
        Mean of each dark exposure, counts.
    start_us : int64 array, shape (n_frames,)
        When each began, microseconds.
    exposure_us : float
        How long each was.
    rate_hz : float
        Frame pairs per second.
    """
    hz = find_flicker(level, start_us, rate_hz).frequency_hz
    if hz is None or _mean_of_wave(hz, exposure_us) < _LEAST_SEEN:
        return None
    from_first = (start_us - start_us[0]).astype(np.float64)
    angle = 2e-6 * np.pi * hz * (from_first + exposure_us / 2.0)
    waves = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    wanted = math.ceil(_CYCLES * rate_hz / max(folded_hz(hz, rate_hz), 1e-9))
    n_around = min(max(wanted, _LEAST_FRAMES), _MOST_FRAMES, len(shares))
    fitted = _fits_around(waves, shares, n_around)
    return Flicker(hz, fitted[:, 0], fitted[:, 1], from_first, exposure_us)


def _fits_around(waves: Floats, shares: Floats, n_around: int) -> Floats:
    """Return amplitudes (n_frames, 2, n_patterns) of waves fitted around each frame."""
    n_frames = len(shares)
    first = np.clip(np.arange(n_frames) - n_around // 2, 0, n_frames - n_around)
    # One fit for each place of the window; those near the ends share the outermost one.
    places, of_frame = np.unique(first, return_inverse=True)
    line = np.linspace(-1.0, 1.0, n_around)
    weight = np.hanning(n_around + 2)[1:-1]
    found = np.empty((len(places), 2, shares.shape[1]))
    for i, place in enumerate(places):
        part = slice(place, place + n_around)
        columns = np.column_stack([waves[part], np.ones(n_around), line])
        weighted = columns * weight[:, None]
        normal = weighted.T @ columns + 1e-9 * weight.sum() * np.eye(4)
        found[i] = np.linalg.solve(normal, weighted.T @ shares[part])[:2]
    return found[of_frame]


def _mean_of_wave(hz: float, exposure_us: float) -> float:
    """Return how much of a sinusoid's amplitude its mean over an exposure keeps."""
    return float(np.sinc(hz * exposure_us * 1e-6))
