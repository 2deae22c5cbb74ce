"""Jobs: the same results in any number of processes, and none lost with a process."""

from __future__ import annotations

import filecmp
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from odd_jobs import Deadly, Square, Wrong

from runtime.errors import ToolError, UsageError
from trainer.fit.candidates import reduce_for
from trainer.fit.held_out import HoldOutJob, curve_jobs, fold_jobs, folds_of
from trainer.fit.kept_fits import Finished
from trainer.fit.training import fit_model
from trainer.recipe import Recipe, load_recipe
from trainer.train import train_model
from trainer.work.jobs import LocalWorkers, run_jobs


@pytest.mark.parametrize("n_jobs", [1, 2])
def test_results_come_in_the_order_of_the_jobs(n_jobs: int) -> None:
    """Whoever finishes first, results stand in the order in which the jobs were given."""
    told: dict[int, int] = {}
    results = run_jobs([Square(n) for n in range(9)], LocalWorkers(n_jobs), told.__setitem__)
    assert results == [n * n for n in range(9)] == [told[n] for n in range(9)]


def test_a_killed_process_loses_no_job(tmp_path: Path) -> None:
    """A process that is killed in the middle of a job: that job, and all others, are still done."""
    jobs = [Square(n, tmp_path / "marker" if n == 3 else None) for n in range(8)]
    assert run_jobs(jobs, LocalWorkers(2)) == [n * n for n in range(8)]
    assert (tmp_path / "marker").exists()


def test_a_job_that_always_kills_is_given_up() -> None:
    """A job that ends every process it runs in is an error that names memory, not a hang."""
    with pytest.raises(ToolError, match=r"dead 3 times in a row.*memory"):
        run_jobs([Deadly()] * 2, LocalWorkers(2))


@pytest.mark.parametrize("n_jobs", [1, 2])
def test_an_error_of_a_job_arrives_whole(n_jobs: int) -> None:
    """An error of our own keeps its words on its way from another process."""
    with pytest.raises(UsageError, match="windows of class is 3, expected windows of every class"):
        run_jobs([Square(1), Wrong()], LocalWorkers(n_jobs))


def test_less_than_one_process_is_refused() -> None:
    """Nobody can do the work."""
    with pytest.raises(UsageError, match="number of processes is 0"):
        LocalWorkers(0)


