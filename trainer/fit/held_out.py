"""Cross-validation over training people: each is held out in turn, and fewer are trained on.

All of it is made of small jobs. The final test's participants take no part in any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from sklearn.model_selection import GroupKFold

from runtime.errors import UsageError
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Int32
from trainer.corpus.recordings import Recording, groups_of
from trainer.corpus.reduced import Reduced
from trainer.fit.pipeline import Fitted, fit_pipeline
from trainer.judge.evaluate import Takes, figures
from trainer.recipe import Recipe

__all__ = [
    "FitJob",
    "HeldOut",
    "HoldOutJob",
    "curve_jobs",
    "fold_jobs",
    "folds_of",
    "learning_curve",
    "takes_of",
]

MAX_FOLDS = 6
"""Each is one more fit. Five to ten are usual, and more change an estimate's bias by less than its
spread (R. Kohavi, IJCAI 1995, from memory); six leave five sixths of the people to learn from."""
LEAST_FOLDS, ENOUGH_GROUPS = 3, 500
"""Of very many people fewer folds leave enough: as few as let each fit learn from 500, and three at
least. Three in place of six leave a third of a doubling fewer, and a doubling of people brought
finger counts 4.6 points: what is told in turn is then 1.5 points lower, never higher."""
MAX_POINTS = 4
"""Points of a learning curve besides that of the folds themselves: each halves the people, so that
four reach down to a sixteenth."""


@dataclass(frozen=True, slots=True)
class FitJob:
    """A pipeline to be fitted to recordings.

    Parameters
    ----------
    recipe : Recipe
    entry : Bins
        What the recordings were reduced by.
    sensor : Sensor
    train : tuple of Reduced
    """

    recipe: Recipe
    entry: Bins
    sensor: Sensor
    train: tuple[Reduced, ...]

    def run(self) -> Fitted:
        """Fit; errors are those of :func:`trainer.fit.pipeline.fit_pipeline`."""
        return fit_pipeline(self.train, self.recipe, self.entry, self.sensor)

    @property
    def has_every_class(self) -> bool:
        """Whether each of the recipe's answers has a window to learn from."""
        found = {label for r in self.train for label in np.unique(r.labels).tolist()}
        return len(found) == len(self.recipe.answers)


@dataclass(frozen=True, slots=True)
class HeldOut:
    """What a fit answers about recordings it has not seen.

    Parameters
    ----------
    scores : tuple of int32 (n_frames or n_takes, n_classes)
        One array per recording held out, of all its frames or of its takes'.
    score_unit : float
        Real value of one step of a score.
    """

    scores: tuple[Int32, ...]
    score_unit: float


@dataclass(frozen=True, slots=True)
class HoldOutJob:
    """A pipeline to be fitted, and then run over recordings of other people.

    Parameters
    ----------
    name : str
        Tells it from the other jobs of a training.
    fit : FitJob
    held : tuple of Reduced
    whole : bool
        Whether the scores of every frame are wanted, or those of the takes' frames.
    """

    name: str
    fit: FitJob
    held: tuple[Reduced, ...]
    whole: bool

    def run(self) -> HeldOut:
        """Fit and predict; errors are those of :func:`trainer.fit.pipeline.fit_pipeline`."""
        fitted = self.fit.run()
        scores = []
        for recording in self.held:
            values = fitted.whole.run(recording.values)
            scores.append(
                values if self.whole else values[recording.judged_frames(values, self.fit.recipe)]
            )
        return HeldOut(tuple(scores), fitted.score_unit)

    def at_takes(self, recording: Reduced, scores: Int32) -> Int32:
        """Return the scores of a recording's takes, of those that :meth:`run` returned."""
        return scores[recording.judged_frames(scores, self.fit.recipe)] if self.whole else scores

    @property
    def n_people(self) -> int:
        """How many people the fit learns from."""
        return len({r.recording.participant for r in self.fit.train})


def folds_of(groups: Sequence[str], most: int = MAX_FOLDS) -> list[tuple[list[int], list[int]]]:
    """Part recordings into those learned from and those held out, several times.

    Each recording is held out once, together with all others of its group.

    Parameters
    ----------
    groups : sequence of str
        Each recording's participant, or sensor unit.
    most : int
        No more pairs than these; of more than 600 groups, no more than :data:`ENOUGH_GROUPS` asks.

    Returns
    -------
    list of (kept, held)
        Indices of recordings.

    Raises
    ------
    UsageError
        There is a single group.
    """
    n_groups = len(set(groups))
    if n_groups < 2:
        raise UsageError(
            "split", "groups to hold out in turn", n_groups, "at least 2", "record more people"
        )
    splitter = GroupKFold(min(most, n_groups, _folds_for(n_groups)))
    return [
        (kept.tolist(), held.tolist())
        for kept, held in splitter.split(np.zeros(len(groups)), groups=groups)
    ]


