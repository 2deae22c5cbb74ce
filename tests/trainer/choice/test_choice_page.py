"""What the page of a frontier says: the knee's wish, counted events, the knobs of watching."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from types import SimpleNamespace
from typing import Any

import pytest

from runtime.budget.price.wake_up_counts import WakeUpCounts
from runtime.sensor import Sensor
from trainer.choice.page import false_events, front_chart, knee_wish, knob_value
from trainer.choice.tried.knobs import Knobs, RateKnob, ShareKnob, WatchingKnobs, WatchingOption
from trainer.choice.tried.settings import device_of
from trainer.choice.tried.watching import Watched
from trainer.choice.watching_words import watching_rows
from trainer.choice.worth.pick import parse_wish, pick

SENSOR = Sensor("small", 16, 16)


@pytest.mark.parametrize(
    ("uws", "knee"), [((33.5, 36.63, 38.1), 1), ((36.63, 36.631, 41.0), 0), ((7.0,), 0)]
)
def test_the_wish_on_the_page_takes_the_knee(uws: tuple[float, ...], knee: int) -> None:
    """What the page says to pick is the knee, however near the next point stands."""
    points = [{"name": str(i), "uw": uw, "score": 0.9 + i / 100} for i, uw in enumerate(uws)]
    told = {"points": points, "front": [p["name"] for p in points], "knee": str(knee)}
    assert pick(parse_wish(knee_wish(told)), points) == knee


def test_a_few_false_events_are_told_as_counted() -> None:
    """One event in three minutes is told as that, with what it can be at most."""
    counted = {"n_events": 1, "hours": 0.0544, "upper_95": 87.28, "counted_on": "background"}
    assert (
        false_events(counted) == "1 false event in 3 min of everyday life, at most 87 an hour of it"
    )


def _chart(score: float) -> str:
    sensor = SENSOR.to_json()
    device = dataclasses.asdict(device_of(SENSOR, SENSOR, WatchingOption(5.0, 0.2, 0.5)))
    point = {"name": "a", "uw": 40.0, "score": 0.95, "on_front": True, "recipe": "dynamic",
             "turned": {}, "sensor": sensor, "device": device}  # fmt: skip
    plain = {"name": "b", "title": "one photodiode", "uw": 30.0, "score": score}
    return str(front_chart({
        "measure": "event F1", "points": [point], "front": ["a"], "knee": "a",
        "opponents": [plain], "band": {"uw": [40.0], "low": [0.9], "high": [0.98]},
    }))  # fmt: skip


def test_a_sensor_far_below_does_not_press_the_curve_flat() -> None:
    """A plain sensor below the axis is named at its foot with what it reaches, and has no dot."""
    assert _chart(0.93).count("<circle") == 2
    below = _chart(0.4)
    assert below.count("<circle") == 1
    assert "↓ one photodiode, 40.0 %" in below


def _found(misses: int) -> tuple[Any, Watched]:
    """Return a front of one point, which watches 5 times a second, and a slower way."""
    options = WatchingOption(5.0, 0.2, 0.5), WatchingOption(3.0, 0.2, 0.5)
    here, slower = (
        Watched(option, WakeUpCounts(100, n, 0, 1.0), uw)
        for option, n, uw in zip(options, (1, misses), (40.0, 36.0), strict=True)
    )
    budget = SimpleNamespace(
        terms=defaultdict(lambda: 2.0), average_uw=SimpleNamespace(typical=38.0)
    )
    tried = SimpleNamespace(sensor=SENSOR)
    point = SimpleNamespace(
        tried=tried, budget=budget, device=device_of(SENSOR, SENSOR, here.option)
    )
    watching = WatchingKnobs(
        rate_hz=RateKnob(values=(5.0, 3.0), pays_in=("LED",)), led_share=ShareKnob(values=(0.2,))
    )
    asked, readings = (
        SimpleNamespace(knobs=Knobs(watching=watching)),
        SimpleNamespace(recorded=SENSOR),
    )
    found = SimpleNamespace(
        on_front=[point], knee=0, watched=[here, slower], asked=asked, readings=readings,
        stand_ins=False,
    )  # fmt: skip
    return found, here


def test_a_knob_of_watching_stops_where_too_many_are_missed() -> None:
    """The next value's saving, and the share of arrivals that it would miss, are told."""
    found, here = _found(7)
    (row,) = watching_rows(found)
    assert [knob_value(row["name"], at) for at in row["values"]] == [
        "5: 1.0 % missed", "3: 4 µW less, 7.0 % missed",
    ]  # fmt: skip
    assert "would save 4 µW and miss 7.0 % of arrivals, where 2 % may be missed." in row["why"]
    assert row["why"].endswith("still draws 2 of 38 µW.")
    found.watched = [dataclasses.replace(here, counts=None)]
    assert watching_rows(found) == []
