"""A quantity end to end: recordings that say their distance, to a model that measures it."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from invented_people import add_person, record_session

from capture.cues.script import parse_script
from capture.store.dataset import open_dataset
from capture.store.session import read_session
from runtime.budget import budget, write_report
from runtime.budget.inputs.evaluation import read_evaluation
from runtime.errors import FormatError, UsageError
from runtime.model import load_model
from runtime.verification.verify import verify
from trainer.corpus.recordings import Corpus, Recording, refuse_missing_truth
from trainer.learn.classifiers import fit_regressor
from trainer.learn.lowering import lower_regressor
from trainer.recipe import (
    ClassifierRecipe,
    QuantisationRecipe,
    QuantityRecipe,
    built_in_recipes,
    load_recipe,
    parse_recipe,
)
from trainer.train import train_model

SCRIPT = parse_script(
    b"""\
name = "poses"
lead_in_s = 1.0
rest_s = [0.3, 0.4]
movement = false
"""
    + b"".join(
        b'[[cue]]\ntrial_type = "fingers_%d"\nrepetitions = 2\nduration_s = 1.5\n' % fingers
        for fingers in (0, 5)
    ),
    "poses",
)
TEXT = built_in_recipes()["distance"]


def test_the_built_in_recipe_measures_the_distance() -> None:
    """The recipe distance learns millimetres as noted with recordings."""
    quantity = load_recipe("distance").quantity
    assert quantity is not None
    assert (quantity.target, quantity.unit, quantity.coverage) == ("distance_mm", "mm", 0.9)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('target = "distance_mm"', 'target = "angle_deg"', "distance_mm"),
        ("coverage = 0.9", "coverage = 1.5", "coverage"),
        ('take_end = "cue"', 'take_end = "movement"', 'take_end must be "cue"'),
        ('kind = "linear"', 'kind = "tree"', "classifier.kind must be"),
        ("seed = 14", 'seed = 14\nother = ["idle"]', "other and background must be left out"),
        ("motion = false", "motion = false\nswing_frames = 3", "swing_frames must be 0"),
        ('"principal"', '"fisher"', 'must not be "fisher"'),
    ],
)
def test_recipes_that_cannot_measure_are_one_line(old: str, new: str, message: str) -> None:
    """A quantity that a recipe cannot reach is refused, and the key is named."""
    assert old in TEXT
    with pytest.raises(FormatError, match=r"^changed") as error:
        parse_recipe(TEXT.replace(old, new), "changed")
    assert message in str(error.value)
    assert "\n" not in str(error.value)


def test_the_digest_of_a_recipe_of_classes_knows_no_quantity() -> None:
    """A recipe without a quantity keeps the identity it had before there were any."""
    recipe = load_recipe("dynamic")
    values = recipe.model_dump(mode="json")
    for table in ("quantity", "source", "occupancy", "or_classifier"):
        assert values.pop(table) is None
    assert values["features"].pop("hold")  # nor frames that are held off
    assert values["classifier"].pop("filters") == []  # nor filters before its layers
    assert values.pop("head")["every"] == 1  # nor a head that looks at every frame
    assert values.pop("entry") == type(recipe.entry)().model_dump(mode="json")
    text = json.dumps(values, sort_keys=True)
    assert recipe.digest() == hashlib.sha256(text.encode()).hexdigest()
    assert load_recipe("distance").digest() != recipe.digest()


@pytest.mark.parametrize(
    ("told", "message"),
    [((90.0, None), "distance_mm is not noted"), ((90.0, 90.0), "90 in every recording")],
)
def test_recordings_without_truth_are_one_line(
    told: tuple[float | None, ...], message: str
) -> None:
    """A recording that does not say its distance, or all at one distance, is refused."""
    recordings = tuple(
        Recording(Path(f"P{i}"), f"P{i}", "unit-a", "1", False, "", distance)
        for i, distance in enumerate(told)
    )
    corpus: Any = Corpus(None, recordings, {}, "", Path("data"))  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=message):
        refuse_missing_truth(corpus, QuantityRecipe())


@pytest.mark.parametrize(
    "head",
    [
        ClassifierRecipe(kind="linear", penalty=1e-4),
        ClassifierRecipe(kind="mlp", hidden=(12,), penalty=1e-3, epochs=150),
        ClassifierRecipe(kind="mlp", hidden=(12, 8), epochs=60, input_noise=0.05, averaged=True),
    ],
)
def test_a_lowered_regressor_measures_as_the_fitted_one(head: ClassifierRecipe) -> None:
    """Integers follow the fitted regressor within a hundredth of its range, and keep the guard."""
    rng = np.random.default_rng(8)
    x = rng.integers(-3000, 3001, (600, 6)).astype(np.int32)
    targets = 150 + x[:, 0] * 0.02 + x[:, 1] * 0.01
    people = rng.integers(0, 5, 600)
    fitted = fit_regressor(head, x, targets, 1, 4, people)
    wanted = fitted.predict(x.astype(np.float64))
    assert np.sqrt(((wanted - targets) ** 2).mean()) < 12
    guard = np.array([0.0, 0, 0, 0, 0, 1])
    low, high = np.full(6, -32767), np.full(6, 32767)
    quantisation = QuantisationRecipe(weight_bits=16, hidden_bits=16, clip_quantile=1.0)
    stages, unit = lower_regressor(fitted, guard, x, low, high, quantisation)
    assert np.log2(unit) == round(np.log2(unit))

    def run(values: np.ndarray) -> np.ndarray:
        for stage in stages:
            values, _ = stage.run(values, {})
        return values

    y = run(x)
    assert np.abs(y[:, 0] * unit - wanted).max() < 0.01 * np.ptp(targets)
    assert np.corrcoef(y[:, 1], x[:, 5])[0, 1] > 0.9999
    beyond = x[:8].copy()
    beyond[:4, 5], beyond[4:, 5] = 5000, -5000
    seen = run(beyond)[:, 1]
    assert (seen[:4] > y[:, 1].max()).all()
    assert (seen[4:] < y[:, 1].min()).all()


def test_noise_of_takes_leaves_the_truth_alone() -> None:
    """What differs between one person's takes at one truth is drawn out, and never the truth."""
    rng = np.random.default_rng(12)
    targets, people = rng.choice([80.0, 120.0, 160.0], 900), rng.integers(0, 6, 900)
    x = np.stack([20 * (targets - 120), rng.normal(0, 800, 900)], axis=1).astype(np.int32)
    head = ClassifierRecipe(
        kind="mlp", hidden=(12,), penalty=1e-3, epochs=60, take_noise=1.0, averaged=True
    )
    wanted = fit_regressor(head, x, targets, 1, 4, people).predict(x.astype(np.float64))
    assert np.sqrt(((wanted - targets) ** 2).mean()) < 4


