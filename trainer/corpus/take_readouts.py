"""Takes as arrays: the readouts of every take of a data set, cut to one length.

Only training participants are read: those who are locked are met once, by a finished model.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.store.session import read_session
from runtime.errors import ArgumentError, UsageError
from runtime.files import as_path
from runtime.sensor import Sensor
from trainer.corpus.recordings import LabelledCue, labelled_cues, open_corpus
from trainer.corpus.windows import USUAL_RATE_HZ, judging_delay
from trainer.learn.mains import frames_kept
from trainer.recipe import Recipe, load_recipe

__all__ = ["TakeReadouts", "as_recipe", "frames_before", "read_takes"]


@dataclass(frozen=True, slots=True, eq=False)
class TakeReadouts:
    """The takes of a data set's training participants, as scikit-learn takes them.

    Parameters
    ----------
    X : int16 or int32 (n_takes, n_frames, n_rows, n_cols)
        Lit minus dark, counts.
    y : str array (n_takes,)
        What was asked for: a class of the recipe, or ``other``.
    groups : str array (n_takes,)
        Whose each take is: whole participants are held out, never takes.
    sensor : Sensor
        That made them.
    """

    X: NDArray[np.signedinteger]
    y: NDArray[np.str_]
    groups: NDArray[np.str_]
    sensor: Sensor


def as_recipe(given: Recipe | str | Path) -> Recipe:
    """Return a recipe, or read it by its name or from its file.

    Raises
    ------
    ArgumentError
        It is neither.
    UsageError, FormatError
        As :func:`trainer.load_recipe` raises them.
    """
    if isinstance(given, Recipe):
        return given
    if not isinstance(given, str | Path):
        raise ArgumentError("call", "recipe", type(given).__name__, "a Recipe, or its name")
    return load_recipe(given)


def frames_before(recipe: Recipe) -> int:
    """Return how many frames a recipe's window reaches back from the frame that is answered."""
    features = recipe.features
    window = features.segments * features.segment_frames + 2 * features.swing_frames
    before = window + recipe.frames_of_score + int(features.motion)
    return before + frames_kept(features, recipe.frame_rate_hz or USUAL_RATE_HZ)


def read_takes(data: Path | str, recipe: Recipe | str | Path) -> TakeReadouts:
    """Read the takes of a data set's training participants as arrays.

    A take is its cue's frames, those before it that the recipe's window reaches back to, and those
    after it until a gesture that ends with the cue is answered; all takes have the length of the
    longest cue, and share its end. Where a recording begins too late or ends too early for that,
    its first or last readout is repeated.

    Parameters
    ----------
    data : path
        Data set.
    recipe : Recipe, or name or path of one
        Says which trial types are classes, and how long its window is.

    Returns
    -------
    TakeReadouts

    Raises
    ------
    ArgumentError, UsageError
        An argument is wrong, a participant's consent is missing, or all participants are locked.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    """
    folder, wanted = as_path(data, "data"), as_recipe(recipe)
    corpus = open_corpus(folder, wanted)
    found: list[tuple[Path, str, list[LabelledCue]]] = []
    for recording in corpus.select(locked=False):
        session = read_session(recording.path)
        none = np.zeros(0, dtype=np.int64)
        time_us = np.concatenate([none, *(block.time_us for block in session.blocks())])
        cues = labelled_cues(session, wanted, (time_us - time_us[:1]) / 1e6)
        found.append((recording.path, recording.participant, [cue for cue in cues if cue.take]))
    lengths = [cue.stop - cue.start for _, _, cues in found for cue in cues]
    if not lengths:
        raise UsageError(
            str(folder), "takes of training participants", 0, "at least 1",
            "record some, or unlock participants",
        )  # fmt: skip
    before, after = frames_before(wanted) + max(lengths), judging_delay(wanted)
    sensor = corpus.sensor
    dtype = np.int16 if sensor.bit_depth < 16 else np.int32
    n_frames = before + after
    x = np.empty((len(lengths), n_frames, sensor.n_rows, sensor.n_cols), dtype)
    labels: list[str] = []
    people: list[str] = []
    for path, participant, cues in found:
        frames = read_session(path, with_labels=False).frames()
        for cue in cues:
            index = np.arange(cue.stop - before, cue.stop + after).clip(0, len(frames) - 1)
            take = frames.lit[index].astype(np.int32) - frames.dark[index]
            x[len(labels)] = take
            labels.append(wanted.answers[cue.label])
            people.append(participant)
    return TakeReadouts(x, np.array(labels), np.array(people), sensor)
