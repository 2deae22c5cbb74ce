"""A recipe as a scikit-learn classifier: its own checks, people held out, the same stages."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.model_selection import GridSearchCV, GroupKFold, cross_val_score
from sklearn.utils.estimator_checks import check_estimator

import trainer
from capture.store.dataset import Participant, add_participant
from capture.store.session import read_session
from runtime.errors import UsageError
from runtime.sensor import Sensor
from trainer.corpus.recordings import labelled_cues
from trainer.corpus.take_readouts import TakeReadouts, frames_before
from trainer.fit.take_classifier import TakeClassifier
from trainer.recipe import Recipe, load_recipe, parse_recipe

# scikit-learn's checks hand over tables of one to a few dozen columns that are no readouts: one
# frame of one row of pixels each, so that no recipe of bins fits them all.
OF_VALUES = """\
name = "values"
task = "values"
classes = ["a", "b"]
[features]
entry = "pixels"
pixels = 2
choose = "random"
level_bits = 16
projection = "none"
motion = false
segments = 1
segment_frames = 1
[classifier]
kind = "linear"
penalty = 0.01
[quantisation]
weight_bits = 16
hidden_bits = 16
[decision]
hold_frames = 1
"""
NOISE = (
    "noise makes single differences of lit and dark negative, and firmware takes them as they are"
)
CANNOT_APPLY = {
    "check_positive_only_tag_during_fit": NOISE,
    "check_fit_non_negative": NOISE,
}


@pytest.mark.slow
def test_scikit_learn_finds_nothing_wrong() -> None:
    """Every check of scikit-learn's own passes, but for those that cannot apply to readouts."""
    found = check_estimator(
        TakeClassifier(parse_recipe(OF_VALUES, "values")),
        expected_failed_checks=CANNOT_APPLY, on_skip=None, on_fail=None,
    )  # fmt: skip
    other = {
        each["check_name"]: (each["status"], each["exception"])
        for each in found
        if each["status"] != "passed"
    }
    assert len(found) > 50
    failed = {name: why for name, why in other.items() if why[0] == "failed"}
    assert not failed
    # A check that begins to pass belongs no longer to those that cannot apply.
    assert {name for name, why in other.items() if why[0] == "xfail"} == set(CANNOT_APPLY)
    assert set(other) - set(CANNOT_APPLY) <= {"check_array_api_input"}  # wants a variable set


@pytest.fixture(scope="session")
def recipe(small_recipe_once: Path) -> Recipe:
    return load_recipe(small_recipe_once)


@pytest.fixture(scope="session")
def takes(recorded_once: Path, recipe: Recipe) -> TakeReadouts:
    return trainer.read_takes(recorded_once, recipe)


def test_takes_are_cut_from_the_recordings_of_training_people(
    takes: TakeReadouts, recorded_once: Path, recipe: Recipe
) -> None:
    """Every take of every unlocked participant is there, with its label, person and readouts."""
    assert set(takes.groups.tolist()) == {"P01", "P02", "P03"}
    assert {str(name) for name in takes.y} == {"swipe_left", "push", "other"}
    assert len(takes.X) == len(takes.y) == len(takes.groups) == 33
    path = sorted(recorded_once.glob("sub-P01/ses-*/*_readouts.mcap"))[0]
    session = read_session(path)
    frames = session.frames()
    time_s = (frames.time_us - frames.time_us[0]) / 1e6
    cue = labelled_cues(session, recipe, time_s)[5]
    after = takes.X.shape[1] - frames_before(recipe) - max(
        c.stop - c.start for c in labelled_cues(session, recipe, time_s)
    )  # fmt: skip
    stop = min(cue.stop + after, len(frames))
    expected = frames.lit[:stop].astype(int) - frames.dark[:stop]
    n_frames = min(takes.X.shape[1], stop)
    np.testing.assert_array_equal(takes.X[5][-n_frames:], expected[-n_frames:])
    assert takes.y[5] == recipe.answers[cue.label]


def test_locked_people_are_not_read_as_takes(small_data: Path, recipe: Recipe) -> None:
    """A data set whose participants are all locked has no take to learn from."""
    for name in ("P01", "P02", "P03"):
        add_participant(small_data, Participant(name, consent=True, locked=True))
    with pytest.raises(UsageError, match="takes of training participants is 0"):
        trainer.read_takes(small_data, recipe)


