"""Which detected events are right: matched one to one with the reference events.

Two rules. Intervals are matched as `sed_eval` does (A. Mesaros, T. Heittola and T. Virtanen,
Metrics for polyphonic sound event detection, Applied Sciences 6(6):162, 2016): onsets within a
collar, offsets within the collar or a share of the reference's length. The device gives a moment,
not an interval, and is right from a gesture's onset until a while after its end.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import maximum_bipartite_matching

from trainer.judge.events import Detection, Reference

__all__ = [
    "EventCounts",
    "EventSpan",
    "f_measure",
    "match_intervals",
    "match_moments",
    "precision",
    "recall",
    "total",
]


class EventSpan(NamedTuple):
    """An event with an onset and an offset, seconds, and a class."""

    onset_s: float
    offset_s: float
    label: int


class EventCounts(NamedTuple):
    """Events of streams: right (true positives), detected, and in the reference."""

    right: int
    detected: int
    references: int


def total(parts: Iterable[EventCounts]) -> EventCounts:
    """Add up the counts of several streams."""
    columns = list(zip(*parts, strict=True)) or [(0,)] * 3
    return EventCounts(*(sum(column) for column in columns))


def f_measure(counts: EventCounts) -> float:
    """Return F1: the harmonic mean of precision and recall, 0 where nothing is right."""
    both = counts.detected + counts.references
    return 2 * counts.right / both if both else 0.0


def precision(counts: EventCounts) -> float:
    """Return the share of detected events that are right, 0 where nothing is detected."""
    return counts.right / counts.detected if counts.detected else 0.0


def recall(counts: EventCounts) -> float:
    """Return the share of reference events that are detected, 0 without a reference."""
    return counts.right / counts.references if counts.references else 0.0


def match_intervals(
    detected: Sequence[EventSpan],
    references: Sequence[EventSpan | Reference],
    *,
    collar_s: float,
    offset_share: float | None,
) -> int:
    """Count detected intervals that are right, by the largest one-to-one matching.

    Parameters
    ----------
    detected, references : sequence of EventSpan (or of Reference)
        Of one recording.
    collar_s : float
        How far an onset may be off, seconds.
    offset_share : float or None
        An offset may be off by the collar or by this share of the reference's length, whichever
        is more; None leaves offsets out.
    """
    if not detected or not references:
        return 0
    ours, theirs = np.array([t[:3] for t in detected]), np.array([m[:3] for m in references])
    fits = theirs[:, None, 2] == ours[None, :, 2]
    fits &= np.abs(theirs[:, None, 0] - ours[None, :, 0]) <= collar_s
    if offset_share is not None:
        allowed = np.maximum(collar_s, offset_share * (theirs[:, 1] - theirs[:, 0]))
        fits &= np.abs(theirs[:, None, 1] - ours[None, :, 1]) <= allowed[:, None]
    matched = maximum_bipartite_matching(csr_array(fits), perm_type="column")
    return int((matched >= 0).sum())


def match_moments(
    detected: Sequence[Detection], references: Sequence[Reference], max_latency_s: float
) -> list[tuple[int, int]]:
    """Match moments to references: same class, from the onset to `max_latency_s` after the end.

    Each moment, by time, takes the gesture that ends first of those still open to it. No other
    one-to-one matching has more pairs, as with any points and intervals.

    Parameters
    ----------
    detected : sequence of Detection
        Of one recording, by time.
    references : sequence of Reference

    Returns
    -------
    list of (int, int)
        Indices into `detected` and `references`.
    """
    open_to: dict[int, list[int]] = {}
    for index in sorted(range(len(references)), key=lambda i: references[i].offset_s):
        open_to.setdefault(references[index].label, []).append(index)
    pairs = []
    for number, event in enumerate(detected):
        waiting = open_to.get(event.label, [])
        while waiting and references[waiting[0]].offset_s + max_latency_s < event.detected_s:
            waiting.pop(0)
        for index in waiting:
            if references[index].onset_s <= event.detected_s:
                pairs.append((number, index))
                waiting.remove(index)
                break
    return pairs
