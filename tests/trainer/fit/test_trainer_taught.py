"""A recipe with enrolment: what is exported, what it is worth, and that nothing else changes."""

from __future__ import annotations

import dataclasses
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from runtime.enrolment import can_enrol, enrol_place
from runtime.model import load_model
from runtime.sample_frames import read_test_frames
from runtime.stages.teaching.enrol import Enrol
from runtime.verification.verify import verify
from trainer.fit.candidates import reduce_for
from trainer.fit.held_out import fold_jobs
from trainer.fit.owner.person import Taught
from trainer.fit.owner.taught import (
    ALONE,
    BESIDE,
    COLUMNS,
    OFFSETS,
    teach_jobs,
    teach_person,
)
from trainer.recipe import Recipe, load_recipe, parse_recipe
from trainer.recipe_head import HeadRecipe
from trainer.tell.owner import owner_section
from trainer.train import train_model
from trainer.work.jobs import LocalWorkers


def learning(recipe: Recipe) -> Recipe:
    return recipe.model_copy(update={"head": HeadRecipe(enrol=True)})


@pytest.fixture(scope="module")
def both(
    recorded_once: Path, small_recipe_once: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, Path]:
    """The small model, and the same with enrolment."""
    out = tmp_path_factory.mktemp("models")
    recipe = load_recipe(small_recipe_once)
    data = Path(shutil.copytree(recorded_once, out / "data"))  # a use of it is written down there
    train_model(data, recipe, out / "plain")
    train_model(data, learning(recipe), out / "learning")
    return out / "plain", out / "learning"


def test_a_model_that_learns_answers_as_the_one_that_does_not(both: tuple[Path, Path]) -> None:
    """Untaught, its events and known scores are those of the same recipe without enrolment."""
    plain, learns = (load_model(folder) for folder in both)
    assert can_enrol(learns) and not can_enrol(plain)
    assert learns.classes == (*plain.classes, "own_1")
    lit, dark = read_test_frames(both[0], plain, 200)
    wanted, got = plain.run(lit, dark), learns.run(lit, dark)
    assert np.array_equal(got.evidence[:, : len(plain.classes)], wanted.evidence)
    assert np.array_equal(got.events, wanted.events)


def test_its_figures_stand_on_its_page_and_its_bytes_beside(both: tuple[Path, Path]) -> None:
    """Held-out people's takes before and after stand in evaluation.json and on the page."""
    plain, learns = (json.loads((f / "evaluation.json").read_text("utf-8")) for f in both)
    assert "enrolment" not in plain
    assert "favour" not in learns["enrolment"]  # of two classes none is left out
    same = {key for key in plain if key not in ("operations", "test_uses", "wake_up")}
    assert all(learns[key] == plain[key] for key in same)
    found = learns["enrolment"]
    assert found["classes"][0]["n_shown"] == 1 and found["classes"][0]["n_people"] == 3
    for row in found["classes"]:
        low, high = row["mean"]["difference"]
        assert low <= row["mean"]["after"] - row["mean"]["before"] <= high
    _, stage = enrol_place(load_model(both[1]))
    assert found["bytes"]["kept"] == 44 + stage.n_out * (2 + stage.directions.n_out)
    events = found["events"]
    assert (events["sixteenths"], events["n_people"]) == (stage.sixteenths, 3)
    f1 = {
        name: 2 * row["found"] / (row["found"] + row["unmeant"] + events["n_gestures"])
        for name, row in events.items()
        if isinstance(row, dict)
    }
    no_worse = events["taught"]["unmeant"] <= events["shipped"]["unmeant"]
    assert no_worse or f1["taught"] >= f1["taught_whole"]  # as good as any, where none is so
    page = (both[1] / "evaluation.html").read_text("utf-8")
    assert f"with {stage.sixteenths} sixteenths of each score" in page
    assert "Learning its owner" in page and f"{found['bytes']['ram']:,} bytes of RAM" in page
    assert "Learning its owner" not in (both[0] / "evaluation.html").read_text("utf-8")
    assert owner_section(plain) == ""


def test_verify_teaches_every_execution(both: tuple[Path, Path]) -> None:
    """Beside the frames as shipped, each execution is given a lesson, and learns the same."""
    found = verify(both[1], ["cortex-m4"], 100)
    assert found.ok, found.lines()
    taught = [c.execution for c in found.comparisons if c.execution.endswith("taught")]
    assert taught == [
        "ONNX Runtime, taught", "ONNX reference evaluator, taught",
        "C on host, taught", "C on cortex-m4, taught",
    ]  # fmt: skip


