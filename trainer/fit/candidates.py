"""Candidates: recipes with the recordings that each can use, reduced and ready to be fitted."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from capture.measure.readiness import Caution, Light
from runtime.errors import UsageError
from runtime.stages.bins import Bins
from trainer.corpus.at_setting import AtSetting
from trainer.corpus.readiness import look_over
from trainer.corpus.recordings import (
    Corpus,
    Recording,
    groups_of,
    open_corpus,
    refuse_missing_truth,
)
from trainer.corpus.reduced import Reduced, ReduceJob, look_at
from trainer.fit.alignment import Movements, align, window_since_cue
from trainer.fit.held_out import FitJob
from trainer.judge.evaluate import refuse_shared_groups
from trainer.learn.entry_stage import reduction
from trainer.recipe import Recipe
from trainer.work.cache import fits_digest, open_cache
from trainer.work.jobs import Workers, run_jobs

__all__ = ["Candidate", "reduce_for"]

QUADRANTS = (2, 2)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A recipe with the recordings that it can use, reduced for it and for four quadrants.

    Parameters
    ----------
    given, recipe : Recipe
        As it was asked for, of one of :attr:`forms` with its classifier alone; and as it is fitted:
        for the sensor's frame rate, with a window that reaches back to the cues.
    corpus : Corpus
    entry, quadrant_entry : Bins
    main, quadrants : tuple of Reduced
        All recordings, after each of the two.
    light : Light
        Of all recordings.
    cautions : tuple of Caution
        What is to be known of the data before its figures are believed.
    at : AtSetting or None
        The setting it is made for; None where it is that of the recordings.
    """

    given: Recipe
    recipe: Recipe
    corpus: Corpus
    entry: Bins
    quadrant_entry: Bins
    main: tuple[Reduced, ...]
    quadrants: tuple[Reduced, ...]
    light: Light
    cautions: tuple[Caution, ...] = ()
    at: AtSetting | None = None

    @property
    def forms(self) -> tuple[Candidate, ...]:
        """The same with each classifier that training may take, under a digest of its own."""
        both = zip(self.given.forms, self.recipe.forms, strict=True)
        return tuple(replace(self, given=given, recipe=recipe) for given, recipe in both)

    @property
    def provenance(self) -> dict[str, str]:
        """What a model says of where it comes from: digests of both recipes and of the data."""
        return {
            "recipe": self.given.digest(),
            "recipe_as_fitted": self.recipe.digest(),
            "data": self.corpus.digest,
        }

    def fit(self, *, quadrants: bool = False) -> FitJob:
        """Return the fit to all training participants."""
        entry = self.quadrant_entry if quadrants else self.entry
        side = self.quadrants if quadrants else self.main
        return _fit_to(self.recipe, self.corpus, entry, side)


def _fit_to(recipe: Recipe, corpus: Corpus, entry: Bins, side: Sequence[Reduced]) -> FitJob:
    train = tuple(r for r in side if not r.recording.locked)
    return FitJob(recipe, entry, corpus.sensor, train)


def reduce_for(
    folder: Path,
    recipes: Sequence[Recipe],
    workers: Workers,
    tell: Callable[[str], None],
    at: AtSetting | None = None,
    digests: dict[Path, str] | None = None,
) -> list[Candidate]:
    """Find each recipe's recordings, and reduce each recording once for each entry stage.

    Parameters
    ----------
    folder : pathlib.Path
        Data set.
    recipes : sequence of Recipe
        Of one and the same answers.
    workers : Workers
    tell : callable
        Is told in a few words what begins.
    at : AtSetting, optional
        A weaker setting, at which the recordings are taken; as recorded without.
    digests : dict, optional
        SHA-256 of files, worked out before in the same run; more are added.

    Raises
    ------
    UsageError
        The split leaves a side empty or shares a group, the recipes' answers differ, or two
        participants have one and the same recording.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    """
    digests = {} if digests is None else digests
    candidates = []
    for recipe in recipes:
        if recipe.answers != recipes[0].answers or (recipe.quantity is None) != (
            recipes[0].quantity is None
        ):
            raise UsageError(
                recipe.name, "answers", ", ".join(recipe.answers), ", ".join(recipes[0].answers),
                "compare recipes for one and the same task",
            )  # fmt: skip
        corpus = open_corpus(folder, recipe, tell, digests)
        if at is not None and at.thinning is not None:
            corpus = corpus.at(at.thinning)
        fitted = recipe.at(corpus.sensor.frame_rate_hz)
        split = recipe.evaluation.split
        train, test = (groups_of(corpus.select(locked), split) for locked in (False, True))
        refuse_shared_groups(train, test, split)
        if recipe.quantity is not None:
            refuse_missing_truth(corpus, recipe.quantity)
        candidates.append(replace(_reduce(recipe, fitted, corpus, workers, tell), at=at))
    return candidates


