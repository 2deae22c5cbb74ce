"""Presence and count from recordings to a model folder, on a handful of invented places."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from runtime.budget.assemble import budget
from runtime.budget.page.report import budget_page
from runtime.errors import FormatError, UsageError
from runtime.model import load_model
from runtime.sample_frames import read_test_frames
from runtime.stages.closing.presence import Presence
from runtime.stages.skip import Skip
from runtime.verification.verify import verify
from trainer.corpus.recordings import open_corpus
from trainer.occupancy.training import train_occupancy
from trainer.recipe import built_in_recipes, load_recipe, parse_recipe
from trainer.train import train_model

FEW = built_in_recipes()["presence"].replace("trees = 120", "trees = 12")


@pytest.fixture(scope="module")
def trained(places_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The model folder of a small recipe for presence."""
    out = tmp_path_factory.mktemp("model") / "presence"
    train_model(places_once, parse_recipe(FEW, "few"), out)
    return out


def test_presence_is_learned_and_every_execution_gives_its_bits(trained: Path) -> None:
    """Corridors with and without people are told apart, and firmware does as the reference."""
    found = json.loads((trained / "evaluation.json").read_text("utf-8"))["occupancy"]
    assert found["cross_validation"]["balanced_accuracy"]["value"] > 0.8
    assert {"fixed", "float", "four_quadrant", "photodiode"} < found.keys()
    said = verify(trained, ["cortex-m0plus"], 40)
    assert said.ok, said.lines()


def test_the_page_and_the_card_say_what_nobody_may_rely_on(trained: Path) -> None:
    """Both hold the caution against safety functions, and that people have to be told."""
    for name in ("evaluation.html", "card.md"):
        text = (trained / name).read_text("utf-8")
        assert "No safety function may hang on this" in text and "have to be told" in text
        assert "IEC 62471" not in text
        assert "presence" in text and "within one" not in text.lower()


def test_the_device_never_watches_and_lights_nothing(trained: Path) -> None:
    """Its price has no LED and no watching, and two frames a second all day."""
    priced = budget(trained, cores=["cortex-m33"])
    page = budget_page([priced])
    for said in ("The device never watches", "Presence told right", "this model, fixed point"):
        assert said in page
    for said in ("hand present", "holds no evaluation", "watching stage misses", "The LED is lit"):
        assert said not in page
    assert priced.part_uw["LED"].high == 0.0 and priced.part_uw["LED driver"].high == 0.0
    assert priced.active_share == 1.0
    assert all(priced.terms[part, "watching"] == 0.0 for part in ("compute", "sensor bias"))
    assert (trained / "firmware" / "pw_device.h").read_text("utf-8").count("never watches") == 1


def test_what_the_figures_say_is_what_the_model_tells(trained: Path, places_once: Path) -> None:
    """The model run over the locked recording tells as many as the confusion counts."""
    model = load_model(trained)
    assert isinstance(model.closing, Presence) and model.entry.always_on
    lit, dark = read_test_frames(trained, model, 512)
    told = model.run(lit, dark).outputs[:, 1]
    found = json.loads((trained / "evaluation.json").read_text("utf-8"))["occupancy"]["fixed"]
    counted = np.array(found["confusion"])
    assert counted[:, 1].sum() <= (told == 1).sum() and counted[:, 0].sum() <= (told == 0).sum()
    assert counted.sum() == found["per_place"][0]["n_frames"]


def test_what_cannot_be_trained_is_refused_in_a_line(places_once: Path) -> None:
    """Several recipes, a lit sensor, one place alone, and gestures of ambient light are refused."""
    recipe = parse_recipe(FEW, "few")
    with pytest.raises(UsageError, match="recipes of an occupancy"):
        train_occupancy(places_once, [recipe, recipe], print, None)
    with pytest.raises(FormatError, match="needs a table occupancy"):
        parse_recipe(FEW.split("[occupancy]")[0], "no table")
    for wrong in (
        FEW.replace('light = "ambient"', 'light = "difference"'),
        FEW.replace('"boosted_trees"', '"mlp"'),
        FEW.replace('"people_0", ', ""),
        FEW + "drift_s = 3600.0\nstill_s = 3000.0\n",
    ):
        with pytest.raises(FormatError, match="where occupancy is told"):
            parse_recipe(wrong, "wrong")
    corpus = open_corpus(places_once, recipe)
    from trainer.occupancy.training import fit_occupancy

    lit = dataclasses.replace(corpus.sensor, led_current_ma=10.0)
    with pytest.raises(UsageError, match="led_current_ma"):
        fit_occupancy(dataclasses.replace(corpus, sensor=lit), recipe, print, {})
    alone = [r for r in corpus.recordings if r.participant in ("P01", "P05")]
    with pytest.raises(UsageError, match="training places"):
        fit_occupancy(dataclasses.replace(corpus, recordings=tuple(alone)), recipe, print, {})


def test_filters_count_as_trees_do_and_run_on_some_frames(
    places_once: Path, tmp_path: Path
) -> None:
    """The network's level is one value behind a skip; fewer bins than filters see get trees."""
    text = built_in_recipes()["count_filters"].replace("epochs = 40", "epochs = 6")
    train_model(
        places_once, parse_recipe(text.replace("trees = 120", "trees = 8"), "few"), tmp_path
    )
    model = load_model(tmp_path)
    kinds = [stage.kind for stage in model.stages]
    assert kinds == [
        "ambient", "level", "background", "skip", "filters", "filters", "filters", "dense", "dense",
        "presence",
    ]  # fmt: skip
    assert {stage.every for stage in model.stages if isinstance(stage, Skip)} == {8}
    found = json.loads((tmp_path / "evaluation.json").read_text("utf-8"))["occupancy"]
    fixed, real = (found[name]["within_one"]["value"] for name in ("fixed", "float"))
    assert abs(fixed - real) < 0.1
    assert {"four_quadrant", "photodiode"} < found.keys()
    said = verify(tmp_path, ["cortex-m4"], 24)
    assert said.ok, said.lines()


def test_built_in_recipes_differ_in_how_many_they_tell() -> None:
    """``presence`` tells whether anybody is there, ``count`` 0 to 4 and more."""
    for kind in ("{}", "{}_filters"):
        most = [load_recipe(kind.format(name)).occupancy for name in ("presence", "count")]
        assert [table.most for table in most if table] == [1, 5]
