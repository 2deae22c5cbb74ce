"""A frontier without an LED as plain values: its frontier.json and frontier.csv.

``frontier.json`` is that of gestures (:mod:`trainer.choice.told`) with these differences. ``kind``
is ``source`` or ``occupancy``. ``measure`` says what stands beside the microwatts, ``unit`` in what
(empty: a share), ``is_error`` whether less is better; each point's ``value`` is that, with its
``interval`` over ``units``, what is held out whole, ``n_units`` of them, and its ``promise``, both
with what choosing the best by those units flatters taken off (to an error it is added). A point
also holds ``hz``, values a second; of a source ``valid``, the share of frames whose values are
valid, ``bound``, the least error of its readouts, and ``times_bound``, ``mm`` or ``mrad``, and of a
range ``distances``, the same at the distances there were; of places ``balanced_accuracy`` and
``false_presences_per_hour``, of a count also ``exact`` and ``within_one``. ``rate_is_free`` tells
that points are held against those of their own frame rate or a faster one, ``bands`` are the bands
of each rate. ``cheap`` holds quick scores, ``not_made`` settings at which no model could be made,
and ``floor`` has no photon limit: the light is not the device's.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

from runtime.budget.gate import held
from runtime.budget.inputs.evaluation import Evaluation
from trainer.choice.references import frames_per_second, holding_up, other_sensors
from trainer.choice.told import COLUMNS, FORMAT, setting_told
from trainer.choice.unlit.found import UnlitFrontier, UnlitPoint
from trainer.choice.unlit.knob_rows import knob_rows
from trainer.choice.unlit.measures import Judged
from trainer.choice.worth.resamples import COVERAGE, Resampled

__all__ = ["unlit_csv", "unlit_json"]

_OF_PLACES = ("balanced_accuracy", "exact", "within_one")


def unlit_json(found: UnlitFrontier) -> dict[str, Any]:
    """Return the content of ``frontier.json``."""
    task, corpus, knee = found.task, found.task.corpus, found.on_front[found.knee]
    return {
        "format": FORMAT,
        "kind": "source" if task.rate_is_free else "occupancy",
        "task": found.asked.recipes[0].task,
        "recipes": [recipe.name for recipe in found.asked.recipes],
        "data": corpus.digest,
        "recorded_by": sorted({f"unit {r.unit}, firmware {r.firmware}" for r in corpus.recordings}),
        "recorded_at": corpus.sensor.to_json(),
        "measure": task.measure.title,
        "unit": task.measure.unit,
        "is_error": task.measure.is_error,
        "rate_is_free": task.rate_is_free,
        "units": task.units,
        "n_units": len(knee.judged.sums),
        "choice": dataclasses.asdict(found.asked.choice),
        "points": [_point(found, index) for index in range(len(found.points))],
        "front": [point.tried.name for point in found.on_front],
        "knee": knee.tried.name,
        "nearly_best": _nearly_best(found),
        "bands": [_band(found, rate, *each) for rate, each in sorted(found.resampled.items())],
        "cheap": [
            {"name": one.name, "uw": _finite(uw), "quick": _finite(abs(score))}
            for one, uw, score in found.cheap
        ],
        "opponents": [_about(found, p) | {"title": p.opponent} for p in found.opponents],
        "other_sensors": other_sensors(knee.budget),
        "floor": _floor(knee),
        "held_up": holding_up(knee.budget),
        "knobs": knob_rows(found),
        "locked": [_locked(found, *each) for each in found.locked.items()],
        "not_made": found.failed,
        "headroom": found.headroom.to_json(),
        "settings_left_out": found.n_left_out,
        "max_saturated_takes": found.asked.knobs.search.max_saturated_takes,
    }


def _finite(value: float) -> float | None:
    return round(value, 6) if math.isfinite(value) else None


def _point(found: UnlitFrontier, index: int) -> dict[str, Any]:
    point = found.points[index]
    rate = point.hz if found.task.rate_is_free else 0.0
    own, resampled = found.resampled[rate]
    place = own.index(index)
    on_front, interval = index in found.front, _interval(found, resampled, place)
    flattered = resampled.band.flatters(point.uw) if on_front else 0.0
    return _about(found, point) | {
        "interval": interval,
        "promise": _promise(point.value, interval, flattered, is_error=found.task.measure.is_error),
        "on_front": on_front,
        "share_on_front": round(float(resampled.share_on_front[place]), 6),
    }


def _promise(
    value: float, interval: Sequence[float | None], flattered: float, *, is_error: bool
) -> dict[str, float | None]:
    """Return what is to be expected of a point elsewhere: it and its worse end, less flattery."""
    low, high = interval
    if is_error:
        worse = None if high is None else round(high + flattered, 6)
        return {"value": _finite(value + flattered), "low": low, "high": worse}
    worse = None if low is None else round(max(0.0, low - flattered), 6)
    return {"value": _finite(max(0.0, value - flattered)), "low": worse, "high": high}


def _interval(found: UnlitFrontier, resampled: Resampled, place: int) -> list[float | None]:
    """Return the bounds of a point's measure, the smaller first."""
    ends = [abs(float(bound[place])) for bound in (resampled.low, resampled.high)]
    return [_finite(end) for end in (sorted(ends) if found.task.measure.is_error else ends)]


