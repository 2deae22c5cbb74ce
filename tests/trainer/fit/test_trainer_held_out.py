"""Who learns and who is asked: folds, learning curves and their takes, on recordings of nothing."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from trainer.corpus.recordings import LabelledCue, Recording
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import (
    FitJob,
    HeldOut,
    HoldOutJob,
    curve_jobs,
    fold_jobs,
    folds_of,
    learning_curve,
    takes_of,
)
from trainer.recipe import Recipe, parse_recipe


def a_recipe(split: str = "participants", seed: int = 3) -> Recipe:
    return parse_recipe(
        f'name = "two"\ntask = "two"\nseed = {seed}\nclasses = ["left", "right"]\n'
        'other = ["idle"]\n'
        f'[features]\nbins = [2, 2]\n[evaluation]\nsplit = "{split}"\ntake_end = "cue"\n',
        "two",
    )


def a_recording(person: str, unit: str = "a", labels: tuple[int, ...] = (0, 1, 2)) -> Reduced:
    """Return a recording of 30 frames with a take of each class, judged at its cue's last frame."""
    who = Recording(Path(f"{person}-{unit}"), person, unit, "none", False, "")
    cues = [LabelledCue(10 * n, 10 * n + 10, label) for n, label in enumerate(labels)]
    cues.append(LabelledCue(0, 30, 2, take=False))
    judged = [(cue.stop - 1, cue.stop) for cue in cues]
    frames = np.arange(len(labels), dtype=np.int64)
    nothing = np.zeros((30, 2))
    return Reduced(
        who, nothing.astype(np.int32), nothing, cues, judged, [], [], frames, np.array(labels)
    )


def a_fit(train: list[Reduced], split: str = "participants", seed: int = 3) -> FitJob:
    sensor = Sensor("four", 2, 2)
    return FitJob(a_recipe(split, seed), Bins(2, 2, 2, 2), sensor, tuple(train))


def people(recordings: Any) -> set[str]:
    return {r.recording.participant for r in recordings}


@given(st.lists(st.sampled_from("abcdefghij"), min_size=2, max_size=30), st.integers(2, 8))
def test_each_recording_is_held_out_once_with_all_of_its_group(
    groups: list[str], most: int
) -> None:
    """Folds part the recordings by whole groups, each held out once, in at most so many folds."""
    if len(set(groups)) < 2:
        with pytest.raises(UsageError, match="groups to hold out in turn"):
            folds_of(groups, most)
        return
    folds = folds_of(groups, most)
    assert len(folds) == min(most, len(set(groups)))
    assert sorted(i for _, held in folds for i in held) == list(range(len(groups)))
    for kept, held in folds:
        assert sorted(kept + held) == list(range(len(groups)))
        assert not {groups[i] for i in kept} & {groups[i] for i in held}
        assert kept and held


def test_six_folds_are_enough_for_any_number_of_people() -> None:
    """Without a number asked for, up to six people are held out one by one, and more in groups."""
    assert [len(folds_of([f"P{k}" for k in range(n)])) for n in (2, 5, 6, 7, 20)] == [2, 5, 6, 6, 6]


def test_of_very_many_people_as_few_folds_are_held_out_as_leave_enough_to_learn_from() -> None:
    """From 625 people on a fold fewer still leaves 500 of them, from 750 on three folds do."""
    counts = (480, 600, 624, 625, 666, 667, 749, 750, 1080)
    folds = {n: folds_of([f"P{k}" for k in range(n)]) for n in counts}
    assert [len(folds[n]) for n in counts] == [6, 6, 6, 5, 5, 4, 4, 3, 3]
    for n in counts[3:]:
        assert all(len(kept) >= 500 for kept, _ in folds[n])
    assert len(folds_of([f"P{k}" for k in range(1080)], 2)) == 2


