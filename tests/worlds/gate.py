"""The gate: a built-in recipe, untouched, held against the best of the peers on the same people."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.pipeline import Fitted
from trainer.judge.examination import stream_of
from trainer.recipe import load_recipe
from trainer.work.jobs import LocalWorkers, run_jobs
from worlds.peers import ask_peers, read_takes

__all__ = ["CLOSE", "Compared", "compare", "moved"]

CLOSE = 0.02
"""A recipe passes when it is at most this much behind the best peer."""


@dataclass(frozen=True)
class Compared:
    """Shares of the locked people's takes that are right.

    Parameters
    ----------
    fixed, real : float
        The recipe's model in fixed point and in real numbers; 0 if it refuses the data.
    quadrants, quadrants_real : float
        The same pipeline on four quadrants.
    peers : dict of str to float
    n_takes : int
    spread : float
        Standard error of the difference to the best peer over the same takes, from those that only
        one of both has right (Q. McNemar, Psychometrika 12, 1947).
    right : tuple of bool
        Which takes the model in fixed point has right, in the order of people and takes.
    refused : str
        Why the recipe could not be trained, or empty.
    """

    fixed: float
    real: float
    quadrants: float
    quadrants_real: float
    peers: dict[str, float]
    n_takes: int
    spread: float = 0.0
    right: tuple[bool, ...] = ()
    refused: str = ""

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
    only_one = sum(a != b for a, b in zip(before.right, after.right, strict=True))
    return after.fixed - before.fixed, math.sqrt(only_one) / len(before.right)


def compare(folder: Path, recipe_name: str, n_jobs: int = 1, *, peers: bool = True) -> Compared:
    """Train a recipe as `palmwatt train` does, and judge it and the peers on the locked people.

    What `palmwatt train` does besides, holding people out in turn for margins and for the learning
    curve, changes no answer about a take, and is left out.
    """
    recipe = load_recipe(recipe_name)
    takes = read_takes(folder, recipe)
    truth = takes.labels[takes.locked]
    right = {name: a == truth for name, a in ask_peers(takes).items()} if peers else {}
    others = {name: float(r.mean()) for name, r in right.items()}
    workers = LocalWorkers(n_jobs)
    try:
        [candidate] = reduce_for(folder.absolute(), [recipe], workers, lambda _: None)
        fits = run_jobs([candidate.fit(), candidate.fit(quadrants=True)], workers)
    except FormatError as error:
        return Compared(0.0, 0.0, 0.0, 0.0, others, len(truth), refused=str(error))
    own = [
        _answers(candidate, fitted, side, real) == truth
        for fitted, side in zip(fits, (candidate.main, candidate.quadrants), strict=True)
        for real in (False, True)
    ]
    fixed, real, quadrants, quadrants_real = (float(one.mean()) for one in own)
    found = Compared(
        fixed, real, quadrants, quadrants_real, others, len(truth), right=tuple(own[0].tolist())
    )
    if not peers:
        return found
    only_one = int((own[0] != right[found.best_peer]).sum())
    return replace(found, spread=math.sqrt(only_one) / len(truth))


def _answers(
    candidate: Candidate, fitted: Fitted, side: tuple[Reduced, ...], real: bool
) -> NDArray[np.int64]:
    """Return the answers to the locked people's takes, in the order that peers see them."""
    run = fitted.whole.run_float if real else fitted.whole.run
    streams = [
        stream_of(r, run(r.values), candidate.recipe, candidate.corpus.sensor, fitted.score_unit)
        for r in side
        if r.recording.locked and r.takes
    ]
    return np.concatenate([stream.takes.answers for stream in streams])
