"""Mitigations as changes of a recipe: what each step would hold less of.

That light is mixed on its way is a weak protection by itself, and that fewer values at the sensor
are a stronger one, is what E. Bezzam, M. Vetterli and M. Simeoni say of pictures (Privacy-Enhancing
Optical Embeddings for Lensless Classification, 2022, arXiv 2211.12864, abstract). Whether it holds
of who somebody is, is measured here and not assumed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Int32
from runtime.stages.level import Level
from runtime.stages.window import Window
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob
from trainer.fit.pipeline import Fitted
from trainer.recipe import FeatureRecipe, Recipe

__all__ = ["ENTRY", "PLAIN", "Change", "changes_of", "held_at", "with_change"]

PLAIN = "as it is"
ENTRY, LEVEL, DIRECTIONS, WINDOW = "bins", "level", "directions", "window"
LEAST_BINS = 2
FEWER = 2
"""Half as many bins each way, half as long a window: one step down, which can be taken again."""


@dataclass(frozen=True, slots=True)
class Change:
    """A mitigation that is one change of a recipe.

    Parameters
    ----------
    name : str
        In words.
    step : str
        Where it takes effect: ``bins``, ``level``, ``directions`` or ``window``.
    recipe : Recipe
        As it is fitted.
    coarser : int
        Bins that are summed to one, each way.
    """

    name: str
    step: str
    recipe: Recipe
    coarser: int = 1


def changes_of(recipe: Recipe, entry: Bins) -> list[Change]:
    """Return the mitigations that a recipe leaves room for.

    Parameters
    ----------
    recipe : Recipe
        As it is fitted, for the sensor's rate.
    entry : Bins
        What its recordings are reduced by.
    """
    found, features = [], recipe.features
    rows, cols = entry.bin_rows, entry.bin_cols
    halves = rows % FEWER == 0 and cols % FEWER == 0
    if features.entry == "bins" and halves and min(rows, cols) >= FEWER * LEAST_BINS:
        bins = rows // FEWER, cols // FEWER
        fewer = _with(recipe, bins=bins)
        found.append(Change(f"bins {bins[0]} x {bins[1]}", ENTRY, fewer, coarser=FEWER))
    if features.level_bits > 8:
        found.append(Change("levels of 8 bits", LEVEL, _with(recipe, level_bits=8)))
    if features.projection not in ("random", "ternary", "sparse", "swing"):
        usual = FeatureRecipe().directions
        n_drawn = min(features.directions, usual) if features.projection != "none" else usual
        drawn = _with(recipe, projection="random", directions=n_drawn)
        found.append(Change(f"{n_drawn} drawn directions", DIRECTIONS, drawn))
    if features.projection != "none" and features.direction_bits > 8:
        found.append(Change("directions of 8 bits", DIRECTIONS, _with(recipe, direction_bits=8)))
    if features.segment_frames >= FEWER:
        shorter = features.segment_frames // FEWER
    elif features.segments >= FEWER:
        return [*found, _forgetting(recipe, segments=features.segments // FEWER)]
    else:
        return found
    return [*found, _forgetting(recipe, segment_frames=shorter)]


def _forgetting(recipe: Recipe, **shorter: int) -> Change:
    changed = _with(recipe, **shorter)
    n_frames = changed.features.segments * changed.features.segment_frames
    return Change(f"forgets after {n_frames} frames", WINDOW, changed)


def _with(recipe: Recipe, **changed: object) -> Recipe:
    return recipe.model_copy(update={"features": recipe.features.model_copy(update=changed)})


def with_change(fit: FitJob, change: Change) -> FitJob:
    """Return a fit with a change made, to the same recordings."""
    if change.coarser == 1:
        return replace(fit, recipe=change.recipe)
    entry = replace(
        fit.entry,
        bin_rows=fit.entry.bin_rows // change.coarser,
        bin_cols=fit.entry.bin_cols // change.coarser,
    )
    train = tuple(summed(r, fit.entry, change.coarser) for r in fit.train)
    return FitJob(change.recipe, entry, fit.sensor, train)


def summed(recording: Reduced, entry: Bins, coarser: int) -> Reduced:
    """Return a recording with so many bins summed each way, as a coarser entry stage gives it."""
    rows, cols = entry.bin_rows // coarser, entry.bin_cols // coarser
    values = recording.values.reshape(-1, rows, coarser, cols, coarser).sum(axis=(2, 4))
    return replace(recording, stored=values.reshape(len(values), -1).astype(np.int32))


def held_at(fitted: Fitted, recording: Reduced, step: str, recipe: Recipe) -> Int32:
    """Return what a step holds when each take is judged, int32 (n_takes, n_values)."""
    scores = fitted.whole.run(recording.values)
    stages, values = fitted.features.stages, recording.values
    first_window = next(i for i, stage in enumerate(stages) if isinstance(stage, Window))
    level = next(i for i, stage in enumerate(stages) if isinstance(stage, Level))
    last = {ENTRY: -1, LEVEL: level, DIRECTIONS: first_window - 1, WINDOW: first_window}[step]
    if fitted.features.gather is not None and step != ENTRY:
        values = fitted.features.gather.run_difference(values)
    for stage in stages[: last + 1]:
        values, _ = stage.run(values, stage.initial_state())
    return values[recording.judged_frames(scores, recipe)]