def _reduce(
    given: Recipe, recipe: Recipe, corpus: Corpus, workers: Workers, tell: Callable[[str], None]
) -> Candidate:
    """Reduce the recordings of one recipe, as given and at their rate, unless that was done."""
    cache = open_cache(corpus.folder, "reduced")
    shape = corpus.sensor.n_rows, corpus.sensor.n_cols
    entries = (reduction(recipe.features, corpus.sensor), Bins(*shape, *QUADRANTS))
    jobs = [
        ReduceJob(r, r.path.relative_to(corpus.folder).as_posix(), entries, cache)
        for r in corpus.recordings
    ]
    counted = itertools.count(1)
    stored = run_jobs(
        jobs,
        workers,
        lambda *_: tell(f"reducing readouts, {next(counted)} of {len(jobs)} recordings"),
    )
    _refuse_copies(corpus.recordings, [first.digest for _, first, *_ in stored])
    tell("looking for takes")
    sides = look_at(recipe, corpus.sensor, entries[0], corpus.recordings, stored)
    light, cautions = look_over(recipe, sides[0], corpus.sensor)
    tell("placing gestures in their cues")
    placings = _placings(_fit_to(recipe, corpus, entries[0], sides[0]), sides[0], corpus, workers)
    main, quadrants = (
        tuple(r.placed(recipe, *placing) for r, placing in zip(side, placings, strict=True))
        for side in sides
    )
    recipe = window_since_cue(recipe, [r for r in main if not r.recording.locked])
    return Candidate(given, recipe, corpus, *entries, main, quadrants, light, tuple(cautions))


def _placings(
    fit: FitJob, recordings: Sequence[Reduced], corpus: Corpus, workers: Workers
) -> list[Movements]:
    """Align, unless that was done before with the same recipe, data and program."""
    cache = open_cache(corpus.folder, "placed")
    label = f"{fit.recipe.digest()} {recordings[0].recording.setting}"
    source = hashlib.sha256(f"{label} {corpus.digest} {fits_digest()}".encode()).hexdigest()
    keys = [hashlib.sha256(f"{source} {r.recording.path.name}".encode()).hexdigest()
            for r in recordings]  # fmt: skip
    stored = cache.load(keys)
    if stored is None:
        found = align(fit, recordings, workers)
        placed = [np.array(movements, dtype=np.int64).reshape(2, -1) for movements in found]
        cache.store(dict(zip(keys, placed, strict=True)), "several", label, source)
        return found
    read = [np.array(each.read()) for each in stored]
    return [(starts.tolist(), ends.tolist()) for starts, ends in read]


def _refuse_copies(recordings: Sequence[Recording], digests: Sequence[str]) -> None:
    """Refuse one and the same recording under the names of two participants.

    A copy of a locked participant's session under another name would be trained on and tested on.
    """
    seen: dict[str, Recording] = {}
    for recording, digest in zip(recordings, digests, strict=True):
        first = seen.setdefault(digest, recording)
        if first.participant != recording.participant:
            raise UsageError(
                str(recording.path), f"the session of {recording.participant}",
                f"the same as {first.path.name}", "another recording", "remove the copy",
            )  # fmt: skip
