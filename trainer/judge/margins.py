"""Margins: how sure a score must be, chosen on training participants held out in turn.

Everyday life looks like some gestures more than like others, so that each gesture has a margin of
its own (thresholds for each class: G. Fumera, F. Roli and G. Giacinto, Pattern Recognition 33,
2000).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from runtime.stages.contract.stage import Float64
from trainer.judge.events import (
    Margins,
    Ranked,
    Stream,
    decision_for,
    detected_events,
    rank_gestures,
)
from trainer.judge.matching import EventCounts, f_measure, match_moments, recall, total
from trainer.recipe import Recipe

__all__ = [
    "N_MARGINS",
    "AtMargin",
    "choose_margins",
    "count_at",
    "figures_at",
    "margin_grid",
    "margins_without",
    "trade_off",
]

N_MARGINS = 48
"""Shares of the largest, as squares: steps of 3 % of it at its half, and finer below."""
PRICES = np.geomspace(1e-3, 1e3, 61)
"""Of one false event, in gestures detected: from one that nobody minds to one that no gesture is
worth; ten a decade, as a count of a few events is seldom surer than that."""


def margin_grid(
    streams: Sequence[Stream], recipe: Recipe, more: tuple[float, ...] = ()
) -> list[Margins]:
    """Return common margins from none to the largest that any gesture reached, real units.

    They are closest where they are small; beyond the last one nothing would be detected.

    Parameters
    ----------
    more : tuple of float
        What each gesture needs on top of the common margin; nothing where empty.
    """
    common = _common_margins(streams, _ranked(streams, recipe), recipe)
    return _with_more(common, more or (0.0,) * len(recipe.classes))


@dataclass(frozen=True, slots=True)
class AtMargin:
    """How many events streams have at a margin.

    Parameters
    ----------
    margin : Margins
    counts : tuple of EventCounts
        One for each stream.
    """

    margin: Margins
    counts: tuple[EventCounts, ...]


def trade_off(
    streams: Sequence[Stream], recipe: Recipe, margins: Sequence[Margins]
) -> list[dict[str, Any]]:
    """Return event F1 and false events per hour at each of some margins.

    F1 is over the streams with gestures, false events over the background or, without any, over
    all streams.

    Parameters
    ----------
    margins : sequence of Margins

    Returns
    -------
    list of dict
        ``margin`` (the common one), ``f1``, ``recall``, ``false_per_hour``.
    """
    return figures_at(streams, count_at(streams, recipe, margins))


def count_at(
    streams: Sequence[Stream], recipe: Recipe, margins: Sequence[Margins]
) -> list[AtMargin]:
    """Count the events of each stream at each of some margins, in their order."""
    return _counted(streams, _ranked(streams, recipe), recipe, margins)


def choose_margins(streams: Sequence[Stream], recipe: Recipe) -> Margins:
    """Choose the margins that events need.

    With background streams: first what each gesture needs more than the others; then, of the common
    margins whose false events per hour are within the recipe's limit, the one with the best event
    F1; where none is within it, of all, because a model that detects nothing is none. Of equals,
    the middle one is farthest from where the figures change. Without background: the same for all,
    the one that the recipe's share of right answers to gestures pass.

    Parameters
    ----------
    streams : sequence of Stream
        Of training participants, scored by models that had not seen them. The final test's
        participants take no part.
    """
    return margins_without(streams, recipe, [()])[0]


def margins_without(
    streams: Sequence[Stream], recipe: Recipe, left_out: Sequence[Collection[int]]
) -> list[Margins]:
    """Choose margins several times, each time without some of the streams.

    Margins that were chosen on the people who are then judged by them flatter: without these, they
    do not. Which margins there are to choose from is the same each time.

    Parameters
    ----------
    streams : sequence of Stream
    left_out : sequence of collection of int
        Places of the streams that have no part in each choice; not all of them.

    Returns
    -------
    list of Margins
        One for each of `left_out`.
    """
    by_events = [_tell_of_events([s for i, s in enumerate(streams) if i not in out])
                 for out in left_out]  # fmt: skip
    table = _tabled(streams, recipe) if any(by_events) else None
    found = []
    for out, with_events in zip(left_out, by_events, strict=True):
        own = [index for index in range(len(streams)) if index not in out]
        if table is not None and with_events:
            found.append(table.choose(own))
        else:
            margin = _margin_by_recall([streams[index] for index in own], recipe)
            found.append(Margins(margin, (0.0,) * len(recipe.classes)))
    return found


def _tell_of_events(streams: Sequence[Stream]) -> bool:
    """Tell whether there is background, and a gesture whose place is known."""
    return any(s.background for s in streams) and any(s.references for s in streams)


@dataclass(frozen=True, slots=True)
class _Table:
    """What a choice of margins is made of, worked out once: this looks at all frames.

    Parameters
    ----------
    streams, ranks : sequences
        Of as many.
    recipe : Recipe
    common : list of float
        Margins to choose from.
    gained, false : float64 (n_streams, n_gestures, n_margins)
        As :func:`_alone` counts them.
    """

    streams: Sequence[Stream]
    ranks: Sequence[Ranked]
    recipe: Recipe
    common: list[float]
    gained: Float64
    false: Float64

    def choose(self, own: Sequence[int]) -> Margins:
        """Choose on some of the streams."""
        streams, ranks = [self.streams[i] for i in own], [self.ranks[i] for i in own]
        grid = _with_more(self.common, self._more_of_each(own))
        rows = figures_at(streams, _counted(streams, ranks, self.recipe, grid))
        limit = self.recipe.decision.max_false_per_hour
        pairs = list(zip(grid, rows, strict=True))
        within = [p for p in pairs if p[1]["false_per_hour"] <= limit and p[1]["f1"] > 0] or pairs
        best = max(row["f1"] for _, row in within)
        equals = [margins for margins, row in within if row["f1"] == best]
        return equals[len(equals) // 2]

    def _more_of_each(self, own: Sequence[int]) -> tuple[float, ...]:
        """Return what each gesture's margin is above the lowest one, real units.

        A false event has one price for all gestures, in gestures detected; each gesture takes the
        margin that is best at that price, which is the lowest one that keeps the recipe's limit.
        That a gesture has no false events yet does not mean that it will have none: one more is
        counted for each, as sure as all gestures' are.
        """
        gained, false = (each[list(own)].sum(axis=0) for each in (self.gained, self.false))
        likely = false + false.sum(axis=0) / max(1.0, float(false.sum(axis=0)[0]))
        hours = sum(self.streams[i].hours for i in own if self.streams[i].background)
        limit = self.recipe.decision.max_false_per_hour
        gestures = np.arange(len(self.recipe.classes))
        for price in PRICES:
            chosen = (gained - price * likely).argmax(axis=1)
            if round(float(false[gestures, chosen].sum()) / hours, 6) <= limit:
                break
        margins = [self.common[index] for index in chosen]
        return tuple(margin - min(margins) for margin in margins)


def _tabled(streams: Sequence[Stream], recipe: Recipe) -> _Table:
    ranks = _ranked(streams, recipe)
    common = _common_margins(streams, ranks, recipe)
    return _Table(streams, ranks, recipe, common, *_alone(streams, ranks, recipe, common))


def _common_margins(
    streams: Sequence[Stream], ranks: Sequence[Ranked], recipe: Recipe
) -> list[float]:
    largest = 0.0
    for stream, ranked in zip(streams, ranks, strict=True):
        moments = stream.time_s[ranked.frames]
        for reference in stream.references:
            first, last = np.searchsorted(
                moments, (reference.onset_s, reference.offset_s + recipe.evaluation.max_latency_s)
            )
            own = ranked.margin[first:last][ranked.best[first:last] == reference.label]
            if len(own):
                largest = max(largest, float(own.max()) * stream.score_unit)
    return [float(margin) for margin in largest * np.linspace(0.0, 1.0, N_MARGINS) ** 2]


def _with_more(common: Sequence[float], more: tuple[float, ...]) -> list[Margins]:
    return [Margins(margin, more) for margin in common]


def _counted(
    streams: Sequence[Stream],
    ranks: Sequence[Ranked],
    recipe: Recipe,
    margins: Sequence[Margins],
) -> list[AtMargin]:
    found = []
    for margin in margins:
        counts = []
        for stream, ranked in zip(streams, ranks, strict=True):
            decision = decision_for(recipe, margin, stream.score_unit)
            detected = detected_events(stream, decision, ranked)
            pairs = match_moments(detected, stream.references, recipe.evaluation.max_latency_s)
            counts.append(EventCounts(len(pairs), len(detected), len(stream.references)))
        found.append(AtMargin(margin, tuple(counts)))
    return found


def figures_at(streams: Sequence[Stream], counted: Sequence[AtMargin]) -> list[dict[str, Any]]:
    """Return what :func:`trade_off` does, from counts that were made already."""
    background = [stream.background for stream in streams]
    counted_on = np.array(background) if any(background) else np.ones(len(streams), dtype=bool)
    hours = sum(s.hours for s, counted in zip(streams, counted_on, strict=True) if counted)
    rows = []
    for margin, counts in ((each.margin, each.counts) for each in counted):
        gestures = total(c for c in counts if c.references)
        n_false = sum(
            c.detected - c.right for c, counted in zip(counts, counted_on, strict=True) if counted
        )
        rows.append(
            {
                "margin": round(margin.common, 6),
                "f1": round(f_measure(gestures), 6),
                "recall": round(recall(gestures), 6),
                "false_per_hour": round(n_false / hours, 6) if hours else 0.0,
            }
        )
    return rows


def _alone(
    streams: Sequence[Stream], ranks: Sequence[Ranked], recipe: Recipe, common: Sequence[float]
) -> tuple[Float64, Float64]:
    """Count what each gesture's events are at each margin, as if no other were ever detected.

    Returns
    -------
    gained, false : float64 (n_streams, n_gestures, n_margins)
        Right events less wrong ones, where gestures were performed; events of the background.
    """
    counts = np.zeros((2, len(streams), len(recipe.classes), len(common)))
    nothing = (0.0,) * len(recipe.classes)
    for place, (stream, ranked) in enumerate(zip(streams, ranks, strict=True)):
        for gesture in np.unique(ranked.best):
            only = ranked.of(int(gesture))
            for index, margin in enumerate(common):
                decision = decision_for(recipe, Margins(margin, nothing), stream.score_unit)
                detected = detected_events(stream, decision, only)
                if stream.background:
                    counts[1, place, gesture, index] += len(detected)
                elif detected:
                    references = stream.references
                    right = match_moments(detected, references, recipe.evaluation.max_latency_s)
                    counts[0, place, gesture, index] += 2 * len(right) - len(detected)
    return counts[0], counts[1]


def _margin_by_recall(streams: Sequence[Stream], recipe: Recipe) -> float:
    passed: list[Float64] = []
    for stream in streams:
        scores = stream.scores[stream.take_frames].astype(np.float64)
        right = scores.argmax(axis=1) == stream.take_labels
        ordered = np.sort(scores[right & (stream.take_labels < len(recipe.classes))], axis=1)
        passed.append((ordered[:, -1] - ordered[:, -2]) * stream.score_unit)
    margins = np.concatenate(passed) if passed else np.zeros(0)
    return float(np.quantile(margins, 1 - recipe.decision.recall)) if len(margins) else 0.0


def _ranked(streams: Sequence[Stream], recipe: Recipe) -> list[Ranked]:
    other = tuple(index >= len(recipe.classes) for index in range(len(recipe.answers)))
    return [rank_gestures(stream.scores, other) for stream in streams]
