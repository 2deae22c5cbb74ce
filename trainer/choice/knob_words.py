"""Why each knob stops paying: what its next weaker value would save, and what it would cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from capture.measure.flicker import MAINS_FLICKER_HZ, clear_rate_hz, folded_hz
from trainer.choice.frontier import Frontier, Point
from trainer.choice.tried.knobs import ActiveKnobs, Option
from trainer.choice.tried.settings import key_of
from trainer.learn.mains import frames_kept

__all__ = ["knob_rows", "lamps_left"]

TITLES = {
    "led_share": "LED current",
    "exposure_share": "exposure",
    "rows_share": "rows read",
    "rate_divisor": "frame rate",
    "bits_at_most": "bits",
    "head.every": "classifier, every so many frames",
}
A_POINT = 0.01
"""Of accuracy; less is not told from chance by so few people (common practice, no source)."""


def knob_rows(found: Frontier) -> list[dict[str, Any]]:
    """Return for each knob where the knee has it, and what the neighbouring values would give.

    All values are of cheap fits, so that they can be held against each other.
    """
    knee = found.on_front[found.knee]
    option, knobs = knee.tried.option, found.asked.knobs
    rows = []
    for name in ActiveKnobs.model_fields:
        knob = getattr(knobs.active, name)
        ordered = sorted(knob.values, reverse=name != "rate_divisor")
        others = [(value, replace(option, **{name: value})) for value in ordered]
        rows.append(_row(found, knee, name, knob.pays_in, _told(found, option, others)))
    for key, turned in knobs.recipe.items():
        tried = [(dict(one.option.turned).get(key), one.option) for one, _, _ in found.cheap]
        same = [(value, other) for value, other in tried if _differs_in(option, other, key)]
        rows.append(_row(found, knee, key, turned.pays_in, _told(found, option, same)))
    return [row for row in rows if row is not None]


def lamps_left(found: Frontier) -> list[dict[str, Any]]:
    """Return the frame rates tried at which no mean of frames takes lamps' flicker out.

    At the recorded rate one does. Each with ``frame_rate_hz``, as what each mains' flicker is seen
    there (``seen_as``, pairs of Hz), and ``nearest_hz``, a rate that has such a mean.
    """
    recorded = found.readings.recorded.frame_rate_hz
    lost = {
        one.sensor.frame_rate_hz
        for one in found.readings.tried
        if frames_kept(one.option.recipe.features, recorded)
        and not frames_kept(one.option.recipe.features, one.sensor.frame_rate_hz)
    }
    return [
        {
            "frame_rate_hz": rate,
            "seen_as": [[hz, round(folded_hz(hz, rate), 6)] for hz in MAINS_FLICKER_HZ],
            "nearest_hz": clear_rate_hz(rate),
        }
        for rate in sorted(lost)
    ]


def _differs_in(option: Option, other: Option, key: str) -> bool:
    """Tell whether two options have all but one key of the recipe in common."""

    def left(one: Option) -> Option:
        turned = tuple(pair for pair in one.turned if pair[0] != key)
        return replace(one, recipe=option.recipe, turned=turned)

    return left(option) == left(other) and option.recipe.name == other.recipe.name


def _row(
    found: Frontier, knee: Point, name: str, parts: Sequence[str], tried: list[dict[str, Any]]
) -> dict[str, Any] | None:
    if len(tried) < 2:
        return None
    here = next(row for row in tried if row["here"])
    place = tried.index(here)
    weaker = tried[place + 1] if place + 1 < len(tried) else None
    still = sum(float(knee.budget.terms[part, "active"]) for part in parts)
    return {
        "name": name,
        "title": TITLES.get(name, name.replace("_", " ").replace(".", ": ")),
        "values": tried,
        "still_uw": round(still, 6),
        "why": _why(here, weaker, still, float(knee.budget.average_uw.typical)),
    }


def _told(
    found: Frontier, option: Option, others: Sequence[tuple[Any, Option]]
) -> list[dict[str, Any]]:
    """Return power and accuracy of settings that differ in one knob, strongest first."""
    recorded = found.readings.recorded
    by_key = {key_of(one.option, recorded): (uw, share) for one, uw, share in found.cheap}
    rows = [
        {
            "value": value,
            "uw": round(by_key[key][0], 6),
            "accuracy": round(by_key[key][1], 6),
            "here": other == option,
        }
        for value, other in others
        if (key := key_of(other, recorded)) in by_key
    ]
    return rows if any(row["here"] for row in rows) else []


def _why(
    here: dict[str, Any], weaker: dict[str, Any] | None, still_uw: float, whole_uw: float
) -> str:
    left = f"What it is turned for still draws {still_uw:.3g} of {whole_uw:.3g} µW."
    if still_uw <= 0.0:  # nobody said what it is turned for
        left = ""
    if weaker is None:
        return f"Stands at the weakest value tried. {left}".rstrip()
    saves, costs = here["uw"] - weaker["uw"], here["accuracy"] - weaker["accuracy"]
    if costs > A_POINT:
        return (
            f"One step further would save {saves:.2g} µW and cost {100 * costs:.1f} points of "
            f"accuracy. {left}".rstrip()
        )
    if saves <= 0.0:
        return f"One step further would save nothing. {left}".rstrip()
    return (
        f"One step further would save {saves:.2g} µW, and the quick fits cannot tell what it would "
        f"cost: less than a point. {left}".rstrip()
    )
