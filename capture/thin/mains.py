"""Mains flicker at another moment: what ambient light was there when no dark exposure was made.

Lamps flicker at twice the frequency of the mains, faster than frame pairs follow each other. In the
dark exposures the flicker is seen folded down; at the true times of the exposures it is a sinusoid
all the same. Its cosine and sine are fitted around each frame pair beside a straight line, in each
pattern of the ambient light. Depth and phase of a lamp last, while a hand that moves gives some
amplitude for a moment; so that of a stretch's fits two things are kept: one depth that all patterns
share, at whatever light there is at each frame pair, and what each pattern has beside it, since
lamps stand elsewhere than windows. Frame pairs count the less the more there is at two neighbouring
frequencies, at which nothing flickers, and what is found is shrunk towards nothing by the share of
its power that those have too (as in Wiener's filter), so that there need be no threshold.

The frequency is turned to where the phase stands still. From it all follows the light at a moment
near by, and over a shorter exposure, which flickers more: a mean over T of a sinusoid is
``sin(w T / 2) / (w T / 2)`` of it. Where the frame rate folds the flicker onto slow movement, or an
exposure is about as long as its period, the light stays as it is. Harmonics are left out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from capture.measure.flicker import MAINS_FLICKER_HZ, folded_hz

__all__ = ["Flicker", "fit_flicker"]

Floats = npt.NDArray[np.float64]

_LEAST_FRAMES, _MOST_FRAMES = 33, 97
"""Around each frame pair: about a second, in which a hand covers a lamp or does not."""
_CYCLES = 4.0
"""Of the folded flicker around a frame pair, at least: a hand moves to and fro less often."""
_APART = 4.0
"""Cycles between a frequency and its neighbours: twice the half width of a Hann window's answer."""
_TURNS = 2
"""Of the frequency; the second rights what the first, of a poor fit, left."""
_MOST_OFF_HZ = 1.0
"""Mains may be half a hertz off, lamps twice that."""
_LEAST_SEEN = 0.1
"""Of a sinusoid's amplitude; what an exposure evens out more cannot be followed to a shorter."""


@dataclass(frozen=True, slots=True, eq=False)
class Flicker:
    """Flicker of a stretch of frame pairs, in the patterns of its ambient light.

    Parameters
    ----------
    hz : float
    depth : float64 array, shape (n_frames, 2)
        Of cosine and sine, as a share of the ambient light, as exposures of `exposure_us` show it.
    beside : float64 array, shape (2, n_patterns)
        What each pattern flickers beside that.
    steady : float64 array, shape (n_frames, n_patterns)
        The ambient light without its flicker.
    start_us : float64 array, shape (n_frames,)
        When the dark exposures began that it was fitted to, from the first of them.
    exposure_us : float
    """

    hz: float
    depth: Floats
    beside: Floats
    steady: Floats
    start_us: Floats
    exposure_us: float

    @classmethod
    def blank(cls, hz: float, start_us: Floats, exposure_us: float) -> Flicker:
        """Return flicker of a frequency of which nothing is known yet."""
        none = np.zeros((len(start_us), 0))
        return cls(hz, np.zeros((len(start_us), 2)), np.zeros((2, 0)), none, start_us, exposure_us)

    @property
    def power(self) -> float:
        """Mean over frames of its square, over all patterns."""
        share = (self.depth**2).sum(axis=1) @ (self.steady**2).sum(axis=1)
        return float(share / len(self.depth) + (self.beside**2).sum())

    def at(self, start_us: Floats, exposure_us: float) -> Floats:
        """Return the flicker's part of exposures, shape (n_frames, n_patterns).

        Parameters
        ----------
        start_us : float64 array, shape (n_frames,)
            When each begins, from the start of the first dark exposure.
        exposure_us : float
            How long they are.
        """
        waves = _waves(self.hz, start_us + exposure_us / 2.0)
        seen = _mean_of_wave(self.hz, exposure_us) / _mean_of_wave(self.hz, self.exposure_us)
        share = (waves * self.depth).sum(axis=1, keepdims=True)
        return np.asarray(seen * (share * self.steady + waves @ self.beside))


def fit_flicker(
    shares: Floats, start_us: npt.NDArray[np.int64], exposure_us: float, rate_hz: float
) -> Flicker | None:
    """Fit the flicker of a stretch of dark exposures; None where it cannot be seen.

    Parameters
    ----------
    shares : float64 array, shape (n_frames, n_patterns)
        How much of each pattern of light each dark exposure holds.
    start_us : int64 array, shape (n_frames,)
        When each began, microseconds.
    exposure_us : float
        How long each was.
    rate_hz : float
        Frame pairs per second.
    """
    from_first = (start_us - start_us[0]).astype(np.float64)
    best = None
    for hz in MAINS_FLICKER_HZ:
        folded = folded_hz(hz, rate_hz)
        n_around = max(_LEAST_FRAMES, math.ceil(_CYCLES * rate_hz / max(folded, 1e-9)))
        n_most = min(_MOST_FRAMES, len(shares))
        if n_around > n_most or _mean_of_wave(hz, exposure_us) < _LEAST_SEEN:
            continue
        found = _fit(shares, Flicker.blank(hz, from_first, exposure_us), n_around, rate_hz)
        for _ in range(_TURNS):
            turned = replace(found, hz=_turned_hz(found, hz))
            found = _fit(shares, turned, n_around, rate_hz)
        if found.power > (0.0 if best is None else best.power):
            best = found
    return best


