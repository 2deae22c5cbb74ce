"""The page's charts as inline SVG: same bytes each time, ink follows the page's own colours."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

from runtime.budget.assemble import Budget
from runtime.budget.evaluation import Figure as Share
from runtime.budget.power import PARTS, STATES

__all__ = ["accuracy_chart", "power_chart", "sensitivity_chart"]

_ACCENT, _PALE, _GREY = "#b3401f", "#e0a184", "#8d8a86"
_STATE_COLOURS = {"watching": _ACCENT, "active": _PALE, "always": _GREY}
_WIDTH_IN = 7.0


def _figure(height_in: float) -> tuple[Any, Any]:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[:].set_visible(False)
    axes.tick_params(length=0, labelsize=9)
    axes.patch.set_visible(False)
    figure.patch.set_visible(False)
    return figure, axes


def _svg(figure: Any, name: str, label: str) -> str:
    """Render without date, with ids of its own, text as text, for pasting into a page."""
    from matplotlib import rc_context

    buffer = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": name}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'id="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r'(url\(#|href="#)', rf"\1{name}-", text)
    text = re.sub(r' (width|height)="[\d.]+pt"', "", text, count=2)
    safe = label.replace("&", "and").replace('"', "").replace("<", "under ")
    return text.replace("<svg", f'<svg role="img" aria-label="{safe}"', 1)


def _amount(value: float) -> str:
    if value < 0.01:
        return "under 0.01"
    return f"{value:.3g}" if value >= 0.1 else f"{value:.2f}"


def power_chart(result: Budget, name: str) -> str:
    """Bars of average power by part, split by state, largest on top."""
    totals = {p: sum(result.terms[p, s] for s in STATES) for p in PARTS}
    order = sorted((p for p in PARTS if totals[p] > 0), key=lambda p: totals[p])
    figure, axes = _figure(0.32 + 0.27 * len(order))
    left = [0.0] * len(order)
    for state in STATES:
        widths = [result.terms[p, state] for p in order]
        axes.barh(order, widths, left=left, height=0.62, color=_STATE_COLOURS[state])
        left = [a + b for a, b in zip(left, widths, strict=True)]
    for row, total in enumerate(left):
        axes.annotate(
            f"{_amount(total)} µW", (total, row), xytext=(5, 0), textcoords="offset points",
            va="center", fontsize=9,
        )  # fmt: skip
    axes.set_xlim(0, max(left) * 1.14)
    axes.set_xticks([])
    axes.margins(y=0.02)
    words = ", ".join(f"{p} {_amount(totals[p])} microwatts" for p in reversed(order))
    return _svg(figure, name, f"Average power by part: {words}")


def sensitivity_chart(result: Budget, name: str, n_rows: int = 8) -> str:
    """Bars of total sensitivity indices of the inputs that matter most."""
    rows = list(reversed(result.sensitivity[:n_rows]))
    figure, axes = _figure(0.32 + 0.27 * len(rows))
    labels = [row.name.replace(".", ": ").replace("_", " ") for row in rows]
    axes.barh(labels, [row.total for row in rows], height=0.62, color=_ACCENT)
    for i, row in enumerate(rows):
        axes.annotate(
            f"{100 * row.total:.0f} %", (row.total, i), xytext=(5, 0),
            textcoords="offset points", va="center", fontsize=9,
        )  # fmt: skip
    axes.set_xlim(0, max(0.01, *(row.total for row in rows)) * 1.14)
    axes.set_xticks([])
    words = ", ".join(f"{label}" for label in reversed(labels))
    return _svg(figure, name, f"Which input makes the result uncertain, most first: {words}")


def accuracy_chart(rows: Sequence[tuple[str, Share]], name: str) -> str:
    """Accuracies as dots with their interval over participants."""
    figure, axes = _figure(0.55 + 0.3 * len(rows))
    for i, (label, share) in enumerate(reversed(rows)):
        colour = _GREY if "quadrant" in label else _ACCENT
        axes.plot([share.low, share.high], [i, i], color=colour, linewidth=2.5)
        axes.plot([share.value], [i], "o", color=colour, markersize=7)
        axes.annotate(
            f"{100 * share.value:.1f} %", (share.high, i), xytext=(7, 0),
            textcoords="offset points", va="center", fontsize=9,
        )  # fmt: skip
    axes.set_yticks(range(len(rows)), [label for label, _ in reversed(rows)])
    axes.set_xlim(0, 1.12)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100 %"])
    words = ", ".join(f"{label} {100 * share.value:.1f} percent" for label, share in rows)
    return _svg(figure, name, f"Accuracy on participants never trained on: {words}")
