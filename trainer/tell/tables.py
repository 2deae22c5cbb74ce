"""Figures as people read them: one row per pipeline, the interval always beside the value."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.table import Table

from runtime.intervals import time_counted
from trainer.tell.occupancy import CAUTIONS, occupancy_headings, occupancy_rows
from trainer.tell.quantity import quantity_rows, quantity_words
from trainer.tell.sentences import count, emulated_words, per_hour
from trainer.tell.source import source_rows, source_words

__all__ = [
    "DIFFERENCES",
    "PIPELINES",
    "candidates_table",
    "difference_text",
    "differences_of",
    "evaluation_tables",
    "figure_text",
]

PIPELINES = {
    "everybody": "fixed point, everybody in turn",
    "everybody_four_quadrant": "four quadrants, everybody in turn",
    "float": "float",
    "fixed": "fixed point",
    "cross_validation": "fixed point, training people in turn",
    "four_quadrant_float": "four quadrants, float",
    "four_quadrant": "four quadrants, fixed point",
    "majority": "majority class",
}


def figure_text(figure: dict[str, Any]) -> str:
    """Return a figure of evaluation.json as ``0.957 [0.921, 0.984]``, ``, 3 people``."""
    text = f"{figure['value']:.3f} [{figure['low']:.3f}, {figure['high']:.3f}]"
    if "n_participants" not in figure:
        return text
    return f"{text}, {count(figure['n_participants'], 'person', 'people')}"


DIFFERENCES = {
    "everybody_four_quadrant": "fixed point over four quadrants, everybody in turn",
    "four_quadrant": "fixed point over four quadrants, locked people",
    "float": "fixed point over float, locked people",
}


def differences_of(evaluation: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Return the differences that an evaluation holds, each with what it is between."""
    found = evaluation["differences"]
    return [(label, found[key]) for key, label in DIFFERENCES.items() if key in found]


def difference_text(figure: dict[str, Any]) -> str:
    """Return a difference of evaluation.json as ``+1.2 points [-0.3, +2.7], 3 people``."""
    value, low, high = (100 * figure[key] for key in ("value", "low", "high"))
    people = count(figure["n_participants"], "person", "people")
    return f"{value:+.1f} points [{low:+.1f}, {high:+.1f}], {people}"


def evaluation_rows(evaluation: dict[str, Any]) -> list[tuple[str, str, str, str]]:
    """Return rows (task, pipeline, accuracy, macro F1) of an evaluation, 95 % intervals.

    Parameters
    ----------
    evaluation : dict
        Content of evaluation.json.
    """
    return [
        (
            evaluation["task"],
            label,
            figure_text(evaluation[key]["accuracy"]),
            figure_text(evaluation[key]["macro_f1"]),
        )
        for key, label in PIPELINES.items()
        if key in evaluation
    ]


def evaluation_tables(evaluations: Sequence[dict[str, Any]]) -> list[Table]:
    """Return tables for a terminal: takes, events, quantities and counts, where there are any."""
    events = _events_table([e for e in evaluations if "events" in e])
    takes = [e for e in evaluations if not {"quantity", "occupancy"} & e.keys()]
    quantities = [
        _source_table(e) if "source" in e else _quantity_table(e)
        for e in evaluations
        if "quantity" in e
    ]
    tables = (_takes_table(takes), _differences_table(takes), events)
    counts = [_occupancy_table(e) for e in evaluations if "occupancy" in e]
    return [*(table for table in tables if table.row_count), *quantities, *counts]


def _differences_table(evaluations: Sequence[dict[str, Any]]) -> Table:
    table = Table(title="Differences in accuracy, paired over people (95 % interval)")
    for heading in ("model", "which", "difference"):
        table.add_column(heading)
    for evaluation in evaluations:
        for label, found in differences_of(evaluation):
            table.add_row(evaluation["task"], label, difference_text(found))
        table.add_section()
    return table


def _source_table(evaluation: dict[str, Any]) -> Table:
    table = Table(title="Errors of one source beside the bound, locked recordings")
    for heading in (
        "value", "pipeline", "root mean square", "bias", "bound", "over the bound", "bias over it",
        "within",
    ):  # fmt: skip
        table.add_column(heading)
    for row in source_rows(evaluation):
        table.add_row(*row)
    table.caption = source_words(evaluation)["title"]
    return table


def _quantity_table(evaluation: dict[str, Any]) -> Table:
    found = evaluation["quantity"]
    table = Table(
        title=f"Errors of {found['name']} in {found['unit']}, people held out of training "
        "(95 % interval)"
    )
    for heading in ("model", "pipeline", "root mean square", "median, absolute", "bias"):
        table.add_column(heading)
    for row in quantity_rows(evaluation):
        table.add_row(*row)
    words = quantity_words(evaluation)["interval"], emulated_words(evaluation)
    table.caption = " ".join(said for said in words if said)
    return table


def _occupancy_table(evaluation: dict[str, Any]) -> Table:
    table = Table(title="Presence and count in places held out of training (95 % interval)")
    for heading in ("model", *occupancy_headings(evaluation)):
        table.add_column(heading)
    for row in occupancy_rows(evaluation):
        table.add_row(*row)
    table.caption = " ".join((*CAUTIONS, emulated_words(evaluation)))
    return table


def _takes_table(evaluations: Sequence[dict[str, Any]]) -> Table:
    table = Table(title="Recognition of people held out of training (95 % interval)")
    for heading in ("model", "pipeline", "accuracy", "macro F1"):
        table.add_column(heading)
    for evaluation in evaluations:
        for row in evaluation_rows(evaluation):
            table.add_row(*row)
        table.add_section()
    said = dict.fromkeys(emulated_words(evaluation) for evaluation in evaluations)
    table.caption = " ".join(words for words in said if words) or None
    return table


def candidates_table(candidates: Sequence[dict[str, Any]]) -> Table:
    """Return what each of several recipes reached on training people held out in turn."""
    table = Table(title="Recipes, on training people held out in turn (95 % interval)")
    for heading in ("recipe", "accuracy", "macro F1", "taken"):
        table.add_column(heading)
    for each in candidates:
        found = each["cross_validation"]
        table.add_row(
            f"{each['name']} {each['recipe'][:8]}",
            figure_text(found["accuracy"]),
            figure_text(found["macro_f1"]),
            "yes" if each["chosen"] else "",
        )
    return table


def _events_table(evaluations: Sequence[dict[str, Any]]) -> Table:
    table = Table(title="Events in streams of people held out of training (95 % interval)")
    for heading in ("model", "event F1", "false events an hour", "latency, ms"):
        table.add_column(heading)
    for evaluation in evaluations:
        events = evaluation["events"]
        rate, latency = events["false_events_per_hour"], events["latency_ms"]
        table.add_row(
            evaluation["task"],
            figure_text(events["f1"]),
            f"{per_hour(rate['value'])}, at most {per_hour(rate['upper_95'])} "
            f"({rate['n_events']} in {time_counted(rate['hours'])})",
            f"median {latency['median']:.0f}, 95 % {latency['p95']:.0f}"
            if latency["n_events"]
            else "none detected",
        )
    return table
