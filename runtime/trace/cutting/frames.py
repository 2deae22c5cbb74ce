"""The shape of one frame, learned from the beginning of a trace.

Nothing is known of the device but how long its LED is lit. The lowest plateau of the current is
sleep; bursts above it come in groups, one group a frame, and the longest rests between bursts part
the groups. Frames laid over each other at the start of their group give one frame's median current,
and change points cut that into segments of one level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.trace.cutting.change_points import change_points
from runtime.trace.reading.samples import SampleBlock

__all__ = [
    "MAD_TO_SIGMA",
    "MEDIAN_ERROR",
    "FrameShape",
    "Onsets",
    "Segment",
    "find_onsets",
    "learn_shape",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal sample over its median absolute deviation."""
MEDIAN_ERROR = 1.2533
"""Standard error of a median over that of a mean, of a normal sample: sqrt(pi / 2)."""
_SURE = 6.0
"""So many standard errors are no chance, over all the samples of a frame."""
_WORTH_A_CUT = 0.01
"""Steps below this share of the level are not cut: phases are wanted to 2 %."""
_EDGE_SAMPLES = 2
"""An edge falls into one sample, and moves by one from frame to frame."""
_FEWEST_FRAMES = 8
_MOST_CELLS = 1 << 23  # samples of the frames laid over each other
_MOST_POINTS = 4096
_REGULAR = 0.25
"""Frames are those whose period is within a quarter of the median's: jitter, not another state."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a frame with one level.

    Parameters
    ----------
    start, stop : int
        Samples from the frame's onset; may be negative.
    level_ua, spread_ua : float
        Median current, and its deviation from frame to frame.
    marked : str or None
        Phase whose pin is high there.
    """

    start: int
    stop: int
    level_ua: float
    spread_ua: float
    marked: str | None = None

    def __len__(self) -> int:
        return self.stop - self.start


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


def lowest_plateau(values: Floats) -> tuple[float, float]:
    """Return level and noise of the lowest level at which a good share of the values lie.

    Notes
    -----
    Starts at the 5th percentile and takes in what is within 4 deviations of the median until that
    stands. Noise is taken from steps between neighbours at first, where the few edges of a frame
    do not weigh.
    """
    steps = np.abs(np.diff(values))
    sigma = MAD_TO_SIGMA * float(np.median(steps)) / np.sqrt(2.0)
    level = float(np.quantile(values, 0.05))
    near = values[values <= level + 4.0 * sigma]
    for _ in range(20):
        if not len(near):
            break
        before, level = level, float(np.median(near))
        sigma = MAD_TO_SIGMA * float(np.median(np.abs(near - level)))
        near = values[np.abs(values - level) <= max(4.0 * sigma, 1e-12 + 1e-9 * abs(level))]
        if level == before:
            break
    return level, sigma


