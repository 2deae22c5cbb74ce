"""Figures of streams: event F1, false events per hour, latency, each with its interval.

Streams with gestures give F1, precision, recall and latency; streams of the background, in which
any event is false, give the false events per hour. Where a data set has no background, those are
counted on the streams with gestures, and the figures say so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from runtime.intervals import garwood, garwood_upper
from trainer.judge.evaluate import rounded_figure
from trainer.judge.events import (
    Detection,
    Margins,
    Reference,
    Stream,
    decision_for,
    detected_events,
)
from trainer.judge.intervals import over_participants
from trainer.judge.matching import (
    EventCounts,
    EventSpan,
    f_measure,
    match_intervals,
    match_moments,
    precision,
    recall,
    total,
)
from trainer.recipe import Recipe

__all__ = ["MatchedStream", "Placing", "learn_placing", "match_streams", "stream_figures"]

LATENCY_STEP_MS = 50
"""Of the histogram: a frame and a half at 30 a second, so that no bar is empty by counting
frames."""
LATENCY_PERCENTILE = 95
"""One answer in twenty comes later: what people call slow, rather than the slowest of all."""


@dataclass(frozen=True, slots=True)
class MatchedStream:
    """A stream, the events detected in it, and which of them are right.

    Parameters
    ----------
    stream : Stream
    detected : list of Detection
    pairs : list of (int, int)
        Indices of right events into `detected`, and of their gestures into the stream's references.
    """

    stream: Stream
    detected: list[Detection]
    pairs: list[tuple[int, int]]

    @property
    def counts(self) -> EventCounts:
        """Right, detected and reference events."""
        return EventCounts(len(self.pairs), len(self.detected), len(self.stream.references))

    def latencies_s(self) -> list[float]:
        """Return, for each right event, how long after its reference's end it came; seconds."""
        references = self.stream.references
        return [self.detected[d].detected_s - references[r].offset_s for d, r in self.pairs]

    def after_onset_s(self) -> list[float]:
        """Return, for each right event, how long after its reference's onset it came; seconds."""
        references = self.stream.references
        return [self.detected[d].detected_s - references[r].onset_s for d, r in self.pairs]


@dataclass(frozen=True, slots=True)
class Placing:
    """Where a gesture is taken to have been when an event is detected; learned in training.

    Parameters
    ----------
    latency_s : float
        Median time from a gesture's end to its event.
    length_s : float
        Median length of a gesture.
    """

    latency_s: float
    length_s: float

    def interval(self, event: Detection) -> EventSpan:
        """Return the stretch of time that an event stands for."""
        end = event.detected_s - self.latency_s
        return EventSpan(end - self.length_s, end, event.label)


def match_streams(
    streams: Sequence[Stream], recipe: Recipe, margins: Margins
) -> list[MatchedStream]:
    """Detect the events of streams that reach the margins, and match them with the references."""
    matched = []
    for stream in streams:
        detected = detected_events(stream, decision_for(recipe, margins, stream.score_unit))
        pairs = match_moments(detected, stream.references, recipe.evaluation.max_latency_s)
        matched.append(MatchedStream(stream, detected, pairs))
    return matched


def learn_placing(matched: Sequence[MatchedStream]) -> Placing:
    """Learn from right events of training people, held out in turn, where gestures lie."""
    latencies = [latency for one in matched for latency in one.latencies_s()]
    lengths = [r.offset_s - r.onset_s for one in matched for r in one.stream.references]
    return Placing(
        round(float(np.median(latencies)), 6) if latencies else 0.0,
        round(float(np.median(lengths)), 6) if lengths else 0.0,
    )


