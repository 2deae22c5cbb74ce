"""A measured quantity as people read it: rows, sentences, and the evaluation page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from runtime.budget.page.report import page_style
from trainer.page_template import page_template
from trainer.tell.sentences import count, emulated_words, percent

__all__ = ["quantity_page", "quantity_rows", "quantity_words"]

QUANTITY_PIPELINES = {
    "float": "float",
    "fixed": "fixed point",
    "four_quadrant": "four quadrants, fixed point",
    "median": "the training people's median",
    "cross_validation": "fixed point, training people in turn",
    "median_in_turn": "their median, training people",
}
_FIGURES = ("rmse", "median_absolute_error", "bias")
Row = Mapping[str, Any]


def error_text(figure: Row) -> str:
    """Return a figure as ``12.3 [8.1, 15.9]``; an open bound is a question mark."""
    low, high = ("?" if figure[end] is None else f"{figure[end]:.1f}" for end in ("low", "high"))
    return f"{figure['value']:.1f} [{low}, {high}]"


def quantity_rows(evaluation: Row) -> list[tuple[str, ...]]:
    """Return rows (task, pipeline, rmse, median absolute error, bias), 95 % intervals."""
    found = evaluation["quantity"]
    return [
        (evaluation["task"], label, *(error_text(found[key][name]) for name in _FIGURES))
        for key, label in QUANTITY_PIPELINES.items()
    ]


def quantity_words(evaluation: Row) -> dict[str, str]:
    """Return the head of the page: a title and the sentences below it."""
    found = evaluation["quantity"]
    unit, fixed, quadrants = found["unit"], found["fixed"]["rmse"], found["four_quadrant"]["rmse"]
    low, high = found["range"]
    takes = count(fixed["n_takes"], "take")
    people = count(fixed["n_participants"], "person", "people")
    return {
        "title": f"Off by {fixed['value']:.1f} {unit} (root mean square).",
        "takes": f"Of {takes} by {people} it had never seen; learned from {low:g} to {high:g} "
        f"{unit}. Always the training people's median would be off by "
        f"{found['median']['rmse']['value']:.1f} {unit}.",
        "beside": f"Four quadrants, with the same pipeline, are off by {quadrants['value']:.1f} "
        f"{unit}{_overlap(fixed, quadrants)}.",
        "interval": f"The interval told is ± {found['half_width']:.1f} {unit}, "
        f"{100 * found['nominal_coverage']:.0f} % wanted of new people. {_held(found)}",
    }


def _overlap(one: Row, other: Row) -> str:
    """Return what intervals allow to say of two errors."""
    known = None not in (one["high"], other["low"], one["low"], other["high"])
    if known and (one["high"] < other["low"] or other["high"] < one["low"]):
        return ""
    return ": the intervals overlap, so this test shows no difference"


def _held(found: Row) -> str:
    """Return how often the interval held."""
    n_takes = found["fixed"]["rmse"]["n_takes"]
    valid = f"The device called {found['n_valid']} of {count(n_takes, 'take')} valid"
    if found["coverage"] is None:
        return f"{valid}."
    return (
        f"{valid}; the interval held in {percent(found['coverage'])} of these, and in "
        f"{percent(found['coverage_in_turn'])} of the training people's it was learned from."
    )


def quantity_page(evaluation: Row) -> str:
    """Return the evaluation page as HTML text, self-contained, the same bytes each time."""
    return page_template("trainer.tell", "quantity.html.j2").render(
        e=evaluation,
        found=evaluation["quantity"],
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        words=quantity_words(evaluation),
        rows=quantity_rows(evaluation),
        emulated=emulated_words(evaluation),
    )
