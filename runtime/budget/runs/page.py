"""Battery runs as a page: the verdict, what it rests on, and every run drawn."""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib import resources
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from runtime.budget.runs.comparison import Difference, DrainComparison, Drift
from runtime.budget.runs.run_table import BatteryRun
from runtime.budget.verdict.margin import Margin

__all__ = ["comparison_json", "comparison_page", "comparison_sentence"]

_WIDTH, _ROW, _LEFT, _RIGHT = 640.0, 30.0, 74.0, 12.0


def comparison_sentence(found: DrainComparison) -> str:
    """Return the verdict on one scenario in a plain sentence, with its numbers."""
    d, margin = found.mixed, found.margin_mw
    head = f"{found.scenario}: {found.with_it} adds {d.mean:.3g} mW [{d.low:.3g}, {d.high:.3g}]"
    tail = {
        "hidden": f"the upper 95 % bound lies below the margin of {margin:.3g} mW",
        "visible": f"the lower 95 % bound lies above the margin of {margin:.3g} mW",
        "undecided": f"the interval holds the margin of {margin:.3g} mW; more sessions may decide",
    }[found.word]
    return f"{head}, {found.word}: {tail} ({found.n_sessions} sessions)."


def comparison_json(found: DrainComparison) -> dict[str, Any]:
    """Return one scenario's figures as plain JSON values, every run with them."""

    def figures(part: Difference | Drift | None) -> dict[str, float] | None:
        return None if part is None else {k: getattr(part, k) for k in part.__slots__}

    return {
        "scenario": found.scenario,
        "with": found.with_it,
        "without": found.without,
        "word": found.word,
        "sentence": comparison_sentence(found),
        "margin_mw": found.margin_mw,
        "n_sessions": found.n_sessions,
        "n_devices": found.n_devices,
        "added_mw": figures(found.mixed),
        "added_by_session_means_mw": figures(found.paired),
        "p_below": found.p_below,
        "p_above": found.p_above,
        "p_holm": found.p_holm,
        "between_sessions_mw": found.between_mw,
        "within_sessions_mw": found.within_mw,
        "drift_sessions_mw": figures(found.drift_sessions),
        "drift_order_mw": figures(found.drift_order),
        "outlier_rows": [run.row for run in found.outliers],
        "runs": [{k: getattr(run, k) for k in run.__slots__} for run in found.runs],
    }


def comparison_page(found: Sequence[DrainComparison], margin: Margin, table: str) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Parameters
    ----------
    found : sequence of DrainComparison
    margin : Margin
        As it was declared.
    table : str
        Name of the file of runs.
    """
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    own = resources.files("runtime.budget.runs").joinpath("page.html.j2").read_text("utf-8")
    style = resources.files("runtime").joinpath("page.css").read_text("utf-8")
    environment.globals.update(p_text=_p_text)
    return environment.from_string(own).render(
        style=Markup(style),  # noqa: S704 - our own file
        margin=margin,
        table=table,
        views=[
            {"c": each, "sentence": comparison_sentence(each), "drawing": _drawing(each)}
            for each in found
        ],
    )


def _p_text(p: float, equals: str = "= ") -> str:
    """Return a p value as it is printed: none is 0."""
    return "< 0.0001" if p < 0.0001 else f"{equals}{p:.4f}"


def _drawing(found: DrainComparison) -> dict[str, Any]:
    """Return every run as a dot on one axis of mW, a row for each session of a device."""
    powers = [run.mean_mw for run in found.runs]
    low, high = min(powers), max(powers)
    span = (high - low) or 1.0
    low, high = low - 0.04 * span, high + 0.04 * span

    def x(mw: float) -> float:
        return round(_LEFT + (mw - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT), 1)

    several = found.n_devices > 1
    rows: dict[str, list[BatteryRun]] = {}
    for run in found.runs:
        name = f"{run.device} {run.session}" if several else run.session
        rows.setdefault(name, []).append(run)
    lines = []
    for index, name in enumerate(sorted(rows)):
        middle = index * _ROW + _ROW / 2
        lines.append(
            {
                "name": name,
                "y": middle,
                "dots": [
                    {
                        "x": x(run.mean_mw),
                        "y": middle + (-5 if run.condition == found.with_it else 5),
                        "with": run.condition == found.with_it,
                        "far": run in found.outliers,
                        "title": f"{run.condition}, {run.mean_mw:.1f} mW, line {run.row}",
                    }
                    for run in rows[name]
                ],
            }
        )
    step = _round_step(high - low)
    first = int(low / step) + 1
    n_ticks = int((high - first * step) / step) + 1
    ticks = [(x((first + i) * step), f"{(first + i) * step:g}") for i in range(n_ticks)]
    return {
        "rows": lines,
        "ticks": ticks,
        "height": len(rows) * _ROW,
        "width": _WIDTH,
        "left": _LEFT,
    }


def _round_step(span: float) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that divides `span` into at most six."""
    power = 10.0 ** math.floor(math.log10(span / 6.0))
    return next(m * power for m in (1, 2, 5, 10) if span / (m * power) <= 6.0)
