"""What belongs to a corpus: takes, everyday time, and recordings of other tasks."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from capture.cues.labels import REJECTED, Event, write_events
from capture.store.dataset import session_path
from capture.store.session import events_path
from runtime.errors import FormatError
from trainer.corpus.recordings import LabelledCue, open_corpus
from trainer.corpus.windows import take_spans, training_frames
from trainer.fit.training import fit_model
from trainer.recipe import Recipe, load_recipe


@pytest.fixture
def with_background(small_recipe: Path) -> Recipe:
    """Return the small recipe, which also names everyday recordings."""
    text = small_recipe.read_text("utf-8")
    small_recipe.write_text(
        text.replace('other = ["idle"]', 'other = ["idle"]\nbackground = ["everyday_*"]'), "utf-8"
    )
    return load_recipe(small_recipe)


def add_everyday(folder: Path, participant: str, *labels: str) -> Path:
    """Write a further session of a participant, with nothing but the labels given."""
    path = session_path(folder, participant, "01", "everyday")
    shutil.copyfile(session_path(folder, participant, "01", "small"), path)
    rows = [Event(1.0 + 4.0 * n, 3.0, label) for n, label in enumerate(labels)]
    write_events(events_path(path), rows)
    return path


def test_everyday_recordings_belong_to_recipes_that_name_them(
    small_data: Path, small_recipe: Path, with_background: Recipe
) -> None:
    """A session of nothing but background is in the corpus of a recipe that names it, only."""
    add_everyday(small_data, "P02", "everyday_desk", "everyday_walk")
    small_recipe.write_text(small_recipe.read_text("utf-8").replace('["everyday_*"]', "[]"))
    assert len(open_corpus(small_data, load_recipe(small_recipe)).recordings) == 4
    names = [r.path.name for r in open_corpus(small_data, with_background).recordings]
    assert names.count("sub-P02_ses-01_task-everyday_readouts.mcap") == 1 and len(names) == 5


def test_a_session_with_unknown_labels_is_no_background(
    small_data: Path, with_background: Recipe
) -> None:
    """One label of another task among everyday time keeps the session out."""
    add_everyday(small_data, "P02", "everyday_desk", "fingers_3")
    assert len(open_corpus(small_data, with_background).recordings) == 4


def test_a_session_with_a_rejected_take_is_no_background(
    small_data: Path, with_background: Recipe
) -> None:
    """A gesture that was made and then rejected would be counted as a false event."""
    path = add_everyday(small_data, "P02", "everyday_desk")
    rows = [
        Event(1.0, 3.0, "everyday_desk"),
        Event(5.0, 1.5, with_background.classes[0], status=REJECTED),
    ]
    write_events(events_path(path), rows)
    assert len(open_corpus(small_data, with_background).recordings) == 4


def test_background_alone_is_no_data_set(small_data: Path, with_background: Recipe) -> None:
    """Without a recording of the recipe's own classes, the missing labels are named."""
    for number in range(1, 5):
        add_everyday(small_data, f"P{number:02d}", "everyday_desk")
        events_path(session_path(small_data, f"P{number:02d}", "01", "small")).unlink()
    with pytest.raises(FormatError, match="label of a class of recipe small is missing"):
        open_corpus(small_data, with_background)


def test_everyday_time_is_learned_from_but_never_judged(
    small_data: Path, with_background: Recipe
) -> None:
    """Background adds windows of the class other to training, and no take to the figures."""
    before = fit_model(small_data, with_background).evaluation
    add_everyday(small_data, "P01", "everyday_desk")
    add_everyday(small_data, "P04", "everyday_desk")
    after = fit_model(small_data, with_background).evaluation
    assert after["n_training_windows"] > before["n_training_windows"]
    for name in ("fixed", "cross_validation"):
        n_takes = [e[name]["accuracy"]["n_takes"] for e in (before, after)]
        assert n_takes[0] == n_takes[1]


def test_windows_of_everyday_time_lie_all_over_it() -> None:
    """Frames learned from everyday time are spread over its cue, and labelled other."""
    recipe = load_recipe("dynamic")
    cue = LabelledCue(10, 400, 8, take=False)
    spans = take_spans(recipe, np.zeros((500, 3), dtype=np.int32), [cue])
    frames, labels = training_frames(recipe, [cue], [399], 500)
    assert spans == [(10, 399)] and set(labels.tolist()) == {8}
    assert frames.min() == 10 and 370 < frames.max() < 400 and (np.diff(frames) > 0).all()
