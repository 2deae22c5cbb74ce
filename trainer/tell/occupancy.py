"""Presence and count as people read them: rows, sentences, and the evaluation page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from runtime.budget.page.report import page_style
from runtime.intervals import time_counted
from trainer.occupancy.figures import shares_of
from trainer.page_template import page_template
from trainer.tell.sentences import count, emulated_words

__all__ = [
    "CAUTIONS",
    "PEER",
    "occupancy_headings",
    "occupancy_page",
    "occupancy_rows",
    "occupancy_words",
]

PIPELINES = {
    "fixed": "fixed point",
    "float": "float, each frame by itself",
    "four_quadrant": "four quadrants, fixed point",
    "photodiode": "one photodiode, fixed point",
    "cross_validation": "training places in turn",
}
CAUTIONS = (
    "No safety function may hang on this: nobody's way across a street, no door and no machine may "
    "rely on somebody being seen here, or on nobody being seen.",
    "People have to be told that a sensor counts them, as local rules ask for it.",
)
PEER = (
    "For comparison: thermal arrays of 8 x 8 elements with open data reached a balanced accuracy "
    "of 55.7 to 82.7 % for 17 to 120 uJ an inference (arXiv 2304.06059, 2023; other people, "
    "other places, another task: not the same test)."
)
_HEADINGS = {"balanced_accuracy": "presence", "exact": "exact", "within_one": "within one"}
Row = Mapping[str, Any]


def _share(figure: Row) -> str:
    """Return a share as ``98.7 % [95.1, 100.0]``; an open bound is a question mark."""
    low, high = (
        "?" if figure[end] is None else f"{100 * figure[end]:.1f}" for end in ("low", "high")
    )
    return f"{100 * figure['value']:.1f} % [{low}, {high}]"


def _false(rate: Row) -> str:
    return f"{rate['value']:.2f}, at most {rate['upper_95']:.2f}"


def occupancy_headings(evaluation: Row) -> tuple[str, ...]:
    """Return the headings of `occupancy_rows`, without the first, the task."""
    shares = (_HEADINGS[share] for share in shares_of(evaluation["occupancy"]["most"]))
    return ("pipeline", *shares, "false presences an hour")


def occupancy_rows(evaluation: Row) -> list[tuple[str, ...]]:
    """Return rows: task, and what `occupancy_headings` says."""
    found = evaluation["occupancy"]
    names = shares_of(found["most"])
    return [
        (
            evaluation["task"], label, *(_share(found[key][name]) for name in names),
            _false(found[key]["false_presences_per_hour"]),
        )
        for key, label in PIPELINES.items()
    ]  # fmt: skip


def occupancy_words(evaluation: Row) -> dict[str, str]:
    """Return the head of the page: a title and the sentences below it."""
    found = evaluation["occupancy"]
    fixed, most = found["fixed"], found["most"]
    presence, rate = fixed["balanced_accuracy"], fixed["false_presences_per_hour"]
    title = f"Tells presence with a balanced accuracy of {100 * presence['value']:.1f} %."
    if most > 1:
        title = f"Counts 0 to {most - 1} and more: {100 * fixed['exact']['value']:.1f} % exact."
    others = " and ".join(
        f"{100 * found[key]['balanced_accuracy']['value']:.1f} % of {label}"
        for key, label in (("four_quadrant", "four quadrants"), ("photodiode", "one photodiode"))
    )
    places = count(presence["n_participants"], "place")
    return {
        "title": title,
        "places": f"In {places} it had never seen, with people it had never seen: presence "
        f"{_share(presence)}, against {others}. Somebody was told of where there was nobody "
        f"{count(rate['n_events'], 'time')} in {time_counted(rate['hours'])}: {_false(rate)} an "
        "hour (one-sided 95 %).",
    }  # fmt: skip


def occupancy_page(evaluation: Row) -> str:
    """Return the evaluation page as HTML text, self-contained, the same bytes each time."""
    return page_template("trainer.tell", "occupancy.html.j2").render(
        e=evaluation,
        found=evaluation["occupancy"],
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        words=occupancy_words(evaluation),
        rows=occupancy_rows(evaluation),
        headings=occupancy_headings(evaluation),
        shares={share: _HEADINGS[share] for share in shares_of(evaluation["occupancy"]["most"])},
        cautions=[*CAUTIONS, *(each["text"] for each in evaluation["cautions"])],
        peer=PEER,
        emulated=emulated_words(evaluation),
    )
