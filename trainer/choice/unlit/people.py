"""Settings for presence and count: trees fitted at each, whole places held out in turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from runtime.model import Model
from runtime.stages.contract.stage import Int32
from trainer.choice.tried.pricing import OfOneShape
from trainer.choice.unlit.measures import Judged
from trainer.corpus.recordings import Corpus
from trainer.fit.held_out import HeldOut
from trainer.occupancy.figures import Counted, occupancy_figures, shares_of
from trainer.occupancy.places import Places
from trainer.occupancy.training import occupancy_of
from trainer.recipe import Recipe

__all__ = ["PlacesTrial", "PricedPlaces", "fewer_trees", "judge_places"]

TREES_SHARE = 4
"""A quick fit has a quarter of the trees."""


def fewer_trees(recipe: Recipe) -> Recipe:
    """Return a recipe that is fitted quickly."""
    trees = max(1, recipe.classifier.trees // TREES_SHARE)
    classifier = recipe.classifier.model_copy(update={"trees": trees})
    return recipe.model_copy(update={"classifier": classifier})


@dataclass(frozen=True, slots=True)
class PlacesTrial:
    """A fit at a setting, and what it tells of places that it has not seen.

    Parameters
    ----------
    name : str
    corpus : Corpus
        At the setting, with the recordings that are used and no others.
    recipe : Recipe
    locked : bool
        Whether the locked places are asked about, by a fit to all others; else all others are, in
        turn.
    """

    name: str
    corpus: Corpus
    recipe: Recipe
    locked: bool = False

    @property
    def held(self) -> tuple[str, ...]:
        """What is asked about, a table of each."""
        return tuple(r.path.name for r in self.corpus.select(self.locked))

    def run(self) -> HeldOut:
        """Return truth and what is told, int32 (n_frames, 2), of each recording asked about.

        Raises
        ------
        UsageError
            There are fewer than two training places, or a number of people is never there.
        FormatError
            A recording is damaged.
        """
        places = Places.looked_at(self.corpus, self.recipe)
        thresholds, told = places.in_turn()
        if self.locked:
            _, told = places.model(thresholds, {"made by": "a trial"})
        tables = [np.column_stack([each.truth, each.told]).astype(np.int32) for each in told]
        return HeldOut(tuple(tables), 1.0)


def judge_places(
    tables: tuple[Int32, ...], groups: tuple[str, ...], recipe: Recipe, rate_hz: float
) -> Judged:
    """Return what is told of recordings, as figures over places.

    Parameters
    ----------
    tables : tuple of int32 (n_frames, 2)
        Truth, -1 where it is not known, and what is told.
    groups : tuple of str
        The place of each recording.
    recipe : Recipe
    rate_hz : float
        Of its frames.
    """
    occupancy = occupancy_of(recipe)
    most, lag_s = occupancy.most, occupancy.lag_s((recipe.head.every - 1) / rate_hz)
    counted = [
        Counted(place, truth, told, 1.0 / rate_hz, lag_s)
        for table, place in zip(tables, groups, strict=True)
        for truth, told in [table.T.astype(np.int64)]
    ]
    found = occupancy_figures(counted, most)
    main = "balanced_accuracy" if most == 1 else "exact"
    sums = np.array([[place[main], 1.0] for place in found["per_place"]])
    kept = (*shares_of(most), "false_presences_per_hour")
    figures: dict[str, Any] = {key: found[key] for key in kept}
    return Judged(sums, None, figures)


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedPlaces(OfOneShape):
    """Settings that are priced by a model fitted at the first of them.

    Parameters
    ----------
    corpus : Corpus
        At the first setting.
    recipe : Recipe
    """

    corpus: Corpus
    recipe: Recipe

    def model(self) -> Model:
        """Fit; thresholds cost nothing, so that any will do."""
        places = Places.looked_at(self.corpus, self.recipe)
        steps = tuple(n + 0.5 for n in range(occupancy_of(self.recipe).most))
        return places.model(steps, {"made by": "a trial"})[0]
