"""Segments of a frame get their phase, and every frame is cut at its own edges.

Wake comes first, then the LED's pulse, readouts around it, and compute last. Where a pin is wired
for a phase, the pin decides. Each frame is cut by the cheapest path through its segments in order
(dynamic programming, Bellman 1957; it is the Viterbi path of a chain of states that only goes
forward), so that a frame that starts late or computes longer is cut where it did. A sample that
lies on an edge is shared out between both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.trace.cutting.frames import FrameShape
from runtime.trace.cutting.segments import Segment

__all__ = ["PHASES", "FrameCut", "Phase", "cut_frames", "name_segments", "window_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PHASES = ("wake", "led", "readout", "compute", "sleep")
"""Phases of a frame, in the order in which they begin (readout also stands around the LED)."""
Phase = str

_LEAST_SPREAD = 0.03
"""Share of a level that its samples may stray besides noise: rise, fall and what data change."""
_LARGEST_COST = 50.0  # of one sample: ten deviations; a glitch must not outweigh a whole phase
_CLEAR_STEP = 6.0  # deviations between two levels from which a sample between them is on an edge
_PULSE_BAND = 1.5
"""The LED's pulse may seem so many times longer or shorter than it was set."""
_GRID_SAMPLES = 2.0
_ALIKE = 0.1
"""Lengths within a tenth, or what the sampling grid does to both edges, are the same."""
_LEVELS = 0.25  # share by which two stretches may differ and still be of one level
_ROOM = 0.25
"""Share of the active time that a frame may take longer than the median, to be cut whole."""


def name_segments(where: str, shape: FrameShape, pulse_samples: float | None) -> tuple[Phase, ...]:
    """Return the phase of each segment of a frame.

    Parameters
    ----------
    where : str
        File, for errors.
    shape : FrameShape
    pulse_samples : float or None
        How long the LED is lit, in samples; None only where its pin is wired.

    Raises
    ------
    FormatError
        No segment is as long as the LED's pulse.
    """
    inner = shape.segments[1:-1]
    floor = shape.floor_ua
    if any(s.marked == "led" for s in inner):
        lit = [i for i, s in enumerate(inner) if s.marked == "led"]
    else:
        lit = _pulse(where, inner, pulse_samples)
    names = ["readout"] * len(inner)
    for i in lit:
        names[i] = "led"
    after = _compute_begins(inner, lit, floor)
    names[after:] = ["compute"] * (len(inner) - after)
    for i in range(_wake_ends(inner, lit[0], after, floor)):
        names[i] = "wake"
    wired = {s.marked for s in inner if s.marked}
    for i, s in enumerate(inner):
        if s.marked:
            names[i] = s.marked
        elif names[i] in wired:
            names[i] = "readout"
    return ("sleep", *names, "sleep")


def _pulse(where: str, inner: Sequence[Segment], pulse_samples: float | None) -> list[int]:
    """Segments of the LED: neighbours as long as the pulse, that stand highest above what follows.

    A pulse falls at its end; what stands before it may be higher or lower.
    """
    if pulse_samples is None:
        raise FormatError(
            where, "length of the LED's pulse", "not known", "led_pulse_us in the file beside it",
            "give it there, or a budget, or wire the LED's pin",
        )  # fmt: skip
    slack = max(_GRID_SAMPLES, _ALIKE * pulse_samples)
    near = (pulse_samples - slack, pulse_samples + slack)
    wide = (pulse_samples / _PULSE_BAND, _PULSE_BAND * pulse_samples)
    for shortest, longest in (near, wide):
        found = _highest_fall(inner, shortest, longest)
        if found:
            return found
    lengths = ", ".join(str(len(s)) for s in inner)
    raise FormatError(
        where, "LED pulse", f"not found among steps of {lengths} samples",
        f"one of about {pulse_samples:.3g} samples",
        "check led_pulse_us and the unit of time, or wire the LED's pin",
    )  # fmt: skip


def _highest_fall(inner: Sequence[Segment], shortest: float, longest: float) -> list[int]:
    """Neighbours of a length within bounds whose mean stands highest above what follows."""
    best, found = 0.0, list[int]()
    for i in range(len(inner)):
        length, charge = 0, 0.0
        for j in range(i, len(inner) - 1):
            length += len(inner[j])
            charge += len(inner[j]) * inner[j].level_ua
            fall = charge / length - inner[j + 1].level_ua
            if shortest <= length <= longest and fall > best:
                best, found = fall, list(range(i, j + 1))
    return found


def _compute_begins(inner: Sequence[Segment], lit: Sequence[int], floor: float) -> int:
    """Return where compute begins.

    A frame is a pair of exposures: where after the lit readout comes a quieter stretch as long as
    the pulse, and then a readout like the first, compute begins behind that. Where the dark
    exposure is not seen, it begins at the greatest rise after the pulse, or fall where none rises.
    """
    first, n = lit[-1] + 1, len(inner)
    pulse = sum(len(inner[i]) for i in lit)
    ends = np.concatenate(([0], np.cumsum([len(s) for s in inner])))
    charge = np.concatenate(([0.0], np.cumsum([len(s) * (s.level_ua - floor) for s in inner])))

    def alike(length: float, other: float) -> bool:
        return bool(abs(length - other) <= max(_GRID_SAMPLES, _ALIKE * other))

    for a, b, c in combinations(range(first + 1, n + 1), 3):
        lit_read, dark, dark_read = ends[a] - ends[first], ends[b] - ends[a], ends[c] - ends[b]
        if alike(dark, pulse) and alike(dark_read, lit_read):
            first_level = (charge[a] - charge[first]) / lit_read
            last_level = (charge[c] - charge[b]) / dark_read
            quiet = (charge[b] - charge[a]) / dark
            if quiet < first_level and abs(last_level - first_level) <= _LEVELS * first_level:
                return c
    steps = [(inner[i].level_ua - inner[i - 1].level_ua, i) for i in range(first + 1, n)]
    if not steps:
        return n
    greatest, falls_most = max(steps), min(steps)
    return greatest[1] if greatest[0] > 0.0 else falls_most[1]


