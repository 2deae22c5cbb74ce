"""Margins: how sure a score must be, chosen on training participants held out in turn."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from runtime.stages.contract import Float64
from trainer.events import Ranked, Stream, decision_for, rank_gestures, told_events
from trainer.matching import Counts, f_measure, match_moments, total
from trainer.recipe import Recipe

__all__ = ["N_MARGINS", "choose_margin", "margin_grid", "trade_off"]

N_MARGINS = 40


def margin_grid(streams: Sequence[Stream], recipe: Recipe) -> list[float]:
    """Return margins from none to the largest that any gesture reached, real units, evenly spaced.

    Beyond the last one nothing would be told.
    """
    largest = 0.0
    for stream, ranked in zip(streams, _ranked(streams, recipe), strict=True):
        moments = stream.time_s[ranked.frames]
        for made in stream.references:
            first, last = np.searchsorted(
                moments, (made.onset_s, made.offset_s + recipe.evaluation.max_latency_s)
            )
            own = ranked.margin[first:last][ranked.best[first:last] == made.label]
            if len(own):
                largest = max(largest, float(own.max()) * stream.score_unit)
    return [float(margin) for margin in np.linspace(0.0, largest, N_MARGINS)]


def trade_off(
    streams: Sequence[Stream], recipe: Recipe, margins: Sequence[float]
) -> list[dict[str, Any]]:
    """Return event F1 and false events per hour at each margin.

    F1 is over the streams with gestures, false events over the background or, without any, over
    all streams.

    Parameters
    ----------
    margins : sequence of float
        Real units.

    Returns
    -------
    list of dict
        ``margin``, ``f1``, ``recall``, ``false_per_hour``.
    """
    background = [stream.background for stream in streams]
    counted_on = np.array(background) if any(background) else np.ones(len(streams), dtype=bool)
    hours = sum(s.hours for s, counted in zip(streams, counted_on, strict=True) if counted)
    ranks = _ranked(streams, recipe)
    rows = []
    for margin in margins:
        counts = []
        for stream, ranked in zip(streams, ranks, strict=True):
            decision = decision_for(recipe, margin, stream.score_unit)
            told = told_events(stream, decision, ranked)
            pairs = match_moments(told, stream.references, recipe.evaluation.max_latency_s)
            counts.append(Counts(len(pairs), len(told), len(stream.references)))
        gestures = total(c for c in counts if c.made)
        n_false = sum(
            c.told - c.right for c, counted in zip(counts, counted_on, strict=True) if counted
        )
        rows.append(
            {
                "margin": round(margin, 6),
                "f1": round(f_measure(gestures), 6),
                "recall": round(gestures.right / gestures.made, 6) if gestures.made else 0.0,
                "false_per_hour": round(n_false / hours, 6) if hours else 0.0,
            }
        )
    return rows


def choose_margin(streams: Sequence[Stream], recipe: Recipe) -> float:
    """Choose the margin that an event needs, real units.

    With background streams: of the margins whose false events per hour are within the recipe's
    limit, the one with the best event F1; where none is within it, of all margins, because a model
    that tells nothing is none. Of equals, the middle one is farthest from where the figures change.
    Without background: the one that the recipe's share of right answers to gestures pass.

    Parameters
    ----------
    streams : sequence of Stream
        Of training participants, scored by models that had not seen them. The final test's
        participants take no part.
    """
    if not any(s.background for s in streams) or not any(s.references for s in streams):
        return _margin_by_recall(streams, recipe)
    rows = trade_off(streams, recipe, margin_grid(streams, recipe))
    limit = recipe.decision.max_false_per_hour
    within = [row for row in rows if row["false_per_hour"] <= limit and row["f1"] > 0] or rows
    best = max(row["f1"] for row in within)
    equals = [float(row["margin"]) for row in within if row["f1"] == best]
    return equals[len(equals) // 2]


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
