"""Several models beside each other: a row a figure, a bar a model."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from runtime.budget.page.first_screen import error_words, false_events, origins, recognised
from runtime.budget.page.marked_numbers import counted, mark, ranged, share
from runtime.budget.price.power import PARTS, STATES
from runtime.budget.result import Budget

__all__ = ["COLOURS", "amount_text", "in_use", "names_apart", "power_beside", "side_by_side"]

COLOURS = dict(zip(STATES, ("first", "second", "third"), strict=True))
"""Of a bar's pieces, by state."""


def amount_text(value: float) -> str:
    """Microwatts of a bar, where the third digit of a small one is of no use."""
    return "under 0.01 µW" if value < 0.01 else f"{value:.3g} µW"


def names_apart(results: Sequence[Budget]) -> list[str]:
    """Names of the models, numbered where one name stands for several."""
    names = [r.model.name for r in results]
    return [f"{name} ({i + 1})" if names.count(name) > 1 else name for i, name in enumerate(names)]


def in_use(results: Sequence[Budget]) -> str:
    """Say what a device tells of while it is active."""
    lights = [r.evaluation is not None and r.evaluation.of_lights for r in results]
    if any(lights):
        return "with a light present" if all(lights) else "with a hand or light present"
    return "with a hand present"


def side_by_side(results: Sequence[Budget]) -> list[tuple[str, list[Any]]]:
    """Rows of the comparison: what, and one cell a model."""

    def accuracy(r: Budget, which: str) -> Any:
        found = r.evaluation
        if found is not None and found.quantity is not None:
            error = f"off by {error_words(found.quantity.fixed.rmse, found.quantity.unit)}"
            held = which == "locked"
            return mark("counted", error, "root mean square") if held else "not asked in turn"
        rows = [figure for name, figure in recognised(r.evaluation) if name.startswith(which)]
        return rows[0] if rows else "not evaluated"

    def quadrants(r: Budget) -> Any:
        found = r.evaluation
        if found is not None and found.quantity is not None:
            each = found.quantity.four_quadrant
            return "not evaluated" if each is None else error_words(each.rmse, found.quantity.unit)
        if found is not None and found.occupancy is not None and found.occupancy.four_quadrant:
            told = found.occupancy.four_quadrant.balanced_accuracy
            return share(told.value, told.low, told.high, "places never seen")
        if found is None or found.baseline is None:
            return "not evaluated"
        x = found.baseline.accuracy
        return share(x.value, x.low, x.high, "participants never trained on")

    def events_told(r: Budget) -> Any:
        rate, where = false_events(r.evaluation)
        return Markup("{}; {}").format(rate, where) if where else rate

    def executed(r: Budget, value: float, unit: str) -> Markup:
        return counted(value, unit, f"executed on an emulated {r.core.core}")

    rows: dict[str, Any] = {
        "verdict": lambda r: f"{r.verdict.word}, margin {r.verdict.margin_words}",
        "a charge is shorter by": lambda r: ranged(r.verdict.minutes_lost, "min", "of one charge"),
        "of the battery, each day": lambda r: ranged(r.verdict.percent_per_day, "%", "of a day"),
        "average power": lambda r: ranged(r.average_uw, "µW", "average over the day"),
        "inputs measured": lambda r: origins(r)[0],
        "recognised, everybody in turn": lambda r: accuracy(r, "everybody"),
        "recognised, locked recordings": lambda r: accuracy(r, "locked"),
        "four-quadrant baseline": quadrants,
        "false events": events_told,
        "host": lambda r: r.titles["host"],
        "controller": lambda r: r.titles["mcu"],
        "compiler": lambda r: r.compiled_by,
        in_use(results): lambda r: ranged(r.while_active_uw, "µW", "active all day"),
        "while watching": lambda r: ranged(r.while_watching_uw, "µW", "watching all day"),
        "takes most": lambda r: mark(
            "computed",
            f"{r.dominant[0]}, {100 * r.dominant[1]:.0f} %",
            "largest part / total at typical inputs",
        ),
        "latency of one frame": lambda r: ranged(r.latency_ms, "ms", "by the formulas"),
        "instructions a frame": lambda r: executed(r, r.core.instructions_per_frame, ""),
        "flash": lambda r: executed(r, r.core.code_bytes + r.core.const_bytes, "bytes"),
        "RAM and stack": lambda r: executed(r, r.core.ram_bytes + r.core.stack_bytes, "bytes"),
    }
    if any(r.checks for r in results):
        rows["limits"] = lambda r: (
            "all kept"
            if r.keeps()
            else f"broken: {', '.join(c.what for c in r.checks if not c.keeps())}"
        )
    return [(what, [cell(r) for r in results]) for what, cell in rows.items()]


def power_beside(results: Sequence[Budget]) -> list[dict[str, Any]]:
    """Bars of the models' average power."""
    longest = max(r.average_uw.typical for r in results)
    return [
        {
            "name": name,
            "pieces": [
                (COLOURS[s], 100 * sum(r.terms[p, s] for p in PARTS) / longest) for s in STATES
            ],
            "text": amount_text(r.average_uw.typical),
        }
        for r, name in zip(results, names_apart(results), strict=True)
    ]
