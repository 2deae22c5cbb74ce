"""What a session's labels become: cues on its frames, groups held out, excerpts to learn from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.cues.labels import REJECTED
from runtime.errors import UsageError
from trainer.corpus.recordings import Corpus, LabelledCue, Recording, groups_of, labelled_cues
from trainer.corpus.reduced import LEAD_FRAMES, RUN_FRAMES, Reduced, excerpts
from trainer.recipe import parse_recipe

RECIPE = parse_recipe(
    'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = ["idle"]\n'
    'background = ["everyday_*"]\n[features]\nbins = [2, 2]\n',
    "two",
)
TIME_S = np.arange(100) / 10


def a_label(
    onset_s: float, duration_s: float, kind: str, labeller: str = "script", status: str = ""
) -> Any:
    return SimpleNamespace(
        onset_s=onset_s,
        duration_s=duration_s,
        trial_type=kind,
        labeller=labeller,
        status=status,
        cue_onset_s=None,
        cue_duration_s=None,
        further=(("glove", "yes"), ("light", None)),
    )


def placed(*labels: Any) -> list[LabelledCue]:
    """Place labels whose table has two further columns, one of them without a value."""
    session: Any = SimpleNamespace(events=labels)
    cues = labelled_cues(session, RECIPE, TIME_S)
    assert all(cue.noted == (("glove", "yes"),) for cue in cues)
    return [replace(cue, noted=()) for cue in cues]


def test_cues_cover_the_frames_from_their_onset_to_before_their_end() -> None:
    """A frame at the onset is the cue's first; one at the end, a tenth of a second on, is not."""
    assert placed(a_label(1.0, 0.5, "right")) == [LabelledCue(10, 15, 1, True, False)]
    assert placed(a_label(0.95, 0.5, "left")) == [LabelledCue(10, 15, 0, True, False)]
    assert placed(a_label(0.0, 100.0, "idle")) == [LabelledCue(0, 100, 2, True, False)]


@given(st.integers(0, 10**9), st.integers(1, 60), st.integers(1, 60))
def test_a_cue_holds_the_same_frames_whenever_it_is(later_us: int, first: int, n: int) -> None:
    """Bounds on a frame's very time are told from before it, whatever their sum rounds to."""
    period_us = 33_333
    time_us = later_us + period_us * np.arange(122)
    time_us[0] = 0
    label = a_label(int(time_us[first]) / 1e6, n * period_us / 1e6, "right")
    (cue,) = labelled_cues(SimpleNamespace(events=[label]), RECIPE, time_us / 1e6)  # type: ignore[arg-type]
    assert (cue.start, cue.stop) == (first, first + n)


def test_a_rejected_take_is_no_cue() -> None:
    """What a person rejected is neither learned from nor judged; the others stay in order."""
    cues = placed(
        a_label(1.0, 0.5, "left"), a_label(3.0, 0.5, "left", status=REJECTED),
        a_label(5.0, 0.5, "right"),
    )  # fmt: skip
    assert [(cue.start, cue.label) for cue in cues] == [(10, 0), (50, 1)]
    assert placed(a_label(3.0, 0.5, "left", status=REJECTED)) == []


def test_labels_of_other_tasks_and_without_frames_are_no_cues() -> None:
    """A label that the recipe does not know, or that lies between or behind the frames, is left."""
    assert placed(a_label(1.0, 0.5, "circle")) == []
    assert placed(a_label(1.01, 0.05, "left"), a_label(20.0, 1.0, "left")) == []
    assert placed(a_label(1.0, 0.0, "left")) == []


def test_everyday_time_is_no_take_and_persons_bounds_are_told() -> None:
    """Background has the class other and is no take; bounds of no script are a person's."""
    (cue,) = placed(a_label(1.0, 0.5, "everyday_desk"))
    assert (cue.label, cue.take) == (2, False)
    (cue,) = placed(a_label(1.0, 0.5, "idle"))
    assert (cue.label, cue.take) == (2, True)
    told = {who: placed(a_label(1.0, 0.5, "left", who))[0].from_labels
            for who in ("script", "energy", "L1", "")}  # fmt: skip
    assert told == {"script": False, "energy": False, "L1": True, "": True}


def a_recording(person: str, unit: str = "a", locked: bool = False) -> Recording:
    return Recording(Path(person), person, unit, "none", locked, "")


def test_participants_or_units_are_held_out() -> None:
    """Groups are the recordings' participants, or their sensor units, in their order."""
    recordings = [a_recording("P2", "b"), a_recording("P1", "a"), a_recording("P2", "a")]
    assert groups_of(recordings, "participants") == ("P2", "P1", "P2")
    assert groups_of(recordings, "units") == ("b", "a", "a")
    with pytest.raises(UsageError, match="participants or units"):
        groups_of(recordings, "windows")


