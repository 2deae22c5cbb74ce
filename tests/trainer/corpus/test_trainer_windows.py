"""Which frames are looked at: the stroke within a cue, and the windows that training sees."""

from __future__ import annotations

import numpy as np
import pytest

from capture.emulated.body.timeline import minimum_jerk
from trainer.corpus.recordings import LabelledCue
from trainer.corpus.strokes import stroke_span
from trainer.corpus.windows import judged_spans, judging_delay, take_spans, training_frames
from trainer.recipe import load_recipe


def session(parts: list[tuple[int, int, float]], n_frames: int = 60) -> np.ndarray:
    """Return an invented readout of minimum-jerk movements (first frame, last, way)."""
    rng = np.random.default_rng(2)
    t = np.arange(n_frames)
    place = sum(way * minimum_jerk((t - a) / (b - a)) for a, b, way in parts)
    readout = np.outer(place, rng.normal(size=24)) + np.outer(place**2, rng.normal(size=24)) * 3e-4
    return (readout + rng.normal(0, 10.0, readout.shape)).astype(np.int32)


@pytest.mark.parametrize("last", [28, 33, 40])
def test_the_stroke_is_the_longest_movement_of_its_cue(last: int) -> None:
    """Getting ready and coming back, each half as long, are left out; both ends are near.

    Movements are of minimum jerk (T. Flash and N. Hogan, J. Neurosci. 5(7), 1985), whose speed is
    a quarter of its peak where s (1 - s) = 1/8: at 15 % and 85 % of the time.
    """
    readout = session([(8, 14, -500.0), (14, last, 1000.0), (last, last + 18, -500.0)])
    first, end = stroke_span(readout, 4, 60)
    edge = 0.146 * (last - 14)
    assert abs(first - (14 + edge)) <= 2 and abs(end - (last - edge)) <= 2


def test_of_equal_ways_the_first_is_the_stroke() -> None:
    """A return as long as the gesture is not taken for it."""
    first, end = stroke_span(session([(10, 22, 1000.0), (26, 46, -1000.0)]), 4, 60)
    assert abs(first - 11) <= 2 and abs(end - 21) <= 2


def test_the_stroke_stays_inside_its_cue() -> None:
    """A movement that outlasts the cue ends with it, and a cue of one frame is its own end."""
    readout = np.arange(300, dtype=np.int32).reshape(100, 3) * 7
    first, end = stroke_span(readout, 10, 40)
    assert 10 <= first <= end and 37 <= end <= 39
    assert stroke_span(readout, 0, 1) == (0, 0)
    assert stroke_span(np.zeros((9, 3), dtype=np.int32), 1, 9) == (1, 8)


def test_training_never_sees_the_end_of_a_gesture_as_other() -> None:
    """Windows labelled other keep away from the ends of gestures; all frames exist."""
    recipe = load_recipe("dynamic")
    cues = [LabelledCue(30, 75, 4), LabelledCue(84, 129, 8)]
    frames, labels = training_frames(recipe, cues, [60, 110], 150)
    assert set(labels.tolist()) == {4, 8}
    distance = frames[labels == 8] - 60
    assert ((distance < -6) | (distance > 10)).all()
    assert frames[labels == 4].tolist() == list(range(60, 70))
    assert frames.min() >= 0 and frames.max() < 150


def test_held_takes_are_judged_at_the_end_of_the_cue() -> None:
    """A recipe that judges at the cue looks at its last frame, whatever the readout does."""
    recipe, cues = load_recipe("finger_count"), [LabelledCue(3, 20, 1)]
    readout = np.zeros((30, 2), dtype=np.int32)
    assert take_spans(recipe, readout, cues) == [(3, 19)]
    assert judged_spans(recipe, cues, 30) == [(19, 20)]


def test_gestures_are_answered_best_in_the_middle_of_what_is_told_as_them() -> None:
    """The mean of scores on that frame is centred on the frames learned as the gesture."""
    recipe = load_recipe("dynamic")
    frames, labels = training_frames(recipe, [LabelledCue(30, 75, 4)], [60], 150)
    learned = frames[labels == 4]
    seen = 60 + judging_delay(recipe) - np.arange(recipe.decision.average_frames)
    assert abs(seen.mean() - learned.mean()) <= 0.5
    assert judging_delay(load_recipe("finger_count")) == 0