def _fit(shares: Floats, at: Flicker, n_around: int, rate_hz: float) -> Flicker:
    """Fit flicker of a given frequency, over windows of so many frame pairs."""
    middle_us, apart_hz = at.start_us + at.exposure_us / 2.0, _APART * rate_hz / n_around
    around = [
        _fits_around(_waves(hz, middle_us), shares, n_around)
        for hz in (at.hz, at.hz + apart_hz, at.hz - apart_hz)
    ]
    depth, beside = _lasting([(fits[:, :2], fits[:, 2]) for fits in around])
    waves = _waves(at.hz, middle_us)
    steady = (shares - waves @ beside) / (1.0 + (waves * depth).sum(axis=1))[:, None]
    return replace(at, depth=depth, beside=beside, steady=steady)


def _turned_hz(found: Flicker, nominal_hz: float) -> float:
    """Return the frequency at which the flicker's phase stands still: mains are never quite it."""
    phasor = found.depth[:, 0] - 1j * found.depth[:, 1]
    turn = float(np.angle(phasor[-1] * phasor[0].conjugate()))
    span_s = float(found.start_us[-1] - found.start_us[0]) * 1e-6
    off_hz = found.hz + turn / (2.0 * np.pi * max(span_s, 1e-9)) - nominal_hz
    return nominal_hz + min(max(off_hz, -_MOST_OFF_HZ), _MOST_OFF_HZ)


def _lasting(around: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Return what lasts of a stretch's fits: depth (n_frames, 2), and (2, n_patterns) beside it.

    Parameters
    ----------
    around : sequence of (float64 (n_frames, 2, n_patterns), float64 (n_frames, n_patterns))
        Amplitudes and steady light around each frame pair: of the flicker, and of its neighbours.
    """
    # Movement and noise at each frame pair, and at least the noise that there is on average.
    unrest = np.sum([(fits**2).sum(axis=(1, 2)) for fits, _ in around[1:]], axis=0)
    weight = 1.0 / (unrest + np.median(unrest) + 1e-12)
    weight /= weight.sum()
    # Daylight that comes and goes makes the lamps' part another: the depth may drift.
    place = np.linspace(-1.0, 1.0, len(weight))
    place -= weight @ place
    depths, drifts, rests = [], [], []
    for fits, light in around:
        both, squares = np.einsum("fwp,fp->fw", fits, light), (light**2).sum(axis=1) + 1e-12
        depth = weight @ both / (weight @ squares)
        left = both - depth * squares[:, None]
        drift = (weight * place) @ left / ((weight * place**2) @ squares)
        there = depth + place[:, None] * drift
        depths.append(depth)
        drifts.append(drift)
        rests.append(np.einsum("f,fwp->wp", weight, fits - there[:, :, None] * light[:, None]))
    depth = _shrunk(depths) * depths[0]
    depth = depth + place[:, None] * _shrunk(drifts) * drifts[0]
    # A depth of 1 is a lamp that goes out; more is an error, and would divide by nothing.
    most = np.maximum(np.linalg.norm(depth, axis=1, keepdims=True) / 0.95, 1.0)
    return depth / most, _shrunk(rests) * rests[0]


def _shrunk(found: Sequence[Floats]) -> Floats:
    """Return the share of the first's power, over its first axis, that the others do not have."""
    power, *by_chance = ((one**2).sum(axis=0, keepdims=True) for one in found)
    return np.asarray(np.maximum(1.0 - np.mean(by_chance, axis=0) / (power + 1e-12), 0.0))


def _waves(hz: float, time_us: Floats) -> Floats:
    """Return cosine and sine at each time, shape (n_frames, 2)."""
    angle = 2e-6 * np.pi * hz * time_us
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _fits_around(waves: Floats, shares: Floats, n_around: int) -> Floats:
    """Return what is fitted around each frame, (n_frames, 3, n_patterns): waves, steady light."""
    n_frames = len(shares)
    window = np.lib.stride_tricks.sliding_window_view
    around = window(waves, n_around, axis=0)  # (n_places, 2, n_around)
    straight = np.stack([np.ones(n_around), np.linspace(-1.0, 1.0, n_around)])
    whole = np.broadcast_to(straight, (len(around), 2, n_around))
    columns = np.concatenate([around, whole], axis=1)
    weighted = columns * np.hanning(n_around + 2)[1:-1]
    normal = weighted @ columns.transpose(0, 2, 1) + 1e-9 * n_around * np.eye(4)
    seen = window(shares, n_around, axis=0).transpose(0, 2, 1)
    found = np.linalg.solve(normal, weighted @ seen)[:, :3]
    # Frames near the ends take the fit of the outermost window.
    place = np.clip(np.arange(n_frames) - n_around // 2, 0, n_frames - n_around)
    return np.asarray(found[place])


def _mean_of_wave(hz: float, exposure_us: float) -> float:
    """Return how much of a sinusoid's amplitude its mean over an exposure keeps."""
    return float(np.sinc(hz * exposure_us * 1e-6))