def test_poses_of_two_hidden_layers_are_taught_by_what_both_hold(
    small_data: Path, small_recipe: Path
) -> None:
    """The stage that learns sees both layers, and its scores are those of the fit without it."""
    recipe = load_recipe(small_recipe)
    two = recipe.classifier.model_copy(update={"hidden": (12, 8)})
    poses = recipe.evaluation.model_copy(update={"take_end": "cue"})
    recipe = recipe.model_copy(update={"classifier": two, "evaluation": poses})
    [candidate] = reduce_for(small_data, [recipe], LocalWorkers(), lambda _: None)
    job = fold_jobs(candidate.fit())[0]
    plain = job.fit.run()
    learns = dataclasses.replace(job.fit, recipe=learning(job.fit.recipe)).run()
    stage = next(s for s in learns.whole.stages if isinstance(s, Enrol))
    assert (stage.n_in, stage.directions.n_out) == (8 + 12, 8 + 12)
    assert not stage.head.arrays()["weights"][:, 8:].any()
    assert stage.directions.weights[:, 8:].any()
    x = job.held[0].values
    assert np.array_equal(learns.whole.run(x), plain.whole.run(x))


def test_takes_that_were_shown_are_not_asked_about(small_data: Path, small_recipe: Path) -> None:
    """Shown and asked add up to a person's takes, and what is kept is what was wanted."""
    recipe = learning(load_recipe(small_recipe))
    [candidate] = reduce_for(small_data, [recipe], LocalWorkers(), lambda _: None)
    jobs = teach_jobs(fold_jobs(candidate.fit()))
    assert [job.without for job in jobs] == [None] * len(jobs)  # two classes: none to spare
    fitted = jobs[0].fit.run()
    person = jobs[0].held[0]
    rows = teach_person(fitted, [person], candidate.recipe)
    table = {name: rows[:, i] for i, name in enumerate(COLUMNS)}
    n_takes = len(person.takes)
    assert (table["n_asked"] + table["n_kept"] + table["n_refused"] == n_takes).all()
    assert (table["n_kept"] <= 2 * table["n_shown"]).all() and (table["n_new"] == 0).all()
    assert (table["before"] <= table["n_asked"]).all()

    # Untaught, the parted pipeline gives the scores of the whole one.
    taught = Taught.of(fitted, candidate.recipe)
    x = person.values
    for stage in taught.before:
        x, _ = stage.run(x, stage.initial_state())
    scores = taught.scores(x, taught.stage.initial_state())
    assert np.array_equal(scores[:, :3], fitted.whole.run(person.values))


def test_a_class_left_out_is_shown_as_a_gesture_of_one_s_own(
    small_data: Path, small_recipe: Path
) -> None:
    """The fit knows one class fewer; the new one is shown alone, and beside the known ones.

    The more it is favoured the more of it is found.
    """
    recipe = learning(load_recipe(small_recipe))
    [candidate] = reduce_for(small_data, [recipe], LocalWorkers(), lambda _: None)
    job = teach_jobs(fold_jobs(candidate.fit()))[0]
    without = dataclasses.replace(job, without=0)
    part = without.fit_job()
    assert part.recipe.classes == ("push",)
    assert {int(label) for r in part.train for label in r.labels} == {0, 1}
    rows = teach_person(part.run(), [job.held[0]], candidate.recipe, 0)
    assert set(rows[:, 0].tolist()) <= {ALONE, BESIDE} and ALONE in rows[:, 0]
    table = {name: rows[:, i] for i, name in enumerate(COLUMNS)}
    assert (table["n_kept"] <= table["n_shown"]).all()  # of the new gesture alone
    turns = table["new_right"].reshape(-1, len(OFFSETS))
    assert np.array_equal(table["offset"].reshape(turns.shape)[0], OFFSETS)
    assert (np.diff(turns, axis=1) >= 0).all() and (turns[:, -1] > turns[:, 0]).any()


def test_a_recipe_s_enrolment_is_checked_and_changes_no_other_digest() -> None:
    """Keys out of range are refused with their line; a recipe without is the same as before."""
    text = 'name = "a"\ntask = "a"\nclasses = ["x", "y"]\n[features]\n'
    plain = parse_recipe(text, "recipe")
    assert parse_recipe(text + "[head]\nenrol = false\n", "recipe").digest() == plain.digest()
    assert parse_recipe(text + "[head]\nenrol = true\n", "recipe").digest() != plain.digest()
    with pytest.raises(Exception, match="own_gestures"):
        parse_recipe(text + "[head]\nenrol = true\nown_gestures = 5\n", "recipe")
    clash = text.replace('"y"', '"own_1"') + "[head]\nenrol = true\n"
    with pytest.raises(Exception, match="own gesture"):
        parse_recipe(clash, "recipe")
