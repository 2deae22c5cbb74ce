"""Which settings of a large grid are tried."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from runtime.sensor import Sensor
from trainer.choice.tried.knobs import load_knobs, options_of
from trainer.choice.tried.sampling import beside, places_of, spread
from trainer.choice.tried.settings import tried_of
from trainer.choice.worth.pareto import on_front
from trainer.recipe import load_recipe

GRID = list(product(range(5), range(2), range(2), range(2), range(1), range(2)))


def test_places_count_a_knobs_values_from_the_recorded_one() -> None:
    """The recorded setting stands at 0 on every knob, and each setting has a place of its own."""
    knobs = load_knobs(Path(__file__).parents[3] / "trainer" / "choice" / "tried" / "knobs.toml")
    tried = tried_of(options_of(knobs, [load_recipe("dynamic")]), Sensor("bench", 16, 16))
    places = places_of(tried)
    assert places[0] == (0, 0, 0, 0, 0, 0)
    assert len(set(places)) == len(tried)
    assert [max(place[knob] for place in places) for knob in (0, 1)] == [3, 4]  # LED, exposure


def test_the_first_settings_lie_evenly_and_are_the_same_every_time() -> None:
    """Each value of each knob is among the first settings, and no setting is there twice."""
    chosen = spread(GRID, 20)
    assert chosen == spread(GRID, 20)
    assert len(chosen) == len(set(chosen)) == 20
    assert chosen[0] == 0
    for knob in range(6):
        assert {GRID[i][knob] for i in chosen} == {place[knob] for place in GRID}
    assert spread(GRID, 500) == sorted(spread(GRID, 500))


def test_what_follows_is_one_step_from_the_best() -> None:
    """A follower differs from some setting of the front in one knob, by one value."""
    assert beside([(0, 0), (1, 0), (2, 0), (0, 1), (0, 2), (1, 1)], [0], [0]) == [1, 3, 4]
    assert beside([(0, 0), (1, 0)], [0], [0, 1]) == []


def test_following_the_best_finds_a_front_that_rises_step_by_step() -> None:
    """Of a smooth score, a search by neighbours comes to the whole front without trying all."""
    places = np.array(GRID)
    cost = 100.0 * 0.5 ** places[:, 0] * 0.8 ** places[:, 3] + 5.0 * places[:, 5]
    score = 1.0 - 0.02 * places[:, 0] ** 2 - 0.03 * places[:, 3] - 0.2 * places[:, 1]
    known = spread(GRID, 12)
    while True:
        front = [known[i] for i in np.flatnonzero(on_front(cost[known], score[known]))]
        more = beside(GRID, front, known)
        if not more:
            break
        known = sorted({*known, *more})
    assert {float(cost[i]) for i in front} == set(cost[on_front(cost, score)].tolist())
    assert len(known) < len(GRID)
