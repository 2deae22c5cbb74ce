"""Which told events are right: one to one with the gestures that were made.

Two rules. Intervals are matched as `sed_eval` does (A. Mesaros, T. Heittola and T. Virtanen,
Metrics for polyphonic sound event detection, Applied Sciences 6(6):162, 2016): onsets within a
collar, offsets within the collar or a share of the reference's length. The device tells a moment,
not an interval, and is right from a gesture's onset until a while after its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from trainer.judge.events import Event, Reference

__all__ = ["Counts", "Interval", "f_measure", "match_intervals", "match_moments", "total"]


class Interval(NamedTuple):
    """A stretch of time, seconds, with a class."""

    onset_s: float
    offset_s: float
    label: int


class Counts(NamedTuple):
    """Events that were right, told, and to be told."""

    right: int
    told: int
    made: int


def total(parts: Iterable[Counts]) -> Counts:
    """Add up the counts of several streams."""
    columns = list(zip(*parts, strict=True)) or [(0,)] * 3
    return Counts(*(sum(column) for column in columns))


def f_measure(counts: Counts) -> float:
    """Return F1: the harmonic mean of precision and recall, 0 where nothing is right."""
    both = counts.told + counts.made
    return 2 * counts.right / both if both else 0.0


def match_intervals(
    told: Sequence[Interval],
    made: Sequence[Interval | Reference],
    *,
    collar_s: float,
    offset_share: float | None,
) -> int:
    """Count told intervals that are right, by the largest one-to-one matching.

    Parameters
    ----------
    told, made : sequence of Interval (or of Reference)
        Of one recording.
    collar_s : float
        How far an onset may be off, seconds.
    offset_share : float or None
        An offset may be off by the collar or by this share of the made interval's length, whichever
        is more; None leaves offsets out.
    """
    if not told or not made:
        return 0
    ours, theirs = np.array([t[:3] for t in told]), np.array([m[:3] for m in made])
    fits = theirs[:, None, 2] == ours[None, :, 2]
    fits &= np.abs(theirs[:, None, 0] - ours[None, :, 0]) <= collar_s
    if offset_share is not None:
        allowed = np.maximum(collar_s, offset_share * (theirs[:, 1] - theirs[:, 0]))
        fits &= np.abs(theirs[:, None, 1] - ours[None, :, 1]) <= allowed[:, None]
    matched = maximum_bipartite_matching(csr_array(fits), perm_type="column")
    return int((matched >= 0).sum())


def match_moments(
    told: Sequence[Event], made: Sequence[Reference], max_latency_s: float
) -> list[tuple[int, int]]:
    """Match told moments to gestures: same class, from the onset to `max_latency_s` after the end.

    Each moment, by time, takes the gesture that ends first of those still open to it. No other
    one-to-one matching has more pairs, as with any points and intervals.

    Parameters
    ----------
    told : sequence of Event
        Of one recording, by time.
    made : sequence of Reference

    Returns
    -------
    list of (int, int)
        Indices into `told` and `made`.
    """
    open_to: dict[int, list[int]] = {}
    for index in sorted(range(len(made)), key=lambda i: made[i].offset_s):
        open_to.setdefault(made[index].label, []).append(index)
    pairs = []
    for number, event in enumerate(told):
        waiting = open_to.get(event.label, [])
        while waiting and made[waiting[0]].offset_s + max_latency_s < event.told_s:
            waiting.pop(0)
        for index in waiting:
            if made[index].onset_s <= event.told_s:
                pairs.append((number, index))
                waiting.remove(index)
                break
    return pairs
