"""A point's range from a rig's recording with truth to a model, its figures and its page."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from capture.store.dataset import open_dataset
from capture.store.source_truth import truth_path
from runtime.budget.inputs.evaluation import Evaluation
from runtime.budget.page.first_screen import error_words, recognised
from runtime.errors import FormatError, UsageError
from trainer.recipe import load_recipe
from trainer.source.fitted import FittedSource, fit_source
from trainer.tell.card import model_card
from trainer.tell.source import source_card_lines, source_page, source_rows

RECIPE = load_recipe("range")


def test_a_rigs_recording_becomes_a_model_near_the_bound(rig_fitted: FittedSource) -> None:
    """Direction, inverse distance and distance are told, valid, and within twice the bound."""
    found = rig_fitted.evaluation["source"]
    assert found["names"] == ["direction_x", "direction_y", "inverse_distance", "distance"]
    assert found["value_units"] == ["mrad", "mrad", "1/m", "mm"]
    assert found["n_valid"] > 0.9 * found["n_frames"]
    for value in found["fixed"]:
        assert value["ratio"] < 2.5
        assert abs(value["bias_over_bound"]) < 1.0
        assert value["within"] > 0.7
    rows = {round(row["baselines"]): row for row in found["over_distance"]}
    assert rows[32]["relative_rmse"] < 0.02
    assert found["refusals"]["rig_none"]["n_valid"] == 0
    assert found["units"]["unit-a"]["calibrated"]
    assert found["calibration"]["learned_as"] == "one pattern that moves"


def test_the_page_and_the_card_show_the_bound_and_the_maps(rig_fitted: FittedSource) -> None:
    """The page holds errors, the bound, maps over field and distance, and the units."""
    evaluation = json.loads(json.dumps(rig_fitted.evaluation))
    page = source_page(evaluation)
    for said in ("Inverse distance off by", "unexplained, by aperture",
                 "Errors beside the bound", "Over the distance", "Error over the bound",
                 "Unit unit-a, as calibrated", "no source", "emulated lights"):  # fmt: skip
        assert said in page
    assert page == source_page(evaluation)
    assert len(source_rows(evaluation)) == 8
    assert any("inverse distance" in line for line in source_card_lines(evaluation))


def test_a_rigs_model_is_not_described_as_one_of_people(rig_fitted: FittedSource) -> None:
    """Card and budget speak of a rig's recordings: no people, no hands, no interval over people."""
    evaluation = json.loads(json.dumps(rig_fitted.evaluation))
    card = model_card(rig_fitted.calibrated.model, evaluation)
    assert "people" not in card
    assert "hands" not in card
    assert "says nothing of a real optic" in card
    assert "no LED lit" in card
    found = Evaluation.model_validate(evaluation)
    assert found.quantity is not None
    assert not found.quantity.of_people
    assert error_words(found.quantity.fixed.rmse, "mm").endswith(" mm")
    assert recognised(found)[0][0] == "distance"


def test_a_truth_that_is_missing_or_too_short_is_one_line(rig_once: Path) -> None:
    """A recording without its truth, or one that the truth does not reach over, is refused."""
    session = next(info.path for info in open_dataset(rig_once).sessions)
    path = truth_path(session)
    whole = path.read_text("utf-8")
    lines = whole.splitlines(keepends=True)
    try:
        path.write_text("".join(lines[: len(lines) // 2]), "utf-8")
        with pytest.raises(FormatError, match="truth's time"):
            fit_source(rig_once, RECIPE, lambda said: None)
        path.unlink()
        with pytest.raises(UsageError, match="truth of the sources is missing"):
            fit_source(rig_once, RECIPE, lambda said: None)
    finally:
        path.write_text(whole, "utf-8")


def test_noise_and_black_are_never_a_value(rig_fitted: FittedSource) -> None:
    """Frames of noise, of one count everywhere and of full counts are valid in no value."""
    rng = np.random.default_rng(3)
    n = rig_fitted.calibrated.model.stages[1].n_in
    values = np.round(rng.normal(0, 2, (30, n))).astype(np.int32)
    values[:3] = [[0], [500], [4095]]
    values[3] = rng.integers(-4095, 4096, n)
    _, outputs = rig_fitted.calibrated.run(values)
    assert not outputs[:, 5:].any()
