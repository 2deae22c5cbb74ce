"""Shadow models: what a model of this recipe makes of a person, whom it has met or has not.

Some people are easy and others hard for any model. A model of the same recipe, refitted to other
people, says which; what the model under attack does better is due to having met them. The
likelihood-ratio attack asks of every take besides how models answer that did meet the person, and
which of both this answer is likelier to be of (N. Carlini and others, Membership Inference Attacks
From First Principles, IEEE S&P 2022, arXiv 2112.03570, section V: log odds of the chance of what is
right, Gaussians with and without, one variance for all takes where shadow models are few).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.audit.people.membership import of_people
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import FitJob
from trainer.judge.calibration import calibrate
from trainer.recipe import Recipe, built_in_recipes, parse_recipe
from trainer.work.jobs import LocalWorkers, Workers, run_jobs

__all__ = ["N_SPLITS", "RATIO", "SHADOWS", "likelihood_ratios", "recipe_of", "shadow_attack"]

SHADOWS, RATIO = "shadow models", "likelihood ratio of shadow models"
N_SPLITS = 4
"""Halvings of the people, each giving two shadow models: everybody is left out of so many, and in
so many others. Each costs as much as training does."""
STATISTIC = "loss threshold"
SEED = 1


def recipe_of(model: Model) -> Recipe | None:
    """Return the built-in recipe that a model says it was made by; None where it is none of them.

    It is told by its digest, so that one that was changed is not taken for it; of a recipe with two
    classifiers a model bears that of the form that was taken.
    """
    wanted = model.provenance.get("recipe")
    for name, text in built_in_recipes().items():
        recipe = parse_recipe(text, name)
        if wanted in {form.digest() for form in recipe.forms}:
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
    n_splits: int = N_SPLITS,
) -> dict[str, dict[str, float]]:
    """Return how well a model knows each person, by itself and against models of the same recipe.

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
    n_splits : int
        Halvings of the people, two or more: of one answer of either kind nobody knows the spread.

    Returns
    -------
    dict of dict
        By attacker, each person's figure, larger for who is taken to have been trained on: those of
        :func:`.membership.of_people`; the log chance of what was asked for, above its mean over
        shadow models that were fitted without the person; and the mean of
        :func:`likelihood_ratios` over the person's takes. Of everybody in the data set, however
        many are listened to elsewhere: shadow models answer for all of them anyway.

    Raises
    ------
    UsageError
        The recipe is not the model's, or too few people are there to leave some out.
    FormatError
        The data set or a recording is not readable.
    """
    own = workers or LocalWorkers()
    candidate = _as_fitted(reduce_for(data.absolute(), [recipe], own, tell)[0], model)
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
    thresholds = _figures(recordings, target)
    known = thresholds[STATISTIC]
    people = sorted(known)
    left_out = _halves(people, n_splits)
    jobs = [_job(candidate, recordings, set(people) - out) for out in left_out]
    tell(f"{len(jobs)} shadow models")
    above: dict[str, list[float]] = {person: [] for person in people}
    whose = _people_of(recordings)
    odds, met = [], []
    for out, scores in zip(left_out, run_jobs(jobs, own), strict=True):
        shadow = _figures(recordings, scores)[STATISTIC]
        odds.append(_log_odds(recordings, scores))
        met.append(~np.isin(whose, sorted(out)))
        for person in out:
            above[person].append(known[person] - shadow[person])
    ratios = likelihood_ratios(_log_odds(recordings, target), np.array(odds), np.array(met))
    return thresholds | {
        SHADOWS: {person: float(np.mean(values)) for person, values in above.items()},
        RATIO: {person: float(np.mean(ratios[whose == person])) for person in people},
    }


def likelihood_ratios(asked: Float64, shadows: Float64, met: NDArray[np.bool_]) -> Float64:
    """Return how much likelier each answer is to be of a model that met the person than of another.

    Parameters
    ----------
    asked : float64 (n_takes,)
        Log odds that the model under attack gives to what is right.
    shadows : float64 (n_models, n_takes)
        The same of shadow models.
    met : bool (n_models, n_takes)
        Whether each was fitted to the person of a take; some were and some were not.

    Returns
    -------
    float64 (n_takes,)
        Natural logarithms.
    """
    logs = []
    for side in (met, ~met):
        n = side.sum(axis=0)
        means = np.where(side, shadows, 0.0).sum(axis=0) / n
        squares = np.where(side, (shadows - means) ** 2, 0.0).sum()
        variance = max(float(squares) / max(1, int((n - 1).sum())), 1e-9)
        logs.append(-0.5 * ((asked - means) ** 2 / variance + np.log(variance)))
    return np.asarray(logs[0] - logs[1])


def _as_fitted(candidate: Candidate, model: Model) -> Candidate:
    """Take the classifier that the model was fitted with, of those that training chooses among.

    What filters remember of people they met is not what dense layers do.
    """
    wanted = model.provenance.get("recipe_as_fitted")
    forms = candidate.forms
    return next((form for form in forms if form.recipe.digest() == wanted), forms[0])


def _scores(model: Model, values: Int32) -> Int32:
    for stage in model.stages[1:-1]:
        values, _ = stage.run(values, stage.initial_state())
    return values


def _people_of(recordings: Sequence[Reduced]) -> NDArray[np.str_]:
    return np.array([r.recording.participant for r in recordings for _ in r.takes])


def _labels_of(recordings: Sequence[Reduced]) -> Int64:
    return np.array([cue.label for r in recordings for cue, _ in r.takes], dtype=np.int64)


def _figures(
    recordings: Sequence[Reduced], scores: Sequence[Float64]
) -> dict[str, dict[str, float]]:
    labels, people = _labels_of(recordings), _people_of(recordings)
    return of_people(np.concatenate(scores), labels, people)


def _log_odds(recordings: Sequence[Reduced], scores: Sequence[Float64]) -> Float64:
    """Return the log odds of what was asked for in each take, by scores in any unit."""
    labels, every = _labels_of(recordings), np.concatenate(scores)
    logs = every / calibrate(every, labels).temperature
    right = logs[np.arange(len(labels)), labels]
    others = logs.copy()
    others[np.arange(len(labels)), labels] = -np.inf
    return np.asarray(right - logsumexp(others, axis=1))


def _halves(people: Sequence[str], n_splits: int) -> list[set[str]]:
    """Return whom each shadow model leaves out: everybody is left out equally often."""
    found = []
    for split in range(n_splits):
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