def stream_figures(
    matched: Sequence[MatchedStream], recipe: Recipe, placing: Placing
) -> dict[str, Any]:
    """Return the figures of streams, as they stand in evaluation.json under ``events``.

    Parameters
    ----------
    matched : sequence of MatchedStream
        Of the participants examined.
    placing : Placing
        Learned from other participants.

    Returns
    -------
    dict
        ``f1``, ``precision``, ``recall``, ``interval_f1`` and ``onset_f1`` (value, low, high,
        n_participants, n_events), ``false_events_per_hour``, ``latency_ms``, ``reference_ends``.
    """
    evaluation = recipe.evaluation
    gestures = [one for one in matched if one.stream.references]

    def by_interval(one: MatchedStream, offset_share: float | None) -> EventCounts:
        right = match_intervals(
            [placing.interval(event) for event in one.detected],
            one.stream.references,
            collar_s=evaluation.collar_s,
            offset_share=offset_share,
        )
        return one.counts._replace(right=right)

    moments = [(one.stream.participant, one.counts) for one in gestures]
    intervals, onsets = (
        [(one.stream.participant, by_interval(one, share)) for one in gestures]
        for share in (evaluation.offset_share, None)
    )
    return {
        "f1": _figure(moments, f_measure),
        "precision": _figure(moments, precision, "detected"),
        "recall": _figure(moments, recall),
        "interval_f1": _figure(intervals, f_measure),
        "onset_f1": _figure(onsets, f_measure),
        "false_events_per_hour": false_rate(matched),
        "latency_ms": _latency([ms for one in gestures for ms in one.latencies_s()]),
        "after_onset_ms": _median_and_p95([s for one in gestures for s in one.after_onset_s()]),
        "reference_ends": _reference_ends(
            reference for one in gestures for reference in one.stream.references
        ),
        "rules": {
            "collar_s": evaluation.collar_s,
            "offset_share": evaluation.offset_share,
            "max_latency_s": evaluation.max_latency_s,
            "max_false_per_hour": recipe.decision.max_false_per_hour,
            "placed_before_s": placing.latency_s,
            "placed_length_s": placing.length_s,
        },
    }


def false_rate(matched: Sequence[MatchedStream]) -> dict[str, Any]:
    """Return false events per hour, with Garwood's interval and the one-sided bound at 95 %.

    Counted on the background's streams; without any, on those with gestures, where an event that
    is not right is false.
    """
    background = [one for one in matched if one.stream.background]
    counted = background or list(matched)
    hours = sum(one.stream.hours for one in counted)
    n_events = sum(len(one.detected) - len(one.pairs) for one in counted)
    low, high = garwood(n_events, hours)
    return {
        "value": round(n_events / hours, 6),
        "low": round(low, 6),
        "high": round(high, 6),
        "upper_95": round(garwood_upper(n_events, hours), 6),
        "n_events": n_events,
        "hours": round(hours, 6),
        "n_participants": len({one.stream.participant for one in counted}),
        "counted_on": "background" if background else "recordings of gestures",
    }


def _figure(
    parts: Sequence[tuple[str, EventCounts]],
    measure: Callable[[EventCounts], float],
    field: Literal["detected", "references"] = "references",
) -> dict[str, Any]:
    """Return a share over all streams with its interval over participants.

    It is taken of the events of `field`, as many as which the interval rests on.
    """
    names = sorted({name for name, _ in parts})
    each = [measure(total(counts for name, counts in parts if name == who)) for who in names]
    everyone = total(counts for _, counts in parts)
    n_events = int(getattr(everyone, field))
    # Without an event to count on, each participant still counts as one.
    interval = over_participants(each, max(n_events, len(names)))
    figure = rounded_figure(measure(everyone), interval)
    return figure | {"n_participants": len(names), "n_events": n_events}


def _latency(latencies_s: Sequence[float]) -> dict[str, Any]:
    """Return median, 95th percentile and histogram of latencies, milliseconds.

    Latencies are whole microseconds, as clocks count: an event at a bar's end is in the next one,
    whatever the last bit of a difference of two moments is.
    """
    steps = np.floor(np.round(np.array(latencies_s) * 1e3, 3) / LATENCY_STEP_MS).astype(int)
    bins, counts = np.unique(steps, return_counts=True)
    return _median_and_p95(latencies_s) | {
        "histogram": [
            {"from": LATENCY_STEP_MS * low, "to": LATENCY_STEP_MS * (low + 1), "n_events": n}
            for low, n in zip(bins.tolist(), counts.tolist(), strict=True)
        ],
    }


def _median_and_p95(times_s: Sequence[float]) -> dict[str, Any]:
    """Return median and 95th percentile in milliseconds, None without any."""
    ms = np.array(times_s) * 1e3
    return {
        "median": round(float(np.median(ms)), 3) if len(ms) else None,
        "p95": round(float(np.percentile(ms, LATENCY_PERCENTILE)), 3) if len(ms) else None,
        "n_events": len(ms),
    }


def _reference_ends(references: Iterable[Reference]) -> dict[str, int]:
    """Count where the gestures' ends come from."""
    from_labels = [reference.from_labels for reference in references]
    return {"person": sum(from_labels), "alignment": len(from_labels) - sum(from_labels)}