def assert_valid_only_with_a_hand(folder: Path, learned_from: Path) -> None:
    """An empty scene, one that saturates and one far too dim give no valid value; a hand does."""
    model = load_model(folder)
    block = read_session(learned_from).frames()
    lit, dark = block.lit[60:], block.dark[60:]
    noise = np.random.default_rng(6).normal(model.sensor.black_level_counts, 3, lit.shape)
    empty = noise.round().clip(0, model.sensor.max_counts).astype(np.uint16)
    dim = dark + (lit.astype(np.int64) - dark) // 20
    full = np.full_like(lit, model.sensor.max_counts)

    def n_valid(lit: np.ndarray, dark: np.ndarray) -> int:
        return int(model.run(lit.astype(np.uint16), dark).outputs[:, 2].sum())

    assert n_valid(lit, dark) > len(lit) / 2
    assert n_valid(empty, empty[::-1].copy()) == 0
    assert n_valid(full, empty) == 0
    assert n_valid(full, full) == 0
    assert n_valid(dim.clip(0), dark) == 0


def assert_figures_are_of_the_takes(model: Path, found: dict[str, Any]) -> None:
    """Errors of every pipeline and the interval's share follow from predictions.csv alone."""
    with (model / "predictions.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for pipeline in ("float", "fixed", "four_quadrant", "median", "cross_validation"):
        own = [row for row in rows if row["pipeline"] == pipeline]
        each: dict[str, list[float]] = {}
        for row in own:
            each.setdefault(row["participant"], []).append(float(row["told"]) - float(row["truth"]))
        told = found[pipeline]
        assert len(own) == told["rmse"]["n_takes"]
        mean_square = np.mean([np.mean(np.square(errors)) for errors in each.values()])
        assert np.sqrt(mean_square) == pytest.approx(told["rmse"]["value"], abs=2e-6)
        errors = np.concatenate(list(each.values()))
        median = np.median(np.abs(errors))
        assert median == pytest.approx(told["median_absolute_error"]["value"], abs=2e-6)
        bias = np.mean([np.mean(errors) for errors in each.values()])
        assert bias == pytest.approx(told["bias"]["value"], abs=2e-6)
    valid = [r for r in rows if r["pipeline"] == "fixed" and r["valid"] == "yes"]
    assert len(valid) == found["n_valid"]
    within = [abs(float(r["told"]) - float(r["truth"])) <= found["half_width"] for r in valid]
    assert np.mean(within) == pytest.approx(found["coverage"]["value"], abs=1e-6)


@pytest.mark.slow
def test_a_quantity_from_recordings_to_its_price(
    tmp_path: Path, faults_of_page: Callable[[str], list[str]]
) -> None:
    """A model that measures distance trains, is the same in every execution, and has a price.

    Both of its pages keep WCAG 2.2 AA.
    """
    data, out = tmp_path / "data", tmp_path / "model"
    for number in range(1, 7):
        add_person(data, number, number > 4)
        record_session(data, SCRIPT, number, with_distance=True)
    evaluation = train_model(data, load_recipe("distance"), out)
    found = evaluation["quantity"]
    for pipeline in ("float", "fixed", "four_quadrant", "median", "cross_validation"):
        for figure in ("rmse", "median_absolute_error", "bias"):
            row = found[pipeline][figure]
            assert row["low"] <= row["value"] <= row["high"]
    assert found["fixed"]["rmse"]["n_participants"] == 2
    assert found["coverage_in_turn"]["value"] >= 0.75  # with four people, the largest error of all
    assert_figures_are_of_the_takes(out, found)
    again = tmp_path / "again"
    train_model(data, load_recipe("distance"), again)
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        assert path.read_bytes() == (again / path.relative_to(out)).read_bytes(), path.name
    model = load_model(out)
    assert model.classes == ()
    assert [output.name for output in model.closing.outputs()] == [
        "event", "distance", "distance_valid",
    ]  # fmt: skip
    assert_valid_only_with_a_hand(out, open_dataset(data).sessions[0].path)
    checked = verify(out, cores=("cortex-m0plus", "rv32imc"), n_frames=60)
    assert checked.ok, checked.lines()
    assert "within the interval" in checked.lines()[-1]
    known = read_evaluation(out)
    assert known is not None
    assert known.quantity is not None
    assert known.quantity.fixed.rmse.value == pytest.approx(found["fixed"]["rmse"]["value"])
    page = write_report([budget(out, cores=("cortex-m4",))], tmp_path / "budget.html")
    assert "root mean square error" in page.read_text()
    assert "Off by" in (out / "card.md").read_text()
    for told in (page, out / "evaluation.html"):
        assert faults_of_page(told.read_text("utf-8")) == []
    assert json.loads((out / "evaluation.json").read_text()) == evaluation
