"""A frontier as plain values: what frontier.json holds, and the page and the table are made of.

``frontier.json`` holds under ``points`` every setting that was tried in full, by rising power: its
``name``; ``uw`` (median over a day, with ``uw_low`` and ``uw_high``), ``minutes`` of a charge and
``percent_per_day``; ``score`` with its ``interval`` over people (``f1`` of events, or ``accuracy``
of takes) and its percentiles in resamples; ``promise``, what other people are to expect of it: the
score less what choosing the best by the people who judge it flatters, and its interval, whose lower
end is as much lower; ``share_on_front``, the share of resamples of the people
in which no other setting beats it; ``power`` in five groups at typical inputs; ``misses`` of the
way to watch, and within how many seconds it answers 95 % of the others; ``setting`` (how much
weaker than recorded), ``sensor`` and ``device`` as they are set; and ``limits``, each with its
line. ``front`` names the points that no other beats, ``knee`` the one beyond which more power
brings little, ``two_points_less`` what two points of the score would save. ``locked`` holds what
the knee, and the point two points below the best, recognise of the locked people, who are asked
about no other; ``held_up`` what the knee's power is drawn for, the largest first. ``band`` is where
the best at each power lies in the resamples, ``cheap`` every setting with its price and its quick
fits' accuracy, ``opponents`` plain sensors on the same recordings, ``other_sensors`` those that are
priced only, ``floor`` what the device would take with light at the photon limit, with formula and
inputs, and ``knobs`` what each knob's next value would do (of watching, with the share of
arrivals missed in the place of accuracy), ``lamps_left`` the frame rates at which no mean of frames
takes flicker out, ``watching`` every way to watch with what was counted of
it and its price where the active state is as recorded, ``host`` the device whose battery
``minutes`` are of. ``frontier.csv`` has a row for each point.
"""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from runtime.budget.gate import held
from runtime.budget.inputs.evaluation import Evaluation
from runtime.budget.page.first_screen import headline
from runtime.budget.result import Budget
from runtime.budget.verdict.limits import Check
from runtime.firmware.setting import DeviceSetting
from trainer.choice.frontier import Frontier, Point
from trainer.choice.knob_words import knob_rows, lamps_left
from trainer.choice.references import floor_of, holding_up, other_sensors
from trainer.choice.tried.asked import Asked
from trainer.choice.tried.full_trials import Recognised
from trainer.choice.tried.settings import Tried
from trainer.choice.tried.watching import Watched
from trainer.choice.watching_words import watching_rows, way_of
from trainer.choice.worth.pareto import hypervolume
from trainer.choice.worth.resamples import COVERAGE, scores_of
from trainer.corpus.recordings import Corpus
from trainer.judge.evaluate import rounded_figure
from trainer.judge.intervals import over_participants

__all__ = ["COLUMNS", "FORMAT", "frontier_csv", "frontier_json", "setting_told"]

FORMAT = 1
"""Of ``frontier.json``."""
COLUMNS = ("LED", "watching", "readout", "compute", "sleep")
"""What a point's power is told in; together they are all of it, at typical inputs."""
_READOUT = ("pixel readout", "sensor bias", "waiting for pixels", "transfer")


def groups_of_power(budget: Budget) -> dict[str, float]:
    """Return microwatts at typical inputs in five groups that add up to the whole.

    What the regulator loses while active goes to readout and compute, by what each draws of it.
    """
    terms = budget.terms
    active = {part: value for (part, state), value in terms.items() if state == "active"}
    led = active["LED"] + active["LED driver"]
    readout = sum(active[part] for part in _READOUT)
    compute = active["compute"] + active["wake-ups"]
    lost = 1.0 + active["regulator"] / max(readout + compute, 1e-12)
    return {
        "LED": float(led),
        "watching": float(sum(v for (_, state), v in terms.items() if state == "watching")),
        "readout": float(readout * lost),
        "compute": float(compute * lost),
        "sleep": float(sum(v for (_, state), v in terms.items() if state == "always")
                       + active["start-up"]),
    }  # fmt: skip