def test_a_fold_learns_from_the_others_and_asks_about_its_own() -> None:
    """Jobs are numbered from 1, want every frame's scores, and share recipe, entry and sensor."""
    train = [a_recording(p) for p in ("P1", "P1", "P2", "P3")]
    fit = a_fit(train)
    jobs = fold_jobs(fit)
    assert [job.name for job in jobs] == ["fold 1", "fold 2", "fold 3"]
    assert sorted(len(job.held) for job in jobs) == [1, 1, 2]
    for job in jobs:
        assert job.whole and job.n_people == 2
        assert (job.fit.recipe, job.fit.entry, job.fit.sensor) == (
            fit.recipe,
            fit.entry,
            fit.sensor,
        )
        assert people(job.held) | people(job.fit.train) == {"P1", "P2", "P3"}
        assert not people(job.held) & people(job.fit.train)
        assert all(any(r is one for one in train) for r in (*job.held, *job.fit.train))
    assert len(fold_jobs(fit, 2)) == 2


def test_units_are_held_out_with_everyone_who_used_them() -> None:
    """Split by units, neither a person nor a unit is on both sides, however they are linked."""
    used = [("P1", "a"), ("P1", "b"), ("P2", "b"), ("P3", "c"), ("P4", "c"), ("P5", "d")]
    jobs = fold_jobs(a_fit([a_recording(p, u) for p, u in used], split="units"))
    held = [{r.recording.participant for r in job.held} for job in jobs]
    assert sorted(held, key=sorted) == [{"P1", "P2"}, {"P3", "P4"}, {"P5"}]
    for job in jobs:
        assert not {r.recording.unit for r in job.held} & {r.recording.unit for r in job.fit.train}
    with pytest.raises(UsageError, match="groups to hold out in turn is 1"):
        fold_jobs(a_fit([a_recording(p, u) for p, u in used[:3]], split="units"))
    # By participants, the same recordings are parted by person.
    assert len(fold_jobs(a_fit([a_recording(p, u) for p, u in used]))) == 5


def test_a_curve_halves_the_people_until_two_are_left() -> None:
    """From twelve people in six folds of ten: 8, 4 and 2, drawn from each fold's own people."""
    folds = fold_jobs(a_fit([a_recording(f"P{k:02d}") for k in range(12)]))
    jobs = curve_jobs(folds)
    assert [job.name for job in jobs] == [
        f"{n} people, fold {k}" for n in (8, 4, 2) for k in range(1, 7)
    ]
    for index, job in enumerate(jobs):
        fold = folds[index % 6]
        assert job.n_people == int(job.name.split()[0]) and not job.whole
        assert job.held is fold.held
        assert people(job.fit.train) < people(fold.fit.train)
    again = curve_jobs(folds)
    assert [people(j.fit.train) for j in jobs] == [people(j.fit.train) for j in again]
    draws = {frozenset(people(job.fit.train)) for job in jobs[-6:]}
    assert len(draws) > 1  # each fold draws its own
    other = curve_jobs(fold_jobs(a_fit([a_recording(f"P{k:02d}") for k in range(12)], seed=4)))
    assert [people(j.fit.train) for j in jobs] != [people(j.fit.train) for j in other]


def test_a_curve_stays_below_the_folds_and_has_four_points_at_most() -> None:
    """As many people as a fold learns from are no point of their own; of many, the largest four."""

    def sizes(n_people: int, most: int) -> list[int]:
        train = [a_recording(f"P{k:02d}") for k in range(n_people)]
        jobs = curve_jobs(fold_jobs(a_fit(train), most))
        return sorted({job.n_people for job in jobs}, reverse=True)

    assert sizes(8, 2) == [2]  # folds learn from 4
    assert sizes(9, 2) == [2]  # from 4 and from 5: no fold has more than it learns from
    assert sizes(10, 2) == [4, 2]  # from 5
    assert sizes(70, 2) == [32, 16, 8, 4]  # from 35
    assert sizes(4, 2) == []  # from 2


