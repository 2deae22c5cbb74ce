"""A small data set of invented participants, recorded once for all tests of the trainer."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from invented_people import record_people, record_place
from recorded_rigs import record_rig
from small_script import RECIPE, SCRIPT

from capture.cues.script import load_script, parse_script
from trainer.recipe import load_recipe
from trainer.source.fitted import FittedSource, fit_source


@pytest.fixture(autouse=True, scope="session")
def own_state(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep the user's own state folder out of the tests, and the tests out of it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        yield


@pytest.fixture(scope="session")
def recorded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four participants, one of them locked; not to be changed."""
    folder = tmp_path_factory.mktemp("small") / "data"
    record_people(folder, parse_script(SCRIPT, "small"), n_participants=4, n_locked=1)
    return folder


@pytest.fixture
def small_data(recorded_once: Path, tmp_path: Path) -> Path:
    """Return a copy of the small data set that the test may change."""
    return Path(shutil.copytree(recorded_once, tmp_path / "data"))


@pytest.fixture(scope="session")
def small_recipe_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the file of a recipe for the small data set; not to be changed."""
    path = tmp_path_factory.mktemp("recipe") / "small.toml"
    path.write_text(RECIPE, "utf-8")
    return path


@pytest.fixture
def small_recipe(tmp_path: Path) -> Path:
    """Return the file of a recipe for the small data set."""
    path = tmp_path / "small.toml"
    path.write_text(RECIPE, "utf-8")
    return path


@pytest.fixture(scope="session")
def places_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return five corridors by ambient light, one of them locked; not to be changed."""
    folder = tmp_path_factory.mktemp("places") / "data"
    for number in range(1, 6):
        record_place(folder, load_script("occupancy_short"), number, locked=number == 5)
    return folder


@pytest.fixture(scope="session")
def rig_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a rig's calibration of one unit and a locked recording of it; not to be changed."""
    return record_rig(tmp_path_factory.mktemp("rig"))


@pytest.fixture(scope="session")
def rig_fitted(rig_once: Path) -> FittedSource:
    """Return the recipe range, narrowed to what the rig reached, fitted to it."""
    recipe = load_recipe("range")
    assert recipe.source is not None
    source = recipe.source.model_copy(update={"half_field_deg": 12.0})
    return fit_source(rig_once, recipe.model_copy(update={"source": source}), lambda said: None)
