"""When in its cue a gesture ends: found again by what it shares with other people's gestures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_people import record_people

from capture.cues.script import parse_script
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judging_delay, leads, surest_frames
from trainer.fit.alignment import JUDGED_IN, ROUNDS, align, window_since_cue
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import HeldOut, HoldOutJob
from trainer.recipe import Recipe, parse_recipe
from trainer.work.jobs import LocalWorkers, run_jobs

GESTURES = ("swipe_left", "swipe_up", "push", "pull")
SCRIPT = 'name = "turns"\nlead_in_s = 1.0\nrest_s = [0.2, 0.3]\n' + "".join(
    f'[[cue]]\ntrial_type = "{gesture}"\nrepetitions = 5\nduration_s = 1.5\n'
    for gesture in GESTURES
)
RECIPE = """\
name = "turns"
task = "turns"
seed = 4
classes = ["swipe_left", "swipe_up", "push", "pull"]
other = ["idle"]

[features]
bins = [4, 4]
level_bits = 16
directions = 6
direction_bits = 16
motion = false
segments = 8
segment_frames = 6

[classifier]
kind = "mlp"
hidden = 12
penalty = 0.1
epochs = 30
window_mean = true

[decision]
average_frames = 4
"""


@pytest.fixture(scope="module")
def recipe() -> Recipe:
    """Gestures, some of which are the way back of others."""
    return parse_recipe(RECIPE, "turns")


@pytest.fixture(scope="module")
def candidate(recipe: Recipe, tmp_path_factory: pytest.TempPathFactory) -> Candidate:
    """Eight people, two of them locked, with their gestures placed."""
    folder = tmp_path_factory.mktemp("turns") / "data"
    record_people(folder, parse_script(SCRIPT.encode(), "turns"), n_participants=8, n_locked=2)
    return reduce_for(folder, [recipe], LocalWorkers(), lambda _: None)[0]


def test_gestures_go_where_their_class_is_likeliest(
    candidate: Candidate, recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An end lies as long before the likeliest frame as gestures are answered after their end."""
    peaks: dict[str, list[int]] = {}

    def scores_of(recording: Reduced, half: int) -> np.ndarray:
        """Return scores whose best frame, in the mean of both halves, is known for each cue."""
        scores = np.zeros((recording.n_frames, 5), dtype=np.int32)
        digest = recording.recording.digest
        for cue, (first, stop) in recording.takes:
            peak = first + (7 * cue.start) % (stop - first)
            scores[peak, cue.label] = 300
            if recording.recording.locked:  # one of the two is surer elsewhere, the mean is not
                scores[first, cue.label] += 400 * half
            peaks.setdefault(digest, []).append(peak)
        return scores

    def answer(jobs: list[HoldOutJob], *rest: object) -> list[HeldOut]:
        return [
            HeldOut(tuple(scores_of(r, half) for r in job.held), 0.01)
            for half, job in enumerate(jobs)
        ]

    monkeypatch.setattr("trainer.fit.alignment.run_jobs", answer)
    placings = align(candidate.fit(), candidate.main, LocalWorkers())
    fits = [r for r in candidate.main if not r.recording.locked]
    usual = int(np.median([e - s for r in fits for s, e in zip(r.starts, r.ends, strict=True)]))
    for recording, (starts, ends) in zip(candidate.main, placings, strict=True):
        likeliest = peaks[recording.recording.digest]
        for cue, peak, start, end in zip(recording.cues, likeliest, starts, ends, strict=False):
            assert end == min(max(peak - judging_delay(recipe), cue.start), cue.stop - 1)
            assert start == max(cue.start, end - usual)


