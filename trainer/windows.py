"""Windows: which frames of a recording are shown to the classifier, and as what.

A window is named by its last frame. The take of a cue is judged at one frame, chosen by the
recipe's rule; training sees frames around it, and, as "other", frames far from any take's end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from trainer.dataset import LabelledCue, movement_span
from trainer.recipe import Recipe

__all__ = ["take_spans", "training_frames"]

MOVEMENT_OFFSETS = range(-4, 7)
CUE_OFFSETS = range(-12, 1, 2)
FAR_FRAMES = 12
REACTION_FRAMES = 6
OTHER_STEP = 9
AFTER_STEP = 12
BACKGROUND_STEP = 18


def take_spans(
    recipe: Recipe, levelled: NDArray[np.int32], cues: Sequence[LabelledCue]
) -> list[tuple[int, int]]:
    """Return the first and the last frame of each cue's take, the same rule for training and test.

    The take is judged at its last frame. Everyday time, which is no take, and takes that are held
    still span their whole cue.

    Parameters
    ----------
    levelled : int32 (n_frames, n_values)
        Level-normalised readouts of the recording.
    """
    moves = recipe.evaluation.take_end == "movement"
    return [
        movement_span(levelled, cue.start, cue.stop)
        if moves and cue.take
        else (cue.start, cue.stop - 1)
        for cue in cues
    ]


def training_frames(
    recipe: Recipe, cues: Sequence[LabelledCue], ends: Sequence[int], n_frames: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Choose the frames of one recording that the classifier learns from.

    Around each take's end its own class; frames all over everyday time. For the class "other",
    where the recipe has one, also frames all over its cues, and frames from 0.4 s after a gesture's
    end until the participant can react to the next cue (at 30 frames a second); thinly, or "other"
    would outweigh the gestures.

    Returns
    -------
    frames, labels : int64 (n_windows,)
    """
    other = len(recipe.classes)
    offsets = MOVEMENT_OFFSETS if recipe.evaluation.take_end == "movement" else CUE_OFFSETS
    chosen: list[tuple[int, int]] = []
    for index, (cue, end) in enumerate(zip(cues, ends, strict=True)):
        if not cue.take:
            chosen += [(f, cue.label) for f in range(cue.start, cue.stop, BACKGROUND_STEP)]
            continue
        following = cues[index + 1].start if index + 1 < len(cues) else n_frames
        chosen += [(end + k, cue.label) for k in offsets if cue.start <= end + k < n_frames]
        if cue.label == other:
            chosen += [(frame, other) for frame in range(cue.start, cue.stop, OTHER_STEP)]
        elif recipe.other:
            quiet = range(end + FAR_FRAMES, min(n_frames, following + REACTION_FRAMES), AFTER_STEP)
            chosen += [(frame, other) for frame in quiet]
    table = np.array(chosen, dtype=np.int64).reshape(-1, 2)
    return table[:, 0], table[:, 1]
