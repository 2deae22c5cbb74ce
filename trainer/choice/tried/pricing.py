"""Prices of settings: quick ones of all, and whole budgets of what is tried in full."""

from __future__ import annotations

import tempfile
from abc import ABC, abstractmethod
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runtime.budget import Budget, Choice, budget
from runtime.budget.assemble import Computation
from runtime.budget.gather import gather
from runtime.budget.inputs.library import load_parts
from runtime.budget.inputs.uncertainty import draw
from runtime.budget.price.power import average_power
from runtime.budget.price.profiles import Profiles
from runtime.firmware.setting import SETTING_FILE, DeviceSetting
from runtime.firmware.watching import watching_model
from runtime.model import Model, save_model
from runtime.sample_frames import write_test_frames
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Counts, EntryStage
from runtime.stages.passive.ambient import Ambient
from trainer.choice.tried.settings import Tried
from trainer.choice.tried.trials import Reading, cheaper
from trainer.corpus.recordings import Recording
from trainer.fit.pipeline import assemble_model, fit_pipeline
from trainer.judge.events import Margins

__all__ = ["BudgetJob", "OfOneShape", "PriceJob", "Priced"]

N_FRAMES = 40
"""Frame pairs that are executed, as many as for a budget of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OfOneShape(ABC):
    """Settings of one model structure that are to be priced.

    Parameters
    ----------
    tried : tuple of Tried
        Of one structure.
    devices : tuple of DeviceSetting
        One for each.
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
    source: Recording
    choice: Choice
    parts: Path | None
    plain: bool = False

    @abstractmethod
    def model(self) -> Model:
        """Return a model of the structure."""

    def at(self, model: Model, tried: Tried) -> tuple[Model, Counts, Counts]:
        """Return the model at a setting, and frames to execute."""
        source = replace(self.source, setting=tried.setting)
        frames = next(source.readouts())[:N_FRAMES]
        model = replace(model, sensor=tried.sensor)
        if self.plain:
            return _of_few_pixels(model, frames.lit, frames.dark)
        return model, frames.lit, frames.dark

    def budget(self, model: Model, place: int, computation: Computation) -> Budget:
        """Price one of the settings; errors are those of `runtime.budget.budget`."""
        at, lit, dark = self.at(model, self.tried[place])
        with _folder() as folder:
            save_model(at, folder)
            write_test_frames(folder, lit, dark)
            (folder / SETTING_FILE).write_text(self.devices[place].to_toml(), "utf-8")
            return budget(
                folder, choice=self.choice, parts=self.parts, cores=(), computation=computation
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced(OfOneShape):
    """Settings of one structure whose model is a cheap fit.

    Which instructions it takes follows from its shape, not from how well it was taught.

    Parameters
    ----------
    reading : Reading
    """

    reading: Reading

    def model(self) -> Model:
        """Fit the structure; errors are those of :func:`trainer.fit.pipeline.fit_pipeline`."""
        first = self.tried[0]
        recipe, train = self.reading.at(first, range(len(self.reading.recordings)))
        recipe = cheaper(recipe)
        fitted = fit_pipeline(train, recipe, self.reading.entry, first.sensor)
        nothing = Margins(0.0, (0.0,) * len(recipe.classes))
        return assemble_model(recipe, first.sensor, fitted, nothing, {"made by": "a cheap fit"})


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="palmwatt-price-") as folder:
        yield Path(folder)


@dataclass(frozen=True, slots=True)
class BudgetJob:
    """A whole budget of each setting of one structure.

    Parameters
    ----------
    priced : OfOneShape
    """

    priced: OfOneShape

    def run(self) -> list[Budget]:
        """Fit, compile, execute and price."""
        model = self.priced.model()
        how = Computation()
        return [self.priced.budget(model, place, how) for place in range(len(self.priced.tried))]


@dataclass(frozen=True, slots=True)
class PriceJob:
    """Average power of each setting of one structure; what is executed is executed once.

    Parameters
    ----------
    priced : OfOneShape
    """

    priced: OfOneShape

    def run(self) -> list[float]:
        """Return microwatts over a day, medians, as a budget draws them."""
        priced, model = self.priced, self.priced.model()
        executed: dict[int, Profiles] = {}  # by the rows that are read while watching
        found = []
        for place, (one, device) in enumerate(zip(priced.tried, priced.devices, strict=True)):
            rows = device.watching_rows
            if rows not in executed:
                executed[rows] = priced.budget(model, place, Computation(n_draws=100)).profiles
            at = priced.at(model, one)[0]
            found.append(_average_uw(at, device, executed[rows], priced))
        return found


def _average_uw(
    model: Model, device: DeviceSetting, profiles: Profiles, priced: OfOneShape
) -> float:
    """Return the median of the draws that a budget would make."""
    watching = watching_model(model.sensor, device.watching_rows)
    library, usual = load_parts(priced.parts), Computation()
    found = gather(model, watching, library, priced.choice, profiles, None, device)
    draws = draw(found.inputs, usual.n_draws, np.random.default_rng(usual.seed))
    return float(np.median(sum(average_power(draws).values())))


def _of_few_pixels(model: Model, lit: Counts, dark: Counts) -> tuple[Model, Counts, Counts]:
    """Return a model that reads one pixel where it summed a bin of them, and frames for it.

    That is how a plain sensor of the same area would be read, and no cheaper way to price it.
    """
    entry: EntryStage = model.entry
    few: Bins | Ambient | None = None
    if isinstance(entry, Bins):
        few = Bins(entry.bin_rows, entry.bin_cols, entry.bin_rows, entry.bin_cols)
    if isinstance(entry, Ambient):
        rows, cols = entry.bin_rows, entry.bin_cols
        few = Ambient(rows, cols, rows, cols, entry.black_counts)
    if few is None:
        return model, lit, dark
    rows, cols = few.n_rows, few.n_cols
    sensor = replace(model.sensor, n_rows=rows, n_cols=cols, apertures=())
    small = replace(model, sensor=sensor, stages=(few, *model.stages[1:]))
    return small, _binned(lit, rows, cols), _binned(dark, rows, cols)


def _binned(counts: Counts, rows: int, cols: int) -> Counts:
    """Return the mean of each bin, uint16 (n_frames, rows, cols)."""
    n, height, width = counts.shape
    parts = counts.reshape(n, rows, height // rows, cols, width // cols)
    return np.asarray(np.rint(parts.mean(axis=(2, 4))), dtype=np.uint16)