def test_people_are_held_out_whole_by_groups(takes: TakeReadouts, recipe: Recipe) -> None:
    """With participants as groups, people not learned from are told far better than by chance."""
    found = cross_val_score(
        TakeClassifier(recipe), takes.X, takes.y, groups=takes.groups, cv=GroupKFold(3),
        params={"people": takes.groups}, error_score="raise",
    )  # fmt: skip
    assert found.shape == (3,)
    # Four of eleven takes are of the commonest class.
    assert found.mean() > 0.75
    shuffled = np.random.default_rng(5).permutation(takes.y)
    by_chance = cross_val_score(
        TakeClassifier(recipe), takes.X, shuffled, groups=takes.groups, cv=GroupKFold(3)
    )
    assert by_chance.mean() < 0.6


def test_recipes_can_be_searched(takes: TakeReadouts, recipe: Recipe) -> None:
    """A grid of recipes is searched by scikit-learn, and the better one is taken."""
    features = recipe.features.model_copy(update={"bins": (1, 1), "projection": "none"})
    blind = recipe.model_copy(update={"features": features})
    search = GridSearchCV(
        TakeClassifier(), {"recipe": [blind, recipe]}, cv=GroupKFold(3), error_score="raise"
    )
    search.fit(takes.X, takes.y, groups=takes.groups)
    assert search.best_params_["recipe"] == recipe


def test_scores_are_those_of_the_model_that_it_becomes(takes: TakeReadouts, recipe: Recipe) -> None:
    """The model runs the same integer stages: at some frame, each take has exactly these scores."""
    fitted = TakeClassifier(recipe).fit(takes.X, takes.y, people=takes.groups)
    assert fitted.step_ == 1.0
    assert fitted.classes_.tolist() == ["other", "push", "swipe_left"]
    model = fitted.to_model(takes.sensor)
    assert model.classes == ("push", "swipe_left", "other")
    scores = fitted.decision_function(takes.X)
    order = [model.classes.index(name) for name in fitted.classes_]
    for take, told in zip(takes.X[::7], scores[::7], strict=True):
        dark = np.maximum(0, -take).astype(np.uint16)
        every = model.run((take + dark).astype(np.uint16), dark).evidence[:, order]
        unit = told[0] / every[:, 0][every[:, 0] != 0]
        steps = {tuple(row) for row in every.tolist()}
        candidates = {
            tuple(np.rint(told / each).astype(int).tolist()) for each in unit[np.isfinite(unit)]
        }
        assert steps & candidates


def test_flat_takes_are_the_same_as_takes_with_axes(takes: TakeReadouts, recipe: Recipe) -> None:
    """With a declared readout shape, a flattened take gives the same answer."""
    shape = takes.X.shape[1:]
    flat = takes.X.reshape(len(takes.X), -1)
    whole = TakeClassifier(recipe).fit(takes.X, takes.y)
    declared = TakeClassifier(recipe, readout_shape=shape).fit(flat, takes.y)
    np.testing.assert_array_equal(
        whole.decision_function(takes.X), declared.decision_function(flat)
    )
    assert declared.readout_shape_ == whole.readout_shape_ == shape
    assert clone(declared).get_params() == declared.get_params()
    with pytest.raises(UsageError, match="expecting"):
        whole.predict(takes.X[:, 1:])
    turned = takes.X.transpose(0, 2, 1, 3)
    with pytest.raises(UsageError, match="shape of a take"):
        whole.predict(turned)


def test_a_model_needs_counts_and_its_own_sensor(takes: TakeReadouts, recipe: Recipe) -> None:
    """Real-valued takes are learned from by their own step, and become no model of a sensor."""
    scaled = TakeClassifier(recipe).fit(takes.X / 3.0, takes.y)
    assert scaled.step_ == pytest.approx(np.abs(takes.X).max() / 3.0 / 4095)
    with pytest.raises(UsageError, match="whole numbers of the sensor"):
        scaled.to_model(takes.sensor)
    fitted = TakeClassifier(recipe).fit(takes.X, takes.y)
    with pytest.raises(UsageError, match="rows, columns and bits"):
        fitted.to_model(Sensor("other", 16, 16))
    with pytest.raises(UsageError, match="margin"):
        fitted.to_model(takes.sensor, margin=-1.0)
    assert fitted.to_model(takes.sensor, margin=5.0).stages[-1].threshold > 0  # type: ignore[attr-defined]
