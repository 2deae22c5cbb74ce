"""Segments of one level: the median frame cut at its change points."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.trace.cutting.change_points import change_points

__all__ = [
    "FEWEST_FRAMES", "MAD_TO_SIGMA", "MEDIAN_ERROR", "LaidOver", "Segment", "cut_segments",
    "lowest_plateau", "no_frames", "weighted_median",
]  # fmt: skip

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826
"""Standard deviation of a normal sample over its median absolute deviation."""
MEDIAN_ERROR = 1.2533
"""Standard error of a median over that of a mean, of a normal sample: sqrt(pi / 2)."""
_SURE = 6.0
"""So many standard errors are no chance, over all the samples of a frame."""
_WORTH_A_CUT = 0.01
"""Steps below this share of the level are not cut: phases are wanted to 2 %."""
_LEAST_WORTH = 1e-6
"""Likewise steps below this share of the highest level, of which sums keep the digits."""
_EDGE_SAMPLES = 2
"""An edge falls into one sample, and moves by one from frame to frame."""
_MIXED = 0.1
"""Samples on an edge, which hold any share of a step alike, deviate by 0.29 of it: a third of that
is no noise."""
_DECILES = 2.563
"""From the first to the last decile of a normal sample, in deviations."""
_NEAR_LEVEL = 0.05
_NEARLY_ALL = 0.9
"""A segment is seen whole where a sample is within a twentieth of its level in 9 of 10 frames."""
_LONG = 4  # samples from which a segment's spread is noise and not its edges
FEWEST_FRAMES = 8
_MOST_POINTS = 4096


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
    whole : bool
        Whether nearly every frame has a sample that lies in it from end to end. Where not, how it
        and its neighbours share their samples is not known.
    """

    start: int
    stop: int
    level_ua: float
    spread_ua: float
    marked: str | None = None
    whole: bool = True

    def __len__(self) -> int:
        return self.stop - self.start


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


def no_frames(where: str, got: str) -> FormatError:
    """Return what to say of a trace without frames."""
    return FormatError(
        where, "number of frames found", got, f"{FEWEST_FRAMES} and more, asleep in between",
        "record longer, and one state of the device; the current has to rest between frames",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class LaidOver:
    """Frames laid over each other at their onsets.

    Parameters
    ----------
    frames : float64 (n_frames, n_samples)
    marks : dict of str to float64 (n_samples,)
        Share of frames in which a phase's pin is high.
    offset_error_ua : float
        How far zero may differ between ranges of the instrument.
    """

    frames: Floats
    marks: dict[str, Floats]
    offset_error_ua: float

    @property
    def median(self) -> Floats:
        """Median frame; the lower of two middle values, so that an edge stays one."""
        return np.quantile(self.frames, 0.5, axis=0, method="lower")


def cut_segments(where: str, laid: LaidOver) -> list[Segment]:
    """Cut the median frame into segments; the first and the last of them are sleep.

    Raises
    ------
    FormatError
        Nothing rises above sleep, or there is too little of it.
    """
    median = laid.median
    spread = MAD_TO_SIGMA * np.median(np.abs(laid.frames - median), axis=0)
    errors = np.hypot(MEDIAN_ERROR * spread / np.sqrt(len(laid.frames)), laid.offset_error_ua)
    floor, _ = lowest_plateau(median)
    awake = np.flatnonzero(median > floor + _SURE * errors)
    if not len(awake):
        raise no_frames(where, "none above the noise")
    margin = max(4, (awake[-1] - awake[0]) // 20)
    start, stop = max(0, awake[0] - margin), min(len(median), awake[-1] + 1 + margin)
    if start == 0 or stop == len(median):
        raise FormatError(
            where, "sleep within a frame", "less than a quarter of the period", "more",
            "trace at a lower frame rate",
        )  # fmt: skip
    cut = slice(int(start), int(stop))
    worth = np.hypot(errors[cut], _WORTH_A_CUT * np.abs(median[cut]))
    worth = np.maximum(worth, _LEAST_WORTH * float(np.abs(median).max()))
    begins = _without_edges(
        median[cut], _deviation(laid.frames[:, cut]), _begins(median[cut], worth)
    )
    for high in laid.marks.values():
        edges = np.flatnonzero(np.diff((high[cut] > 0.5).astype(np.int8))) + 1
        begins = sorted({*begins, *edges.tolist()})
    found = []
    for a, b in zip(begins, [*begins[1:], cut.stop - cut.start], strict=True):
        own = slice(cut.start + a, cut.start + b)
        steadiness = 1.0 / (spread[own] ** 2 + worth[a:b] ** 2)
        level = weighted_median(median[own], steadiness)
        steady = np.sort(spread[own])[: (len(spread[own]) + 1) // 2]
        pins = [k for k, high in laid.marks.items() if float(np.mean(high[own])) > 0.5]
        found.append(
            Segment(own.start, own.stop, level, float(np.median(steady)), pins[0] if pins else None)
        )
    noise = max((s.spread_ua for s in found if len(s) >= _LONG), default=0.0)
    return [
        replace(s, whole=_seen_whole(laid.frames[:, max(0, s.start - 1) : s.stop + 1], s, noise))
        for s in found
    ]


def _seen_whole(frames: Floats, segment: Segment, noise: float) -> bool:
    """Whether nearly every frame has a sample at a segment's level, there or one beside."""
    near = _SURE * noise + _NEAR_LEVEL * abs(segment.level_ua)
    at_level = np.any(np.abs(frames - segment.level_ua) <= near, axis=1)
    return bool(np.mean(at_level) >= _NEARLY_ALL)


def _deviation(frames: Floats) -> Floats:
    """Deviation of each sample from frame to frame by its deciles.

    Of samples on an edge more than half may be alike, so that their median tells nothing.
    """
    low, high = np.quantile(frames, [0.1, 0.9], axis=0)
    found: Floats = (high - low) / _DECILES
    return found


def _without_edges(median: Floats, spread: Floats, begins: list[int]) -> list[int]:
    """Drop samples that lie on an edge: between the levels beside them, and mixed of both.

    What lies on an edge holds another share of either level in each frame, so that it spreads by
    their distance; a short level of its own is as steady as its neighbours.
    """
    kept = list(begins)
    at = 1
    while at + 1 < len(kept):
        before, own, behind = kept[at - 1], kept[at], kept[at + 1]
        end = kept[at + 2] if at + 2 < len(kept) else len(median)
        lower, level, upper = (
            float(np.median(median[i:j])) for i, j in ((before, own), (own, behind), (behind, end))
        )
        noise = max(float(spread[before:own].min()), float(spread[behind:end].min()))
        mixed = float(spread[own:behind].min()) > noise + _MIXED * abs(upper - lower)
        if (
            behind - own <= _EDGE_SAMPLES
            and mixed
            and (lower < level < upper or lower > level > upper)
        ):
            del kept[at + 1 if abs(level - upper) < abs(level - lower) else at]
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
