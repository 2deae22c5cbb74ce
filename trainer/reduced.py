"""Reduced recordings: what an entry stage leaves of the readouts, and the frames to look at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract import EntryStage, Int32
from trainer.dataset import LabelledCue, Recording, reduce_recording
from trainer.features import learn_level
from trainer.recipe import Recipe
from trainer.windows import take_frames, training_frames

__all__ = ["Reduced", "reduce_sides"]


@dataclass(frozen=True, slots=True)
class Reduced:
    """One recording after an entry stage, with the frames that training and test look at.

    Parameters
    ----------
    recording : Recording
    values : int32 (n_frames, n_values)
        Outputs of the entry stage.
    cues : list of LabelledCue
    ends : list of int, one per cue
        The frame at which each cue's take is judged; of everyday time the last.
    frames, labels : int64 (n_windows,)
        Last frames of training windows, and their classes.
    """

    recording: Recording
    values: Int32
    cues: list[LabelledCue]
    ends: list[int]
    frames: NDArray[np.int64]
    labels: NDArray[np.int64]

    @property
    def takes(self) -> list[tuple[LabelledCue, int]]:
        """The cues that are takes, each with the frame at which it is judged."""
        return [(c, end) for c, end in zip(self.cues, self.ends, strict=True) if c.take]


def reduce_sides(
    recipe: Recipe, entries: Sequence[EntryStage], sides: tuple[Sequence[Recording], ...]
) -> list[tuple[list[Reduced], ...]]:
    """Read every recording once; return, for each entry stage, the reduced sides.

    The frames to look at are found on the first entry's values and used for all, so that a
    comparison differs in nothing but the readout.

    Parameters
    ----------
    sides : tuple of sequences of Recording
        Training side first: what the level stage is learned from.
    """
    read = [[reduce_recording(r, recipe, entries) for r in side] for side in sides]
    first_values = np.concatenate([values[0] for values, _ in read[0]])
    level = learn_level(first_values, recipe.features, recipe.quantisation.clip_quantile)
    results: list[tuple[list[Reduced], ...]] = [tuple([] for _ in sides) for _ in entries]
    for side, recordings in enumerate(sides):
        for recording, (values, cues) in zip(recordings, read[side], strict=True):
            levelled, _ = level.run(values[0], {})
            ends = take_frames(recipe, levelled, cues)
            frames, labels = training_frames(recipe, cues, ends, len(levelled))
            for result, value in zip(results, values, strict=True):
                result[side].append(Reduced(recording, value, cues, ends, frames, labels))
    return results
