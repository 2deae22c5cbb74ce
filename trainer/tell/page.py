"""The evaluation page: verdict first, then what it rests on, then where to look for mistakes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from runtime.budget.page.report import page_style
from runtime.intervals import time_counted
from trainer.judge.groups import GROUPINGS, MIN_PEOPLE, REST, grouping_words
from trainer.judge.worst_takes import WorstTake
from trainer.page_template import page_template
from trainer.tell.charts import grey_picture
from trainer.tell.owner import owner_section
from trainer.tell.page_charts import (
    MANY_PEOPLE,
    latency_chart,
    learning_chart,
    participants_chart,
    scores_chart,
    trade_off_chart,
)
from trainer.tell.sentences import (
    below_words,
    count,
    emulated_words,
    from_end,
    learning_words,
    left_out_words,
    per_hour,
    percent,
    untold_words,
    verdict,
    worst_words,
)
from trainer.tell.tables import PIPELINES

__all__ = ["evaluation_page"]

Row = Mapping[str, Any]
N_LETTERS = 26


def evaluation_page(
    evaluation: Row, worst: Sequence[WorstTake], readouts: Sequence[NDArray[np.int32]]
) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Parameters
    ----------
    evaluation : mapping
        Content of evaluation.json.
    worst : sequence of WorstTake
        The takes to show.
    readouts : sequence of int32 (n_moments, n_rows, n_cols)
        Lit minus dark at each take's moments, as :func:`trainer.judge.worst_takes.readouts_of`
        reads them.
    """
    template = page_template(
        "trainer.tell", "page.html.j2", {"letter": _letter}, percent=percent, count=count,
        per_hour=per_hour, from_end=from_end, before=_before, time_counted=time_counted,
    )  # fmt: skip
    events, curve = evaluation.get("events"), evaluation.get("learning_curve")
    return template.render(
        e=evaluation,
        events=events,
        style=Markup(page_style()),  # noqa: S704 - the house's own style sheet
        verdict=verdict(evaluation),
        pipelines=[
            (label, evaluation[key]) for key, label in PIPELINES.items() if key in evaluation
        ],
        matrices=_matrices(evaluation),
        participants=participants_chart(evaluation["per_participant"]),
        many_people=MANY_PEOPLE,
        trade_off=trade_off_chart(events) if events else None,
        latency=latency_chart(events["latency_ms"])
        if events and events["latency_ms"]["n_events"]
        else None,
        learning=learning_chart(curve) if curve else None,
        learning_words=learning_words(curve) if curve else "",
        left_out=left_out_words(evaluation),
        owner=owner_section(evaluation),
        groups=_groups(evaluation),
        untold=untold_words(evaluation),
        rest=REST,
        least_people=evaluation.get("least_people", MIN_PEOPLE),
        takes=[_take(*both) for both in zip(worst, readouts, strict=True)],
        emulated=emulated_words(evaluation),
    )


def _letter(index: int) -> str:
    """Return A, B, C... for a class, and numbers from the 27th."""
    return chr(ord("A") + index) if index < N_LETTERS else str(index + 1)


def _before(ms: float) -> str:
    """Return when the gesture of a detected event ended, from the event."""
    return from_end(-ms)


def _matrices(evaluation: Row) -> list[dict[str, Any]]:
    """Return each confusion matrix as rows of cells (count, share of the row)."""
    matrices = []
    for title, key in (
        ("this model, fixed point", "confusion"),
        ("four quadrants, fixed point", "confusion_four_quadrant"),
    ):
        if key not in evaluation:
            continue
        rows = []
        for index, counts in enumerate(evaluation[key]):
            n_takes = max(1, sum(counts))
            rows.append((index, [(n, n / n_takes) for n in counts]))
        matrices.append({"title": title, "rows": rows})
    return matrices


def _groups(evaluation: Row) -> list[dict[str, Any]]:
    """Return both sides' results by group, with the worst of each in words."""
    # What is told by light alone has bounds that say nothing to anyone.
    unbounded = set() if evaluation["distance_source"] == "ruler" else {"distance"}
    sides = []
    for key, known, title in (
        ("", "fixed", "The locked participants"),
        ("_in_turn", "cross_validation", "Training participants, each held out in turn"),
    ):
        groups = evaluation[f"groups{key}"]
        sides.append(
            {
                "title": title,
                "worst": worst_words(evaluation[f"worst_group{key}"], groups),
                "below": below_words(groups),
                "groupings": [
                    (
                        _heading(grouping, evaluation["distance_source"])
                        + _unknown(rows, evaluation[known]["accuracy"]["n_takes"]),
                        [
                            (
                                row,
                                row["name"] if grouping in unbounded else _bounds(row, grouping),
                            )
                            for row in rows
                        ],
                    )
                    for grouping, rows in _in_order(groups)
                ],
            }
        )
    return sides


def _heading(grouping: str, distance_source: str) -> str:
    ruler = grouping == "distance" and distance_source == "ruler"
    return "distance, as noted" if ruler else grouping_words(grouping)


def _unknown(rows: Sequence[Row], n_takes: int) -> str:
    """Say of how many takes nobody noted it; empty where all of them are in a group."""
    n_known = sum(row["accuracy"]["n_takes"] for row in rows)
    return (
        "" if n_known == n_takes else f" (not known of {n_takes - n_known:,} of {n_takes:,} takes)"
    )


def _in_order(groups: Mapping[str, Any]) -> list[tuple[str, Any]]:
    """Return the groupings that have groups: the usual ones first, then further columns."""
    names = [*GROUPINGS, *sorted(set(groups) - set(GROUPINGS))]
    return [(name, groups[name]) for name in names if groups.get(name)]


def _bounds(row: Row, grouping: str) -> str:
    """Return a group's name with its bounds, where it has any."""
    unit = "mm" if grouping == "distance" else GROUPINGS.get(grouping, ("", ""))[1]
    low, high = row.get("low"), row.get("high")
    if low is None and high is None:
        return str(row["name"])
    factor, sign = (100.0, " %") if grouping == "ambient" else (1.0, f" {unit}".rstrip())
    ends = [None if end is None else f"{factor * end:g}{sign}" for end in (low, high)]
    if low is None:
        return f"{row['name']}, under {ends[1]}"
    if high is None:
        return f"{row['name']}, {ends[0]} and over"
    return f"{row['name']}, {ends[0]} to {ends[1]}"


def _take(take: WorstTake, readouts: NDArray[np.int32]) -> dict[str, Any]:
    """Return what the page shows of one take; its pictures share one scale of grey."""
    low, high = (float(v) for v in np.quantile(readouts, [0.01, 0.99]))
    since = take.moments_s - take.summary["begins_s"]
    return {
        "summary": take.summary,
        "scores": scores_chart(take),
        "pictures": [
            (f"{at:.2f} s".replace("-", "−"), grey_picture(readout, low, high))
            for at, readout in zip(since.tolist(), readouts, strict=True)
        ],
    }