def test_a_draw_without_every_class_is_left_out() -> None:
    """Where the few people drawn never made one of the gestures, there is no fit to make."""
    some = [a_recording(f"P{k}", labels=(0, 2)) for k in range(8)]
    whole = a_recording("P8")
    assert a_fit([*some, whole]).has_every_class
    assert not a_fit(some).has_every_class
    assert not a_fit([a_recording("P1", labels=(0, 1))]).has_every_class
    jobs = curve_jobs(fold_jobs(a_fit([*some, whole])))
    assert all("P8" in people(job.fit.train) for job in jobs)
    assert len(jobs) < 2 * 6


def scores(*answers: int) -> Any:
    """Return scores of takes that are answered so."""
    return np.eye(3, dtype=np.int32)[list(answers)]


def of_frames(*answers: int) -> Any:
    """Return scores of 30 frames of which the last of each ten are answered so, others else."""
    chosen = [(answers[n // 10] if n % 10 == 9 else (answers[n // 10] + 1) % 3) for n in range(30)]
    return scores(*chosen)


def two_jobs() -> tuple[list[HoldOutJob], list[HeldOut]]:
    fit = a_fit([a_recording("P1"), a_recording("P2"), a_recording("P3")])
    first = HoldOutJob("fold 1", fit, (a_recording("P4"), a_recording("P5")), whole=True)
    small = HoldOutJob("2 people, fold 1", a_fit([a_recording("P1"), a_recording("P2")]),
                       first.held, whole=False)  # fmt: skip
    outcomes = [
        HeldOut((of_frames(0, 1, 2), of_frames(0, 0, 0)), 1.0),
        HeldOut((scores(1, 1, 1), scores(0, 0, 1)), 1.0),
    ]
    return [first, small], outcomes


def test_takes_are_answered_at_their_frames_and_everyday_time_is_none() -> None:
    """Of whole recordings the takes' frames are looked up; of takes, the scores are theirs."""
    takes = takes_of(*two_jobs())
    assert takes.participants == ("P4",) * 3 + ("P5",) * 3 + ("P4",) * 3 + ("P5",) * 3
    assert takes.labels.tolist() == [0, 1, 2] * 4
    assert takes.answers.tolist() == [0, 1, 2, 0, 0, 0, 1, 1, 1, 0, 0, 1]


def test_a_learning_curve_is_accuracy_by_people_learned_from() -> None:
    """Points rise in people; all folds make one point at the fewest people any learns from."""
    jobs, outcomes = two_jobs()
    four = HoldOutJob("fold 2", a_fit([a_recording(f"P{k}") for k in range(4)]),
                      (a_recording("P6"),), whole=True)  # fmt: skip
    curve = learning_curve([*jobs, four], [*outcomes, HeldOut((of_frames(0, 2, 1),), 1.0)])
    assert [(c["n_participants"], c["accuracy"]["n_takes"]) for c in curve] == [(2, 6), (3, 9)]
    assert [c["accuracy"]["value"] for c in curve] == [round(2 / 6, 6), round(5 / 9, 6)]


@pytest.mark.parametrize("whole", [True, False])
def test_what_is_held_out_is_asked_about_whole_or_at_its_takes(
    monkeypatch: pytest.MonkeyPatch, whole: bool
) -> None:
    """A job fits to its training recordings and scores all frames, or those of its takes."""
    asked: list[Any] = []

    def fit(train: Any, recipe: Any, entry: Any, sensor: Any) -> Any:
        asked.append((train, recipe, entry, sensor))
        run = SimpleNamespace(run=lambda values: of_frames(0, 1, 2))
        return SimpleNamespace(whole=run, score_unit=0.25)

    monkeypatch.setattr("trainer.fit.held_out.fit_pipeline", fit)
    job = a_fit([a_recording("P1")])
    found = HoldOutJob("one", job, (a_recording("P2"), a_recording("P3")), whole).run()
    assert asked == [(job.train, job.recipe, job.entry, job.sensor)]
    assert found.score_unit == 0.25 and len(found.scores) == 2
    expected = of_frames(0, 1, 2) if whole else scores(0, 1, 2)
    for values in found.scores:
        np.testing.assert_array_equal(values, expected)