def frontier_json(found: Frontier) -> dict[str, Any]:
    """Return the content of ``frontier.json``."""
    corpus, best = found.readings.base.corpus, found.on_front[-1]
    events = found.points[0].recognised.event_counts is not None
    chosen = found.on_front[found.knee]
    points = [_point(found, index) for index in range(len(found.points))]
    cost = np.array([point.uw for point in found.points])
    score = np.array([point.score for point in found.points])
    most = float(cost.max()) * 1.1
    n_values = found.readings.readings[chosen.tried.name].entry.n_out
    return {
        "format": FORMAT,
        "task": found.readings.base.recipe.task,
        "recipes": [recipe.name for recipe in found.asked.recipes],
        "data": corpus.digest,
        "recorded_by": _recorded_by(corpus),
        "recorded_at": found.readings.recorded.to_json(),
        "measure": "event F1" if events else "accuracy",
        "n_people": len(found.points[0].recognised.counts),
        "choice": dataclasses.asdict(found.asked.choice),
        "host": chosen.budget.titles["host"],
        "points": points,
        "front": [point.tried.name for point in found.on_front],
        "knee": chosen.tried.name,
        "two_points_less": _two_points_less(best, found.within_two_points),
        "band": {
            "coverage": COVERAGE,
            "uw": _rounded(found.resampled.band.cost_uw),
            "low": _rounded(found.resampled.band.low),
            "high": _rounded(found.resampled.band.high),
            "optimism": _rounded(found.resampled.band.optimism),
        },
        "hypervolume": {
            "value": round(hypervolume(np.stack([cost, 1.0 - score], 1), (most, 1.0)), 6),
            "reference": [round(most, 6), 1.0],
            "axes": "average uW (median), and 1 less the score",
        },
        "cheap": [
            {"name": one.name, "uw": round(uw, 6), "accuracy": round(share, 6)}
            for one, uw, share in found.cheap
        ],
        "opponents": [_about(found.asked, point) | {"title": point.opponent}
                      for point in found.opponents],
        "other_sensors": other_sensors(chosen.budget),
        "floor": floor_of(chosen.budget, chosen.tried.sensor, n_values),
        "held_up": holding_up(chosen.budget),
        "knobs": [*knob_rows(found), *watching_rows(found)],
        "lamps_left": lamps_left(found),
        "watching": [_watched(one) for one in found.watched],
        "locked": [_locked(*each) for each in found.locked.items()],
        "gestures_for_arrivals": found.stand_ins,
        "max_miss_rate": found.asked.knobs.search.max_miss_rate,
        "headroom": found.readings.headroom.to_json(),
        "settings_left_out": found.readings.n_left_out,
        "max_saturated_takes": found.asked.knobs.search.max_saturated_takes,
    }  # fmt: skip


def _rounded(values: Any) -> list[float]:
    return [round(float(value), 6) for value in values]


def _recorded_by(corpus: Corpus) -> list[str]:
    return sorted({f"unit {r.unit}, firmware {r.firmware}" for r in corpus.recordings})


def _point(found: Frontier, index: int) -> dict[str, Any]:
    resampled, way = found.resampled, way_of(found, found.points[index])
    counts = None if way is None else way.counts
    about = _about(found.asked, found.points[index])
    return about | {
        "score_in_resamples": _rounded((resampled.low[index], resampled.high[index])),
        "promise": _promise(about["score"], about["interval"], _flattered(found, index)),
        "on_front": index in found.front,
        "share_on_front": round(float(resampled.share_on_front[index]), 6),
        "misses": None if counts is None else round(float(counts.miss_rate.typical), 6),
        "answered_within_s": None if counts is None else round(counts.delay_s(0.95), 6),
    }


def _flattered(found: Frontier, index: int) -> float:
    """Return by how much a point of the front looks better for having been chosen: 0 of others."""
    if index not in found.front:
        return 0.0
    return found.resampled.band.flatters(found.points[index].uw)


def _promise(score: float, interval: Sequence[float], flattered: float) -> dict[str, float]:
    low, high = interval
    return {
        "value": round(max(0.0, score - flattered), 6),
        "low": round(max(0.0, low - flattered), 6),
        "high": high,
    }


def _about(asked: Asked, point: Point) -> dict[str, Any]:
    recognised, budget = point.recognised, point.budget
    evaluated = _evaluation(recognised)
    f1 = None if recognised.event_counts is None else evaluated["events"]["f1"]
    checks = held(asked.limits, _with(budget, evaluated))
    return setting_told(point.tried, budget, point.device, checks) | {
        "uw": round(point.uw, 6),
        "score": round(point.score, 6),
        "f1": None if f1 is None else f1["value"],
        "accuracy": evaluated["fixed"]["accuracy"]["value"],
        "interval": [(f1 or evaluated["fixed"]["accuracy"])[end] for end in ("low", "high")],
        "false_events_per_hour": recognised.false_events,
    }


def setting_told(
    tried: Tried, budget: Budget, device: DeviceSetting, checks: Sequence[Check]
) -> dict[str, Any]:
    """Return a setting, its price and its limits as plain values, whatever it is judged by."""
    return {
        "name": tried.name,
        "recipe": tried.option.recipe.name,
        "turned": dict(tried.option.turned),
        "uw_low": round(float(budget.average_uw.low), 6),
        "uw_high": round(float(budget.average_uw.high), 6),
        "minutes": round(float(budget.verdict.minutes_lost.median), 6),
        "percent_per_day": round(float(budget.verdict.percent_per_day.median), 6),
        "verdict": budget.verdict.word,
        "verdict_means": headline(budget.verdict),
        "power": {key: round(value, 6) for key, value in groups_of_power(budget).items()},
        "typical_uw": round(float(budget.average_uw.typical), 6),
        "setting": tried.setting.to_json(),
        "sensor": tried.sensor.to_json(),
        "device": dataclasses.asdict(device),
        "limits": [{"what": c.what, "state": c.state, "line": c.line} for c in checks],
        "keeps_limits": all(each.keeps() for each in checks),
    }


