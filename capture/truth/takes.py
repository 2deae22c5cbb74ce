"""A session's takes as a few numbers each: how much moved, for how long, and what it looked like.

Everything is taken from coarse bins of lit minus dark: a tenth of a second of 64 bins has hardly
any noise where a single pixel is full of it, and nothing here needs to know the optic.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from capture.cues.labels import GOOD, Event
from capture.store.session import Session
from runtime.sensor import Sensor

__all__ = ["SIDE", "Exposures", "Takes", "read_exposures", "read_takes"]

Floats = npt.NDArray[np.float64]

SIDE = 8
"""Bins a side: 64 in all, as in the plain classifiers that the recipes are held against."""
_SMOOTH_S = 0.1
"""As fast as a hand is: it does not turn round within a tenth of a second (from memory)."""
_SLOW_S = 10.0
"""What changes more slowly is warmth or the day, which are in both exposures in any case."""
_SEGMENTS = 4
"""Equal parts of the cue, and of the take, that a shape is made of."""


@dataclass(frozen=True, slots=True, eq=False)
class Takes:
    """The good takes of one session.

    Parameters
    ----------
    participant, name : str
        Whose session, and its file's name.
    movement : bool
        Takes are movements (else poses that are held).
    rows : tuple of int
        Place of each in the events table.
    labels : tuple of str
        What each is called.
    shapes : float64 array, shape (n_takes, n_features)
        Bins over the parts of cue and take, as shares of the take's mean light.
    spans : float64 array, shape (n_takes,)
        How far the readout moved during the cue, as a share of the session's strong light.
    lights : float64 array, shape (n_takes,)
        Mean light during the cue, as the same share.
    noise : float
        What noise alone makes of a span.
    durations_s : float64 array, shape (n_takes,)
        Of the movements found in the takes; not a number where none was found.
    """

    participant: str
    name: str
    movement: bool
    rows: tuple[int, ...]
    labels: tuple[str, ...]
    shapes: Floats
    spans: Floats
    lights: Floats
    noise: float
    durations_s: Floats


@dataclass(frozen=True, slots=True)
class Exposures:
    """How lit and dark exposures of a session change.

    Parameters
    ----------
    dark_share : float
        How far the dark ones change as the lit ones do: the slope of a line through zero by least
        squares. 0 where a light flashes or none is there, 1 where one shines in both alike.
    times_dark : float
        How far the lit ones change, as a multiple of the dark ones: 1 where both are noise.
    """

    dark_share: float
    times_dark: float


def read_takes(session: Session) -> Takes:
    """Read a session once and return its good takes, everyday time left out.

    Raises
    ------
    FormatError
        The file is damaged.
    """
    parts, times = [np.zeros((0, SIDE * SIDE))], [np.zeros(0, np.int64)]
    for block in session.blocks():
        parts.append(_bins(block.lit.astype(np.float64) - block.dark, session.sensor))
        times.append(block.time_us)
    light, time_us = np.concatenate(parts), np.concatenate(times)
    time_s = (time_us - time_us[:1].sum()) / 1e6
    chosen = [
        (row, event)
        for row, event in enumerate(session.events)
        if event.status == GOOD and not event.trial_type.startswith("everyday")
    ]
    width = max(1, round(_SMOOTH_S * session.sensor.frame_rate_hz))
    smooth = uniform_filter1d(light, width, axis=0, mode="nearest") if len(light) else light
    strengths = np.sqrt((smooth**2).sum(axis=1))
    strong = float(np.quantile(strengths, 0.95)) if len(light) else 0.0
    described = [_describe(event, light, smooth, time_s, strong) for _, event in chosen]
    n_features = 2 * _SEGMENTS * SIDE * SIDE
    return Takes(
        session.participant,
        session.path.name,
        session.script.movement,
        tuple(row for row, _ in chosen),
        tuple(event.trial_type for _, event in chosen),
        np.array([shape for shape, _, _ in described]).reshape(-1, n_features),
        np.array([span for _, span, _ in described]),
        np.array([mean for _, _, mean in described]),
        _noise(smooth, width) / strong if strong > 0 else 1.0,
        np.array([_length_s(event) for _, event in chosen]),
    )


def read_exposures(session: Session) -> Exposures:
    """Compare what changes in lit exposures with what changes in dark ones.

    Of 64 bins, from which what is slow was taken off.

    Raises
    ------
    FormatError
        The file is damaged.
    """
    rate_hz = session.sensor.frame_rate_hz
    quick, slow = (max(1, round(length_s * rate_hz)) for length_s in (_SMOOTH_S, _SLOW_S))

    def changes(exposures: list[Floats]) -> Floats:
        smooth = uniform_filter1d(np.concatenate(exposures), quick, axis=0, mode="nearest")
        return np.asarray(smooth - uniform_filter1d(smooth, slow, axis=0, mode="nearest"))

    lit: list[Floats] = []
    dark: list[Floats] = []
    for block in session.blocks():
        lit.append(_bins(block.lit.astype(np.float64), session.sensor))
        dark.append(_bins(block.dark.astype(np.float64), session.sensor))
    if not lit:
        return Exposures(0.0, 0.0)
    of_lit, of_dark = changes(lit), changes(dark)
    power, dark_power = float((of_lit**2).sum()), float((of_dark**2).sum())
    return Exposures(
        float((of_lit * of_dark).sum()) / power if power > 0.0 else 0.0,
        float(np.sqrt(power / dark_power))
        if dark_power > 0.0
        else (np.inf if power > 0.0 else 0.0),
    )


def _bins(light: Floats, sensor: Sensor) -> Floats:
    """Sums over 8x8 nearly equal parts; fewer where there are fewer pixels."""
    for axis, n in ((1, sensor.n_rows), (2, sensor.n_cols)):
        edges = (np.arange(SIDE) * n) // SIDE
        light = np.add.reduceat(light, np.minimum(edges, n - 1), axis=axis)
    return light.reshape(len(light), -1)


def _noise(smooth: Floats, width: int) -> float:
    """Return what noise makes of the length of a smoothed difference.

    From the median change over one smoothing length, which most of the time is noise alone; flicker
    from one frame pair to the next is smoothed away before.
    """
    if len(smooth) <= width:
        return 0.0
    change = np.median(np.abs(smooth[width:] - smooth[:-width]), axis=0) / 0.6745
    return float(np.sqrt((change**2).sum() / 2.0))


def _describe(
    event: Event, light: Floats, smooth: Floats, time_s: Floats, strong: float
) -> tuple[Floats, float, float]:
    """Return shape, span and mean light of one take."""
    cue_s = event.onset_s if event.cue_onset_s is None else event.cue_onset_s
    cue_end_s = cue_s + (event.cue_duration_s or event.duration_s)
    cue = _frames(time_s, min(cue_s, event.onset_s), max(cue_end_s, event.end_s))
    take = _frames(time_s, event.onset_s, event.end_s)
    during = smooth[cue]
    moved = np.sqrt(((during - np.median(during, axis=0)) ** 2).sum(axis=1))
    mean = float(light[cue].sum(axis=1).mean())
    # A hand out of view must not turn noise into a shape.
    scale = max(mean, 0.1 * strong, 1e-9)
    shape = np.concatenate([_parts(light[cue]), _parts(light[take])]).ravel() / scale
    share = float(np.sqrt((during**2).sum(axis=1)).mean())
    per_strong = 1.0 / strong if strong > 0 else 0.0
    return shape, float(np.quantile(moved, 0.95)) * per_strong, share * per_strong


def _length_s(event: Event) -> float:
    is_cue = event.cue_duration_s is not None and event.duration_s >= event.cue_duration_s
    return float("nan") if is_cue else event.duration_s


def _frames(time_s: Floats, start_s: float, end_s: float) -> slice:
    """Return the frames of a stretch of time: at least one, inside the recording."""
    first, last = np.searchsorted(time_s, (start_s, end_s))
    first = min(int(first), max(0, len(time_s) - 1))
    return slice(first, max(int(last), first + 1))


def _parts(frames: Floats) -> Floats:
    """Means over equal parts of a stretch of frames; a short one gives the same frame twice."""
    edges = np.linspace(0, len(frames), _SEGMENTS + 1)
    bounds = [(int(a), max(int(np.ceil(b)), int(a) + 1)) for a, b in pairwise(edges)]
    return np.array([frames[a:b].mean(axis=0) for a, b in bounds])
