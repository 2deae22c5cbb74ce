"""The gate: a built-in recipe, untouched, held against the best of the peers on the same people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import FitJob, folds_of
from trainer.fit.pipeline import Fitted
from trainer.judge.examination import stream_of
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers, run_jobs
from worlds.peers import Takes, ask_peers, read_takes

__all__ = [
    "CLOSE",
    "Compared",
    "ask_everybody",
    "compare",
    "moved",
    "moved_in_all",
    "moved_over_fits",
]

CLOSE = 0.02
"""A recipe passes when it is at most this much behind the best peer."""
FOLDS = 4


@dataclass(frozen=True)
class Compared:
    """What is right of the locked people's takes, as a share.

    Of classes it is the share of takes answered rightly. Of a quantity it is the share of error
    that is spared: mean absolute error, against that of telling the training people's median to
    everybody, which spares none. A point is a hundredth in either case.

    Parameters
    ----------
    fixed, real : float
        The recipe's model in fixed point and in real numbers; 0 if it refuses the data.
    quadrants, quadrants_real : float
        The same pipeline on four quadrants.
    peers : dict of str to float
    n_takes : int
    spread : float
        Standard error of the difference to the best peer, from how it differs between people.
    right : tuple of float
        How right each take is in fixed point: 1 or 0 of classes, in the order of people and takes.
    people : tuple of str
        Whose each take is.
    refused : str
        Why the recipe could not be trained, or empty.
    fits : tuple of int
        Which group of people's fits answered each take, where not all takes were asked of one.
    """

    fixed: float
    real: float
    quadrants: float
    quadrants_real: float
    peers: dict[str, float]
    n_takes: int
    spread: float = 0.0
    right: tuple[float, ...] = ()
    people: tuple[str, ...] = ()
    refused: str = ""
    fits: tuple[int, ...] = ()

    @property
    def best_peer(self) -> str:
        """The peer with the most right takes."""
        return max(self.peers, key=self.peers.__getitem__)

    @property
    def behind(self) -> float:
        """How far the recipe is behind the best peer; below 0 if it is ahead."""
        return self.peers[self.best_peer] - self.fixed

    @property
    def passes(self) -> bool:
        """Whether the recipe is close enough."""
        return self.behind <= CLOSE


def moved(before: Compared, after: Compared) -> tuple[float, float]:
    """Return by how much accuracy moved over the same takes, and the standard error of that."""
    return moved_in_all([(before, after)])


def moved_in_all(
    pairs: Sequence[tuple[Compared, Compared]], *, together: bool = False
) -> tuple[float, float]:
    """Return the same over the takes of several worlds, whose people are all others.

    With `together` people of one name are the same, as where one world's do several recipes' takes.
    """
    names = [
        name if together else f"{n} {name}"
        for n, (before, _) in enumerate(pairs)
        for name in before.people
    ]
    change = _changes(pairs)
    return float(change.mean()), _spread(change, np.array(names))


def moved_over_fits(pairs: Sequence[tuple[Compared, Compared]]) -> float:
    """Return the standard error of the same change over groups of takes that share their fits.

    Takes that one fit answers go wrong together, whoever made them: what the error over people
    does not see.
    """
    names = [f"{n} {fit}" for n, (before, _) in enumerate(pairs) for fit in before.fits]
    return _spread(_changes(pairs), np.array(names))


def _changes(pairs: Sequence[tuple[Compared, Compared]]) -> NDArray[np.float64]:
    """Return by how much each take is more right after, float64 (n_takes,)."""
    return np.concatenate([  # a recipe that refuses gets nothing right
        np.array(after.right or [0.0] * len(before.right)) - np.array(before.right)
        for before, after in pairs
    ])  # fmt: skip


def _spread(change: NDArray[np.float64], groups: NDArray[np.str_]) -> float:
    """Return the standard error of a mean over takes, float64 (n_takes,), of people who differ.

    The larger of what people (or other groups of takes) and what takes leave to chance: takes of
    one person go wrong together, and of a few people all may happen to be alike.
    """
    apart = change - change.mean()
    of_groups = np.array([apart[groups == name].sum() for name in np.unique(groups)])
    n_groups = len(of_groups)
    clustered = (of_groups**2).sum() * n_groups / max(1, n_groups - 1)
    return math.sqrt(max(clustered, float((apart**2).sum()))) / len(change)


def compare(
    folder: Path, recipe_name: str, n_jobs: int = 1, *, peers: bool = True, besides: bool = True
) -> Compared:
    """Train a recipe as `palmwatt train` does, and judge it and the peers on the locked people.

    What `palmwatt train` does besides, holding people out in turn for margins and for the learning
    curve, changes no answer about a take, and is left out. What stands only `besides` the model in
    fixed point, real numbers and four quadrants, may be left out too: it then stands as 0.
    """
    recipe = load_recipe(recipe_name)
    takes = read_takes(folder, recipe, looked_at=peers)
    people = takes.people[takes.locked]
    right = {name: _right(takes, a) for name, a in ask_peers(takes).items()} if peers else {}
    others = {name: float(r.mean()) for name, r in right.items()}
    workers = LocalWorkers(n_jobs)
    try:
        [candidate] = reduce_for(folder.absolute(), [recipe], workers, lambda _: None)
        fits = run_jobs([candidate.fit(quadrants=q) for q in (False, True)[: 1 + besides]], workers)
    except FormatError as error:
        return Compared(0.0, 0.0, 0.0, 0.0, others, len(people), refused=str(error))
    own = [
        _right(takes, _answers(candidate, fitted, side, real))
        for fitted, side in zip(fits, (candidate.main, candidate.quadrants), strict=False)
        for real in (False, True)[: 1 + besides]
    ]
    shares = [float(one.mean()) for one in own]
    fixed, real, quadrants, quadrants_real = shares if besides else (*shares, 0.0, 0.0, 0.0)
    found = Compared(
        fixed, real, quadrants, quadrants_real, others, len(people),
        right=tuple(own[0].tolist()), people=tuple(people.tolist()),
    )  # fmt: skip
    if not peers:
        return found
    return replace(found, spread=_spread(own[0] - right[found.best_peer], people))


def ask_everybody(folder: Path, recipe_name: str, n_jobs: int = 1, n_seeds: int = 1) -> Compared:
    """Judge a recipe of classes by everybody's takes: locked people's, and the others' in turn.

    A change over few takes of few people is mostly chance, and a fit from another seed answers
    some of them otherwise: where everybody is asked, and several fits, less of both is left. Those
    learned from are held out as `palmwatt train` holds them out, after alignment, a quarter of them
    at a time. There are no peers, real numbers or quadrants.

    Returns
    -------
    Compared
        How right each take is, is the share of its fits that are right.
    """
    recipe, workers = load_recipe(recipe_name), LocalWorkers(n_jobs)
    try:
        [candidate] = reduce_for(folder.absolute(), [recipe], workers, lambda _: None)
        fits, held = _in_turn(candidate, n_seeds)
        fitted = run_jobs(fits, workers)
    except FormatError as error:
        return Compared(0.0, 0.0, 0.0, 0.0, {}, 0, refused=str(error))
    once = held[: len(held) // n_seeds]
    takes = [(cue.label, r.recording.participant) for side in once for r in side
             for cue, _ in r.takes]  # fmt: skip
    truth, people = (np.array(column) for column in zip(*takes, strict=True))
    asked = [n for n, side in enumerate(once) for r in side for _ in r.takes]
    told = [_answers(candidate, fit, side, False) for fit, side in zip(fitted, held, strict=True)]
    right = np.concatenate(told).reshape(n_seeds, -1) == truth
    return Compared(
        float(right.mean()), 0.0, 0.0, 0.0, {}, len(truth),
        right=tuple(right.mean(axis=0).tolist()), people=tuple(people.tolist()), fits=tuple(asked),
    )  # fmt: skip


def _in_turn(candidate: Candidate, n_seeds: int) -> tuple[list[FitJob], list[tuple[Reduced, ...]]]:
    """Return the fits from each seed, and whom each is asked about, who is then as if locked."""
    whole = candidate.fit()
    parts = folds_of([r.recording.participant for r in whole.train], FOLDS)
    sides = [(whole.train, tuple(r for r in candidate.main if r.recording.locked))]
    sides += [
        (tuple(whole.train[i] for i in kept), tuple(whole.train[i] for i in out))
        for kept, out in parts
    ]
    seeds = [candidate.recipe.seed + number for number in range(n_seeds)]
    recipes = [candidate.recipe.model_copy(update={"seed": seed}) for seed in seeds]
    fits = [replace(whole, recipe=one, train=train) for one in recipes for train, _ in sides]
    held = [
        tuple(replace(r, recording=replace(r.recording, locked=True)) for r in out)
        for _, out in sides
    ]
    return fits, held * n_seeds


def _right(takes: Takes, answers: NDArray[Any]) -> NDArray[np.float64]:
    """Return how right each answer about the locked people's takes is, float64 (n_takes,)."""
    truth = takes.truth[takes.locked]
    if takes.of_classes:
        return (answers == truth).astype(np.float64)
    middle = float(np.median(takes.truth[~takes.locked]))
    return 1 - np.abs(answers - truth) / float(np.abs(middle - truth).mean())


def _answers(
    candidate: Candidate, fitted: Fitted, side: tuple[Reduced, ...], real: bool
) -> NDArray[Any]:
    """Return the answers to the locked people's takes, in the order that peers see them."""
    run = fitted.whole.run_float if real else fitted.whole.run
    asked = [r for r in side if r.recording.locked and r.takes]
    if candidate.recipe.quantity is not None:
        # A quantity is told at its cue's end, as a pose is.
        at_ends = [run(r.values)[[cue.stop - 1 for cue, _ in r.takes], 0] for r in asked]
        return np.concatenate(at_ends) * fitted.score_unit
    sensor = candidate.corpus.sensor
    streams = [
        stream_of(r, run(r.values), candidate.recipe, sensor, fitted.score_unit) for r in asked
    ]
    return np.concatenate([stream.takes.answers for stream in streams])
