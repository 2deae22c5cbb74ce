"""How labellers agree on where takes begin and end: distances between ends, and common time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from capture.agree.coefficients import Estimate, over_people
from capture.cues.labels import Event

__all__ = ["Boundaries", "Spans", "boundaries_of", "set_by_hand", "spans_between"]

Spans = tuple[float, float, float]
"""Of one take of two labellers: distance of the starts and of the ends in seconds, and the share
of time that is in both of what is in either."""


@dataclass(frozen=True, slots=True)
class Boundaries:
    """How near the ends are that two labellers set to the same takes.

    Parameters
    ----------
    onset_s, end_s : Estimate
        Mean absolute difference of the starts and of the ends, seconds.
    overlap : Estimate
        Mean intersection over union of the takes' time, 0 to 1.
    """

    onset_s: Estimate
    end_s: Estimate
    overlap: Estimate

    def to_json(self) -> dict[str, object]:
        """Return it as plain JSON values."""
        return {
            "onset_s": self.onset_s.to_json(),
            "end_s": self.end_s.to_json(),
            "intersection_over_union": self.overlap.to_json(),
        }


def set_by_hand(event: Event) -> bool:
    """Tell whether a take has ends of its own: one that is its cue's was never moved."""
    return (event.onset_s, event.duration_s) != (event.cue_onset_s, event.cue_duration_s)


def spans_between(first: Event, second: Event) -> Spans:
    """Return the distances between two takes of one cue, and the share of time in common."""
    common = min(first.end_s, second.end_s) - max(first.onset_s, second.onset_s)
    either = max(first.end_s, second.end_s) - min(first.onset_s, second.onset_s)
    share = max(0.0, common) / either if either else 1.0  # of no length, at the same place
    return abs(first.onset_s - second.onset_s), abs(first.end_s - second.end_s), share


def boundaries_of(people: Sequence[Sequence[Spans]]) -> Boundaries | None:
    """Return the mean distances over all takes, with intervals over people; None without takes.

    Parameters
    ----------
    people : sequence of sequence of Spans
        One a person.
    """
    parts = [spans for spans in people if spans]
    n = sum(len(spans) for spans in parts)
    if not n:
        return None

    def mean_of(column: int, most: float) -> Estimate:
        def mean(some: Sequence[Sequence[Spans]]) -> float | None:
            values = [spans[column] for each in some for spans in each]
            return math.fsum(values) / len(values) if values else None

        return over_people(parts, mean, n, (0.0, most))

    return Boundaries(mean_of(0, math.inf), mean_of(1, math.inf), mean_of(2, 1.0))
