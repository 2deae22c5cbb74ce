"""A second opinion on every label: what takes of other people, and the person's other takes, say.

Each take is told by forests of extremely randomised trees (Geurts, Ernst and Wehenkel, "Extremely
randomized trees", 2006) that have not seen it: one of other people alone, one that also knows the
person. Both opinions count alike; where there are too few people, the second stands alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.truth.takes import Takes

__all__ = ["MIN_PEOPLE", "Opinions", "second_opinions"]

Floats = npt.NDArray[np.float64]

_TREES = 100
_TREES_TIMES_TAKES = 200_000
"""Bounds the work of a forest: hundreds of people take minutes, not a quarter of an hour."""
_FEWEST_TREES = 20
_FOLDS = 10
MIN_PEOPLE = 3
"""Two strangers are no crowd: below, only takes of the same people are asked."""


@dataclass(frozen=True, slots=True, eq=False)
class Opinions:
    """How likely each label is for each take, by forests that have not seen it.

    Parameters
    ----------
    labels : tuple of str
        In order; those that are in the data.
    of_others : float64 array, shape (n_takes, n_labels)
        By other people's takes alone; equal to `of_all` where there are too few people.
    of_all : float64 array, shape (n_takes, n_labels)
        By all other takes.
    given : int64 array, shape (n_takes,)
        Place of each take's own label.
    n_people : int
        Of how many people the takes are.
    """

    labels: tuple[str, ...]
    of_others: Floats
    of_all: Floats
    given: npt.NDArray[np.int64]
    n_people: int

    @property
    def both(self) -> Floats:
        """The mean of the two."""
        return (self.of_others + self.of_all) / 2.0

    def agreement(self) -> float:
        """Return the share of takes whose likeliest label is their own."""
        return float((self.both.argmax(axis=1) == self.given).mean())


def second_opinions(sessions: Sequence[Takes], seed: int = 0) -> Opinions | None:
    """Ask for an opinion on every take of several sessions of one task.

    Parameters
    ----------
    sessions : sequence of Takes
    seed : int
        Of folds and trees; the same seed gives the same opinions.

    Returns
    -------
    Opinions or None
        None where no label has two takes, or there is one label only: then nothing can be said.
    """
    from sklearn.model_selection import GroupKFold

    shapes = np.concatenate([each.shapes for each in sessions])
    names = [label for each in sessions for label in each.labels]
    people = np.array([each.participant for each in sessions for _ in each.labels])
    labels, given = np.unique(names, return_inverse=True)
    if len(labels) < 2 or np.bincount(given).max() < 2:
        return None
    of_all = _told(shapes, given, len(labels), _mixed_folds(given), seed)
    n_people = len(set(people))
    of_others = of_all
    if n_people >= MIN_PEOPLE:
        apart = GroupKFold(min(_FOLDS, n_people)).split(shapes, given, people)
        of_others = _told(shapes, given, len(labels), list(apart), seed)
    return Opinions(tuple(str(label) for label in labels), of_others, of_all, given, n_people)


_Split = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]


def _mixed_folds(given: npt.NDArray[np.int64]) -> list[_Split]:
    """Deal the takes of each label out in turn: seen and held takes of each fold."""
    turn = np.empty(len(given), np.int64)
    for label in np.unique(given):
        own = np.flatnonzero(given == label)
        turn[own] = (np.arange(len(own)) + label) % _FOLDS
    folds = [(np.flatnonzero(turn != k), np.flatnonzero(turn == k)) for k in range(_FOLDS)]
    return [(seen, held) for seen, held in folds if len(seen) and len(held)]


def _told(
    shapes: Floats,
    given: npt.NDArray[np.int64],
    n_labels: int,
    splits: Sequence[_Split],
    seed: int,
) -> Floats:
    """Return the chance of each label for takes that the forest of their fold has not seen."""
    from sklearn.ensemble import ExtraTreesClassifier

    chances = np.zeros((len(given), n_labels))
    n_trees = min(_TREES, max(_FEWEST_TREES, _TREES_TIMES_TAKES // len(given)))
    for seen, held in splits:
        forest = ExtraTreesClassifier(n_trees, random_state=seed, min_samples_leaf=2, n_jobs=-1)
        forest.fit(shapes[seen], given[seen])
        forest.set_params(n_jobs=1)  # or sums would depend on which tree is done first
        chances[np.ix_(held, forest.classes_)] = forest.predict_proba(shapes[held])
    return chances
