"""The examination: every take and every stream of held-out people, judged by each pipeline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import softmax

from capture.store.dataset import Participant
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.corpus.noted import Column
from trainer.corpus.reduced import Reduced
from trainer.judge.calibration import calibrate, expected_calibration_error, log_loss
from trainer.judge.evaluate import (
    Conditions,
    Takes,
    confusion,
    difference,
    figures,
    majority,
    together,
)
from trainer.judge.event_figures import MatchedStream, learn_placing, match_streams, stream_figures
from trainer.judge.events import Margins, Reference, Stream
from trainer.judge.groups import (
    MIN_PEOPLE,
    distance_bands,
    further_groupings,
    group_figures,
    worst_group,
)
from trainer.judge.margins import AtMargin, count_at, figures_at, margin_grid, trade_off
from trainer.judge.worst_takes import WorstTake, false_events, find_worst_takes
from trainer.recipe import OTHER, Recipe

__all__ = ["PIPELINES", "Examination", "InTurn", "examine", "stream_of"]

QUADRANTS = ("four_quadrant", "four_quadrant_float")
PIPELINES = ("float", "fixed", *QUADRANTS)
TRADE_OFFS = "trade_off", "trade_off_in_turn"


def stream_of(
    reduced: Reduced,
    scores: Int32 | Float64,
    recipe: Recipe,
    sensor: Sensor,
    score_unit: float = 1.0,
) -> Stream:
    """Put together what the examination needs of one scored recording.

    A gesture's reference has the bounds of its label where a person set them, else those of the
    movement that alignment finds inside its cue. Bounds that the recorder refined from the readout
    take in the way back to rest, and would make every event look early.

    Parameters
    ----------
    scores : int32 or float64 (n_frames, n_classes)
        Of every frame, in steps of `score_unit`.
    """
    time_s = reduced.time_s
    references = []
    for cue, start, end in zip(reduced.cues, reduced.starts, reduced.ends, strict=True):
        if cue.take and cue.label < len(recipe.classes):
            first, last = (cue.start, cue.stop - 1) if cue.from_labels else (start, end)
            bounds = float(time_s[first]), float(time_s[last])
            references.append(Reference(*bounds, cue.label, cue.from_labels))
    spans = [
        (start, end)
        for cue, start, end in zip(reduced.cues, reduced.starts, reduced.ends, strict=True)
        if cue.take
    ]
    starts, ends = np.array(spans, dtype=np.int64).reshape(-1, 2).T
    labels = np.array([cue.label for cue, _ in reduced.takes], dtype=np.int64)
    return Stream(
        reduced.recording,
        time_s,
        scores,
        score_unit,
        starts,
        reduced.judged_frames(scores, recipe),
        labels,
        tuple(sorted(references)),
        _conditions(reduced, sensor, starts, ends),
        # Where no cue is left, nobody knows what was done: that is no everyday time.
        bool(reduced.cues) and not any(cue.take for cue in reduced.cues),
        ends,
    )


def _conditions(reduced: Reduced, sensor: Sensor, starts: Int64, ends: Int64) -> Conditions:
    """Measure ambient light and returned light over each take's movement."""
    level = reduced.values.sum(axis=1, dtype=np.int64)
    ambient = (reduced.dark - sensor.black_level_counts) / sensor.max_counts
    spans = [slice(start, end + 1) for start, end in zip(starts, ends, strict=True)]
    return Conditions(
        np.array([ambient[span].mean() for span in spans], dtype=np.float64),
        np.array([level[span].max() for span in spans], dtype=np.float64),
        np.full(len(spans), reduced.recording.distance_mm or np.nan),
        tuple(dict(cue.noted) for cue, _ in reduced.takes),
    )


@dataclass(frozen=True, slots=True)
class InTurn:
    """Training participants, each asked about by a model that had not seen them.

    Parameters
    ----------
    streams : sequence of Stream
        Their recordings, scored in fixed point.
    quadrants : Takes or None
        The same takes, in the same order, answered by the same pipeline on four quadrants; None
        where that was left out.
    """

    streams: Sequence[Stream]
    quadrants: Takes | None


@dataclass(frozen=True, slots=True)
class Examination:
    """What evaluation.json holds of an examination, and the takes that the page shows.

    Parameters
    ----------
    evaluation : dict
    worst : tuple of WorstTake
    at_margins : tuple of (list of AtMargin), length 2, or empty
        What the trade-off rests on: of the locked people's streams, and of the training people's.
    """

    evaluation: dict[str, Any]
    worst: tuple[WorstTake, ...]
    at_margins: tuple[list[AtMargin], ...] = ()


