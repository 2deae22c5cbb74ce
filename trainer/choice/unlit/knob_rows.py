"""Why each knob stops paying, of tasks without an LED: what its next weaker value would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from trainer.choice.knob_words import A_POINT, TITLES
from trainer.choice.tried.knobs import ActiveKnobs, Option
from trainer.choice.unlit.found import UnlitFrontier, UnlitPoint

__all__ = ["knob_rows"]

A_TENTH = 0.1
"""Of an error; a rig's few sessions tell no less from chance (common practice, no source)."""


def knob_rows(found: UnlitFrontier) -> list[dict[str, Any]]:
    """Return for each knob where the knee has it, and what its other values would give.

    All are quick scores, so that they can be held against each other: of sources the bound, of
    places fits of fewer trees.
    """
    knee = found.on_front[found.knee]
    here, rows = knee.tried.option, []
    for name in ActiveKnobs.model_fields:
        knob = getattr(found.asked.knobs.active, name)
        ordered = sorted(knob.values, reverse=name != "rate_divisor")
        options = {value: replace(here, **{name: value}) for value in ordered}
        rows.append(_row(found, knee, name, knob.pays_in, options))
    for key, knob in found.asked.knobs.recipe.items():
        options = {}
        for one, _, _ in found.cheap:
            if _all_but(one.option, key) == _all_but(here, key):
                options[dict(one.option.turned)[key]] = one.option
        rows.append(_row(found, knee, key, knob.pays_in, options))
    return [row for row in rows if row is not None]


def _all_but(option: Option, key: str) -> tuple[Any, ...]:
    turned = tuple(pair for pair in option.turned if pair[0] != key)
    shares = option.led_share, option.exposure_share, option.rows_share
    return (*shares, option.rate_divisor, option.bits_at_most, turned, option.recipe.name)


def _row(
    found: UnlitFrontier, knee: UnlitPoint, name: str, parts: Sequence[str], options: dict[Any, Any]
) -> dict[str, Any] | None:
    """Return a knob's values, strongest first; None where it was not turned.

    Values of which no model could be made, which have no price or no quick score, are left out.
    """
    told = {one.option: (uw, abs(score)) for one, uw, score in found.cheap
            if math.isfinite(uw) and math.isfinite(score)}  # fmt: skip
    tried = {one.option for one, _, _ in found.cheap}
    values = [
        {"value": value, "uw": round(told[option][0], 6), "quick": round(told[option][1], 6),
         "here": option == knee.tried.option}
        for value, option in options.items() if option in told
    ]  # fmt: skip
    places = [place for place, value in enumerate(values) if value["here"]]
    if len(values) < 2 or not places:
        return None
    weaker = values[places[0] + 1] if places[0] + 1 < len(values) else None
    all_made = len(values) == sum(option in tried for option in options.values())
    still = sum(float(knee.budget.terms[part, "active"]) for part in parts)
    whole = float(knee.budget.average_uw.typical)
    left = f"What it is turned for still draws {still:.3g} of {whole:.3g} µW." if still else ""
    return {
        "name": name,
        "title": TITLES.get(name, name.replace("_", " ").replace(".", ": ")),
        "values": values,
        "still_uw": round(still, 6),
        "why": f"{_why(found, name, values[places[0]], weaker, all_made)} {left}".rstrip(),
    }


def _why(
    found: UnlitFrontier, name: str, here: dict[str, Any], weaker: dict[str, Any] | None,
    all_made: bool,
) -> str:  # fmt: skip
    if weaker is None:
        of = "tried" if all_made else "of which a model can be made"
        return f"Stands at the weakest value {of}."
    saves = here["uw"] - weaker["uw"]
    if saves <= 0.0:
        return "One step further would save nothing."
    if name == "rate_divisor" and found.task.rate_is_free:
        return (
            f"One step further would save {saves:.2g} µW. A frame's error stays, what is told is "
            f"older: {found.on_front[found.knee].hz:g} values a second become fewer."
        )
    if found.task.measure.is_error:
        grows = weaker["quick"] / max(here["quick"], 1e-12) - 1.0
        costs = f"let the bound grow by {100 * grows:.0f} %"
        small = grows <= A_TENTH
    else:
        lost = here["quick"] - weaker["quick"]
        costs = f"cost {100 * lost:.1f} points"
        small = lost <= A_POINT
    if small:
        return (
            f"One step further would save {saves:.2g} µW, and hardly cost anything in quick looks."
        )
    return f"One step further would save {saves:.2g} µW and {costs}."