def _folds_for(n_groups: int) -> int:
    """Return how many folds leave each fit enough to learn from; of few groups, any number."""
    some = range(LEAST_FOLDS, MAX_FOLDS)
    return next((n for n in some if n_groups * (n - 1) >= n * ENOUGH_GROUPS), n_groups)


def fold_jobs(fit: FitJob, most: int = MAX_FOLDS) -> list[HoldOutJob]:
    """Return the jobs that hold each of a fit's participants (or units) out in turn.

    Parameters
    ----------
    most : int
        No more jobs than these.

    Raises
    ------
    UsageError
        There is a single participant (or unit).
    """
    train = fit.train
    recordings = [r.recording for r in train]
    groups = groups_of(recordings, fit.recipe.evaluation.split)
    if fit.recipe.evaluation.split == "units":
        groups = _joined(recordings)
    return [
        HoldOutJob(
            f"fold {number}", _with(fit, [train[i] for i in kept]),
            tuple(train[i] for i in held), whole=True,
        )
        for number, (kept, held) in enumerate(folds_of(groups, most), start=1)
    ]  # fmt: skip


def _joined(recordings: Sequence[Recording]) -> tuple[str, ...]:
    """Return groups of recordings that share neither a person nor a unit with another group."""
    people, person = np.unique([r.participant for r in recordings], return_inverse=True)
    units, unit = np.unique([r.unit for r in recordings], return_inverse=True)
    n_nodes = len(people) + len(units)
    links = np.ones(len(recordings)), (person, len(people) + unit)
    _, group = connected_components(coo_array(links, shape=(n_nodes, n_nodes)), directed=False)
    return tuple(str(group[node]) for node in person)


def curve_jobs(folds: Sequence[HoldOutJob]) -> list[HoldOutJob]:
    """Return the jobs that learn from 2, 4, 8... of the people that the folds learn from.

    Each fold draws its own people and asks about those that it holds out, so that everybody is
    asked about once at each number of people, like in the folds themselves. A draw that lacks a
    class is left out.
    """
    least = min(fold.n_people for fold in folds)
    numbers = [2**k for k in range(1, 16) if 2**k < least][-MAX_POINTS:]
    jobs = []
    for n_people in reversed(numbers):
        for number, fold in enumerate(folds):
            fit = fold.fit
            people = sorted({r.recording.participant for r in fit.train})
            rng = np.random.default_rng([fit.recipe.seed, n_people, number])
            chosen = set(rng.permutation(people)[:n_people].tolist())
            train = [r for r in fit.train if r.recording.participant in chosen]
            draw = _with(fit, train)
            if draw.has_every_class:
                jobs.append(
                    HoldOutJob(f"{n_people} people, {fold.name}", draw, fold.held, whole=False)
                )
    return jobs


def _with(fit: FitJob, train: Sequence[Reduced]) -> FitJob:
    return FitJob(fit.recipe, fit.entry, fit.sensor, tuple(train))


def takes_of(jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]) -> Takes:
    """Return the takes of all people held out, each answered with its best class."""
    people, labels, answers = [], [], []
    for job, outcome in zip(jobs, outcomes, strict=True):
        for recording, scores in zip(job.held, outcome.scores, strict=True):
            takes = recording.takes
            people += [recording.recording.participant] * len(takes)
            labels += [cue.label for cue, _ in takes]
            answers += job.at_takes(recording, scores).argmax(axis=1).tolist()
    return Takes(tuple(people), np.array(labels, np.int64), np.array(answers, np.int64))


def learning_curve(jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]) -> list[dict[str, Any]]:
    """Return accuracy on training people held out, by the number of people learned from.

    Parameters
    ----------
    jobs, outcomes : sequences of HoldOutJob and HeldOut
        Those of :func:`fold_jobs` and of :func:`curve_jobs`.

    Returns
    -------
    list of dict
        ``n_participants``, the least of the fits that a point is made of, and ``accuracy``.
    """
    by_people: dict[int, list[int]] = {}
    least = min(job.n_people for job in jobs if job.whole)
    for index, job in enumerate(jobs):
        by_people.setdefault(least if job.whole else job.n_people, []).append(index)
    return [
        {
            "n_participants": n_people,
            "accuracy": figures(takes_of([jobs[i] for i in chosen], [outcomes[i] for i in chosen]))[
                "accuracy"
            ],
        }
        for n_people, chosen in sorted(by_people.items())
    ]
