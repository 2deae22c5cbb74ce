"""Why each knob stops paying: what its next weaker value would save, and what it would cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from trainer.choice.frontier import Frontier, Point
from trainer.choice.tried.knobs import ActiveKnobs, Option

__all__ = ["knob_rows"]

TITLES = {
    "led_share": "LED current",
    "exposure_share": "exposure",
    "rows_share": "rows read",
    "rate_divisor": "frame rate",
    "bits_at_most": "bits",
}
A_POINT = 0.01
"""Of accuracy; less is not told from chance by so few people (common practice, no source)."""


def knob_rows(found: Frontier) -> list[dict[str, Any]]:
    """Return for each knob where the knee has it, and what the neighbouring values would give.

    All values are of cheap fits, so that they can be held against each other.
    """
    knee = found.on_front[found.knee]
    rows = [
        _row(found, knee, name, list(getattr(found.asked.knobs.active, name).values))
        for name in ActiveKnobs.model_fields
    ]
    return [row for row in rows if row is not None]


def _row(found: Frontier, knee: Point, name: str, values: list[Any]) -> dict[str, Any] | None:
    tried = _along(found, knee.tried.option, name, values)
    if len(tried) < 2:
        return None
    here = next(row for row in tried if row["here"])
    place = tried.index(here)
    weaker = tried[place + 1] if place + 1 < len(tried) else None
    parts = getattr(found.asked.knobs.active, name).pays_in
    still = sum(float(knee.budget.terms[part, "active"]) for part in parts)
    return {
        "name": name,
        "title": TITLES[name],
        "values": tried,
        "still_uw": round(still, 6),
        "why": _why(here, weaker, still, float(knee.budget.average_uw.typical)),
    }


def _along(
    found: Frontier, option: Option, name: str, values: Sequence[Any]
) -> list[dict[str, Any]]:
    """Return the settings that differ from an option in one knob alone, strongest first."""
    by_option = {one.option: (uw, share) for one, uw, share in found.cheap}
    at = [one for one, _, _ in found.cheap if one.option == option]
    ordered = sorted(values, reverse=name != "rate_divisor")
    rows = []
    for value in ordered:
        other = replace(option, **{name: value})
        if other in by_option and at:
            uw, share = by_option[other]
            rows.append({"value": value, "uw": round(uw, 6), "accuracy": round(share, 6),
                         "here": other == option})  # fmt: skip
    return rows if any(row["here"] for row in rows) else []


def _why(
    here: dict[str, Any], weaker: dict[str, Any] | None, still_uw: float, whole_uw: float
) -> str:
    left = f"It still pays in {still_uw:.3g} of {whole_uw:.3g} µW."
    if weaker is None:
        return f"Stands at the weakest value tried. {left}"
    saves, costs = here["uw"] - weaker["uw"], here["accuracy"] - weaker["accuracy"]
    if costs > A_POINT:
        return (
            f"One step further would save {saves:.2g} µW and cost {100 * costs:.1f} points of "
            f"accuracy. {left}"
        )
    if saves <= 0.0:
        return f"One step further would save nothing. {left}"
    return (
        f"One step further would save {saves:.2g} µW; accuracy would change by "
        f"{-100 * costs:+.1f} points, too little to tell in quick fits. {left}"
    )