def _about(found: UnlitFrontier, point: UnlitPoint) -> dict[str, Any]:
    budget = point.budget
    evaluated = dataclasses.replace(budget, evaluation=_evaluation(found, point.judged))
    checks = held(found.asked.limits, evaluated)
    own = {
        "uw": round(point.uw, 6),
        "score": _signed(point.score),
        "hz": round(point.hz, 6),
    }
    told = setting_told(point.tried, budget, point.device, checks)
    return _worth(found, point.judged, point.value) | told | own


def _signed(score: float) -> float | None:
    return round(score, 6) if math.isfinite(score) else None


def _worth(found: UnlitFrontier, judged: Judged, value: float) -> dict[str, Any]:
    """Return what a setting is worth on some units."""
    told: dict[str, Any] = {"value": _finite(value), "n_units": len(judged.sums)}
    told |= {found.task.measure.key: _finite(value)}
    if judged.valid is not None:
        bound = judged.figures["bound"]
        told |= {"valid": judged.valid, "times_bound": round(value / bound, 4) if bound else None}
        return told | judged.figures
    shares = {key: judged.figures[key]["value"] for key in _OF_PLACES if key in judged.figures}
    return told | judged.figures | shares


def _evaluation(found: UnlitFrontier, judged: Judged) -> Evaluation | None:
    """Return the figures of places as an evaluation holds them; a source has no share of right."""
    if judged.valid is not None:
        return None
    table = found.asked.recipes[0].occupancy
    counted = {"counted": table.counted, "most": table.most} if table else {}
    return Evaluation.model_validate({"occupancy": counted | {"fixed": judged.figures}})


def _locked(found: UnlitFrontier, name: str, judged: Judged) -> dict[str, Any]:
    value = float(found.task.measure.value(judged.sums.sum(axis=0)))
    return {"name": name} | _worth(found, judged, value)


def _nearly_best(found: UnlitFrontier) -> dict[str, Any]:
    """Return what a little less would save: the cheapest point that is nearly as good."""
    best, near = max(found.at_knees_rate, key=lambda p: p.score), found.nearly_best
    minutes = [float(p.budget.verdict.minutes_lost.median) for p in (best, near)]
    return {
        "from": best.tried.name,
        "to": near.tried.name,
        "values": [_finite(best.value), _finite(near.value)],
        "uw": round(best.uw - near.uw, 6),
        "minutes": round(minutes[0] - minutes[1], 6),
    }


def _band(
    found: UnlitFrontier, rate: float, own: list[int], resampled: Resampled
) -> dict[str, Any]:
    band = resampled.band
    ends = (band.low, band.high)
    low, high = ends[::-1] if found.task.measure.is_error else ends
    return {
        "hz": rate,
        "coverage": COVERAGE,
        "uw": [round(float(x), 6) for x in band.cost_uw],
        "low": [_finite(abs(float(x))) for x in low],
        "high": [_finite(abs(float(x))) for x in high],
        "optimism": [_finite(float(x)) for x in band.optimism],
    }


def _floor(knee: UnlitPoint) -> dict[str, Any]:
    """Return what of the knee no setting of the sensor takes away."""
    always = sum(value for (_, state), value in knee.budget.terms.items() if state == "always")
    typical = knee.budget.average_uw.typical
    return {
        "always_on_uw": round(float(always), 6),
        "photon_uw": None,
        "uw": round(float(always), 6),
        "frames_per_second": round(frames_per_second(knee.budget), 6),
        "gap_uw": round(float(typical - always), 6),
        "gap_times": round(float(typical / always), 6),
        "formula": "always-on electronics; no photon limit, as no energy of the device's makes the "
        "light; gap: the knee at typical inputs over it",
    }


def unlit_csv(told: Mapping[str, Any]) -> str:
    """Return the points as a table: the content of ``frontier.csv``."""
    kept = ("valid", "bound", "times_bound", "mm", "mrad", *_OF_PLACES)
    shown = [key for key in kept if key in told["points"][0]]
    settings = ("exposure_us", "n_rows", "frame_rate_hz", "bit_depth")
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n").writerow
    write(["name", "on_front", "share_on_front", "uw", "uw_low", "uw_high", "value", "value_low",
           "value_high", "promised", "promised_low", "promised_high", *shown, "hz", "minutes",
           "percent_per_day", *(f"{key}_uw" for key in COLUMNS), *settings,
           "keeps_limits"])  # fmt: skip
    for p in told["points"]:
        write([p["name"], int(p["on_front"]), p["share_on_front"], p["uw"], p["uw_low"],
               p["uw_high"], p["value"], *p["interval"],
               *(p["promise"][key] for key in ("value", "low", "high")),
               *(p[key] for key in shown), p["hz"],
               p["minutes"], p["percent_per_day"], *(p["power"][key] for key in COLUMNS),
               *(p["sensor"][key] for key in settings), int(p["keeps_limits"])])  # fmt: skip
    return out.getvalue()
