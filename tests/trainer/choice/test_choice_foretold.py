"""Which settings a search comes to."""

from __future__ import annotations

from itertools import product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import trainer.choice.frontier as frontier
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Float64
from trainer.choice.tried.knobs import Knobs, options_of
from trainer.choice.tried.sampling import coordinates_of, spread
from trainer.choice.tried.settings import Tried, tried_of
from trainer.choice.worth.foretold import next_to_try
from trainer.choice.worth.pareto import hypervolume, on_front
from trainer.recipe import load_recipe

SIZES = (10, 4, 4, 3, 2)
PLACES = list(product(*(range(n) for n in SIZES)))
AWAY = (1, 3)
"""Knobs whose last value is the best, so that the front is not where the first settings stand."""


def _table(kind: int) -> tuple[Float64, Float64]:
    """Return price and score of every setting: ZDT1 and ZDT2 (Zitzler, Deb, Thiele 2000)."""
    share = np.array(PLACES) / (np.array(SIZES) - 1.0)
    share[:, AWAY] = 1.0 - share[:, AWAY]
    first, g = share[:, 0], 1.0 + 9.0 * share[:, 1:].mean(axis=1)
    second = 1.0 - np.sqrt(first / g) if kind == 1 else 1.0 - (first / g) ** 2
    return np.exp(first), -g * second


def _searched(uw: Float64, score: Float64, n_wanted: int, known_prices: bool) -> list[int]:
    known, coordinates = spread(PLACES, n_wanted // 3), coordinates_of(PLACES)
    while len(known) < n_wanted:
        prices = uw.copy()
        if not known_prices:
            prices[~np.isin(np.arange(len(uw)), known)] = np.nan
        n_more = min(8, n_wanted - len(known))
        more = next_to_try(coordinates, prices, known, score[known], n_more)
        assert len(set(more)) == n_more
        assert not set(more) & set(known)
        known = sorted({*known, *more})
    return known


def _area(uw: Float64, score: Float64, chosen: list[int]) -> float:
    return hypervolume(np.stack([np.log(uw), -score], axis=1)[chosen], (1.1, 1.1))


@pytest.mark.parametrize("kind", [1, 2])
@pytest.mark.parametrize("known_prices", [True, False])
def test_a_search_finds_the_front_of_a_known_table_in_a_fraction_of_its_settings(
    kind: int, known_prices: bool
) -> None:
    """Of 960 settings a search of 48 has the whole front; 48 spread evenly have next to none."""
    uw, score = _table(kind)
    front = set(np.flatnonzero(on_front(uw, score)).tolist())
    chosen = _searched(uw, score, 48, known_prices)
    assert len(front) == SIZES[0]
    assert front <= set(chosen)
    assert len(front & set(spread(PLACES, 48))) <= 2
    assert _area(uw, score, chosen) == pytest.approx(_area(uw, score, list(range(len(uw)))))


def test_a_search_comes_to_the_same_settings_every_time() -> None:
    """The same scores lead to the same settings, and none is asked for that is not there."""
    uw, score = _table(1)
    known = spread(PLACES, 12)
    coordinates = coordinates_of(PLACES)
    first = next_to_try(coordinates, uw, known, score[known], 5)
    assert first == next_to_try(coordinates, uw, known, score[known], 5)
    assert next_to_try(coordinates[:3], uw[:3], [0, 2], score[:2], 5) == [1]


def test_chance_among_few_people_does_not_lead_a_search_astray() -> None:
    """Where scores are off by a tenth of their spread, 60 settings reach 97 % of the area."""
    uw, score = _table(1)
    noise = np.random.default_rng(5).normal(0.0, 0.1 * float(score.std()), len(score))
    chosen = _searched(uw, score + noise, 60, True)
    least = 0.97 * _area(uw, score, list(range(len(uw))))
    assert _area(uw, score, chosen) > least > _area(uw, score, spread(PLACES, 60))


def test_scores_that_are_all_alike_are_no_fault() -> None:
    """Where every setting scored the same, the cheaper ones are looked at."""
    uw, _ = _table(1)
    known = spread(PLACES, 9)
    (more,) = next_to_try(coordinates_of(PLACES), uw, known, np.zeros(len(known)), 1)
    assert uw[more] < np.median(uw)


KNOBS = Knobs.model_validate({
    "active": {
        "led_share": {"values": [1.0, 0.5, 0.25, 0.12, 0.06]},
        "rate_divisor": {"values": [1, 2, 3]},
        "exposure_share": {"values": [1.0, 0.5, 0.25, 0.12]},
    },
    "recipe": {"head.every": {"values": [1, 2]}},
})  # fmt: skip


def test_a_search_prices_and_asks_about_no_setting_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of 120 settings it tries as many as were wanted, the recorded one first, and no other."""
    tried = tried_of(options_of(KNOBS, [load_recipe("dynamic")]), Sensor("bench", 32, 32))
    priced: list[str] = []
    asked_about: list[str] = []

    def prices(_: Any, __: Any, some: list[Tried], *___: Any) -> list[float]:
        priced.extend(one.name for one in some)
        return [20.0 + 30.0 * s.option.led_share / s.option.rate_divisor for s in some]

    def ask(_: Any, some: list[Tried], *__: Any) -> list[float]:
        asked_about.extend(one.name for one in some)
        return [1.0 - 0.05 / (s.option.led_share * s.option.exposure_share) for s in some]

    monkeypatch.setattr(frontier, "prices_of", prices)
    monkeypatch.setattr(frontier, "ask_cheaply", ask)
    readings: Any = SimpleNamespace(tried=tuple(tried))
    wanted: Any = SimpleNamespace(n_settings=30)
    nothing: Any = None
    kept, uw, few = frontier._quickly(wanted, readings, nothing, nothing, nothing, lambda _: None)
    assert len(kept) == len(uw) == len(few) == 30
    assert sorted(asked_about) == sorted(priced) == sorted(one.name for one in kept)
    assert kept[0] is tried[0]  # as recorded
    assert few == ask(nothing, kept)
    assert uw.tolist() == prices(nothing, nothing, kept)
