"""Every take and every event one by one: the tables from which a page's figures can be made again.

``predictions.csv`` has a row for each take and pipeline: those of the locked people, and those of
training people answered by fits that had not seen them. ``events.csv`` has a row for each event of
the stream and for each gesture that had none, ``sessions.csv`` how long each recording watched,
``margins.csv`` how many events it would have had at each step of the trade-off's margins: these
three where figures are of events, which a recipe without an answer for everything else has not.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.store.session import READOUTS_SUFFIX
from runtime.files import write_whole
from runtime.stages.contract.stage import Float64
from trainer.corpus.recordings import Recording
from trainer.judge.event_figures import MatchedStream
from trainer.judge.events import Stream
from trainer.judge.margins import AtMargin
from trainer.judge.matching import EventCounts
from trainer.recipe import Recipe

__all__ = ["IN_TURN", "LOCKED", "Records", "records_of", "write_measured", "write_records"]

LOCKED, IN_TURN = "locked", "in_turn"
Row = dict[str, Any]
_TAKE = ("participant", "session", "side", "pipeline", "take", "reference", "detected")
_TIMES = ("start_s", "end_s", "judged_s", "latency_ms", "ambient", "returned", "distance_mm")
_EVENT = (
    "participant", "session", "side", "background", "event_s", "detected", "right",
    "reference", "start_s", "end_s", "latency_ms",
)  # fmt: skip
_SESSION = ("participant", "session", "side", "background", "n_frames", "hours")
_AT_MARGIN = (
    "participant", "session", "side", "background", "step", "margin", "n_right", "n_detected",
    "n_references",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Records:
    """Rows of the four tables, in order.

    Parameters
    ----------
    classes : tuple of str
        Whose scores stand in a row of `predictions`, as columns ``score_<class>``.
    predictions, events, sessions, margins : tuple of dict
        By column; what is not known is None.
    """

    classes: tuple[str, ...]
    predictions: tuple[Row, ...]
    events: tuple[Row, ...]
    sessions: tuple[Row, ...]
    margins: tuple[Row, ...] = ()

    def with_takes(
        self, pipeline: str, recording: Recording, labels: Sequence[int], scores: Float64
    ) -> Records:
        """Return the records with takes of a training person, answered by a further fit.

        Parameters
        ----------
        pipeline : str
            Tells the fit from the others.
        labels : sequence of int, length n_takes
            Classes that were cued.
        scores : float64 (n_takes, n_classes)
            Real units.
        """
        head = _head(recording, IN_TURN) | {"pipeline": pipeline}
        rows = [
            head | {"take": take} | _answer(self.classes, label, values)
            for take, (label, values) in enumerate(zip(labels, scores, strict=True))
        ]
        return replace(self, predictions=(*self.predictions, *rows))


def records_of(
    recipe: Recipe,
    streams: tuple[Mapping[str, Sequence[Stream]], Sequence[Stream]],
    majority: int,
    matched: Mapping[str, Sequence[MatchedStream]],
    at_margins: Mapping[str, Sequence[AtMargin]],
) -> Records:
    """Return the rows of takes, events and recordings of both sides.

    Parameters
    ----------
    streams : (mapping of str to sequence of Stream, sequence of Stream)
        Of the locked people, by pipeline; and of the training people, each scored by a fit that had
        not seen the person.
    majority : int
        Class that training saw most often: the answer of the pipeline ``majority``.
    matched : mapping of str to sequence of MatchedStream
        What the fixed-point pipeline detected, by side; nothing where no figure is of events.
    at_margins : mapping of str to sequence of AtMargin
        How many events the same streams would have had at other margins, by side.
    """
    locked, in_turn = streams
    sides = {(LOCKED, name): found for name, found in locked.items()}
    sides[IN_TURN, "fixed"] = in_turn
    takes = [
        row
        for (side, pipeline), found in sides.items()
        for stream in found
        for row in _takes(stream, side, pipeline, recipe.answers)
    ]
    usual = [
        {key: value for key, value in row.items() if not key.startswith("score_")}
        | {"pipeline": "majority", "detected": recipe.answers[majority]}
        for row in takes
        if (row["side"], row["pipeline"]) == (LOCKED, "fixed")
    ]
    return Records(
        recipe.answers,
        (*takes, *usual),
        tuple(
            row
            for side, found in matched.items()
            for one in found
            for row in _events(one, side, recipe.answers)
        ),
        tuple(_session(one.stream, side) for side, found in matched.items() for one in found),
        tuple(
            _head(one.stream.recording, side)
            | {"background": _yes(one.stream.background), "step": step}
            | _at_margin(each.margin.common, counts)
            for side, found in at_margins.items()
            for step, each in enumerate(found)
            for one, counts in zip(matched[side], each.counts, strict=True)
        ),
    )


def _head(recording: Recording, side: str) -> Row:
    name = recording.path.name.removesuffix(READOUTS_SUFFIX)
    return {"participant": recording.participant, "session": name, "side": side}


def _answer(classes: Sequence[str], label: int, scores: Float64) -> Row:
    return {
        "reference": classes[label],
        "detected": classes[int(np.argmax(scores))],
        **{f"score_{n}": round(float(v), 6) for n, v in zip(classes, scores, strict=True)},
    }


def _takes(stream: Stream, side: str, pipeline: str, classes: Sequence[str]) -> list[Row]:
    raw = stream.scores[stream.take_frames]
    scores = raw.astype(np.float64) * stream.score_unit
    rows = []
    for take, label in enumerate(stream.take_labels.tolist()):
        judged_s = float(stream.time_s[stream.take_frames[take]])
        end_s = float(stream.time_s[stream.take_ends[take]])
        distance_mm = float(stream.conditions.distance_mm[take])
        rows.append(
            _head(stream.recording, side)
            | {"pipeline": pipeline, "take": take}
            | _answer(classes, label, scores[take])
            | {
                "detected": classes[int(raw[take].argmax())],
                "start_s": round(float(stream.time_s[stream.take_starts[take]]), 6),
                "end_s": round(end_s, 6),
                "judged_s": round(judged_s, 6),
                "latency_ms": round(1e3 * (judged_s - end_s), 3),
                "ambient": round(float(stream.conditions.ambient[take]), 6),
                "returned": float(stream.conditions.returned[take]),
                "distance_mm": None if np.isnan(distance_mm) else distance_mm,
            }
        )
    return rows


def _events(one: MatchedStream, side: str, classes: Sequence[str]) -> list[Row]:
    stream = one.stream
    head = _head(stream.recording, side) | {"background": _yes(stream.background)}
    found = dict(one.pairs)
    rows = []
    for number, event in enumerate(one.detected):
        row = head | {
            "event_s": round(event.detected_s, 6),
            "detected": classes[event.label],
            "right": _yes(number in found),
        }
        if number in found:
            reference = stream.references[found[number]]
            row |= _gesture(reference.label, (reference.onset_s, reference.offset_s), classes)
            row["latency_ms"] = round(1e3 * (event.detected_s - reference.offset_s), 3)
        rows.append(row)
    missed = set(range(len(stream.references))) - set(found.values())
    for index in sorted(missed):
        reference = stream.references[index]
        rows.append(
            head | _gesture(reference.label, (reference.onset_s, reference.offset_s), classes)
        )
    return rows


def _gesture(label: int, bounds_s: tuple[float, float], classes: Sequence[str]) -> Row:
    start_s, end_s = (round(bound, 6) for bound in bounds_s)
    return {"reference": classes[label], "start_s": start_s, "end_s": end_s}


def _session(stream: Stream, side: str) -> Row:
    return _head(stream.recording, side) | {
        "background": _yes(stream.background),
        "n_frames": len(stream.time_s),
        "hours": round(stream.hours, 9),
    }


def _at_margin(margin: float, counts: EventCounts) -> Row:
    return {
        "margin": round(margin, 6),
        "n_right": counts.right,
        "n_detected": counts.detected,
        "n_references": counts.references,
    }


def _yes(value: NDArray[np.bool_] | bool) -> str:
    return "yes" if value else "no"


def write_records(records: Records, folder: Path) -> None:
    """Write the tables ``predictions``, ``events``, ``sessions`` and ``margins`` into a folder.

    The last three are of recipes with figures of events, and are left out of others. Comma
    separated, UTF-8, a header; an empty cell is not known.

    Raises
    ------
    UsageError
        A file cannot be written.
    """
    scores = tuple(f"score_{name}" for name in records.classes)
    _write_table(folder / "predictions.csv", (*_TAKE, *scores, *_TIMES), records.predictions)
    if records.sessions:
        _write_table(folder / "events.csv", _EVENT, records.events)
        _write_table(folder / "sessions.csv", _SESSION, records.sessions)
        _write_table(folder / "margins.csv", _AT_MARGIN, records.margins)


def write_measured(rows: Sequence[Row], folder: Path) -> None:
    """Write what a quantity's figures rest on as the table ``predictions``; columns are rows' keys.

    Raises
    ------
    UsageError
        The file cannot be written.
    """
    _write_table(folder / "predictions.csv", tuple(rows[0]), rows)


def _write_table(path: Path, columns: Sequence[str], rows: Sequence[Row]) -> None:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    write_whole(path, text.getvalue().encode("utf-8"))
