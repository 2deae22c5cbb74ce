"""Shadow models: what a model of this recipe makes of a person whom it has not met.

Some people are easy and others hard for any model. A model of the same recipe, refitted to other
people, says which; what the model under attack does better than that is due to having met them.
The idea is difficulty calibration, the likelihood-ratio attack from its offline side (N. Carlini
and others, Membership Inference Attacks From First Principles, IEEE S&P 2022, arXiv 2112.03570).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.audit.people.membership import of_people
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import FitJob
from trainer.recipe import Recipe, built_in_recipes, parse_recipe
from trainer.work.jobs import LocalWorkers, Workers, run_jobs

__all__ = ["N_SPLITS", "SHADOWS", "recipe_of", "shadow_attack"]

SHADOWS = "shadow models"
N_SPLITS = 2
"""Halvings of the people, each giving two shadow models: everybody is left out of so many."""
STATISTIC = "loss threshold"
SEED = 1


def recipe_of(model: Model) -> Recipe | None:
    """Return the built-in recipe that a model says it was made by; None where it is none of them.

    It is told by its digest, so that one that was changed is not taken for it.
    """
    wanted = model.provenance.get("recipe")
    for name, text in built_in_recipes().items():
        recipe = parse_recipe(text, name)
        if recipe.digest() == wanted:
            return recipe
    return None


@dataclass(frozen=True, slots=True)
class _ShadowJob:
    """A model of the recipe for some people, asked about all recordings.

    Parameters
    ----------
    fit : FitJob
    recordings : tuple of Reduced
    """

    fit: FitJob
    recordings: tuple[Reduced, ...]

    def run(self) -> list[Float64]:
        """Return the scores of each recording's takes, real units."""
        fitted = self.fit.run()
        return [
            _of_takes(r, fitted.whole.run(r.values), self.fit.recipe) * fitted.score_unit
            for r in self.recordings
        ]


def _of_takes(recording: Reduced, scores: Int32, recipe: Recipe) -> Float64:
    return np.asarray(scores[recording.judged_frames(scores, recipe)], dtype=np.float64)


def shadow_attack(
    model: Model,
    data: Path,
    recipe: Recipe,
    workers: Workers | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> dict[str, float]:
    """Return how much better a model knows each person than models that had not met them.

    Parameters
    ----------
    model : Model
        Under attack.
    data : pathlib.Path
        Data set with people who were trained on and others; some have to be locked.
    recipe : Recipe
        The model's own.
    workers : Workers, optional
        Who fits; this process by default.
    tell : callable, optional
        Is told how far it is.

    Returns
    -------
    dict of str to float
        By person: the log chance of what was asked for, above its mean over shadow models that
        were fitted without the person.

    Raises
    ------
    UsageError
        The recipe is not the model's, or too few people are there to leave some out.
    FormatError
        The data set or a recording is not readable.
    """
    own = workers or LocalWorkers()
    candidate = reduce_for(data.absolute(), [recipe], own, tell)[0]
    same_classes = recipe.model_classes == model.classes
    if candidate.entry.to_json() != model.entry.to_json() or not same_classes:
        raise UsageError(
            recipe.name, "recipe", "another than the model's", "the one it was made by",
            "give it with --recipe",
        )  # fmt: skip
    recordings = tuple(r for r in candidate.main if r.takes)
    n_known = len(recipe.answers)  # shadow models have no places for gestures of an owner's own
    target = [
        _of_takes(r, _scores(model, r.values)[:, :n_known], candidate.recipe) for r in recordings
    ]
    known = _figures(recordings, target)
    people = sorted(known)
    left_out = _halves(people)
    jobs = [_job(candidate, recordings, set(people) - out) for out in left_out]
    tell(f"{len(jobs)} shadow models")
    above: dict[str, list[float]] = {person: [] for person in people}
    for out, scores in zip(left_out, run_jobs(jobs, own), strict=True):
        shadow = _figures(recordings, scores)
        for person in out:
            above[person].append(known[person] - shadow[person])
    return {person: float(np.mean(values)) for person, values in above.items()}


def _scores(model: Model, values: Int32) -> Int32:
    for stage in model.stages[1:-1]:
        values, _ = stage.run(values, stage.initial_state())
    return values


def _figures(recordings: Sequence[Reduced], scores: Sequence[Float64]) -> dict[str, float]:
    labels: Int64 = np.array([cue.label for r in recordings for cue, _ in r.takes], dtype=np.int64)
    people: NDArray[np.str_] = np.array(
        [r.recording.participant for r in recordings for _ in r.takes]
    )
    return of_people(np.concatenate(scores), labels, people)[STATISTIC]


def _halves(people: Sequence[str]) -> list[set[str]]:
    """Return whom each shadow model leaves out: everybody is left out equally often."""
    found = []
    for split in range(N_SPLITS):
        order = np.random.default_rng([SEED, split]).permutation(len(people)).tolist()
        half = {people[i] for i in order[: len(people) // 2]}
        found += [half, set(people) - half]
    return found


def _job(candidate: Candidate, recordings: tuple[Reduced, ...], inside: set[str]) -> _ShadowJob:
    train = tuple(r for r in candidate.main if r.recording.participant in inside)
    job = FitJob(candidate.recipe, candidate.entry, candidate.corpus.sensor, train)
    if not job.has_every_class:
        raise UsageError(
            candidate.recipe.name, "people of a shadow model", len(inside),
            "some with every class", "record more people",
        )  # fmt: skip
    return _ShadowJob(job, recordings)
