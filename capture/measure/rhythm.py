"""The rhythm of a recording: how long from one height of its light to the next depth, and on.

Nobody moves twice alike to the frame. Recordings of two people that go up and down together, move
after move, are one person's under two names, whatever was done to the counts: another gain, rows
turned about, frames cut off. Where noise was added that moves heights by frames, `shared_noise`
knows more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.measure.signs import Signs

__all__ = ["Alike", "find_alike", "rhythm_of"]

SMOOTHED_S = 0.1
"""A tenth of a second: a hand turns about no quicker, and noise does."""
DEPTH_SHARE = 0.05
"""A height or depth of the light counts from 5 % of the strong light: what hands do moves it by
more, and noise, a mean over hundreds of pixels, by less."""
RUN = 6
"""Lengths in a row, three times up and down. Led by the same cues, two people agree about one of
them to the frame in one of five cases at most; about six on end, in one of 16,000."""
LEAST_RUNS = 8
LEAST_SHARE = 0.25
"""A quarter of the shorter recording's runs, and no fewer than eight: a part of it."""
FALSE_ALARMS = 0.01
"""Pairs of a whole data set that may be alike by chance: at three frames a second, or where flicker
is all that moves, there are two or three lengths, and of 800 people many have the same by turns."""
_AFTER_EACH_OTHER = (1, 2, 3)
"""Lengths in a row, by how often two recordings have the same. Short and long ones take turns, so
that one length by itself says too little."""


@dataclass(frozen=True, slots=True)
class Alike:
    """Two recordings of different people with one rhythm.

    Parameters
    ----------
    first, second : int
        Their places among the recordings looked at.
    share : float
        Share of the runs of six movements of the one with fewer that the other has as well.
    """

    first: int
    second: int
    share: float


def rhythm_of(signs: Signs) -> npt.NDArray[np.int64]:
    """Return how many frames are from each height or depth of the light to the next one.

    int64 (n_turns - 1,), at the sensor's own rate, so that lost frames do not shorten it.
    """
    from scipy.ndimage import uniform_filter1d
    from scipy.signal import find_peaks

    rate_hz = signs.sensor.frame_rate_hz
    width = max(1, round(SMOOTHED_S * rate_hz))
    light = uniform_filter1d(signs.light, width) if len(signs.values) else signs.light
    depth = DEPTH_SHARE * signs.strong_light
    if depth <= 0.0 or len(light) < RUN:
        return np.zeros(0, dtype=np.int64)
    turns = [find_peaks(way, prominence=depth)[0] for way in (light, -light)]
    places = np.sort(np.concatenate(turns))
    return np.asarray(np.diff(np.rint(signs.time_s[places] * rate_hz)), dtype=np.int64)


def find_alike(people: Sequence[str], signs: Sequence[Signs]) -> list[Alike]:
    """Find recordings of different people that move together, the largest share first.

    Parameters
    ----------
    people : sequence of str
        Whose each recording is.
    signs : sequence of Signs
    """
    rhythms = [rhythm_of(each) for each in signs]
    own = [_runs(each) for each in rhythms]
    holders: dict[bytes, list[int]] = {}
    for index, runs in enumerate(own):
        for run in runs:
            holders.setdefault(run, []).append(index)
    shared: dict[tuple[int, int], int] = {}
    for who in holders.values():
        for place, first in enumerate(who):
            for second in who[place + 1 :]:
                if people[first] != people[second]:
                    shared[first, second] = shared.get((first, second), 0) + 1
    found = [
        Alike(first, second, n_runs / min(len(own[first]), len(own[second])))
        for (first, second), n_runs in shared.items()
        if n_runs >= LEAST_RUNS
    ]
    found = [each for each in found if each.share >= LEAST_SHARE]
    n_pairs = len(signs) * (len(signs) - 1) / 2.0
    found = [
        each
        for each in found
        if n_pairs
        * _by_chance(rhythms[each.first], rhythms[each.second], shared[each.first, each.second])
        <= FALSE_ALARMS
    ]
    return sorted(found, key=lambda each: (-each.share, each.first, each.second))


def _by_chance(first: npt.NDArray[np.int64], second: npt.NDArray[np.int64], n_runs: int) -> float:
    """Return how often two rhythms of such lengths have so many runs in common by chance.

    That many in a row are `n_runs` - 1 lengths more than one run. They may begin at any place of
    either, and each agrees as often as any length, or short row of lengths, of the two does.
    """
    likely = max(_alike_rows(first, second, n) ** (1.0 / n) for n in _AFTER_EACH_OTHER)
    return float(len(first) * len(second) * likely ** (RUN + n_runs - 1))


def _alike_rows(
    first: npt.NDArray[np.int64], second: npt.NDArray[np.int64], n_lengths: int
) -> float:
    """Return the share of pairs of rows, one of each rhythm, that are the same lengths."""
    rows = [np.lib.stride_tricks.sliding_window_view(each, n_lengths) for each in (first, second)]
    _, kinds = np.unique(np.concatenate(rows), axis=0, return_inverse=True)
    of_first, of_second = (
        np.bincount(part, minlength=int(kinds.max()) + 1) / len(part)
        for part in np.split(kinds.ravel(), [len(rows[0])])
    )
    return float(of_first @ of_second)


def _runs(rhythm: npt.NDArray[np.int64]) -> list[bytes]:
    """Return runs of six lengths that the recording holds once: what repeats tells nothing."""
    if len(rhythm) < RUN:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(rhythm, RUN)
    runs, counts = np.unique(windows, axis=0, return_counts=True)
    return [run.tobytes() for run in runs[counts == 1]]
