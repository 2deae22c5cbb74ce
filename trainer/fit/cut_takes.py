"""Cut takes as recordings of their own, so that a recipe learns from them as from whole ones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Int32, Int64
from runtime.stages.level import Level
from trainer.corpus.recordings import LabelledCue, Recording
from trainer.corpus.reduced import Cued, EntryOutputs, Reduced, excerpts
from trainer.corpus.take_readouts import frames_before
from trainer.corpus.windows import judging_delay, take_spans
from trainer.fit.alignment import Movements
from trainer.learn.excerpt import seen_values
from trainer.learn.levels import learn_level
from trainer.recipe import OTHER, Recipe

__all__ = ["as_recordings", "cue_of", "placed_take", "with_classes"]

CUT_NOISE = 1.0
"""Of one value of a take cut elsewhere, whose sensor nobody describes: one whole count."""
_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]{0,63}")


def with_classes(recipe: Recipe, classes: NDArray[Any]) -> tuple[Recipe, Int64]:
    """Return the recipe for these classes, and where in them each of its answers stands.

    The answers of a recipe are gestures first, then "other", where it has that.
    """
    rejects = bool(recipe.other or recipe.background)
    is_other = np.array([rejects and name == OTHER for name in classes.tolist()])
    order = np.argsort(is_other, kind="stable")
    texts = [str(name) for name in classes.tolist()]
    plain = all(_IDENTIFIER.fullmatch(text) for text in texts)
    names = texts if plain else [f"class_{number}" for number in range(len(texts))]
    classifier = recipe.classifier
    if not is_other.any():
        # Hard windows are those without a gesture: takes of gestures alone have none.
        classifier = classifier.model_copy(update={"hard_windows": False})
    update = {
        "classes": tuple(names[i] for i in order if not is_other[i]),
        "other": (OTHER,) if is_other.any() else (),
        "background": (),
        "classifier": classifier,
        # Nobody says what values a full frame has.
        "features": recipe.features.model_copy(update={"hold": False}),
    }
    return recipe.model_copy(update=update), order


def cue_of(recipe: Recipe, n_frames: int, label: int) -> LabelledCue:
    """Return where in a take its cue is: behind what its window reaches back to."""
    stop = max(1, n_frames - judging_delay(recipe))
    return LabelledCue(min(frames_before(recipe), stop - 1), stop, label)


def as_recordings(
    recipe: Recipe, values: Iterable[Int32], labels: Int64, people: Sequence[str]
) -> list[Reduced]:
    """Return each take as a recording of its own, with the frames to learn from."""
    plain = []
    for number, (each, label, person) in enumerate(zip(values, labels, people, strict=True)):
        source = Recording(Path(f"take {number}"), person, "", "", False, str(number))
        cues = [cue_of(recipe, len(each), int(label))]
        seconds = np.zeros((len(each), 2))
        plain.append(EntryOutputs(source, each, seconds).cued(recipe, cues))
    clip = recipe.quantisation.clip_quantile
    level = learn_level(seen_values(excerpts(plain)), recipe.features, clip, CUT_NOISE)
    return [_first_guess(recipe, level, take) for take in plain]


def _first_guess(recipe: Recipe, level: Level, take: Cued) -> Reduced:
    levelled, _ = level.run(take.values, {})
    ((first, last),) = take_spans(recipe, levelled, take.cues)
    return placed_take(recipe, take, ([first], [last]))


def placed_take(recipe: Recipe, take: Cued, movement: Movements) -> Reduced:
    """Return a take with its movement elsewhere; no window to learn from reaches back before it."""
    placed = take.placed(recipe, *movement)
    whole = placed.frames >= take.cues[0].start
    return replace(placed, frames=placed.frames[whole], labels=placed.labels[whole])
