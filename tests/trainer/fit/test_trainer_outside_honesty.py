"""Attempts to let the locked people help, or to hide that they were used."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from invented_people import add_person, record_session
from small_script import SCRIPT

from capture.cues.labels import read_events, write_events
from capture.cues.script import parse_script
from capture.emulated.optic.optics import SENSORS
from capture.store.dataset import Participant, add_participant, session_path
from capture.store.session import events_path, read_session
from capture.store.writer import SessionWriter
from runtime.errors import Error, UsageError
from runtime.model import Model
from runtime.stages.bins import Bins
from trainer.corpus.recordings import Recording
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob, fold_jobs
from trainer.fit.training import fit_model
from trainer.recipe import load_recipe

LOCKED = "P04"


def _events(folder: Path, participant: str) -> Path:
    (path,) = (folder / f"sub-{participant}").rglob("*_events.tsv")
    return path


def _same_stages(one: Model, other: Model) -> bool:
    """Whether two models are the same but for where they came from."""
    return all(
        a.to_json() == b.to_json()
        and a.arrays().keys() == b.arrays().keys()
        and all(np.array_equal(a.arrays()[name], b.arrays()[name]) for name in a.arrays())
        for a, b in zip(one.stages, other.stages, strict=True)
    )


def _swap_locked(folder: Path) -> None:
    """Put another invented person's session in the place of the locked one's."""
    shutil.rmtree(folder / f"sub-{LOCKED}")
    other = folder.parent / "other"
    record_session(other, parse_script(SCRIPT, "small"), 4, session=2)
    shutil.copytree(other / f"sub-{LOCKED}", folder / f"sub-{LOCKED}")


def test_the_model_does_not_know_who_is_locked(small_data: Path, small_recipe: Path) -> None:
    """Other readouts and labels of the locked participants leave every constant as it was.

    Level, directions, scales, classifier and the decision's threshold: all stages are compared.
    """
    recipe = load_recipe(small_recipe)
    first = fit_model(small_data, recipe)
    _swap_locked(small_data)
    path = _events(small_data, LOCKED)
    events = read_events(path)
    kinds = [event.trial_type for event in reversed(events)]
    write_events(path, [replace(e, trial_type=k) for e, k in zip(events, kinds, strict=True)])
    second = fit_model(small_data, recipe)
    assert _same_stages(first.model, second.model)
    assert first.model.provenance["data"] != second.model.provenance["data"]
    assert first.evaluation["confusion"] != second.evaluation["confusion"]
    for key in ("cross_validation", "learning_curve", "n_training_windows"):
        assert first.evaluation[key] == second.evaluation[key]


def test_locking_someone_else_is_another_data_set(small_data: Path, small_recipe: Path) -> None:
    """The same files with another participant locked have another digest and another use."""
    recipe = load_recipe(small_recipe)
    first = fit_model(small_data, recipe)
    add_participant(small_data, Participant(LOCKED, consent=True, locked=False))
    add_participant(small_data, Participant("P01", consent=True, locked=True))
    second = fit_model(small_data, recipe)
    assert first.model.provenance["data"] != second.model.provenance["data"]
    assert len(second.evaluation["test_uses"]) == 2


def test_an_interrupted_training_does_not_go_on_with_another_split(
    small_data: Path, small_recipe: Path
) -> None:
    """Folds kept from a stopped training are not taken once someone else is locked."""
    recipe = load_recipe(small_recipe)

    def stop_after_folds(what: str) -> None:
        if "fit" in what:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        fit_model(small_data, recipe, stop_after_folds)
    add_participant(small_data, Participant(LOCKED, consent=True, locked=False))
    add_participant(small_data, Participant("P01", consent=True, locked=True))
    went_on = fit_model(small_data, recipe)
    shutil.rmtree(small_data / "derivatives")
    anew = fit_model(small_data, recipe)
    assert _same_stages(went_on.model, anew.model)
    assert went_on.evaluation["cross_validation"] == anew.evaluation["cross_validation"]


def test_a_renamed_recipe_does_not_start_a_new_count(small_data: Path, small_recipe: Path) -> None:
    """Uses of the locked participants are counted together, whatever the recipe is called."""
    fit_model(small_data, load_recipe(small_recipe))
    text = small_recipe.read_text("utf-8").replace('name = "small"', 'name = "renamed"')
    small_recipe.write_text(text.replace("seed = 3", "seed = 4"), "utf-8")
    assert len(fit_model(small_data, load_recipe(small_recipe)).evaluation["test_uses"]) == 2


def test_a_locked_session_under_another_name_is_not_trained_on(
    small_data: Path, small_recipe: Path
) -> None:
    """A copy of a locked participant's session in another participant's folder stays locked."""
    recipe = load_recipe(small_recipe)
    windows = fit_model(small_data, recipe).evaluation["n_training_windows"]
    add_person(small_data, 5, locked=False)
    for file in sorted((small_data / f"sub-{LOCKED}").rglob("*small*")):
        copy = Path(str(file).replace(LOCKED, "P05"))
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(file, copy)
    try:
        evaluation = fit_model(small_data, recipe).evaluation
    except Error:
        return  # refusing the copy is as good
    assert evaluation["n_training_windows"] == windows


def _poison(folder: Path) -> int:
    """Replace kept arrays by zeros of another shape, with an index that agrees."""
    n_poisoned = 0
    for index_path in (folder / "derivatives").rglob("index.json"):
        index = json.loads(index_path.read_text("utf-8"))
        for name, entry in index.items():
            file = io.BytesIO()
            np.lib.format.write_array(file, np.zeros((3, 2), dtype="<i2"))
            (index_path.parent / name).write_bytes(file.getvalue())
            entry["sha256"] = hashlib.sha256(file.getvalue()).hexdigest()
            n_poisoned += 1
        index_path.write_text(json.dumps(index), "utf-8")
    return n_poisoned


def test_a_forged_cache_changes_no_figure(small_data: Path, small_recipe: Path) -> None:
    """Kept arrays that someone else wrote into the data set, index included, are not believed."""
    recipe = load_recipe(small_recipe)
    first = fit_model(small_data, recipe)
    if _poison(small_data) == 0:
        pytest.fail("nothing was kept in the data set: this test needs another place to forge")
    second = fit_model(small_data, recipe)
    assert _same_stages(first.model, second.model)
    assert first.evaluation == second.evaluation


def test_someone_recorded_with_two_units_is_held_out_whole(small_recipe: Path) -> None:
    """With units as the split, neither a unit nor a person stands on both sides of a fold."""
    text = small_recipe.read_text("utf-8") + '\n[evaluation]\nsplit = "units"\n'
    small_recipe.write_text(text, "utf-8")
    recipe = load_recipe(small_recipe)
    made = (("P01", "b"), ("P02", "b"), ("P02", "c"), ("P03", "c"), ("P04", "d"), ("P05", "e"))
    nothing = np.zeros(0, dtype=np.int64)
    train = tuple(
        Reduced(
            Recording(Path(name + unit), name, unit, "none", False, name + unit),
            np.zeros((4, 16), dtype=np.int32), np.zeros((4, 2)), [], [], [], [], nothing, nothing,
        )
        for name, unit in made
    )  # fmt: skip
    sensor = SENSORS["lensless32"]
    jobs = fold_jobs(FitJob(recipe, Bins(sensor.n_rows, sensor.n_cols, 4, 4), sensor, train))
    assert sorted(r.recording.digest for job in jobs for r in job.held) == sorted(
        map("".join, made)
    )
    for job in jobs:
        kept, held = ([r.recording for r in side] for side in (job.fit.train, job.held))
        assert not {r.unit for r in kept} & {r.unit for r in held}
        assert not {r.participant for r in kept} & {r.participant for r in held}


def test_a_relabelled_copy_of_a_locked_session_is_refused(
    small_data: Path, small_recipe: Path
) -> None:
    """The locked participant's readouts, written anew under another pseudonym, are recognised."""
    (path,) = (small_data / f"sub-{LOCKED}").rglob("*_readouts.mcap")
    session = read_session(path)
    add_person(small_data, 5, locked=False)
    copy = session_path(small_data, "P05", "01", "small")
    copy.parent.mkdir(parents=True)
    with SessionWriter(copy, replace(session.header, participant="P05")) as writer:
        for block in session.blocks():
            for pair in block:
                writer.add(pair, pair.sequence, pair.time_us)
    write_events(events_path(copy), session.events)
    with pytest.raises(UsageError, match="P05"):
        fit_model(small_data, load_recipe(small_recipe))
