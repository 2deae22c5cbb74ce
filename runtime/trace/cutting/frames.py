"""The shape of one frame, learned from the beginning of a trace.

Nothing is known of the device but how long its LED is lit. The lowest plateau of the current is
sleep; bursts above it come in groups, one group a frame, and the longest rests between bursts part
the groups. Frames laid over each other at the start of their group give one frame's median current,
and change points cut that into segments of one level.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.trace.cutting.segments import (
    FEWEST_FRAMES,
    MAD_TO_SIGMA,
    LaidOver,
    Segment,
    cut_segments,
    lowest_plateau,
    no_frames,
)
from runtime.trace.reading.samples import SampleBlock

__all__ = ["FrameShape", "Onsets", "find_onsets", "learn_shape"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_LATE = 0.8  # of the period: a frame has to sleep by then
_ODD = 0.05  # share of frames that may be unlike the rest
_MOST_CELLS = 1 << 23  # samples of the frames laid over each other
_REGULAR = 0.25
"""Frames are those whose period is within a quarter of the median's: jitter, not another state."""


@dataclass(frozen=True, slots=True)
class Onsets:
    """How the start of a frame is seen.

    Parameters
    ----------
    threshold_ua : float
        A burst is above it.
    rest : int
        A burst after so many samples without one starts a frame.
    period : float
        Median distance of starts in samples.
    """

    threshold_ua: float
    rest: int
    period: float


@dataclass(frozen=True, slots=True)
class FrameShape:
    """One frame as the median of many.

    Parameters
    ----------
    onsets : Onsets
    floor_ua, floor_noise_ua : float
        Current asleep, and its noise.
    segments : tuple of Segment
        From the last of one sleep to the first of the next.
    median_ua, low_ua, high_ua : float64 (n,)
        Median frame and the envelope of all that were laid over each other, from `first` on.
    first : int
        Sample of the first value, counted from the onset.
    n_frames : int
        Frames laid over each other.
    """

    onsets: Onsets
    floor_ua: float
    floor_noise_ua: float
    segments: tuple[Segment, ...]
    median_ua: Floats
    low_ua: Floats
    high_ua: Floats
    first: int
    n_frames: int


def learn_shape(where: str, block: SampleBlock, offset_error_ua: float) -> FrameShape:
    """Learn the shape of a frame.

    Parameters
    ----------
    where : str
        File, for errors.
    block : SampleBlock
        The beginning of a trace, some dozens of frames.
    offset_error_ua : float
        How far zero may differ between ranges of the instrument: less is no step.

    Raises
    ------
    FormatError
        No frames are found, or they come in more than one period.
    """
    current = block.current_ua
    if len(current) < 64:
        raise FormatError(
            where, "number of samples", len(current), "a second and more of frames",
            "the trace is cut off, or too short",
        )  # fmt: skip
    floor, noise = lowest_plateau(current)
    onsets, starts = _find_frames(where, current, floor)
    first = -int(onsets.period) // 4
    width = int(onsets.period)
    starts = starts[(starts + first >= 0) & (starts + first + width <= len(current))]
    most = max(FEWEST_FRAMES, _MOST_CELLS // width)
    starts = starts[:most]
    if len(starts) < FEWEST_FRAMES:
        raise no_frames(where, f"{len(starts)} whole ones")
    at = starts[:, None] + first + np.arange(width)
    marks = {k: np.mean(high[at], axis=0) for k, high in block.markers.items()}
    laid = LaidOver(current[at], marks, offset_error_ua)
    return FrameShape(
        onsets, floor, noise,
        tuple(
            replace(s, start=s.start + first, stop=s.stop + first)
            for s in cut_segments(where, laid)
        ),
        laid.median, laid.frames.min(axis=0), laid.frames.max(axis=0), first, len(starts),
    )  # fmt: skip


def _find_frames(where: str, current: Floats, floor: float) -> tuple[Onsets, Ints]:
    """Return how frames start, and where."""
    rank = min(len(current) - 1, max(20, len(current) // 10_000))
    top = float(-np.partition(-current, rank)[rank])
    if not top > floor:
        raise no_frames(where, "none, the current is one level")
    threshold = _between_levels(current, floor, top)
    bursts = np.flatnonzero(current > threshold)
    rests = np.diff(bursts)
    for rest in _rests(rests):
        starts = bursts[1:][rests > rest]
        if len(starts) < FEWEST_FRAMES:
            continue
        periods = np.diff(starts)
        period = float(np.median(periods))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(periods - period)))
        covered = period * len(starts) / len(current)
        if spread < _REGULAR * period and covered > 0.5:
            _one_period(where, periods, period)
            _nothing_between(where, bursts, starts, period)
            return Onsets(threshold, int(rest), period), starts
    raise no_frames(where, "none that come at one period")


def _between_levels(current: Floats, floor: float, top: float) -> float:
    """Return a threshold between two plateaus: where the fewest samples lie near it."""
    candidates = floor + (top - floor) * np.geomspace(0.08, 0.7, 24)
    ordered = np.sort(current[current > floor + 0.05 * (top - floor)])
    near = np.searchsorted(ordered, candidates * 1.15) - np.searchsorted(ordered, candidates / 1.15)
    return float(candidates[int(np.argmin(near))])


def _rests(rests: Ints) -> list[int]:
    """Return lengths that could part rests within frames from rests between them, longest first.

    They lie where lengths of rests, in order, jump by half and more.
    """
    lengths = np.unique(rests[rests > 1])
    if not len(lengths):
        return []
    jumps = np.flatnonzero(lengths[1:] > 1.5 * lengths[:-1])
    within = [int(np.sqrt(lengths[i] * lengths[i + 1])) for i in jumps[::-1]]
    return [*within, int(lengths[0]) - 1]


def _one_period(where: str, periods: Ints, period: float) -> None:
    odd = periods[np.abs(periods - period) > _REGULAR * period]
    if len(odd) > _ODD * len(periods):
        raise FormatError(
            where, "frame period",
            f"{period:.0f} samples, and {float(np.median(odd)):.0f} in {len(odd)} of "
            f"{len(periods)} frames", "one",
            "trace one state of the device at a time",
        )  # fmt: skip


def _nothing_between(where: str, bursts: Ints, starts: Ints, period: float) -> None:
    """Refuse a trace on which the current rises late in the period, where frames should sleep."""
    # The trace may begin within a frame, but not with frames of another period.
    begins = np.concatenate(([int(starts[0] - period)], starts))
    since = bursts - begins[np.searchsorted(begins[1:], bursts, side="right")]
    late = bursts[(since < 0) | (since > _LATE * period)]
    others = int(np.count_nonzero(np.diff(late, prepend=-2) > 1))
    if others > _ODD * len(starts):
        raise FormatError(
            where, "frame period",
            f"{period:.0f} samples with {others} more bursts in between", "one",
            "trace one state of the device at a time",
        )  # fmt: skip


def find_onsets(current: Floats, onsets: Onsets, since_burst: int) -> tuple[Ints, int]:
    """Return where frames start among new samples.

    Parameters
    ----------
    current : float64 (n,)
    onsets : Onsets
    since_burst : int
        Samples between the last burst before these and the first of these.

    Returns
    -------
    int64 (n_starts,), int
        Starts, and the samples since the last burst at the end.
    """
    bursts = np.flatnonzero(current > onsets.threshold_ua)
    if not len(bursts):
        return bursts, since_burst + len(current)
    rests = np.diff(bursts, prepend=-since_burst - 1)
    return bursts[rests > onsets.rest], len(current) - 1 - int(bursts[-1])