@pytest.mark.parametrize("best", [0, 1])
def test_the_beginning_that_tells_people_held_out_most_is_taken_and_its_rounds_agree(
    candidate: Candidate, recipe: Recipe, monkeypatch: pytest.MonkeyPatch, best: int
) -> None:
    """Of strokes and cues, that beginning's rounds place gestures: where most of them put them."""
    calls: list[int] = []

    def answer(jobs: list[HoldOutJob], *rest: object) -> list[HeldOut]:
        """Be right in one beginning's rounds only, and put gestures elsewhere in its second one."""
        beginning, number = divmod(len(calls), 1 + ROUNDS)
        if beginning == 2:  # both have had their rounds, and their places are judged
            beginning, number = number, 1
        calls.append(number)
        frame = 40 if number == 2 else 20 + 8 * beginning

        def scores_of(recording: Reduced) -> np.ndarray:
            scores = np.zeros((recording.n_frames, 5), dtype=np.int32)
            for cue, (first, stop) in recording.takes:
                scores[first:stop, cue.label] = -5000
                scores[first + frame, cue.label] = 900 if beginning == best else 100
                scores[first + 3, (cue.label + 1) % 4] = 400
            return scores

        return [HeldOut(tuple(scores_of(r) for r in job.held), 0.01) for job in jobs]

    monkeypatch.setattr("trainer.fit.alignment.run_jobs", answer)
    placings = align(candidate.fit(), candidate.main, LocalWorkers())
    assert len(calls) == 2 * (1 + ROUNDS) + 2
    for recording, (_, ends) in zip(candidate.main, placings, strict=True):
        for cue, end in zip(recording.cues, ends, strict=True):
            assert end == cue.start + 20 + 8 * best - judging_delay(recipe)