def weighted_median(values: Floats, weights: Floats) -> float:
    """Return the value below and above which lies half the weight."""
    order = np.argsort(values)
    running = np.cumsum(weights[order])
    return float(values[order[int(np.searchsorted(running, running[-1] / 2.0))]])


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
    most = max(_FEWEST_FRAMES, _MOST_CELLS // width)
    starts = starts[:most]
    if len(starts) < _FEWEST_FRAMES:
        raise _no_frames(where, f"{len(starts)} whole ones")
    at = starts[:, None] + first + np.arange(width)
    frames = current[at]
    median = np.quantile(frames, 0.5, axis=0, method="lower")
    spread = MAD_TO_SIGMA * np.median(np.abs(frames - median), axis=0)
    errors = np.sqrt((MEDIAN_ERROR * spread) ** 2 / len(starts) + offset_error_ua**2)
    marks = {k: np.mean(high[at], axis=0) for k, high in block.markers.items()}
    segments = _segments(where, median, spread, errors, marks)
    return FrameShape(
        onsets, floor, noise,
        tuple(
            Segment(s.start + first, s.stop + first, s.level_ua, s.spread_ua, s.marked)
            for s in segments
        ),
        median, frames.min(axis=0), frames.max(axis=0), first, len(starts),
    )  # fmt: skip


def _no_frames(where: str, got: str) -> FormatError:
    return FormatError(
        where, "number of frames found", got, f"{_FEWEST_FRAMES} and more, asleep in between",
        "record longer, or at a lower frame rate; the current has to rest between frames",
    )  # fmt: skip


def _find_frames(where: str, current: Floats, floor: float) -> tuple[Onsets, Ints]:
    """Return how frames start, and where."""
    rank = min(len(current) - 1, max(20, len(current) // 10_000))
    top = float(-np.partition(-current, rank)[rank])
    if not top > floor:
        raise _no_frames(where, "none, the current is one level")
    threshold = _between_levels(current, floor, top)
    bursts = np.flatnonzero(current > threshold)
    rests = np.diff(bursts)
    for rest in _rests(rests):
        starts = bursts[1:][rests > rest]
        if len(starts) < _FEWEST_FRAMES:
            continue
        periods = np.diff(starts)
        period = float(np.median(periods))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(periods - period)))
        covered = period * len(starts) / len(current)
        if spread < _REGULAR * period and covered > 0.5:
            _one_period(where, periods, period)
            return Onsets(threshold, int(rest), period), starts
    raise _no_frames(where, "none that come at one period")


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
    if len(odd) > 0.05 * len(periods):
        raise FormatError(
            where, "frame period",
            f"{period:.0f} samples, and {float(np.median(odd)):.0f} in {len(odd)} of "
            f"{len(periods)} frames", "one",
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


def _segments(
    where: str, median: Floats, spread: Floats, errors: Floats, marks: dict[str, Floats]
) -> list[Segment]:
    """Cut the median frame; the first and the last segment are sleep."""
    floor, _ = lowest_plateau(median)
    awake = np.flatnonzero(median > floor + _SURE * errors)
    if not len(awake):
        raise _no_frames(where, "none above the noise")
    margin = max(4, (awake[-1] - awake[0]) // 20)
    start, stop = max(0, awake[0] - margin), min(len(median), awake[-1] + 1 + margin)
    if start == 0 or stop == len(median):
        raise FormatError(
            where, "sleep within a frame", "less than a quarter of the period", "more",
            "trace at a lower frame rate",
        )  # fmt: skip
    cut = slice(int(start), int(stop))
    worth = np.hypot(errors[cut], _WORTH_A_CUT * np.abs(median[cut]))
    worth = np.maximum(worth, 1e-9 * float(np.abs(median).max()))
    begins = _without_edges(median[cut], _begins(median[cut], worth))
    for high in marks.values():
        edges = np.flatnonzero(np.diff((high[cut] > 0.5).astype(np.int8))) + 1
        begins = sorted({*begins, *edges.tolist()})
    found = []
    for a, b in zip(begins, [*begins[1:], cut.stop - cut.start], strict=True):
        own = slice(int(start) + a, int(start) + b)
        steadiness = 1.0 / (spread[own] ** 2 + worth[a:b] ** 2)
        level = weighted_median(median[own], steadiness)
        steady = np.sort(spread[own])[: (len(spread[own]) + 1) // 2]
        high_there = [k for k, high in marks.items() if float(np.mean(high[own])) > 0.5]
        found.append(
            Segment(
                own.start, own.stop, level, float(np.median(steady)),
                high_there[0] if high_there else None,
            )
        )  # fmt: skip
    return found


def _without_edges(values: Floats, begins: list[int]) -> list[int]:
    """Drop short segments on the way from one level to another: samples that lie on an edge."""
    kept = list(begins)
    at = 1
    while at + 1 < len(kept):
        before, own, behind = kept[at - 1], kept[at], kept[at + 1]
        end = kept[at + 2] if at + 2 < len(kept) else len(values)
        level = float(np.median(values[own:behind]))
        low, high = sorted(
            (float(np.median(values[before:own])), float(np.median(values[behind:end])))
        )
        if behind - own <= _EDGE_SAMPLES and low < level < high:
            nearer_behind = abs(level - float(np.median(values[behind:end]))) < abs(
                level - float(np.median(values[before:own]))
            )
            del kept[at + 1 if nearer_behind else at]
            at = max(1, at - 1)
        else:
            at += 1
    return kept


def _begins(values: Floats, errors: Floats) -> list[int]:
    """Change points, on means of blocks where there are too many values to try them all."""
    block = -(-len(values) // _MOST_POINTS)
    if block == 1:
        return change_points(values, errors)
    n = len(values) // block
    means = values[: n * block].reshape(n, block).mean(axis=1)
    of_means = np.sqrt((errors[: n * block] ** 2).reshape(n, block).mean(axis=1))
    return [block * i for i in change_points(means, of_means)]
