"""Windows: which frames of a recording are shown to the classifier, and as what.

A window is named by its last frame. Training sees frames soon after a movement has ended and, as
"other", frames far from any gesture's end. A take is judged without a look at what was asked: at
the frame on which some gesture stands out most.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.corpus.recordings import LabelledCue
from trainer.corpus.strokes import stroke_span
from trainer.recipe import Recipe

__all__ = [
    "ahead",
    "gesture_free",
    "judged_spans",
    "judging_delay",
    "leads",
    "surest_frames",
    "take_spans",
    "told_frames",
    "training_frames",
]

USUAL_RATE_HZ = 30.0
"""Of recipes that do not say whose frames they count in."""
TOLD_S = 1 / 3
"""For so long after its end a movement is still told as the gesture: about as long as people take
to answer the next cue (simple reaction, 0.2 to 0.3 s; from memory), so that nothing new begins."""
HELD_S, HELD_STEP_S = 0.4, 1 / 15
"""A pose held is learned from the end of its cue: when everybody has reacted and is there. Windows
of 0.4 s then reach back 0.8 s, which leaves 0.5 s of a cue of 1.3 s to react (0.2 to 0.3 s; from
memory) and to get there. A step is a sixth of such a window: between, they see the same again."""
BEFORE_END_S, AFTER_END_S = 0.2, 11 / 30
"""Around a gesture's end, what is never told as "other": the last fifth of a second of the movement
(its end is not known better), and what is told as the gesture with a frame or two more."""
SMOOTHED_S = 1 / 6
"""Strokes are sought in means over so long: several frames, but a third of a quick stroke."""
BACKGROUND_STEP_S = 0.6
"""Everyday time is learned from windows that overlap by about half: of recipes' usual 1.6 s."""


def _frames(seconds: float, recipe: Recipe) -> int:
    """Return a length in frames of the recipe's rate, at least one."""
    return max(1, round(seconds * (recipe.frame_rate_hz or USUAL_RATE_HZ)))


def told_frames(recipe: Recipe) -> int:
    """Return for how many frames a movement is told as the gesture, from its last one on."""
    return _frames(TOLD_S, recipe)


def take_spans(
    recipe: Recipe, levelled: NDArray[np.int32], cues: Sequence[LabelledCue]
) -> list[tuple[int, int]]:
    """Guess the first and the last frame of each cue's take, by one rule for training and test.

    Alignment begins from them. Everyday time, which is no take, and takes that are held still span
    their whole cue.

    Parameters
    ----------
    levelled : int32 (n_frames, n_values)
        Level-normalised readouts of the recording.
    """
    moves = recipe.evaluation.take_end == "movement"
    smoothing = _frames(SMOOTHED_S, recipe)
    return [
        stroke_span(levelled, cue.start, cue.stop, smoothing)
        if moves and cue.take
        else (cue.start, cue.stop - 1)
        for cue in cues
    ]


def judging_delay(recipe: Recipe) -> int:
    """Return how many frames after its end a gesture is answered best; 0 for a pose held still.

    That is the middle of the frames that are learned as it, seen through the mean of scores and
    the frames for which a head's scores stand.
    """
    if recipe.evaluation.take_end == "cue":
        return 0
    return (told_frames(recipe) + recipe.frames_of_score) // 2


def judged_spans(
    recipe: Recipe, cues: Sequence[LabelledCue], n_frames: int
) -> list[tuple[int, int]]:
    """Return the frames among which each cue's take is judged, stop exclusive.

    A pose at its cue's last frame; a movement anywhere from its cue's first frame to when a
    gesture that ended with the cue would be answered.
    """
    if recipe.evaluation.take_end == "cue":
        return [(cue.stop - 1, cue.stop) for cue in cues]
    delay = judging_delay(recipe)
    return [(cue.start, min(cue.stop + delay, n_frames)) for cue in cues]