def test_a_truth_that_nobody_noted_is_one_line() -> None:
    """A recording says its distance, or that nobody noted it and what to do."""
    noted = replace(a_recording("P1"), distance_mm=150.0)
    assert noted.truth("distance_mm") == 150.0
    with pytest.raises(UsageError, match="P1: distance_mm is not noted"):
        a_recording("P1").truth("distance_mm")


def test_locked_recordings_are_those_of_locked_participants() -> None:
    """A corpus parts its recordings into the locked and the others, and into nothing else."""
    both = tuple(a_recording(p, locked=p == "P2") for p in ("P1", "P2", "P3"))
    corpus = Corpus(None, both, {}, "", Path())  # type: ignore[arg-type]
    assert [r.participant for r in corpus.select(locked=True)] == ["P2"]
    assert [r.participant for r in corpus.select(locked=False)] == ["P1", "P3"]


def reduced(cues: list[LabelledCue], n_frames: int = 200, value: int = 0) -> Reduced:
    frames = np.array([5, 130], dtype=np.int64)
    values = np.full((n_frames, 1), value, np.int32)
    judged = [(cue.start, cue.stop) for cue in cues]
    who = a_recording("P1")
    return Reduced(who, values, np.zeros((n_frames, 2)), cues, judged, [], [], frames, frames % 7)


def test_everyday_time_sets_neither_floor_nor_directions() -> None:
    """A recording of everyday time alone is left out of the excerpts, and of their share."""
    take, everyday = LabelledCue(0, 50, 0), LabelledCue(0, 50, 2, take=False)
    kept = excerpts([
        reduced([take], value=1), reduced([everyday], value=2), reduced([everyday, take], value=3),
        reduced([], value=4), reduced([everyday, everyday], value=5),
    ])  # fmt: skip
    assert [int(e.values[0, 0]) for e in kept] == [1, 3, 4]
    # 50 frames fit into 64 as long as the everyday ones are not counted.
    both = [reduced([everyday], 10_000), reduced([take], 200)]
    assert len(excerpts(both, RUN_FRAMES)[0].values) == 50


def test_takes_are_kept_with_what_was_just_before() -> None:
    """Of a recording with one take, a few frames before it stay, its own as those to learn."""
    (kept,) = excerpts([reduced([LabelledCue(70, 80, 0)], 400)])
    assert len(kept.values) == LEAD_FRAMES + 10
    assert np.flatnonzero(kept.seen).tolist() == list(range(LEAD_FRAMES, LEAD_FRAMES + 10))
    (early,) = excerpts([reduced([LabelledCue(3, 80, 0)], 400)])
    assert len(early.values) == 80 and not early.seen[:3].any() and early.seen[3:].all()


@given(st.lists(st.integers(2 * LEAD_FRAMES, 300), min_size=6, max_size=6), st.integers(64, 4000))
def test_how_long_people_pause_changes_no_excerpt(pauses: list[int], most: int) -> None:
    """The same takes, with pauses of any length, and a hand that is away in the midst of them."""

    def recorded(lengths: list[int]) -> Reduced:
        parts, cues, at = [], [], 0
        for number, length in enumerate(lengths):
            pause = np.full(length, -1)
            pause[-LEAD_FRAMES:] = 1000 * number + np.arange(LEAD_FRAMES)
            parts += [pause, 1000 * number + 100 + np.arange(40)]
            cues.append(LabelledCue(at + length, at + length + 40, number))
            at += length + 40
        values = np.concatenate(parts).astype(np.int32)[:, None]
        return replace(reduced(cues, at), stored=values)

    usual = [2 * LEAD_FRAMES] * len(pauses)
    (before,), (after,) = (excerpts([recorded(each)], most) for each in (usual, pauses))
    np.testing.assert_array_equal(before.values, after.values)
    np.testing.assert_array_equal(before.seen, after.seen)


def test_a_share_of_the_frames_is_one_run_in_so_many() -> None:
    """More frames than asked for: of every two runs of 64 the first, with the windows in it."""
    take = [LabelledCue(0, 201, 0)]
    (kept,) = excerpts([reduced(take, 201)], 200)
    assert len(kept.values) == 2 * RUN_FRAMES
    assert kept.frames.tolist() == [5, 64 + 2]
    assert kept.labels.tolist() == [5, 130 % 7]
    (third,) = excerpts([reduced(take, 201)], 67)
    assert len(third.values) == RUN_FRAMES + 201 - 192
    assert third.frames.tolist() == [5]
