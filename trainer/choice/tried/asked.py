"""What a search is asked, and the readings that all of it works on."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from capture.cues.labels import Event
from capture.measure.headroom import Headroom, headroom_of, refuse_little_headroom
from capture.store.session import read_session
from capture.thin.own_noise import refuse_unthinnable
from runtime.budget import Choice, Limits
from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from trainer.choice.tried.knobs import (
    Knobs,
    Option,
    WatchingOption,
    options_of,
    watching_options,
)
from trainer.choice.tried.settings import Tried, tried_of
from trainer.choice.tried.trials import Reading, geometry_of
from trainer.corpus.recordings import Corpus, open_corpus
from trainer.corpus.reduced import Reduced, ReduceJob
from trainer.fit.candidates import Candidate, reduce_for
from trainer.recipe import Recipe
from trainer.work.cache import StoredArray, open_cache
from trainer.work.jobs import Workers, run_jobs

__all__ = ["LEAST_SETTINGS", "OPPONENTS", "Asked", "Notify", "Readings", "foretellable", "read_for"]

Notify = Callable[[str], None]
OPPONENTS = {"four quadrants": (2, 2), "one photodiode": (1, 1)}
"""Plain sensors on the same axes: their bins."""
LEAST_SETTINGS = 2
"""To choose among."""
OPPONENTS_LIGHT = (1.0, 0.25)
"""LED shares at which they are tried: as recorded, and where the light has begun to be missed."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a search is for.

    Parameters
    ----------
    data : Path
        Data set.
    recipes : tuple of Recipe
        Candidates for the same answers.
    knobs : Knobs
    choice : Choice
        Parts that are priced.
    parts : Path, optional
        A user's own parts file.
    limits : Limits
        What every point is held against.
    n_settings : int, optional
        How many settings to try of a grid that has more; all by default.
    """

    data: Path
    recipes: tuple[Recipe, ...]
    knobs: Knobs
    choice: Choice = field(default_factory=Choice)
    parts: Path | None = None
    limits: Limits = field(default_factory=Limits)
    n_settings: int | None = None


@dataclass(frozen=True, slots=True)
class Readings:
    """The data set as a search sees it.

    Parameters
    ----------
    base : Candidate
        The first recipe at the recorded setting, its gestures placed.
    recorded : Sensor
    tried, opponents : tuple of Tried
        All settings, the recorded one first.
    watching : tuple of WatchingOption
        Ways to watch that the recordings have frames enough for.
    readings : dict
        Sums over bins of the training people's recordings, by the name of what is tried.
    headroom : Headroom
    n_left_out : int
        Settings of weaker light that could not be foretold, as too many takes are saturated.
    digests : dict of Path to str
        SHA-256 of the data set's files that were read, so that none is worked out again.
    """

    base: Candidate
    recorded: Sensor
    tried: tuple[Tried, ...]
    opponents: tuple[Tried, ...]
    watching: tuple[WatchingOption, ...]
    readings: dict[str, Reading]
    headroom: Headroom
    n_left_out: int = 0
    digests: dict[Path, str] = field(default_factory=dict)

    @property
    def train(self) -> tuple[Reduced, ...]:
        """Training people's recordings, gestures placed, at the recorded setting."""
        return self.base.fit().train


def read_for(asked: Asked, workers: Workers, tell: Notify) -> Readings:
    """Reduce a data set once for every way of summing pixels that is tried.

    What cannot be tried of its sensor is told before a readout is reduced.

    Raises
    ------
    UsageError
        A knob is out of the sensor's range, a quantity is to be learned, or too many takes are
        saturated to foretell less light and nothing else is to be tried.
    FormatError
        The data set is not readable, its recordings were made with different settings, lack dark
        exposures, or speak against the gain that their sensor states.
    """
    folder, recipes = asked.data.absolute(), asked.recipes
    if recipes[0].quantity is not None:
        raise UsageError(
            recipes[0].name, "what it ends in", "a quantity", "classes: its error is no share"
        )
    answers = {recipe.answers for recipe in recipes}
    if len(answers) > 1:
        raise UsageError(
            recipes[1].name, "answers", ", ".join(recipes[1].answers),
            ", ".join(recipes[0].answers), "compare recipes for one and the same task",
        )  # fmt: skip
    _refuse_one_name_for_two(recipes)
    digests: dict[Path, str] = {}
    corpus = open_corpus(folder, recipes[0], tell, digests)
    tried, opponents, watching = _settings(asked, corpus)
    (base,) = reduce_for(folder, recipes[:1], workers, tell, digests=digests)
    found, most, n_all = _headroom(base), asked.knobs.search.max_saturated_takes, len(tried)
    tried = foretellable(tried, found, most, asked.data, tell)
    n_left_out = n_all - len(tried)
    if n_left_out:
        opponents = [one for one in opponents if not one.setting.weaker_light]
    readings = _readings(base, (*tried, *opponents), workers, tell)
    return Readings(
        base, corpus.sensor, tuple(tried), tuple(opponents), watching, readings, found, n_left_out,
        digests,
    )  # fmt: skip