def surest_frames(
    scores: Int32 | Float64, spans: Sequence[tuple[int, int]], n_gestures: int
) -> Int64:
    """Return the frame of each span on which some gesture stands out most from all other answers.

    Where "other" is always best, it is the frame on which it is so by least. What was asked for has
    no part in it; when something was asked for has, which a device does not know.

    Parameters
    ----------
    scores : int32 or float64 (n_frames, n_classes)
        Gestures first.
    spans : sequence of (first, stop)
        Frames, stop exclusive.

    Returns
    -------
    int64 (n_spans,)
    """
    return np.array(
        [first + int(leads(scores[first:stop], n_gestures).argmax()) for first, stop in spans],
        dtype=np.int64,
    )


def leads(scores: Int32 | Float64, n_gestures: int) -> Float64:
    """Return how far each frame's best gesture is ahead of the best other answer, float64 (n,)."""
    return ahead(scores, scores[:, :n_gestures].argmax(axis=1))


def ahead(scores: Int32 | Float64, classes: Int64) -> Float64:
    """Return how far one class of each row is ahead of the best other one, float64 (n,).

    Parameters
    ----------
    scores : int32 or float64 (n, n_classes)
    classes : int64 (n,)
    """
    real = scores.astype(np.float64)
    rows = np.arange(len(real))
    own = real[rows, classes]
    real[rows, classes] = -np.inf
    return np.asarray(own - real.max(axis=1))


def training_frames(
    recipe: Recipe, cues: Sequence[LabelledCue], ends: Sequence[int], n_frames: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Choose the frames of one recording that the classifier learns from.

    After each take's end its own class (a take that is held still: towards its end); frames all
    over everyday time. A recipe of movements with a class "other" also learns as such every frame
    that is not about a gesture's end, thinly: getting ready, the first part of a gesture and coming
    back are no gestures. There are about as many of them as of all gestures, half of them within
    cues and half between, however long people pause: "other" is to outweigh no gesture.

    Returns
    -------
    frames, labels : int64 (n_windows,)
    """
    other = len(recipe.classes)
    moves = recipe.evaluation.take_end == "movement"
    step = _frames(HELD_STEP_S, recipe)
    held = range(-(_frames(HELD_S, recipe) // step) * step, 1, step)
    offsets = range(told_frames(recipe)) if moves else held
    background_step = _frames(BACKGROUND_STEP_S, recipe)
    chosen: list[tuple[int, int]] = []
    for cue, end in zip(cues, ends, strict=True):
        if not cue.take:
            chosen += [(f, cue.label) for f in range(cue.start, cue.stop, background_step)]
        elif cue.label != other or not moves:
            chosen += [(end + k, cue.label) for k in offsets if cue.start <= end + k < n_frames]
    if any(cue.take for cue in cues):
        free = gesture_free(recipe, cues, ends, n_frames)
        for cue in cues:
            free[cue.start : cue.stop] &= cue.take
        asked = np.zeros(n_frames, dtype=bool)
        for cue in cues:
            asked[cue.start : cue.stop] = True
        told = sum(label < other for _, label in chosen)
        for part in (free & asked, free & ~asked):
            chosen += [(int(f), other) for f in _evenly(np.flatnonzero(part), told // 2)]
    table = np.array(chosen, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def _evenly(frames: NDArray[np.int64], n_wanted: int) -> NDArray[np.int64]:
    """Return about as many of some frames as wanted, evenly spaced; all where they are fewer."""
    return frames[:: max(1, -(-len(frames) // max(1, n_wanted)))]


def gesture_free(
    recipe: Recipe, cues: Sequence[LabelledCue], ends: Sequence[int], n_frames: int
) -> NDArray[np.bool_]:
    """Return which frames are certainly no gesture's: those that are not about the end of one.

    None, for a recipe without a class "other" and for one of poses that are held still.
    """
    other = len(recipe.classes)
    learns_other = recipe.evaluation.take_end == "movement" and other < len(recipe.answers)
    free = np.full(n_frames, learns_other)
    before, after = _frames(BEFORE_END_S, recipe), _frames(AFTER_END_S, recipe)
    for cue, end in zip(cues, ends, strict=True):
        if cue.label != other:
            free[max(0, end - before) : end + after] = False
    return free
