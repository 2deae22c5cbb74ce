"""Which settings of a large grid are tried."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np

from runtime.sensor import Sensor
from trainer.choice.tried.knobs import load_knobs, options_of
from trainer.choice.tried.sampling import coordinates_of, places_of, spread
from trainer.choice.tried.settings import tried_of
from trainer.recipe import load_recipe

GRID = list(product(range(5), range(2), range(2), range(2), range(1), range(2)))


def test_places_count_a_knobs_values_from_the_recorded_one() -> None:
    """The recorded setting stands at 0 on every knob, and each setting has a place of its own."""
    knobs = load_knobs(Path(__file__).parents[3] / "trainer" / "choice" / "tried" / "knobs.toml")
    tried = tried_of(options_of(knobs, [load_recipe("dynamic")]), Sensor("bench", 16, 16))
    places = places_of(tried)
    assert places[0] == (0, 0, 0, 0, 0, 0, 0)  # five knobs, a key of the recipe, the recipe
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


def test_recipes_stand_apart_and_their_keys_in_a_row() -> None:
    """A recipe's key is a knob as others are; recipes are as far from each other as a whole way."""
    places = [(0, 0, 0), (2, 1, 0), (4, 0, 1), (4, 1, 2)]
    found = coordinates_of(places)
    assert found[:, 0].tolist() == [0.0, 0.5, 1.0, 1.0]
    assert found.shape == (4, 5)
    recipes = found[[0, 2, 3], 2:]
    apart = np.linalg.norm(recipes[:, None] - recipes[None], axis=2)
    assert np.allclose(apart, 1.0 - np.eye(3))
    assert coordinates_of([(0, 3, 0), (1, 3, 0)]).shape == (2, 1)  # what is the same says nothing