def _with(budget: Budget, evaluated: Mapping[str, Any]) -> Budget:
    return dataclasses.replace(budget, evaluation=Evaluation.model_validate(evaluated))


def _locked(name: str, recognised: Recognised) -> dict[str, Any]:
    """Return what a chosen setting recognises of the locked people."""
    evaluated = _evaluation(recognised)
    judged = evaluated["events"]["f1"] if "events" in evaluated else evaluated["fixed"]["accuracy"]
    return {
        "name": name,
        "score": judged["value"],
        "interval": [judged[end] for end in ("low", "high")],
        "n_people": judged["n_participants"],
        "accuracy": evaluated["fixed"]["accuracy"]["value"],
        "false_events_per_hour": recognised.false_events,
    }


def _evaluation(recognised: Recognised) -> dict[str, Any]:
    """Return the figures of people held out in turn as an evaluation holds them."""
    accuracy = _figure(recognised.take_counts, "n_takes")
    found: dict[str, Any] = {
        "fixed": {"accuracy": accuracy},
        "everybody": {"accuracy": accuracy},
    }
    if recognised.event_counts is not None:
        f1 = _figure(recognised.event_counts, "n_events")
        found["events"] = {"f1": f1, "false_events_per_hour": recognised.false_events}
    return found


def _figure(counts: Any, counted: str) -> dict[str, Any]:
    each = scores_of(counts).tolist()
    n = int(counts[:, 2].sum())
    value = float(scores_of(counts.sum(axis=0)))
    figure = rounded_figure(value, over_participants(each, max(n, len(each))))
    return figure | {"n_participants": len(each), counted: n}


def _watched(one: Watched) -> dict[str, Any]:
    counts = one.counts
    return {
        "rate_hz": one.option.rate_hz,
        "led_share": one.option.led_share,
        "rows_share": one.option.rows_share,
        "exposure_share": one.option.exposure_share,
        "uw": None if one.uw is None else round(one.uw, 6),
        "n_arrivals": None if counts is None else counts.n_arrivals,
        "n_missed": None if counts is None else counts.n_missed,
        "n_false_wakes": None if counts is None else counts.n_false_wakes,
        "empty_hours": None if counts is None else round(counts.empty_hours, 6),
        "delay_s": None if counts is None else _rounded(map(counts.delay_s, (0.5, 0.95))),
    }


def _two_points_less(best: Point, near: Point) -> dict[str, Any]:
    """Return what two points of the score would buy: the cheapest point that is no further off."""
    return {
        "from": best.tried.name,
        "to": near.tried.name,
        "points": round(100.0 * (best.score - near.score), 6),
        "uw": round(best.uw - near.uw, 6),
        "minutes": round(
            float(
                best.budget.verdict.minutes_lost.median - near.budget.verdict.minutes_lost.median
            ),
            6,
        ),
    }


def frontier_csv(told: Mapping[str, Any]) -> str:
    """Return the points as a table: the content of ``frontier.csv``."""
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n").writerow
    write([
        "name", "on_front", "share_on_front", "uw", "uw_low", "uw_high", "score", "score_low",
        "score_high", "promised", "promised_low", "promised_high", "f1", "accuracy", "misses",
        "minutes", "percent_per_day", *(f"{key}_uw" for key in COLUMNS), "led_current_ma",
        "exposure_us", "n_rows", "frame_rate_hz", "bit_depth", "watching_rate_hz", "watching_rows",
        "watching_led_current_ma", "watching_exposure_us", "keeps_limits",
    ])  # fmt: skip
    for p in told["points"]:
        sensor, device = p["sensor"], p["device"]
        write([
            p["name"], int(p["on_front"]), p["share_on_front"], p["uw"], p["uw_low"], p["uw_high"],
            p["score"], *p["score_in_resamples"],
            *(p["promise"][key] for key in ("value", "low", "high")), _or_empty(p["f1"]),
            p["accuracy"], _or_empty(p["misses"]), p["minutes"], p["percent_per_day"],
            *(p["power"][key] for key in COLUMNS),
            *(sensor[key] for key in ("led_current_ma", "exposure_us", "n_rows", "frame_rate_hz",
                                      "bit_depth")),
            *(device[key] for key in ("watching_rate_hz", "watching_rows",
                                      "watching_led_current_ma", "watching_exposure_us")),
            int(p["keeps_limits"]),
        ])  # fmt: skip
    return out.getvalue()


def _or_empty(value: float | None) -> float | str:
    return "" if value is None else value
