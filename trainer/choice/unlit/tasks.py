"""What a search asks of a task: its measure, its trials, its prices; of sources and of places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from capture.cues.labels import Event
from capture.measure.headroom import Headroom, headroom_of
from capture.measure.signs import Signs, read_signs
from capture.store.session import read_session
from runtime.errors import UsageError
from runtime.firmware.setting import DeviceSetting
from trainer.choice.tried.asked import OPPONENTS, Asked, Notify
from trainer.choice.tried.knobs import Option
from trainer.choice.tried.pricing import OfOneShape
from trainer.choice.tried.settings import Tried
from trainer.choice.unlit.measures import MEASURES, Judged, Measure, measured_by
from trainer.choice.unlit.people import PlacesTrial, PricedPlaces, fewer_trees, judge_places
from trainer.choice.unlit.sources import PricedSource, SourceTrial, foresee, judge_source
from trainer.choice.worth.halving import Countdown
from trainer.corpus.recordings import Corpus, groups_of, open_corpus
from trainer.fit.held_out import HeldOut
from trainer.fit.kept_fits import Finished
from trainer.judge.evaluate import refuse_shared_groups
from trainer.recipe import Recipe
from trainer.source.fitted import calibrated_unit
from trainer.work.jobs import Workers

__all__ = ["PeopleTask", "SourceTask", "Task", "Trial", "headroom_in", "task_of", "unlit_device"]

LEAST_PLACES = 2
"""One says nothing of another."""


class Trial(Protocol):
    """A job whose outcome is kept."""

    @property
    def name(self) -> str:
        """Tells it from the others."""

    @property
    def held(self) -> Sequence[str]:
        """What a table comes of."""

    def run(self) -> HeldOut:
        """Make the tables."""


class Task(Protocol):
    """One kind of task at one data set."""

    @property
    def corpus(self) -> Corpus:
        """Recordings as they came."""

    @property
    def measure(self) -> Measure:
        """What stands beside the microwatts."""

    @property
    def units(self) -> str:
        """What is held out whole, in words."""

    @property
    def rate_is_free(self) -> bool:
        """Whether a lower frame rate leaves the measure as it is, so that only like rates meet."""

    def opponents(self, recipe: Recipe) -> list[Option]:
        """Return plain sensors to try beside it."""

    def quickly(
        self, tried: Sequence[Tried], done: Finished, workers: Workers, tell: Notify
    ) -> list[float]:
        """Return a quick score of each setting, more is better."""

    def trial(self, tried: Tried, *, locked: bool = False) -> Trial:
        """Return a setting's trial in full."""

    def judged(self, tried: Tried, outcome: HeldOut, *, locked: bool = False) -> Judged | None:
        """Return what its outcome says; None where the setting is of no use."""

    def priced(
        self, asked: Asked, tried: Sequence[Tried], devices: Sequence[DeviceSetting]
    ) -> OfOneShape:
        """Return settings of one structure to be priced by the first one's model."""

    def structure(self, tried: Tried) -> str:
        """Return what of a setting decides how many instructions a frame takes."""


def unlit_device(tried: Tried) -> DeviceSetting:
    """Return the device of a setting: while watching, its LED is no brighter than recorded."""
    usual = DeviceSetting.of(tried.sensor)
    most = tried.sensor.led_current_ma
    return replace(usual, watching_led_current_ma=min(usual.watching_led_current_ma, most))


def headroom_in(corpus: Corpus, recipe: Recipe) -> Headroom:
    """Return what of the cues that are learned from is saturated."""

    def read(path: Path) -> tuple[Signs, list[Event]]:
        session = read_session(path)
        own = [event for event in session.events if event.trial_type in recipe.classes]
        return read_signs(session.blocks(), session.sensor), own

    return headroom_of(read(r.path) for r in corpus.select(locked=False))


@dataclass(frozen=True, slots=True)
class SourceTask:
    """A place of light: direction, or range.

    Parameters
    ----------
    corpus : Corpus
        Recordings of one physical sensor that are not locked, and the locked ones of the same.
    recipe : Recipe
    """

    corpus: Corpus
    recipe: Recipe

    @property
    def measure(self) -> Measure:
        """An error."""
        return MEASURES[measured_by(self.recipe) or ""]

    @property
    def units(self) -> str:
        """Sessions, or parts of the only one."""
        several = len(self.corpus.select(locked=False)) > 1
        return "sessions" if several else "stretches of one session"

    @property
    def rate_is_free(self) -> bool:
        """A frame's error does not hang on how soon the next one comes."""
        return True

    def opponents(self, recipe: Recipe) -> list[Option]:
        """Return none: a few photodiodes have no texture to be aligned."""
        return []

    def quickly(
        self, tried: Sequence[Tried], done: Finished, workers: Workers, tell: Notify
    ) -> list[float]:
        """Return less the bound of each setting, by one calibration at the recorded one."""
        tell("calibrating at the recorded setting, to foresee weaker ones")
        seen = foresee(self.corpus.select(locked=False), self.corpus.sensor, self.recipe)
        return [-seen.error(one) for one in tried]

    def trial(self, tried: Tried, *, locked: bool = False) -> SourceTrial:
        """Return calibrations without each session, or one that meets the locked ones."""
        at = self.corpus.at(tried.setting)
        asked = at.select(locked=True) if locked else ()
        name = f"{'locked' if locked else 'in turn'}, {tried.identity}"
        return SourceTrial(name, tried.option.recipe, tried.sensor, at.select(locked=False), asked)

    def judged(self, tried: Tried, outcome: HeldOut, *, locked: bool = False) -> Judged | None:
        """Return the errors of valid frames."""
        return judge_source(outcome.scores[0], measured_by(self.recipe) or "")

    def priced(
        self, asked: Asked, tried: Sequence[Tried], devices: Sequence[DeviceSetting]
    ) -> PricedSource:
        """Return settings that read the same rows."""
        train = self.corpus.at(tried[0].setting).select(locked=False)
        return PricedSource(
            tried=tuple(tried), devices=tuple(devices), recipe=tried[0].option.recipe, train=train,
            source=self.corpus.select(locked=False)[0], choice=asked.choice, parts=asked.parts,
        )  # fmt: skip

    def structure(self, tried: Tried) -> str:
        """Rows are all that changes it."""
        return f"{tried.option.recipe.digest()} {tried.setting.rows}"


