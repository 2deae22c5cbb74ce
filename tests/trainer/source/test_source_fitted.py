"""A point's range from a rig's recording with truth to a model, its figures and its page."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from capture.emulated.optic.optics import SENSORS
from capture.store.dataset import open_dataset
from capture.store.source_truth import truth_path
from runtime.budget.inputs.evaluation import Evaluation
from runtime.budget.page.first_screen import error_words, recognised
from runtime.errors import FormatError, UsageError
from trainer.recipe import load_recipe
from trainer.source.calibrated import _half_widths
from trainer.source.fitted import FittedSource, fit_source
from trainer.source.readouts import apertures_of, read_sources
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
                 "by a hundredth of a pixel adds", "no frame shows it",
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


@pytest.fixture(scope="module")
def lit_frames(rig_fitted: FittedSource) -> np.ndarray:
    """Return the values of locked frames of one source, all valid."""
    recipe = RECIPE.model_copy(
        update={"source": RECIPE.source.model_copy(update={"half_field_deg": 12.0})}  # type: ignore[union-attr]
    )
    box = apertures_of(rig_fitted.calibrated.model.sensor, recipe)
    found = [read_sources(recording, box) for recording in rig_fitted.test]
    values = np.concatenate([each.int32(each.single(recipe)) for each in found])
    return values[rig_fitted.calibrated.run(values)[1][:, 5:].all(axis=1)]


def _changed(values: np.ndarray, how: str) -> np.ndarray:
    """Return frames whose second aperture has been changed."""
    sensor = SENSORS["lensless32pair"]
    frames = values.reshape(-1, sensor.n_rows, sensor.n_cols).astype(np.float64)
    own = sensor.apertures[1].of(frames)
    if how == "smeared":
        own[:] = gaussian_filter(own, (0, 0.7, 0.7))
    elif how == "half covered":
        own[:, :, :16] = 0.0
    elif how == "dust":
        own[:, 8:12, 20:24] *= 0.6
    else:
        own *= {"covered": 0.0, "dimmed": 0.3}[how]
    return np.round(frames).astype(np.int32).reshape(len(values), -1)


@pytest.mark.parametrize("how", ["smeared", "covered", "half covered", "dimmed"])
def test_an_aperture_that_has_changed_gives_no_value(
    rig_fitted: FittedSource, lit_frames: np.ndarray, how: str
) -> None:
    """With one aperture smeared, covered, half covered or much dimmer nothing is valid."""
    outputs = rig_fitted.calibrated.run(_changed(lit_frames, how))[1]
    assert outputs[:, 5:].any(axis=1).mean() < 0.01


def test_dust_that_leaves_a_value_valid_hardly_moves_it(
    rig_fitted: FittedSource, lit_frames: np.ndarray
) -> None:
    """Where dust lies on pixels that little light meets, values stay within their interval."""
    clear, dusty = (
        rig_fitted.calibrated.run(values)[1]
        for values in (lit_frames, _changed(lit_frames, "dust"))
    )
    closing = rig_fitted.calibrated.model.closing
    valid = dusty[:, 5:].all(axis=1)
    assert valid.mean() < 0.5
    off = np.abs(dusty - clear)[valid, 1:5] / np.array(closing.half_widths)  # type: ignore[attr-defined]
    assert (off <= 1.0).mean() > 0.9


def test_what_is_dimmer_than_calibrated_or_another_light_beside_it_gives_no_value(
    rig_fitted: FittedSource, lit_frames: np.ndarray
) -> None:
    """A tenth of the light is no value, as intervals are not those of it; nor are two lights."""
    dim = np.round(lit_frames * 0.1).astype(np.int32)
    assert not rig_fitted.calibrated.run(dim)[1][:, 5:].any()
    both = (lit_frames + np.roll(lit_frames, len(lit_frames) // 2, axis=0)) // 2
    assert rig_fitted.calibrated.run(both)[1][:, 5:].any(axis=1).mean() < 0.1


def test_a_disparity_beyond_all_calibrated_ones_takes_directions_along(
    rig_fitted: FittedSource, lit_frames: np.ndarray
) -> None:
    """A shift of one optic along the baseline, or across it, leaves no value valid."""
    *_, triangulation, closing = rig_fitted.calibrated.model.stages
    aligned = rig_fitted.calibrated.model.stages[1].run(lit_frames, {})[0]
    for axis, slope in ((0, 0.04), (0, -0.04), (1, 0.002), (1, -0.002)):
        moved = aligned.copy()
        moved[:, axis] += round(slope * 2**18)
        outputs, _ = closing.run(triangulation.run(moved, {})[0], closing.initial_state())
        assert not outputs[:, 5:].any()


def test_an_interval_holds_in_each_class_of_brightness_and_distance() -> None:
    """A half-width is that of the class whose errors are largest, however many are smaller."""
    rng = np.random.default_rng(2)
    far = rng.choice([50.0, 200.0, 600.0], 900, p=[0.6, 0.3, 0.1])
    errors = np.abs(rng.normal(0.0, 1.0, (900, 2))) * np.column_stack([far / 50, np.ones(900)])
    level = rng.integers(200, 260, 900).astype(np.float64)
    widths = _half_widths(errors, (level, far), 0.9)
    assert (errors[far == 600.0, 0] <= widths[0]).mean() >= 0.89
    assert np.quantile(errors[:, 0], 0.9) < 0.6 * widths[0]
    unknown = _half_widths(errors, (level, np.full(900, np.nan)), 0.9)
    assert unknown[0] < 0.7 * widths[0]
    assert unknown[1] == pytest.approx(1.7, abs=0.25)