def _wake_ends(inner: Sequence[Segment], lit: int, after: int, floor: float) -> int:
    """Return how many segments before the LED are wake.

    What is at the quiet level of the readout is the sensor that starts; so is what comes after
    higher segments and is nearer to that level than to theirs, in proportion.
    """
    reading = inner[lit + 1 : after] or inner[lit + 1 :]
    if not reading:
        return lit
    quiet = min(reading, key=lambda s: s.level_ua)
    highest: Segment | None = None
    for i, own in enumerate(inner[:lit]):
        above_quiet = abs(_proportion(own, quiet, floor))
        if above_quiet <= math.log(1.0 + _LEVELS):
            return i
        if highest is not None and _proportion(highest, own, floor) > above_quiet:
            return i
        if highest is None or own.level_ua > highest.level_ua:
            highest = own
    return lit


def _proportion(high: Segment, low: Segment, floor: float) -> float:
    return math.log(max(high.level_ua - floor, 1e-9) / max(low.level_ua - floor, 1e-9))


def window_of(shape: FrameShape) -> tuple[int, int]:
    """Return first sample of a frame, counted from its onset, and samples in which it is cut."""
    active = shape.segments[-1].start - shape.segments[0].stop
    first = shape.segments[0].start
    room = math.ceil(_ROOM * active) + 4
    stop = min(shape.segments[-1].start + room, first + int(0.95 * shape.onsets.period))
    return first, max(stop, shape.segments[-1].start + 1) - first


@dataclass(frozen=True, slots=True)
class FrameCut:
    """Samples of some frames, each given to its segments.

    Parameters
    ----------
    bounds : int64 (n_frames, n_segments + 1)
        First sample of each segment within the window, and the window's end.
    moved : float64 (n_frames, n_segments - 1, 2)
        At each edge, the share of the sample before it that belongs behind it, and the share of
        the sample behind it that belongs before it.
    levels_ua : float64 (n_segments,)
    """

    bounds: Ints
    moved: Floats
    levels_ua: Floats


def cut_frames(
    windows: Floats, shape: FrameShape, marks: Sequence[tuple[Phase, NDArray[np.bool_]]],
    names: Sequence[Phase],
) -> FrameCut:  # fmt: skip
    """Cut frames into the segments of their shape.

    Parameters
    ----------
    windows : float64 (n_frames, n_samples)
        Current of each from `window_of` on.
    shape : FrameShape
    marks : sequence of (phase, bool (n_frames, n_samples))
        Pins that are wired; a sample is of a phase exactly where its pin is high.
    names : sequence of str
        Phase of each segment.
    """
    levels = np.array([s.level_ua for s in shape.segments])
    spreads = np.array([s.spread_ua for s in shape.segments])
    sigma = np.sqrt(
        spreads**2 + (_LEAST_SPREAD * (levels - shape.floor_ua)) ** 2 + shape.floor_noise_ua**2
    )
    sigma = np.maximum(sigma, 1e-6 * float(np.abs(levels).max()))
    wrong = 1e6
    n_frames, n_samples = windows.shape
    n_segments = len(levels)
    came_new = np.zeros((n_samples, n_frames, n_segments), dtype=np.bool_)
    cost = np.full((n_frames, n_segments), np.inf)
    cost[:, 0] = 0.0
    for t in range(n_samples):
        own = np.minimum(((windows[:, t, None] - levels) / sigma) ** 2, _LARGEST_COST)
        own += 2.0 * np.log(sigma)
        for phase, high in marks:
            of_phase = np.array([name == phase for name in names])
            own += np.where(high[:, t, None] == of_phase, 0.0, wrong)
        if t:
            step = np.full_like(cost, np.inf)
            step[:, 1:] = cost[:, :-1]
            came_new[t] = step < cost
            cost = np.minimum(cost, step)
        cost = cost + own
    bounds = np.empty((n_frames, n_segments + 1), dtype=np.int64)
    bounds[:, -1] = n_samples
    bounds[:, 0] = 0
    state = np.full(n_frames, n_segments - 1)
    rows = np.arange(n_frames)
    for t in range(n_samples - 1, 0, -1):
        new = came_new[t, rows, state]
        bounds[rows[new], state[new]] = t
        state = state - new
    return FrameCut(bounds, _shared(windows, bounds, levels, sigma), levels)


def _shared(windows: Floats, bounds: Ints, levels: Floats, sigma: Floats) -> Floats:
    """Share of the two samples at each edge that belongs to the other side."""
    edges = bounds[:, 1:-1]
    rows = np.arange(len(windows))[:, None]
    step = levels[1:] - levels[:-1]
    clear = np.abs(step) > _CLEAR_STEP * (sigma[1:] + sigma[:-1]) / 2.0
    safe = np.where(clear, step, 1.0)
    moved = np.zeros((*edges.shape, 2))
    before = (windows[rows, edges - 1] - levels[:-1]) / safe
    behind = (levels[1:] - windows[rows, edges]) / safe
    for side, share in enumerate((before, behind)):
        moved[:, :, side] = np.where(clear, np.clip(share, 0.0, 1.0), 0.0)
    return moved