@dataclass(frozen=True, slots=True)
class PeopleTask:
    """Whether anybody is there, or how many, by ambient light.

    Parameters
    ----------
    corpus : Corpus
    recipe : Recipe
    """

    corpus: Corpus
    recipe: Recipe

    @property
    def measure(self) -> Measure:
        """Balanced accuracy where it is asked whether, exact count where it is asked how many."""
        return MEASURES[measured_by(self.recipe) or ""]

    @property
    def units(self) -> str:
        """Whole places with everybody in them."""
        return "places"

    @property
    def rate_is_free(self) -> bool:
        """What is background, and for how long somebody is told of, takes frames."""
        return False

    def opponents(self, recipe: Recipe) -> list[Option]:
        """Return four quadrants and one photodiode, as recorded."""
        found = []
        for name, bins in OPPONENTS.items():
            features = recipe.features.model_copy(update={"bins": bins})
            plain = recipe.model_copy(update={"features": features})
            found.append(Option(plain, (("sensor", name),)))
        return found

    def quickly(
        self, tried: Sequence[Tried], done: Finished, workers: Workers, tell: Notify
    ) -> list[float]:
        """Return the measure by fits of fewer trees."""
        trials = [self._trial(one, fewer_trees(one.option.recipe), "quickly") for one in tried]
        told = Countdown(tell, f"{len(tried)} settings, quick fits")
        outcomes = done.run(trials, workers, told)
        found = [self.judged(*each) for each in zip(tried, outcomes, strict=True)]
        return [float(self.measure.score(one.sums.sum(axis=0))) for one in found]

    def trial(self, tried: Tried, *, locked: bool = False) -> PlacesTrial:
        """Return fits without each place, or one that meets the locked ones."""
        recipe = tried.option.recipe
        if locked:
            at = self.corpus.at(tried.setting)
            return PlacesTrial(f"locked, {tried.identity}", at, recipe, locked=True)
        return self._trial(tried, recipe, "in turn")

    def _trial(self, tried: Tried, recipe: Recipe, how: str) -> PlacesTrial:
        at = self.corpus.at(tried.setting)
        unlocked = replace(at, recordings=at.select(locked=False))
        return PlacesTrial(f"{how}, {tried.identity}", unlocked, recipe)

    def judged(self, tried: Tried, outcome: HeldOut, *, locked: bool = False) -> Judged:
        """Return figures over places."""
        asked = self.corpus.select(locked)
        groups = groups_of(asked, self.recipe.evaluation.split)
        return judge_places(outcome.scores, groups, self.recipe, tried.sensor.frame_rate_hz)

    def priced(
        self, asked: Asked, tried: Sequence[Tried], devices: Sequence[DeviceSetting]
    ) -> PricedPlaces:
        """Return settings of the same rows, bins and rate."""
        at = self.corpus.at(tried[0].setting)
        plain = any(key == "sensor" for key, _ in tried[0].option.turned)
        return PricedPlaces(
            tried=tuple(tried), devices=tuple(devices), recipe=tried[0].option.recipe,
            corpus=replace(at, recordings=at.select(locked=False)),
            source=self.corpus.select(locked=False)[0], choice=asked.choice, parts=asked.parts,
            plain=plain,
        )  # fmt: skip

    def structure(self, tried: Tried) -> str:
        """Rows, bins and how many frames a mean takes."""
        plain = dict(tried.option.turned).get("sensor", "")
        return f"{tried.structure} {plain}"


def task_of(asked: Asked, tell: Notify) -> SourceTask | PeopleTask:
    """Open the data set of a search.

    Raises
    ------
    UsageError
        Several recipes are asked for; recordings are of several physical sensors, were made with
        the LED on, or of fewer than two places; a place is on both sides of the split.
    FormatError
        The data set is not readable, or its recordings were made with different settings.
    """
    recipe = asked.recipes[0]
    if len(asked.recipes) > 1:
        do = "search them one by one"
        raise UsageError(
            recipe.name, "recipes of a task without an LED", len(asked.recipes), "one", do
        )
    corpus = open_corpus(asked.data.absolute(), recipe, tell)
    if recipe.source is not None:
        unit = calibrated_unit(corpus)
        own = tuple(r for r in corpus.recordings if r.unit == unit)
        return SourceTask(replace(corpus, recordings=own), recipe)
    if corpus.sensor.led_current_ma > 0.0:
        raise UsageError(
            str(corpus.folder), "led_current_ma of the recordings", corpus.sensor.led_current_ma,
            "0", "record with led_current_ma = 0, such as sensor ambient32",
        )  # fmt: skip
    split = recipe.evaluation.split
    sides = [groups_of(corpus.select(locked), split) for locked in (False, True)]
    if len(set(sides[0])) < LEAST_PLACES:
        n = len(set(sides[0]))
        raise UsageError(recipe.name, "training places", n, f"at least {LEAST_PLACES}")
    if sides[1]:
        refuse_shared_groups(sides[0], sides[1], split)
    return PeopleTask(corpus, recipe)
