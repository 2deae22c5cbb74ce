"""Which frames are learned from and judged, frame by frame on paper."""

from __future__ import annotations

import numpy as np

from trainer.corpus.recordings import LabelledCue
from trainer.corpus.windows import (
    ahead,
    gesture_free,
    judged_spans,
    judging_delay,
    leads,
    surest_frames,
    take_spans,
    training_frames,
)
from trainer.recipe import Recipe, parse_recipe


def a_recipe(take_end: str = "movement", other: str = '["idle"]', average: int = 1) -> Recipe:
    return parse_recipe(
        f'name = "two"\ntask = "two"\nclasses = ["left", "right"]\nother = {other}\n'
        'background = ["everyday_*"]\n[features]\nbins = [2, 2]\n'
        f'[decision]\naverage_frames = {average}\n[evaluation]\ntake_end = "{take_end}"\n',
        "two",
    )


def test_a_gesture_is_answered_best_in_the_middle_of_what_is_learned_as_it() -> None:
    """Ten frames after the end are learned; a mean over n frames comes half of n - 1 later."""
    assert [judging_delay(a_recipe(average=n)) for n in (1, 2, 4, 11)] == [5, 5, 6, 10]
    assert judging_delay(a_recipe("cue", average=11)) == 0


def test_a_pose_is_judged_on_its_last_frame_and_a_movement_all_over_its_cue() -> None:
    """A movement's frames go on until its answer is due, or to the recording's end."""
    cues = [LabelledCue(10, 30, 0), LabelledCue(40, 58, 1)]
    assert judged_spans(a_recipe("cue"), cues, 60) == [(29, 30), (57, 58)]
    assert judged_spans(a_recipe(), cues, 60) == [(10, 35), (40, 60)]


def test_a_cue_spans_its_stroke_only_where_it_is_a_take_that_moves() -> None:
    """Poses and everyday time span their whole cue; the stroke of a take lies inside it."""
    readout = np.zeros((60, 2), dtype=np.int32)
    readout[20:, 0] = np.minimum(np.arange(40) * 100, 800)
    cues = [LabelledCue(10, 50, 0), LabelledCue(10, 50, 2, take=False)]
    moved, everyday = take_spans(a_recipe(), readout, cues)
    assert 18 <= moved[0] < moved[1] <= 30
    assert everyday == (10, 49)
    assert take_spans(a_recipe("cue"), readout, cues) == [(10, 49), (10, 49)]


def test_a_class_is_ahead_by_its_distance_to_the_best_other_one() -> None:
    """The distance is below 0 where another is better; the scores themselves stay as they were."""
    scores = np.array([[7, 3, 5], [1, 9, 4], [2, 2, 8]], dtype=np.int32)
    assert ahead(scores, np.array([0, 0, 2])).tolist() == [2.0, -8.0, 6.0]
    assert leads(scores, 2).tolist() == [2.0, 5.0, -6.0]
    assert scores.tolist() == [[7, 3, 5], [1, 9, 4], [2, 2, 8]]
    assert leads(np.array([[-3.5, -1.5, -9.0]]), 2).tolist() == [2.0]


def test_the_surest_frame_is_where_any_gesture_stands_out_most() -> None:
    """Within each span, its stop left out, and the first of equals; other answers never count."""
    scores = np.zeros((10, 3), dtype=np.int32)
    scores[2, 0], scores[4, 1], scores[5, 2], scores[6, 0] = 4, 6, 50, 9
    spans = [(0, 4), (0, 6), (0, 7), (5, 6), (7, 10)]
    assert surest_frames(scores, spans, 2).tolist() == [2, 4, 6, 5, 7]
    assert surest_frames(scores, [], 2).dtype == np.int64


def test_frames_about_a_gestures_end_are_not_free() -> None:
    """From six frames before the end to ten after it, inside the recording, nothing is certain."""
    cues = [LabelledCue(0, 20, 0), LabelledCue(20, 50, 1), LabelledCue(50, 80, 2)]
    free = gesture_free(a_recipe(), cues, [3, 40, 70], 90)
    assert np.flatnonzero(~free).tolist() == [*range(14), *range(34, 51)]
    assert not gesture_free(a_recipe("cue"), cues, [3, 40, 70], 90).any()
    everyday = [LabelledCue(0, 90, 2, take=False)]
    assert gesture_free(a_recipe(), everyday, [89], 90).all()


def test_a_recipe_without_the_class_other_has_no_free_frames() -> None:
    """Where nothing but gestures can be answered, no frame is learned as none."""
    recipe = parse_recipe(
        'name = "two"\ntask = "two"\nclasses = ["left", "right"]\n[features]\nbins = [2, 2]\n',
        "two",
    )
    cues = [LabelledCue(0, 60, 0)]
    assert not gesture_free(recipe, cues, [30], 90).any()
    frames, labels = training_frames(recipe, cues, [30], 90)
    assert frames.tolist() == list(range(30, 40)) and set(labels.tolist()) == {0}


def learned(frames: np.ndarray, labels: np.ndarray, label: int) -> list[int]:
    return frames[labels == label].tolist()


def test_a_movement_is_learned_after_its_end_and_other_all_around() -> None:
    """Ten frames from each gesture's end; as many free ones, half in cues; everyday every 18th."""
    cues = [
        LabelledCue(10, 40, 0), LabelledCue(50, 70, 2), LabelledCue(80, 96, 1),
        LabelledCue(100, 240, 2, take=False),
    ]  # fmt: skip
    frames, labels = training_frames(a_recipe(), cues, [30, 60, 92, 239], 250)
    assert learned(frames, labels, 0) == list(range(30, 40))
    assert learned(frames, labels, 1) == list(range(92, 102))
    about = {*range(24, 41), *range(86, 103), *range(100, 240)}
    in_cues = {*range(10, 40), *range(50, 70), *range(80, 96)}
    inside = sorted(in_cues - about)  # 40 frames: every fourth gives ten, half of the gestures' 20
    between = sorted(set(range(250)) - in_cues - about)  # 39: every fourth
    assert (len(inside), len(between)) == (40, 39)
    assert learned(frames, labels, 2) == [*range(100, 240, 18), *inside[::4], *between[::4]]


def test_frames_learned_from_stay_inside_cue_and_recording() -> None:
    """A pose's frames before its cue, and a movement's after the recording, do not exist."""
    pose = a_recipe("cue")
    frames, labels = training_frames(pose, [LabelledCue(10, 40, 0), LabelledCue(50, 58, 2)],
                                     [39, 57], 60)  # fmt: skip
    assert learned(frames, labels, 0) == [27, 29, 31, 33, 35, 37, 39]
    assert learned(frames, labels, 2) == [51, 53, 55, 57]
    frames, labels = training_frames(a_recipe(), [LabelledCue(10, 60, 1)], [55], 60)
    assert learned(frames, labels, 1) == [55, 56, 57, 58, 59]
    frames, labels = training_frames(a_recipe(), [LabelledCue(30, 60, 1)], [30], 60)
    assert learned(frames, labels, 1)[0] == 30


def test_everyday_time_alone_is_learned_thinly_and_nothing_besides() -> None:
    """Without a take nothing tells what the frames beside everyday time hold."""
    everyday = LabelledCue(5, 60, 2, take=False)
    frames, labels = training_frames(a_recipe(), [everyday], [59], 90)
    assert (frames.tolist(), labels.tolist()) == ([5, 23, 41, 59], [2, 2, 2, 2])
    frames, labels = training_frames(a_recipe(), [], [], 90)
    assert (frames.shape, labels.shape, frames.dtype) == ((0,), (0,), np.int64)
