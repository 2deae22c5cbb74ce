"""What has finished of a training, kept on disk until all of it has.

A training that was stopped goes on from there when it is called again with the same recipe, data
and program.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from runtime.errors import UsageError
from trainer.fit.held_out import FitJob, HeldOut
from trainer.recipe import Recipe
from trainer.work.cache import fits_digest, open_cache
from trainer.work.jobs import Workers, run_jobs

__all__ = ["Finished"]


class Asking(Protocol):
    """A job that asks a fit about recordings it has not seen."""

    @property
    def name(self) -> str:
        """Tells it from the other jobs."""

    @property
    def held(self) -> Sequence[Any]:
        """What is asked about."""

    def run(self) -> HeldOut:
        """Fit and ask."""


class Finished:
    """The finished jobs of one training.

    Parameters
    ----------
    data : pathlib.Path
        Folder of the data set.
    recipe : Recipe
    data_digest : str
        SHA-256 of the recordings, their labels, and who is locked.
    purpose : str
        Of jobs that are no training's own, what they are for.
    """

    def __init__(self, data: Path, recipe: Recipe, data_digest: str, purpose: str = "") -> None:
        self._cache = open_cache(data, "jobs")
        self._label = recipe.digest() + purpose
        parts = f"{self._label} {data_digest} {fits_digest()}"
        self._source = hashlib.sha256(parts.encode()).hexdigest()

    def run(
        self,
        jobs: Sequence[FitJob | Asking],
        workers: Workers,
        tell: Callable[[str], None],
    ) -> list[Any]:
        """Run those of the jobs that have not finished before; return all results, in order.

        Fits themselves are not kept: fitted classifiers have no safe form on disk.

        Parameters
        ----------
        tell : callable
            Is told how many have finished.
        """
        results: dict[int, Any] = {}
        for number, job in enumerate(jobs):
            kept = None if isinstance(job, FitJob) else self._kept(job)
            if kept is not None:
                results[number] = kept
        left = [number for number in range(len(jobs)) if number not in results]

        def done(index: int, result: Any) -> None:
            number = left[index]
            results[number] = result
            job = jobs[number]
            if not isinstance(job, FitJob):
                arrays = [np.array([result.score_unit]), *result.scores]
                named = dict(zip(self._keys(job), arrays, strict=True))
                self._cache.store(named, "several", self._label, self._source)
            tell(f"{len(results)} of {len(jobs)}")

        tell(f"{len(results)} of {len(jobs)}")
        run_jobs([jobs[number] for number in left], workers, done)
        return [results[number] for number in range(len(jobs))]

    def clear(self) -> None:
        """Remove what was kept: the training has ended."""
        self._cache.remove(self._label)

    def _kept(self, job: Asking) -> HeldOut | None:
        """Return a job's outcome, if it has finished before."""
        stored = self._cache.load(self._keys(job))
        if stored is None:
            return None
        try:
            unit, *scores = (np.array(each.read()) for each in stored)
        except UsageError:  # the same training, in another process, has just ended
            return None
        return HeldOut(tuple(each.astype(np.int32) for each in scores), float(unit[0]))

    def _keys(self, job: Asking) -> list[str]:
        names = [f"{self._source} {job.name} {part}" for part in range(1 + len(job.held))]
        return [hashlib.sha256(name.encode()).hexdigest() for name in names]
