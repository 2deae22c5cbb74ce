"""Jobs of a search: a cheap fit that holds people out, a full one, and the price of a model.

Each carries all that it needs, gives the same wherever it runs, and is small enough for a cluster.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runtime.budget import Budget, budget
from runtime.budget.gather import Choice
from runtime.firmware.setting import SETTING_FILE, DeviceSetting
from runtime.model import Model, save_model
from runtime.sample_frames import write_test_frames
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Counts
from trainer.choice.reduced_thinning import thin_reduced
from trainer.choice.settings import Tried
from trainer.corpus.recordings import Recording
from trainer.corpus.reduced import Reduced
from trainer.fit.alignment import window_since_cue
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.fit.pipeline import assemble_model, fit_pipeline
from trainer.judge.events import Margins
from trainer.learn.entry_stage import reduction
from trainer.recipe import Recipe

__all__ = ["CheapTrial", "PriceJob", "Reading", "cheaper", "geometry_of"]

EPOCHS_SHARE = 4
"""A cheap fit makes a quarter of the passes: in a trial 0.7 s, not 6, and 0.6 points less."""
N_FRAMES = 40
"""Frame pairs that a price is counted over, as for a budget of its own."""


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


@dataclass(frozen=True, slots=True)
class PriceJob:
    """The price of several settings of one model structure, each by a budget of its own.

    The model is a cheap fit: which instructions it takes follows from its shape, not from how well
    it was taught.

    Parameters
    ----------
    tried : tuple of Tried
        Of one structure.
    devices : tuple of DeviceSetting
        One for each.
    reading : Reading
    source : Recording
        Whose first frames are executed.
    choice : Choice
        Parts.
    parts : Path or None
        A user's own.
    plain : bool
        Whether the sensor has no more pixels than the model has bins: each is one photodiode.
    """

    tried: tuple[Tried, ...]
    devices: tuple[DeviceSetting, ...]
    reading: Reading
    source: Recording
    choice: Choice
    parts: Path | None
    plain: bool = False

    def run(self) -> list[Budget]:
        """Fit, compile, execute and price; errors are those of `runtime.budget.budget`."""
        first = self.tried[0]
        recipe, train = self.reading.at(first, range(len(self.reading.recordings)))
        recipe = cheaper(recipe)
        fitted = fit_pipeline(train, recipe, self.reading.entry, first.sensor)
        nothing = Margins(0.0, (0.0,) * len(recipe.classes))
        made_of = {"recipe": recipe.digest(), "data": self.source.digest}
        model = assemble_model(recipe, first.sensor, fitted, nothing, made_of)
        with tempfile.TemporaryDirectory(prefix="palmwatt-price-") as folder:
            # One folder: what was executed of the first setting's C is known for all.
            return [
                self._price(model, one, device, Path(folder))
                for one, device in zip(self.tried, self.devices, strict=True)
            ]

    def _price(self, model: Model, tried: Tried, device: DeviceSetting, place: Path) -> Budget:
        source = replace(self.source, setting=tried.setting)
        frames = next(source.readouts())[:N_FRAMES]
        model, lit, dark = replace(model, sensor=tried.sensor), frames.lit, frames.dark
        if self.plain:
            model, lit, dark = _of_few_pixels(model, lit, dark)
        save_model(model, place)
        write_test_frames(place, lit, dark)
        (place / SETTING_FILE).write_text(device.to_toml(), "utf-8")
        return budget(place, choice=self.choice, parts=self.parts, cores=())


def _of_few_pixels(model: Model, lit: Counts, dark: Counts) -> tuple[Model, Counts, Counts]:
    """Return a model that reads one pixel where it summed a bin of them, and frames for it.

    That is how a plain sensor of the same area would be read, and no cheaper way to price it.
    """
    entry = model.entry
    if not isinstance(entry, Bins):
        return model, lit, dark
    rows, cols = entry.bin_rows, entry.bin_cols
    few = Bins(rows, cols, rows, cols)
    sensor = replace(model.sensor, n_rows=rows, n_cols=cols)
    small = replace(model, sensor=sensor, stages=(few, *model.stages[1:]))
    return small, _binned(lit, rows, cols), _binned(dark, rows, cols)


def _binned(counts: Counts, rows: int, cols: int) -> Counts:
    """Return the mean of each bin, uint16 (n_frames, rows, cols)."""
    n, height, width = counts.shape
    parts = counts.reshape(n, rows, height // rows, cols, width // cols)
    return np.asarray(np.rint(parts.mean(axis=(2, 4))), dtype=np.uint16)
