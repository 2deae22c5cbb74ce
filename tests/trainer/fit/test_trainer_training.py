"""From a data set to a model folder: what is held out, what is written, what is refused."""

from __future__ import annotations

import filecmp
import json
from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest

from capture.cues.labels import Event, write_events
from capture.store.dataset import Participant, add_participant
from capture.store.session import events_path, read_session
from runtime.errors import FormatError, UsageError
from runtime.model import load_model
from trainer.corpus.recordings import open_corpus
from trainer.corpus.windows import judging_delay
from trainer.fit.candidates import reduce_for
from trainer.fit.pipeline import assemble_model
from trainer.fit.training import fit_model
from trainer.judge.events import Margins
from trainer.recipe import load_recipe
from trainer.tell.export import N_TEST_FRAMES
from trainer.train import train_model
from trainer.work.jobs import LocalWorkers

FILES = {
    "model.json", "weights.npz", "fixed.onnx", "float.onnx", "evaluation.json", "card.md",
    "test_frames.npz", "firmware",
}  # fmt: skip


def sessions(folder: Path) -> list[Path]:
    return sorted(folder.glob("sub-*/ses-*/*_readouts.mcap"))


def test_a_model_folder_is_whole_and_the_same_bytes_each_time(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Training twice on the same data with the same recipe writes the same bytes."""
    recipe = load_recipe(small_recipe)
    first, second = tmp_path / "first", tmp_path / "second"
    evaluation = train_model(small_data, recipe, first)
    train_model(small_data, recipe, second)
    assert {path.name for path in first.iterdir()} >= FILES
    names = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(second) for p in second.rglob("*") if p.is_file())
    _, differing, failed = filecmp.cmpfiles(first, second, names, shallow=False)
    assert not differing and not failed
    assert json.loads((first / "evaluation.json").read_text("utf-8")) == evaluation

    # The figures are those of the model that was written, run on the locked participant's frames.
    assert evaluation["participants"] == {"train": ["P01", "P02", "P03"], "test": ["P04"]}
    assert (
        sum(map(sum, evaluation["confusion"])) == evaluation["fixed"]["accuracy"]["n_takes"] == 11
    )
    assert evaluation["fixed"]["accuracy"]["value"] == pytest.approx(
        np.trace(evaluation["confusion"]) / 11, abs=1e-6
    )
    model = load_model(first)
    assert model.classes == ("swipe_left", "push", "other")
    frames = np.load(first / "test_frames.npz")
    assert frames["lit"].shape == (min(N_TEST_FRAMES, len(frames["lit"])), 32, 32)
    stored = read_session(sessions(small_data)[-1]).frames()
    np.testing.assert_array_equal(frames["lit"], stored.lit[: len(frames["lit"])])


def test_the_written_model_gives_the_figures_of_its_evaluation(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Scores of the model on disk at the takes' frames are those that the examination counted."""
    recipe = load_recipe(small_recipe)
    trained = fit_model(small_data, recipe)
    session = read_session(trained.test[0].path)
    block = session.frames()
    run = trained.model.run(block.lit, block.dark)
    answers = run.evidence.argmax(axis=1)
    counts = np.array(trained.evaluation["confusion"])
    # Every take was judged on some frame from its cue's first until a gesture that ended with the
    # cue would be answered, so each answer must occur there.
    time_s = (block.time_us - block.time_us[0]) / 1e6
    for label in range(3):
        asked = [e for e in session.events if recipe.class_index(e.trial_type) == label]
        given = [
            set(answers[first : stop + judging_delay(recipe)].tolist())
            for first, stop in (
                np.searchsorted(time_s, (e.onset_s, e.onset_s + e.duration_s)) for e in asked
            )
        ]
        for answer in range(3):
            assert counts[label, answer] <= sum(answer in each for each in given)


def test_a_model_says_its_recipe_as_given_and_as_fitted(
    recorded_once: Path, small_recipe: Path
) -> None:
    """A model tells the recipe of the file it was given, and that which its stages were made by."""
    text = small_recipe.read_text("utf-8")
    small_recipe.write_text(text.replace("seed = 3", "seed = 3\nframe_rate_hz = 60.0"), "utf-8")
    given = load_recipe(small_recipe)
    (candidate,) = reduce_for(recorded_once, [given], LocalWorkers(), lambda _: None)
    sensor, margins = candidate.corpus.sensor, Margins(0.0, ())
    assert sensor.frame_rate_hz != given.frame_rate_hz
    model = assemble_model(
        candidate.recipe, sensor, candidate.fit().run(), margins, candidate.provenance
    )
    assert model.provenance == {
        "recipe": given.digest(),
        "recipe_as_fitted": candidate.recipe.digest(),
        "data": candidate.corpus.digest,
    }
    assert candidate.recipe.digest() != given.digest()


def test_float_onnx_agrees_with_the_classifier(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """The float graph, contrasts included, gives scikit-learn's probabilities."""
    recipe = load_recipe(small_recipe)
    out = tmp_path / "model"
    train_model(small_data, recipe, out)
    trained = fit_model(small_data, recipe)
    onnx.checker.check_model(onnx.load(out / "float.onnx"))
    runner = onnxruntime.InferenceSession(out / "float.onnx", providers=["CPUExecutionProvider"])
    x = np.random.default_rng(1).normal(0, 2000, (50, trained.n_features)).astype(np.float32)
    _, probabilities = runner.run(None, {"window": x})
    expected = trained.classifier.predict_proba(x.astype(np.float64))
    np.testing.assert_allclose(probabilities, expected, atol=2e-5)


def test_every_use_of_locked_participants_is_logged_once(
    small_data: Path, small_recipe: Path
) -> None:
    """The same model twice is one use; another recipe is another use, and both are listed."""
    first = load_recipe(small_recipe)
    fit_model(small_data, first)
    assert len(fit_model(small_data, first).evaluation["test_uses"]) == 1
    small_recipe.write_text(
        small_recipe.read_text("utf-8").replace("seed = 3", "seed = 4"), "utf-8"
    )
    uses = fit_model(small_data, load_recipe(small_recipe)).evaluation["test_uses"]
    assert [use["recipe"] for use in uses] == [first.digest(), load_recipe(small_recipe).digest()]
    assert uses[0]["participants"] == ["P04"]


def test_without_locked_participants_there_is_no_training(
    small_data: Path, small_recipe: Path
) -> None:
    """A data set without participants kept for the test is refused with what to do."""
    add_participant(small_data, Participant("P04", consent=True, locked=False))
    with pytest.raises(UsageError, match="Mark some participants as locked"):
        fit_model(small_data, load_recipe(small_recipe))


def test_a_unit_on_both_sides_is_refused(small_data: Path, small_recipe: Path) -> None:
    """Asked to hold out sensor units, training refuses a unit that both sides share."""
    small_recipe.write_text(
        small_recipe.read_text("utf-8") + '\n[evaluation]\nsplit = "units"\n', "utf-8"
    )
    with pytest.raises(UsageError, match="units unit-a"):
        fit_model(small_data, load_recipe(small_recipe))


def test_people_without_consent_are_not_trained_on(small_data: Path, small_recipe: Path) -> None:
    """A recording whose participant's consent is missing stops the training."""
    add_participant(small_data, Participant("P02", consent=False))
    with pytest.raises(UsageError, match="consent of P02"):
        open_corpus(small_data, load_recipe(small_recipe))


def test_a_folder_without_labels_is_one_clear_error(small_data: Path, small_recipe: Path) -> None:
    """Recordings without events say which labels were expected."""
    for path in sessions(small_data):
        events_path(path).unlink()
    with pytest.raises(FormatError, match=r"label of a class of recipe .* is missing"):
        open_corpus(small_data, load_recipe(small_recipe))


def test_an_unknown_label_names_its_session(small_data: Path, small_recipe: Path) -> None:
    """A label among known ones that the recipe does not know is not silently dropped."""
    path = sessions(small_data)[0]
    events = read_session(path).events
    write_events(events_path(path), [*events, Event(0.1, 0.2, "salute")])
    with pytest.raises(FormatError, match=r"sub-P01.*salute"):
        open_corpus(small_data, load_recipe(small_recipe))


def test_rejected_takes_are_left_out(small_data: Path, small_recipe: Path) -> None:
    """A take that a labeller rejected is neither trained on nor judged."""
    path = sessions(small_data)[-1]
    events = list(read_session(path).events)
    rejected = Event(
        events[0].onset_s, events[0].duration_s, events[0].trial_type,
        status="rejected", reason="looked away",
    )  # fmt: skip
    write_events(events_path(path), [rejected, *events[1:]])
    evaluation = fit_model(small_data, load_recipe(small_recipe)).evaluation
    assert evaluation["fixed"]["accuracy"]["n_takes"] == len(events) - 1


def test_a_used_output_folder_is_refused_before_training(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """An output folder that holds something is left as it is."""
    out = tmp_path / "model"
    out.mkdir()
    (out / "notes").write_text("mine", "utf-8")
    with pytest.raises(UsageError, match="in use"):
        train_model(small_data, load_recipe(small_recipe), out)
    assert [path.name for path in out.iterdir()] == ["notes"]
