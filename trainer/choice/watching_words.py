"""Why each knob of the watching state stops paying: what it would save, and whom it would miss."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from runtime.budget.price.wake_up_counts import WakeUpCounts
from trainer.choice.frontier import Frontier, Point
from trainer.choice.tried.settings import device_of
from trainer.choice.tried.watching import Watched, wakes_too_often

__all__ = ["watching_rows", "way_of"]

TITLES = {
    "rate_hz": "watching: looks a second",
    "led_share": "watching: LED current",
    "exposure_share": "watching: exposure",
    "rows_share": "watching: rows read",
}


def way_of(found: Frontier, point: Point) -> Watched | None:
    """Return the way to watch that a point's device has."""
    recorded, sensor = found.readings.recorded, point.tried.sensor
    for way in found.watched:
        if device_of(sensor, recorded, way.option) == point.device:
            return way
    return None


def watching_rows(found: Frontier) -> list[dict[str, Any]]:
    """Return for each knob of the watching state where the knee has it, and its other values.

    Each value with the share of arrivals it misses and with the power it takes or saves beside the
    way that was chosen; nothing where recordings cannot tell of arrivals.
    """
    knee = found.on_front[found.knee]
    here = way_of(found, knee)
    if here is None or here.counts is None or here.uw is None:
        return []
    ways, rows = {way.option: way for way in found.watched}, []
    for name, title in TITLES.items():
        knob = getattr(found.asked.knobs.watching, name)
        values = sorted(knob.values, reverse=True)
        tried = {
            value: ways[option]
            for value in values
            if (option := replace(here.option, **{name: value})) in ways
        }
        if len(tried) < 2:
            continue
        still = sum(float(knee.budget.terms[part, "watching"]) for part in knob.pays_in)
        whole = float(knee.budget.average_uw.typical)
        rows.append({
            "name": f"watching.{name}",
            "title": title,
            "values": [_told(value, way, here) for value, way in tried.items()],
            "still_uw": round(still, 6),
            "why": " ".join([_why(here, list(tried.values()), found), *_left(still, whole)]),
        })  # fmt: skip
    return rows


def _left(still_uw: float, whole_uw: float) -> list[str]:
    if still_uw <= 0.0:  # nobody said what it is turned for
        return []
    return [f"What it is turned for still draws {still_uw:.3g} of {whole_uw:.3g} µW."]


def _told(value: float, way: Watched, here: Watched) -> dict[str, Any]:
    return {
        "value": value,
        "more_uw": round(_more_uw(way, here), 6),
        "misses": round(float(_counts(way).miss_rate.typical), 6),
        "here": way is here,
    }


def _counts(way: Watched) -> WakeUpCounts:
    if way.counts is None:
        raise ValueError("counted for one way and not for another")
    return way.counts


def _more_uw(way: Watched, here: Watched) -> float:
    return (way.uw or 0.0) - (here.uw or 0.0)


def _why(here: Watched, tried: list[Watched], found: Frontier) -> str:
    """Say what the next weaker value would do: ways are turned down while few enough are missed."""
    place, most = tried.index(here), found.asked.knobs.search.max_miss_rate
    if place + 1 == len(tried):
        return "Stands at the weakest value tried."
    weaker = tried[place + 1]
    counts, saves = _counts(weaker), -_more_uw(weaker, here)
    if saves <= 0.0:
        return "One step further would save nothing."
    misses = float(counts.miss_rate.typical)
    if misses > most and not found.stand_ins:
        return (
            f"One step further would save {saves:.2g} µW and miss {100 * misses:.1f} % of "
            f"arrivals, where {100 * most:g} % may be missed."
        )
    if wakes_too_often(counts):
        return (
            f"One step further would save {saves:.2g} µW and wake for nothing at least "
            f"{counts.false_wakes_per_hour.low:.2g} times an hour: more than is priced."
        )
    return f"One step further would save {saves:.2g} µW and miss {100 * misses:.1f} % of arrivals."