def test_places_are_compared_each_with_the_window_that_they_ask_for(
    candidate: Candidate, recipe: Recipe, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Strokes, cues and every round after them are judged with windows as long as their places."""
    lengths = []

    def answer(jobs: list[HoldOutJob], *rest: object) -> list[HeldOut]:
        train = [r for job in jobs for r in job.fit.train]
        wanted = window_since_cue(recipe, train).features.segment_frames
        assert {job.fit.recipe.features.segment_frames for job in jobs} == {wanted}
        lengths.append(wanted)
        zeros = [tuple(np.zeros((r.n_frames, 5), np.int32) for r in job.held) for job in jobs]
        return [HeldOut(each, 0.01) for each in zeros]

    monkeypatch.setattr("trainer.fit.alignment.run_jobs", answer)
    align(replace(candidate.fit(), recipe=recipe), candidate.main, LocalWorkers())
    assert len(lengths) == 2 * (1 + ROUNDS) + 2
    assert lengths[0] < lengths[1 + ROUNDS] == recipe.features.segment_frames  # strokes, cues


@pytest.mark.parametrize(("delay", "segment_frames"), [(12, 2), (26, 4), (34, 5), (60, 6), (0, 1)])
def test_a_window_reaches_back_to_the_cue(
    candidate: Candidate, recipe: Recipe, delay: int, segment_frames: int
) -> None:
    """It spans from a cue's first frame to a usual gesture's answer, and never more than asked."""
    train = [
        r.placed(recipe, r.starts, [cue.start + delay for cue in r.cues]) for r in candidate.main
    ]
    assert judging_delay(recipe) == 6
    sooner = window_since_cue(recipe, train)
    assert sooner.features.segment_frames == segment_frames
    assert sooner.features.segments == recipe.features.segments
    assert window_since_cue(recipe, []) == recipe
    held = recipe.evaluation.model_copy(update={"take_end": "cue"})
    pose = recipe.model_copy(update={"evaluation": held})
    assert window_since_cue(pose, train) == pose


def test_both_readouts_see_the_same_frames(candidate: Candidate) -> None:
    """What is compared with four quadrants is learned and judged on the same moments."""
    for main, quadrants in zip(candidate.main, candidate.quadrants, strict=True):
        assert (main.starts, main.ends) == (quadrants.starts, quadrants.ends)
        np.testing.assert_array_equal(main.frames, quadrants.frames)
        np.testing.assert_array_equal(main.labels, quadrants.labels)


def test_nobody_is_placed_by_what_learned_from_them(
    candidate: Candidate, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each half is placed by the other; the locked people are learned from by none."""
    asked = []

    def remember(jobs: list[HoldOutJob], *rest: object) -> list[HeldOut]:
        asked.extend(jobs)
        return run_jobs(jobs, LocalWorkers())

    monkeypatch.setattr("trainer.fit.alignment.run_jobs", remember)
    placings = align(candidate.fit(), candidate.main, LocalWorkers())
    assert len(placings) == len(candidate.main)
    n_times = 2 * (1 + ROUNDS)  # strokes and the cues' ends, and from each what was found
    judged = asked[2 * n_times :]
    placed = []
    for job in asked[: 2 * n_times]:
        learned = {r.recording.participant for r in job.fit.train}
        held = {r.recording.participant for r in job.held}
        assert not learned & held and {"P07", "P08"} < held
        placed += sorted(held - {"P07", "P08"})
    assert sorted(placed) == [f"P0{n}" for n in range(1, 7) for _ in range(n_times)]
    assert len(judged) == 2 * JUDGED_IN
    for job in judged:
        learned, held = ({r.recording.participant for r in s} for s in (job.fit.train, job.held))
        assert not learned & held and not {"P07", "P08"} & (learned | held)


@pytest.mark.parametrize(("better", "worse", "taken"), [(5, 0, "cues"), (2, 1, "strokes")])
def test_cues_are_taken_where_they_are_better_by_more_than_chance(
    candidate: Candidate, monkeypatch: pytest.MonkeyPatch, better: int, worse: int, taken: str
) -> None:
    """Five of six people who are told better are no chance; two, and a third told worse, are."""
    calls: list[int] = []
    people = {f"P0{n}": n for n in range(1, 7)}

    def answer(jobs: list[HoldOutJob], *rest: object) -> list[HeldOut]:
        calls.append(len(calls))
        of_cues = calls[-1] in (*range(1 + ROUNDS, 2 * (1 + ROUNDS)), 2 * (1 + ROUNDS) + 1)
        frame = 28 if of_cues else 20

        def scores_of(recording: Reduced) -> np.ndarray:
            number = people.get(recording.recording.participant, 0)
            right = number <= better if of_cues else better < number <= better + worse
            scores = np.zeros((recording.n_frames, 5), dtype=np.int32)
            for cue, (first, stop) in recording.takes:
                scores[first:stop, cue.label] = -5000
                scores[first + frame, cue.label] = 900 if right else 100
                scores[first + 3, (cue.label + 1) % 4] = 400
            return scores

        return [HeldOut(tuple(scores_of(r) for r in job.held), 0.01) for job in jobs]

    monkeypatch.setattr("trainer.fit.alignment.run_jobs", answer)
    placings = align(candidate.fit(), candidate.main, LocalWorkers())
    frame = {"cues": 28, "strokes": 20}[taken]
    for recording, (_, ends) in zip(candidate.main, placings, strict=True):
        for cue, end in zip(recording.cues, ends, strict=True):
            assert end == cue.start + frame - judging_delay(candidate.recipe)


def test_poses_and_halves_without_a_class_stay_as_they_were(candidate: Candidate) -> None:
    """Nothing is moved where nothing moves, or where too few people would tell where to."""
    fit = candidate.fit()
    found = [(r.starts, r.ends) for r in candidate.main]
    held = fit.recipe.evaluation.model_copy(update={"take_end": "cue"})
    pose = fit.recipe.model_copy(update={"evaluation": held})
    assert align(replace(fit, recipe=pose), candidate.main, LocalWorkers()) == found
    one_class = tuple(replace(r, labels=np.zeros_like(r.labels)) for r in candidate.main)
    few = replace(fit, train=tuple(r for r in one_class if not r.recording.locked))
    assert align(few, one_class, LocalWorkers()) == found


def test_a_take_is_judged_without_knowing_what_was_asked() -> None:
    """The frame is that on which a gesture, any gesture, is farthest ahead of all else."""
    scores = np.array([[0, 5, 9], [7, 1, 2], [3, 9, 8], [0, 0, 9], [1, 2, 9]], dtype=np.int32)
    np.testing.assert_array_equal(leads(scores, 2), [-4, 5, 1, -9, -7])
    assert surest_frames(scores, [(0, 5), (2, 5), (3, 5), (0, 1)], 2).tolist() == [1, 2, 4, 0]


def test_a_take_of_a_movement_is_judged_all_over_its_cue(
    candidate: Candidate, recipe: Recipe
) -> None:
    """From the cue's first frame until a gesture that ended with the cue would be answered."""
    recording = candidate.main[0]
    for cue, (first, stop) in recording.takes:
        assert first == cue.start
        assert stop == min(cue.stop + judging_delay(recipe), recording.n_frames)
