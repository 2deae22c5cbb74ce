"""Jobs of a search: cheap fits that hold people out.

Each carries all that it needs, gives the same wherever it runs, and is small enough for a cluster.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from trainer.choice.tried.reduced_thinning import thin_reduced
from trainer.choice.tried.settings import Tried
from trainer.corpus.reduced import Reduced
from trainer.fit.alignment import window_since_cue
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.learn.entry_stage import reduction
from trainer.recipe import Recipe

__all__ = ["CheapTrial", "Reading", "cheaper", "geometry_of"]

EPOCHS_SHARE = 4
"""A cheap fit makes a quarter of the passes: in a trial 0.7 s, not 6, and 0.6 points less."""


def cheaper(recipe: Recipe) -> Recipe:
    """Return a recipe that is fitted quickly: fewer passes, no second round on hard windows."""
    classifier = recipe.classifier
    quick = {"hard_windows": False, "epochs": max(1, classifier.epochs // EPOCHS_SHARE)}
    return recipe.model_copy(update={"classifier": classifier.model_copy(update=quick)})


def geometry_of(tried: Tried, recorded: Sensor) -> tuple[Bins, Bins]:
    """Return what recordings, and then readouts at the setting, are reduced by for an option.

    Returns
    -------
    of_recorded, at_setting : Bins
        The same sums over pixels: of all rows recorded, and of those that the setting reads.
    """
    at_setting = reduction(tried.option.recipe.features, tried.sensor)
    first = tried.first_row
    inside = at_setting.first_row, at_setting.last_row
    of_recorded = replace(
        at_setting, n_rows=recorded.n_rows, first_row=first + inside[0], last_row=first + inside[1]
    )
    return of_recorded, at_setting


@dataclass(frozen=True, slots=True)
class Reading:
    """Recordings with gestures placed, as an option's bins sum them at the recorded setting.

    Parameters
    ----------
    recorded : Sensor
    entry : Bins
        At the option's setting.
    recordings : tuple of Reduced
        Training people's.
    """

    recorded: Sensor
    entry: Bins
    recordings: tuple[Reduced, ...]

    def at(self, tried: Tried, chosen: Sequence[int]) -> tuple[Recipe, tuple[Reduced, ...]]:
        """Return the recipe at the option's rate, and some recordings thinned to its setting."""
        recipe = tried.option.recipe.at(tried.sensor.frame_rate_hz)
        n_pixels = self.entry.n_pixels_read // self.entry.n_out
        thinned = tuple(
            thin_reduced(self.recordings[i], self.recorded, tried.setting, n_pixels, recipe)
            for i in chosen
        )
        return window_since_cue(recipe, thinned), thinned


@dataclass(frozen=True, slots=True)
class CheapTrial:
    """A cheap fit to some people's thinned sums, and what it answers about others.

    Parameters
    ----------
    name : str
    tried : Tried
    reading : Reading
    kept, held : tuple of int
        Recordings learned from, and asked about.
    """

    name: str
    tried: Tried
    reading: Reading
    kept: tuple[int, ...]
    held: tuple[int, ...]

    def run(self) -> HeldOut:
        """Fit and answer; errors are those of :func:`trainer.fit.pipeline.fit_pipeline`."""
        recipe, train = self.reading.at(self.tried, self.kept)
        _, held = self.reading.at(self.tried, self.held)
        fit = FitJob(cheaper(recipe), self.reading.entry, self.tried.sensor, train)
        return HoldOutJob(self.name, fit, held, whole=False).run()