def _settings(
    asked: Asked, corpus: Corpus
) -> tuple[list[Tried], list[Tried], tuple[WatchingOption, ...]]:
    """Return what knobs make of a data set's sensor, plain sensors, and ways to watch.

    Raises
    ------
    UsageError, FormatError
        As `read_for` says of knobs, dark exposures and gain.
    """
    recorded, knobs = corpus.sensor, asked.knobs
    tried = tried_of(options_of(knobs, asked.recipes), recorded)
    plain = _opponents(asked.recipes[0]) if knobs.search.plain_sensors else []
    # A recording tells of no more frames than it has.
    ways = [one for one in watching_options(knobs) if one.rate_hz <= recorded.frame_rate_hz]
    if not ways:
        expected = f"one of at most {recorded.frame_rate_hz:g}, the recorded rate"
        raise UsageError("knobs", "watching.rate_hz", "above it everywhere", expected)
    if any(one.setting.weaker_light for one in tried):
        refuse_unthinnable([recording.path for recording in corpus.recordings])
    return tried, tried_of(plain, recorded), tuple(ways)


def foretellable(
    tried: list[Tried], found: Headroom, most: float, data: Path, tell: Notify
) -> list[Tried]:
    """Return the settings that recordings with so much saturated can tell of.

    What has as much light as was recorded can always be told.

    Raises
    ------
    UsageError
        There is nothing left to choose among.
    """
    if found.touched_fraction <= most:
        return tried
    left = [one for one in tried if not one.setting.weaker_light]
    if len(left) < LEAST_SETTINGS:
        refuse_little_headroom(found, str(data), most)
    tell(
        f"{found.touched_fraction:.1%} of the takes are saturated: weaker light cannot be "
        f"foretold, {len(tried) - len(left)} of {len(tried)} settings are left out"
    )
    return left


def _refuse_one_name_for_two(recipes: Sequence[Recipe]) -> None:
    """Refuse recipes that differ in all but their names, by which settings are told apart."""
    named = {recipe.name: recipe.digest() for recipe in recipes}
    for recipe in recipes:
        if named[recipe.name] != recipe.digest():
            raise UsageError(
                "--recipe", f"recipes named {recipe.name}", 2, "1: settings bear their names",
                "give each a name of its own",
            )  # fmt: skip


def _opponents(recipe: Recipe) -> list[Option]:
    """Return plain sensors of few pixels as options."""
    found = []
    for (name, bins), light in itertools.product(OPPONENTS.items(), OPPONENTS_LIGHT):
        plain: dict[str, object] = {"bins": bins, "entry": "bins"}
        if bins == (1, 1):
            plain["projection"] = "none"  # there is nothing to choose directions in
        features = recipe.features.model_copy(update=plain)
        few = recipe.model_copy(update={"features": features})
        found.append(Option(few, (("sensor", name),), led_share=light))
    return found


def _headroom(base: Candidate) -> Headroom:
    """Return what of the takes is saturated; everyday time has none."""

    def takes(path: Path) -> list[Event]:
        events = read_session(path).events
        return [e for e in events if not base.recipe.is_background(e.trial_type)]

    sensor = base.corpus.sensor
    return headroom_of((r.signs(sensor), takes(r.recording.path)) for r in base.main)


def _readings(
    base: Candidate, every: Sequence[Tried], workers: Workers, tell: Notify
) -> dict[str, Reading]:
    corpus, train = base.corpus, base.fit().train
    geometries = {one.name: geometry_of(one, corpus.sensor) for one in every}
    # Stages are told apart by what they are: two that are alike are kept as one.
    entries = {_text(whole): whole for whole, _ in geometries.values()}
    places = {text: place for place, text in enumerate(entries, start=1)}
    stored = _reduce(corpus, train, tuple(entries.values()), workers, tell)
    return {
        name: Reading(
            corpus.sensor,
            at_setting,
            tuple(
                replace(r, stored=outputs[places[_text(whole)]])
                for r, outputs in zip(train, stored, strict=True)
            ),
        )
        for name, (whole, at_setting) in geometries.items()
    }


def _text(entry: Bins) -> str:
    return json.dumps(entry.to_json(), sort_keys=True)


def _reduce(
    corpus: Corpus,
    train: Sequence[Reduced],
    entries: tuple[Bins, ...],
    workers: Workers,
    tell: Notify,
) -> list[list[StoredArray]]:
    cache = open_cache(corpus.folder, "reduced")
    jobs = [
        ReduceJob(
            r.recording, r.recording.path.relative_to(corpus.folder).as_posix(), entries, cache
        )
        for r in train
    ]
    counted = itertools.count(1)
    return run_jobs(
        jobs, workers, lambda *_: tell(f"reducing readouts, {next(counted)} of {len(jobs)}")
    )
