"""What recipes reach: every entry, projection and classifier becomes a model of integer stages."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sklearn.datasets import load_digits
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import train_test_split

from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import Bench
from capture.store.session import read_session
from runtime.errors import UsageError
from runtime.firmware.emit.folder import write_firmware
from runtime.onnx.graph import save_step_graph
from runtime.stages.dense import Dense
from runtime.verification.engines import open_engine
from trainer.fit.candidates import reduce_for
from trainer.fit.pipeline import assemble_model, fit_windows
from trainer.judge.events import Margins
from trainer.learn.directions import drawn_directions
from trainer.learn.entry_stage import choose_pixels, reduction
from trainer.learn.excerpt import Excerpt
from trainer.recipe import FeatureRecipe, Recipe, load_recipe
from trainer.work.jobs import LocalWorkers

REACH = {
    "linear": ({}, {"kind": "linear"}),
    "tree": ({"projection": "fisher"}, {"kind": "tree", "least_in_leaf": 20}),  # steady thresholds
    "extra_trees": ({}, {"kind": "extra_trees", "trees": 4, "depth": 4}),
    "boosted_trees": ({"projection": "sparse"}, {"kind": "boosted_trees", "trees": 3, "depth": 3}),
    "prototypes": ({}, {"kind": "prototypes", "prototypes": 3}),
    "squared": ({"projection": "random"}, {"kind": "prototypes", "distance": "squared"}),
    "qr": ({"entry": "pixels", "pixels": 12}, {"kind": "mlp", "hidden": (8,), "penalty": 1.0}),
    "random_pixels": (
        {"entry": "pixels", "pixels": 12, "choose": "random", "projection": "none"},
        {"kind": "linear"},
    ),
    "noisy": (
        {},
        {
            "kind": "mlp",
            "hidden": (8, 6),
            "input_noise": 0.3,
            "take_noise": 0.5,
            "averaged": True,
            "epochs": 30,
        },
    ),
    "filters": (
        {"bins": (8, 8), "projection": "none", "motion": False, "segments": 1, "roots": True},
        {"kind": "mlp", "filters": (4, 6), "hidden": (8,), "penalty": 1.0, "epochs": 30},
    ),
    "swing": (
        {"projection": "swing", "swing_frames": 5, "motion": False, "segment_frames": 12},
        {"kind": "linear"},
    ),
    "steady_pixels": (
        {"entry": "pixels", "pixels": 12, "steady": True, "roots": True},
        {"kind": "linear"},
    ),
    "rows": ({"rows": (8, 24), "bins": (4, 4), "projection": "ternary"}, {"kind": "linear"}),
}
IN_C = ("tree", "prototypes", "qr", "rows", "noisy", "filters", "swing", "steady_pixels")


def recipe_for(small: Path, name: str) -> Recipe:
    features, classifier = REACH[name]
    values = load_recipe(small).model_dump()
    values["features"] |= {"level_bits": 16, "direction_bits": 16} | features
    values["classifier"] |= classifier
    values["decision"]["average_frames"] = 3 if name == "noisy" else 1
    values["head"] = {"every": 3 if name in ("tree", "noisy") else 1}
    return Recipe.model_validate(values)


@pytest.mark.parametrize("name", REACH)
def test_every_kind_becomes_one_law(
    recorded_once: Path, small_recipe: Path, tmp_path: Path, name: str
) -> None:
    """Trained on recordings, reference, ONNX and C answer alike, and fixed point answers as float.

    C is compiled for one model of each kind of stage; the stages' own tests compile the rest.
    """
    recipe = recipe_for(small_recipe, name)
    (candidate,) = reduce_for(recorded_once, [recipe], LocalWorkers(), lambda _: None)
    fitted = candidate.fit().run()
    model = assemble_model(
        recipe, candidate.corpus.sensor, fitted, Margins(0.0, ()), candidate.provenance
    )
    save_step_graph(model, tmp_path / "fixed.onnx")
    write_firmware(model, tmp_path / "firmware")

    locked = next(r for r in candidate.main if r.recording.locked)
    block = read_session(locked.recording.path).frames()
    run = model.run(block.lit, block.dark)
    np.testing.assert_array_equal(run.evidence, fitted.whole.run(locked.values))
    for engine in ("reference", "onnx", "c") if name in IN_C else ("onnx",):
        step = open_engine(engine, model, tmp_path)
        answers = [step(*pair) for pair in zip(block.lit[:90], block.dark[:90], strict=True)]
        np.testing.assert_array_equal([a.evidence for a in answers], run.evidence[:90])
        assert [a.event for a in answers] == run.events[:90].tolist()

    real = fitted.whole.run_float(locked.values)
    assert (run.evidence.argmax(axis=1) == real.argmax(axis=1)).mean() > 0.95
    labels = [cue.label for cue, _ in locked.takes]
    right = run.evidence[locked.judged_frames(run.evidence, recipe)].argmax(axis=1) == labels
    assert right.mean() > 0.5, "no better than chance"


def test_pixels_chosen_by_what_they_tell_beat_as_many_drawn_ones() -> None:
    """On real digits through the optic, 32 of 1,024 pixels by pivoted QR beat 32 random ones.

    Data: scikit-learn's bundled "Optical recognition of handwritten digits" test set (E. Alpaydin
    and C. Kaynak, UCI Machine Learning Repository, 1998).
    """
    digits = load_digits()
    bench = Bench(SENSORS["lensless32"], "digits")
    led = bench.optic.grid.from_image(digits.images / 16.0 * 0.5, half_angle_deg=40.0)
    steady = np.ones(len(led), np.float32)
    lit, dark = bench.expose(led, np.zeros_like(led), (steady, steady), np.random.default_rng(5))
    readouts = np.subtract(lit, dark, dtype=np.int32).reshape(len(lit), -1)
    train, test = train_test_split(
        np.arange(len(lit)), test_size=0.5, random_state=0, stratify=digits.target
    )

    def accuracy(pixels: np.ndarray) -> float:
        x = readouts[:, pixels] / readouts.std()
        model = LogisticRegression(max_iter=2000).fit(x[train], digits.target[train])
        return float(model.score(x[test], digits.target[test]))

    rng = np.random.default_rng(3)
    drawn = np.mean([accuracy(rng.choice(1024, 32, replace=False)) for _ in range(3)])
    chosen = accuracy(choose_pixels([Excerpt.whole(readouts[train])], 32))
    assert chosen > drawn + 0.01, (chosen, drawn)


@pytest.mark.parametrize(("kind", "density"), [("ternary", 1 / 3), ("sparse", 1 / 32)])
def test_drawn_directions_have_the_published_density(kind: str, density: float) -> None:
    """Of 1,024 values a ternary direction takes a third, a sparse one the root of the number.

    D. Achlioptas, J. Comput. Syst. Sci. 66 (2003), theorem 1.1; P. Li, T. Hastie and K. Church,
    "Very sparse random projections", KDD 2006, section 2.
    """
    directions = drawn_directions(kind, 256, 1024, np.random.default_rng(1))
    assert set(np.unique(directions)) == {-1.0, 0.0, 1.0}
    assert (directions != 0).mean() == pytest.approx(density, rel=0.05)
    assert (directions > 0).sum() == pytest.approx((directions < 0).sum(), rel=0.05)
    assert directions.any(axis=1).all()


@pytest.mark.parametrize("kind", ["random", "ternary", "sparse"])
def test_drawn_directions_keep_distances(kind: str) -> None:
    """Distances between digits, after scaling, stay within a third for 128 of 64 x 64 directions.

    W. Johnson and J. Lindenstrauss, Contemp. Math. 26 (1984).
    """
    x = load_digits().data[:60]
    directions = drawn_directions(kind, 128, x.shape[1], np.random.default_rng(2))
    projected = x @ directions.T / np.sqrt(128 * (directions**2).mean())
    first, second = np.triu_indices(len(x), 1)
    ratio = np.linalg.norm(projected[first] - projected[second], axis=1)
    ratio /= np.linalg.norm(x[first] - x[second], axis=1)
    assert np.quantile(np.abs(ratio - 1), 0.95) < 0.33


def test_ternary_weights_stay_ternary(recorded_once: Path, small_recipe: Path) -> None:
    """A drawn ternary projection costs the device additions only."""
    recipe = recipe_for(small_recipe, "rows")
    (candidate,) = reduce_for(recorded_once, [recipe], LocalWorkers(), lambda _: None)
    stages = candidate.fit().run().features.stages
    [projection] = [stage for stage in stages if isinstance(stage, Dense)]
    assert projection.ternary


@pytest.mark.parametrize(
    ("features", "what"),
    [
        (FeatureRecipe(rows=(20, 40)), "rows"),
        (FeatureRecipe(rows=(9, 9)), "rows"),
        (FeatureRecipe(entry="pixels", pixels=65, rows=(0, 2)), "pixels"),
    ],
)
def test_rows_and_pixels_that_the_sensor_lacks_are_refused(
    features: FeatureRecipe, what: str
) -> None:
    """A recipe for another sensor is told which key does not fit."""
    with pytest.raises(UsageError, match=what):
        reduction(features, SENSORS["lensless32"])


def test_windows_of_any_series_are_learned_by_the_same_stages() -> None:
    """Rising and falling series of one channel are told apart; a longer window is refused."""
    rng = np.random.default_rng(4)
    slope = rng.choice([-1, 1], 80)
    x = slope[:, None] * np.arange(20)[None, :] * 50 + rng.normal(0, 40, (80, 20))
    windows = np.rint(x).astype(np.int32)[:, :, None]
    labels = (slope > 0).astype(np.int64)
    features = FeatureRecipe(projection="none", motion=False, segments=4, segment_frames=5)
    recipe = Recipe(name="slope", task="slope", classes=("down", "up"), features=features)
    fitted = fit_windows(recipe, windows[:40], labels[:40])
    assert (fitted.predict(windows[40:]) == labels[40:]).mean() > 0.95
    with pytest.raises(UsageError, match="frames of a window"):
        fit_windows(recipe, windows[:, :19], labels)
