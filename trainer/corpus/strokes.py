"""Strokes: where in its cue a gesture is, found from the readout alone.

A hand that answers a cue moves more than once: it gets ready, makes the gesture, and comes back.
The gesture is the movement that changes the readout along the longest way. This is a first guess
for everybody, which knows neither the class nor the person; alignment then improves on it.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from runtime.stages.contract.stage import Float64

__all__ = ["stroke_span"]

BEFORE_FRAMES = 2
"""A movement may already be under way when the prompt is shown: two steps show it begin."""
SMOOTHING_FRAMES = 5
"""A sixth of a second at 30 frames a second, where nobody says how long."""
N_DIRECTIONS = 4
"""A hand that moves without changing its shape has three ways to go and one to turn in."""
REST_QUANTILE = 0.1
"""Of a cue's speeds: people react after a tenth of it at the earliest; so much is rest."""
VALLEY_SHARE = 0.5
"""Two movements of minimum jerk that follow one another part where speed is none, and noise fills
the valley; one movement alone has no valley at all. Half is in between."""
WAY_SHARE = 0.9
"""Movements out and back are as long as each other but for how exactly people come back."""
STILL_SHARE = 0.25
"""Of the peak speed: at minimum jerk, from 15 to 85 % of a movement's time. Alignment does not take
these bounds where the cue's own are better."""


def stroke_span(
    levelled: NDArray[np.int32], start: int, stop: int, smoothing: int = SMOOTHING_FRAMES
) -> tuple[int, int]:
    """Find the first and the last frame of the longest movement within a cue.

    The readout is seen along the cue's own four strongest directions, averaged over a few frames.
    Its speed is parted into movements at valleys that are at most half as high as the lower of the
    peaks beside them. Of the movements whose way is at least 0.9 of the longest one's, the first
    is taken: coming back may be as long as the gesture. It lasts while its speed is above a quarter
    of its peak.

    Parameters
    ----------
    levelled : int32 (n_frames, n_values)
        Level-normalised readouts of a whole recording.
    start, stop : int
        The cue's frames, stop exclusive.
    smoothing : int
        Frames to average over.

    Returns
    -------
    first, last : int
        Indices of frames, start <= first <= last < stop.
    """
    begin = max(0, start - BEFORE_FRAMES)
    if stop - begin <= smoothing:
        return start, stop - 1
    speed = _speed(levelled[begin:stop].astype(np.float64), smoothing)
    bounds = _movements(speed)
    ways = np.array([speed[a + 1 : b + 1].sum() for a, b in pairwise(bounds)])
    chosen = int(np.argmax(ways >= WAY_SHARE * ways.max()))
    low, high = bounds[chosen], bounds[chosen + 1]
    moving = np.flatnonzero(speed[low : high + 1] >= STILL_SHARE * speed[low : high + 1].max())
    first = min(max(start, begin + low + int(moving[0])), stop - 1)
    return first, max(first, begin + low + int(moving[-1]))


def _speed(readout: Float64, smoothing: int) -> Float64:
    """Return how far the smoothed readout moves from frame to frame, above what rest shows."""
    centred = readout - readout.mean(axis=0)
    left, strength, _ = np.linalg.svd(centred, full_matrices=False)
    ways = left[:, :N_DIRECTIONS] * strength[:N_DIRECTIONS]
    smooth = uniform_filter1d(ways, smoothing, axis=0, mode="nearest")
    speed = np.append(0.0, np.linalg.norm(np.diff(smooth, axis=0), axis=1))
    return np.asarray(np.maximum(speed - np.quantile(speed, REST_QUANTILE), 0.0))


def _movements(speed: Float64) -> list[int]:
    """Return the frames that part movements, ends included; the shallowest valley goes first."""
    inner = np.flatnonzero((speed[1:-1] <= speed[:-2]) & (speed[1:-1] < speed[2:])) + 1
    bounds = [0, *inner.tolist(), len(speed) - 1]
    while len(bounds) > 2:
        peaks = [speed[a : b + 1].max() for a, b in pairwise(bounds)]
        lower = np.minimum(peaks[:-1], peaks[1:])
        share = speed[bounds[1:-1]] / np.maximum(lower, np.finfo(np.float64).tiny)
        shallowest = int(np.argmax(share))
        if share[shallowest] <= VALLEY_SHARE:
            break
        del bounds[shallowest + 1]
    return bounds
