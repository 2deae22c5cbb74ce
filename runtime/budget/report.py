"""The page: verdict first, evidence after, no number without an origin."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup, escape

from runtime.budget.assemble import Budget
from runtime.budget.charts import accuracy_chart, power_chart, sensitivity_chart
from runtime.budget.inputs import Input
from runtime.budget.light import CAUTION
from runtime.budget.power import FORMULAS, PARTS, STATES
from runtime.budget.uncertainty import Interval
from runtime.errors import UsageError
from runtime.files import write_whole

__all__ = ["render", "write_report"]

MARKS = {
    "measured": ("m", "measured by this program; the hover text says how"),
    "published": ("p", "published: data sheet, paper or standard"),
    "setting": ("s", "a setting that the designer chose"),
    "from memory": ("f", "from memory: not yet looked up in the source named"),
    "invented": ("i", "invented: an assumption to be replaced by your own value"),
    "computed": ("c", "computed from the inputs below by the formulas printed there"),
}


def _mark(kind: str, text: str, origin: str) -> Markup:
    letter, _ = MARKS[kind]
    return Markup('<span class="n" title="{}: {}">{}<sup>{}</sup></span>').format(
        kind, origin, text, letter
    )


def _plain(value: float) -> str:
    """Three significant digits, thousands separated, no exponent for what people read."""
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    if abs(value) >= 100:
        return f"{value:.0f}"
    if abs(value) < 0.001:
        return f"{value:.1e}"
    return f"{value:.3g}"


def _computed(value: float, unit: str, origin: str) -> Markup:
    return _mark("computed", f"{_plain(value)} {unit}".strip(), origin)


def _ranged(value: Interval, unit: str, origin: str, kind: str = "computed") -> Markup:
    text = f"{_plain(value.typical)} {unit}"
    if value.low < value.high:
        text += f" ({_plain(value.low)} to {_plain(value.high)})"
    return _mark(kind, text, origin)


def _measured(value: float, unit: str, origin: str) -> Markup:
    return _mark("measured", f"{_plain(value)} {unit}".strip(), origin)


def _input(x: Input) -> Markup:
    text = _plain(x.typical)
    if x.varies:
        text += f" ({_plain(x.low)} to {_plain(x.high)})"
    return _mark(x.kind, f"{text} {x.unit if x.unit != '1' else ''}".strip(), x.source)


def _share(value: float, low: float, high: float, origin: str) -> Markup:
    return _mark("measured", f"{100 * value:.1f} % ({100 * low:.1f} to {100 * high:.1f})", origin)


def _accuracies(result: Budget) -> list[tuple[str, Any]]:
    found = result.evaluation
    if found is None:
        return []
    rows = [("this model, fixed point", found.fixed.accuracy)]
    if found.float_model is not None:
        rows.insert(0, ("this model, floating point", found.float_model.accuracy))
    if found.four_quadrant is not None:
        rows.append(("four-quadrant baseline", found.four_quadrant.accuracy))
    return rows


def _view(result: Budget, number: int) -> dict[str, Any]:
    """Gather what one model's part of the page shows."""
    rows = _accuracies(result)
    return {
        "b": result,
        "id": f"m{number}",
        "power_svg": Markup(power_chart(result, f"m{number}-power")),  # noqa: S704 - own SVG
        "sensitivity_svg": Markup(  # noqa: S704 - own SVG
            sensitivity_chart(result, f"m{number}-sensitivity")
        ),
        "accuracy_svg": Markup(accuracy_chart(rows, f"m{number}-accuracy"))  # noqa: S704
        if rows
        else None,
        "accuracies": rows,
        "dominant": result.dominant,
        "unverified": sum(x.kind in ("from memory", "invented") for x in result.inputs.values()),
    }


def render(results: Sequence[Budget]) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Raises
    ------
    UsageError
        There is nothing to show.
    """
    if not results:
        raise UsageError("budget page", "models", "none", "at least one")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters.update(plain=_plain)
    environment.globals.update(
        computed=_computed, ranged=_ranged, measured=_measured, of_input=_input, share=_share
    )
    template = resources.files("runtime.budget").joinpath("page.html.j2").read_text("utf-8")
    return environment.from_string(template).render(
        views=[_view(result, i + 1) for i, result in enumerate(results)],
        marks=MARKS,
        formulas=FORMULAS,
        parts=PARTS,
        states=STATES,
        caution=CAUTION,
        title=escape(", ".join(r.model.name for r in results)),
    )


def write_report(results: Sequence[Budget], path: Path) -> Path:
    """Write the page of one model, or of several side by side; return its path."""
    write_whole(path, render(results).encode())
    return path
