"""The gate at small size: recipes and peers on the people of a world neither was made with."""

from __future__ import annotations

from pathlib import Path

import pytest

from worlds.diffuser import DIFFUSER
from worlds.gate import CLOSE, compare
from worlds.mask import MASK
from worlds.recording import few_takes, record_world
from worlds.world import World

CHANCE = {"dynamic": 1 / 9, "finger_count": 1 / 6}
OWED = {("diffuser", "dynamic"): 0.05}
"""By how much more a recipe is known to be behind, and not to fall further: strokes and the moment
of judging fit that world's gestures badly. To be paid back, not raised."""


@pytest.mark.slow
@pytest.mark.parametrize("recipe", list(CHANCE))
@pytest.mark.parametrize("world", [DIFFUSER, MASK], ids=lambda world: world.name)
def test_a_recipe_comes_close_to_the_best_peer(world: World, recipe: str, tmp_path: Path) -> None:
    """Untouched, a recipe is not clearly more than 2 points, and what it owes, behind the best."""
    record_world(tmp_path / "set", world, [few_takes(recipe, 3)], n_people=9, n_locked=3)
    found = compare(tmp_path / "set", recipe)
    assert not found.refused
    assert found.peers[found.best_peer] > 2 * CHANCE[recipe]
    # Twice the standard error, for the few takes of a small test; the benchmark takes many.
    owed = OWED.get((world.name, recipe), 0.0)
    assert found.behind <= CLOSE + owed + 2 * found.spread, found