def test_the_number_of_processes_changes_no_byte(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """A model trained in two processes is that of one, in every file."""
    recipe = load_recipe(small_recipe)
    one, two = tmp_path / "one", tmp_path / "two"
    train_model(small_data, recipe, one)
    train_model(small_data, recipe, two, workers=LocalWorkers(2))
    names = [str(p.relative_to(one)) for p in one.rglob("*") if p.is_file()]
    _, differing, failed = filecmp.cmpfiles(one, two, names, shallow=False)
    assert len(names) > 8 and not differing and not failed


def test_a_stopped_training_goes_on_where_it_was(small_data: Path, small_recipe: Path) -> None:
    """What finished before a training was stopped is not done again, and gives the same results."""
    recipe = load_recipe(small_recipe)
    (candidate,) = reduce_for(small_data, [recipe], LocalWorkers(), lambda _: None)
    folds = fold_jobs(candidate.fit())
    ran: list[str] = []

    class Watched:
        """Workers that write down what they do, and stop after some jobs."""

        def __init__(self, n_left: int) -> None:
            self.n_left = n_left

        def results(self, jobs):  # type: ignore[no-untyped-def]  # as LocalWorkers.results
            for number, job in jobs:
                if self.n_left == 0:
                    raise KeyboardInterrupt
                self.n_left -= 1
                ran.append(job.name)
                yield number, job.run()

    def finished() -> Finished:
        return Finished(small_data, recipe, candidate.corpus.digest)

    with pytest.raises(KeyboardInterrupt):
        finished().run(folds, Watched(2), lambda _: None)
    again = finished().run(folds, Watched(9), lambda _: None)
    assert ran == ["fold 1", "fold 2", "fold 3"]
    for job, outcome in zip(folds, again, strict=True):
        fresh = job.run()
        assert outcome.score_unit == fresh.score_unit
        for kept, new in zip(outcome.scores, fresh.scores, strict=True):
            np.testing.assert_array_equal(kept, new)
    finished().clear()
    assert not list((small_data / "derivatives" / "palmwatt" / "jobs").glob("*.npy"))


@pytest.mark.slow
def test_two_trainings_at_the_same_time_do_not_meet(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Two processes that train the same recipe on the same data both write the whole model."""
    outs = [tmp_path / "one", tmp_path / "two"]
    program = "from trainer.cli import main; main()"
    options = ("--recipe", small_recipe, "--jobs", "1")
    running = [
        subprocess.Popen(
            [sys.executable, "-c", program, "train", small_data, *options, "--out", out],
            stdout=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        )
        for out in outs
    ]
    assert [process.wait(120.0) for process in running] == [0, 0]
    names = [str(p.relative_to(outs[0])) for p in outs[0].rglob("*") if p.is_file()]
    _, differing, failed = filecmp.cmpfiles(*outs, names, shallow=False)
    assert len(names) > 8 and not differing and not failed


def test_a_training_leaves_no_finished_jobs_behind(small_data: Path, small_recipe: Path) -> None:
    """Once the model is there, what its jobs had kept is gone."""
    fit_model(small_data, load_recipe(small_recipe))
    assert not list((small_data / "derivatives" / "palmwatt" / "jobs").glob("*.npy"))


def test_folds_hold_every_group_out_once() -> None:
    """Each recording is held out in one fold, and no group is on both sides of any."""
    groups = [f"P{n % 8}" for n in range(30)]
    folds = folds_of(groups)
    assert sorted(i for _, held in folds for i in held) == list(range(30))
    for kept, held in folds:
        assert not {groups[i] for i in kept} & {groups[i] for i in held}
        assert sorted(kept + held) == list(range(30))


def test_one_person_cannot_be_held_out() -> None:
    """A single participant leaves nobody to learn from, and the message says what to do."""
    with pytest.raises(UsageError, match="Record more people"):
        folds_of(["P1", "P1"])


@pytest.fixture
def folds_of_eight(small_data: Path, small_recipe: Path) -> list[HoldOutJob]:
    """Folds of eight training participants, who are two people many times over."""
    (candidate,) = reduce_for(
        small_data, [load_recipe(small_recipe)], LocalWorkers(), lambda _: None
    )
    fit = candidate.fit()
    people = [
        replace(r, recording=replace(r.recording, participant=f"Q{n}"))
        for n in range(8)
        for r in fit.train[:1]
    ]
    return fold_jobs(replace(fit, train=tuple(people)))


def test_a_learning_curve_asks_about_nobody_it_has_seen(folds_of_eight: list[HoldOutJob]) -> None:
    """Each point asks once about everybody, by fits of as many people, none of them asked about."""
    jobs = curve_jobs(folds_of_eight)
    assert sorted({job.n_people for job in jobs}) == [2, 4]
    for n_people in (2, 4):
        asked = [r.recording.participant for j in jobs if j.n_people == n_people for r in j.held]
        assert sorted(asked) == [f"Q{n}" for n in range(8)]
    for job in jobs:
        learned = {r.recording.participant for r in job.fit.train}
        assert not learned & {r.recording.participant for r in job.held}
    draws = {tuple(r.recording.participant for r in job.fit.train) for job in jobs}
    assert len(draws) > len(jobs) // 2
    again = [[r.recording.participant for r in job.fit.train] for job in curve_jobs(folds_of_eight)]
    assert again == [[r.recording.participant for r in job.fit.train] for job in jobs]


def test_the_learning_curve_ends_with_the_folds(small_data: Path, small_recipe: Path) -> None:
    """The last point of the curve is the figure of training people held out in turn."""
    evaluation = fit_model(small_data, load_recipe(small_recipe)).evaluation
    curve = evaluation["learning_curve"]
    assert [point["n_participants"] for point in curve] == [2]
    assert curve[-1]["accuracy"] == evaluation["cross_validation"]["accuracy"]


def other_recipe(recipe: Recipe, **changes: object) -> Recipe:
    return Recipe.model_validate(recipe.model_dump() | changes)


def test_of_several_recipes_the_best_on_training_people_is_taken(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Candidates are told apart on training people; locked people meet the one taken, only."""
    good = load_recipe(small_recipe)
    features = good.features.model_dump() | {"bins": (2, 1), "directions": 1, "motion": False}
    poor = other_recipe(good, name="blind", features=features)
    evaluation = train_model(small_data, [poor, good], tmp_path / "both")
    reached = {
        each["name"]: each["cross_validation"]["macro_f1"]["value"]
        for each in evaluation["candidates"]
    }
    assert reached["small"] > reached["blind"]
    assert [c["name"] for c in evaluation["candidates"] if c["chosen"]] == ["small"]
    assert [use["recipe"] for use in evaluation["test_uses"]] == [good.digest()]
    train_model(small_data, good, tmp_path / "alone")
    for name in ("model.json", "weights.npz", "fixed.onnx"):
        assert filecmp.cmp(tmp_path / "both" / name, tmp_path / "alone" / name, shallow=False)


def test_recipes_of_different_answers_are_not_compared(
    small_data: Path, small_recipe: Path
) -> None:
    """Figures of different tasks say nothing of which recipe is better."""
    one = load_recipe(small_recipe)
    other = other_recipe(one, classes=("push", "swipe_left"))
    with pytest.raises(UsageError, match="one and the same task"):
        fit_model(small_data, [one, other])


def test_a_data_set_that_cannot_be_written_to_trains(
    small_data: Path, small_recipe: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Readouts on a read-only medium give the same model; the unlogged use is listed and told."""
    recipe = load_recipe(small_recipe)
    shutil.rmtree(small_data / "derivatives", ignore_errors=True)
    (small_data / "derivatives").write_text("a file in the folder's place")
    first = fit_model(small_data, recipe)
    assert [use["recipe"] for use in first.evaluation["test_uses"]] == [recipe.digest()]
    assert "not written down" in caplog.text
    (small_data / "derivatives").unlink()
    assert fit_model(small_data, recipe).evaluation == first.evaluation