def examine(
    recipe: Recipe,
    people: Mapping[str, Participant],
    streams: Mapping[str, Sequence[Stream]],
    in_turn: InTurn,
    margins: Margins,
    train_labels: NDArray[np.int64],
    columns: Sequence[Column] = (),
) -> Examination:
    """Judge every take and every stream of the locked participants.

    Parameters
    ----------
    people : mapping of str to Participant
        By pseudonym.
    streams : mapping
        Recordings of the locked participants, scored by each of :data:`PIPELINES`; those of four
        quadrants may be left out.
    in_turn : InTurn
        What was answered about the training participants.
    margins : Margins
        Chosen on the streams of `in_turn`.
    train_labels : int64 (n_windows,)
        Classes of the training windows, for the majority baseline.
    columns : sequence of Column
        What else is noted of people, by which results are grouped as well.
    """
    judged = {name: together([s.takes for s in streams[name]]) for name in streams}
    held_out, fixed = in_turn.streams, judged["fixed"]
    trained_on = together([stream.takes for stream in held_out])
    n_classes = len(recipe.answers)
    matched = match_streams(streams["fixed"], recipe, margins)
    worst = find_worst_takes(matched, recipe)
    result: dict[str, Any] = {
        **{name: figures(takes) for name, takes in judged.items()},
        "majority": figures(majority(fixed, train_labels)),
        "cross_validation": figures(trained_on),
        **_everybody(trained_on, in_turn.quadrants, judged),
        "confusion": confusion(fixed, n_classes),
        "calibration": _calibration(streams["fixed"], held_out),
        "per_participant": _per_participant({"locked": fixed, "in_turn": trained_on}),
        "worst_takes": [take.summary for take in worst],
        **_by_group((people, columns), streams["fixed"], held_out),
    }
    if "four_quadrant" in judged:
        result["confusion_four_quadrant"] = confusion(judged["four_quadrant"], n_classes)
        result["opponent"] = max(
            QUADRANTS, key=lambda name: result[name]["accuracy"]["value"]
        )  # a baseline that loses by its own rounding would be beaten for nothing
    at_margins: tuple[list[AtMargin], ...] = ()
    if OTHER in recipe.answers:
        sides = streams["fixed"], held_out
        at_margins = tuple(
            count_at(side, recipe, margin_grid(side, recipe, margins.more)) for side in sides
        )
        result["events"] = _events(recipe, matched, held_out, margins)
        for name, side, counted in zip(TRADE_OFFS, sides, at_margins, strict=True):
            result["events"][name] = figures_at(side, counted)
    return Examination(result, worst, at_margins)


def _everybody(
    trained_on: Takes, in_quadrants: Takes | None, judged: Mapping[str, Takes]
) -> dict[str, Any]:
    """Return figures of everybody, each asked once by a model that had not seen them.

    With them go the differences between pipelines, paired over people.
    """
    fixed = judged["fixed"]
    everybody = together([trained_on, fixed])
    found: dict[str, Any] = {"everybody": figures(everybody)}
    differences = {
        name: difference(fixed, takes) for name, takes in judged.items() if name != "fixed"
    }
    if in_quadrants is not None and "four_quadrant" in judged:
        quadrants = together([in_quadrants, judged["four_quadrant"]])
        found["everybody_four_quadrant"] = figures(quadrants)
        differences["everybody_four_quadrant"] = difference(everybody, quadrants)
    return found | {"differences": differences}


def _by_group(
    known: tuple[Mapping[str, Participant], Sequence[Column]],
    test: Sequence[Stream],
    held_out: Sequence[Stream],
) -> dict[str, Any]:
    """Return results by group of the locked people, and of the training people in turn."""
    people, columns = known
    sides = {"": test, "_in_turn": held_out}
    tables = {
        key: (together([s.takes for s in side]), _joined([s.conditions for s in side]))
        for key, side in sides.items()
    }
    everybody = together([takes for takes, _ in tables.values()])
    everything = _joined([c for _, c in tables.values()])
    distances = distance_bands(everybody, everything, people)
    further = further_groupings(everybody, everything, columns)
    found: dict[str, Any] = {
        "distance_source": "ruler" if distances.noted else "light",
        "least_people": MIN_PEOPLE,
    }
    for key, (takes, conditions) in tables.items():
        groups = group_figures(takes, conditions, people, distances, further)
        found[f"groups{key}"] = groups
        found[f"worst_group{key}"] = worst_group(groups)
    return found


def _joined(parts: Sequence[Conditions]) -> Conditions:
    return Conditions(
        np.concatenate([part.ambient for part in parts]),
        np.concatenate([part.returned for part in parts]),
        np.concatenate([part.distance_mm for part in parts]),
        tuple(noted for part in parts for noted in part.noted),
    )


def _per_participant(sides: Mapping[str, Takes]) -> list[dict[str, Any]]:
    """Return each participant's share of right takes."""
    rows = []
    for side, takes in sides.items():
        names = np.array(takes.participants)
        for name in sorted(set(takes.participants)):
            right = (takes.labels == takes.answers)[names == name]
            rows.append(
                {
                    "participant": name,
                    "side": side,
                    "n_takes": len(right),
                    "n_right": int(right.sum()),
                }
            )
    return rows


def _calibration(test: Sequence[Stream], held_out: Sequence[Stream]) -> dict[str, Any]:
    """Learn a temperature from training people in turn; say what it does for the locked people."""
    scores, labels = _take_scores(held_out)
    learned = calibrate(scores, labels)
    scores, labels = _take_scores(test)
    before, after = softmax(scores, axis=1), learned.probabilities(scores)
    measures = {"error": expected_calibration_error, "log_loss": log_loss}
    return {
        "temperature": round(learned.temperature, 6),
        "n_takes": learned.n_takes,
        "score_unit": float(f"{test[0].score_unit:.6g}"),
        **{
            name: {
                "before": round(measure(before, labels), 6),
                "after": round(measure(after, labels), 6),
            }
            for name, measure in measures.items()
        },
    }


def _take_scores(streams: Sequence[Stream]) -> tuple[Float64, Int64]:
    """Return the real scores at each take's frame, and its class."""
    scores = [s.scores[s.take_frames].astype(np.float64) * s.score_unit for s in streams]
    return np.concatenate(scores), np.concatenate([s.take_labels for s in streams])


def _events(
    recipe: Recipe, matched: Sequence[MatchedStream], held_out: Sequence[Stream], margins: Margins
) -> dict[str, Any]:
    return {
        **stream_figures(matched, recipe, learn_placing(match_streams(held_out, recipe, margins))),
        "margin": round(margins.common, 6),
        "more_margin": {
            name: round(more, 6) for name, more in zip(recipe.classes, margins.more, strict=True)
        },
        "in_turn": trade_off(held_out, recipe, [margins])[0],
        "false_events": false_events(matched, recipe),
    }
