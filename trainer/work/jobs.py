"""Small jobs, each with all it needs, run in this process, in several, or on a Dask cluster.

A job gives the same result wherever and in whatever order it runs: it draws nothing from outside,
keeps nothing, and its arithmetic runs in one thread. Results come back as they finish, and a job
whose worker died is run again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

import joblib
from joblib.externals.loky.process_executor import TerminatedWorkerError
from threadpoolctl import threadpool_limits

from runtime.errors import ToolError, UsageError

__all__ = ["Job", "LocalWorkers", "WorkerDied", "Workers", "run_job", "run_jobs"]

MAX_DEATHS = 3
"""A job may be what kills its worker: after so many deaths in a row the rest is given up."""

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)


class WorkerDied(ToolError):  # noqa: N818  # the job is not at fault  # noqa: N818  # the job is not at fault
    """A worker ended before its job did."""


class Job(Protocol[T_co]):
    """Work that can be sent to another process."""

    def run(self) -> T_co:
        """Do it; the result can be sent back."""


class Workers(Protocol):
    """Who runs jobs."""

    def results(self, jobs: Sequence[tuple[int, Job[Any]]]) -> Iterator[tuple[int, Any]]:
        """Run numbered jobs; yield number and result of each as it finishes.

        Raises
        ------
        WorkerDied
            Some jobs were lost.
        """


@dataclass(frozen=True, slots=True)
class LocalWorkers:
    """Processes on this machine.

    Parameters
    ----------
    n_jobs : int
        How many; 1 runs all jobs in this process.

    Raises
    ------
    UsageError
        There is less than one.
    """

    n_jobs: int = 1

    def __post_init__(self) -> None:
        if self.n_jobs < 1:
            raise UsageError("jobs", "number of processes", self.n_jobs, "1 or more")

    def results(self, jobs: Sequence[tuple[int, Job[Any]]]) -> Iterator[tuple[int, Any]]:
        """Run numbered jobs; yield number and result of each as it finishes."""
        if self.n_jobs == 1:  # one look at the libraries' threads is enough for all of them
            with threadpool_limits(1):
                for number, job in jobs:
                    yield number, job.run()
            return
        # One job at a time to each process, and no more ahead than keeps them busy.
        run = joblib.Parallel(
            n_jobs=self.n_jobs,
            return_as="generator_unordered",
            batch_size=1,
            pre_dispatch="2*n_jobs",
        )
        try:
            yield from run(joblib.delayed(run_job)(*job) for job in jobs)
        except TerminatedWorkerError as error:
            raise WorkerDied("training", "a worker process", "dead", "alive") from error


def run_job(number: int, job: Job[T]) -> tuple[int, T]:
    """Run one job in one thread, so that sums are added up in one order everywhere."""
    with threadpool_limits(1):
        return number, job.run()


def run_jobs(
    jobs: Sequence[Job[T]],
    workers: Workers,
    done: Callable[[int, T], None] = lambda number, result: None,
) -> list[T]:
    """Run jobs, and return their results in the order of the jobs.

    Parameters
    ----------
    jobs : sequence of Job
        The longest first, so that none is left over at the end.
    workers : Workers
    done : callable
        Is given the number and the result of each job as it finishes.

    Raises
    ------
    ToolError
        Workers died again and again.
    Error
        The first error of a job.
    """
    results: dict[int, T] = {}
    deaths = 0
    while len(results) < len(jobs):
        finished = len(results)
        left = [(number, job) for number, job in enumerate(jobs) if number not in results]
        try:
            for number, result in workers.results(left):
                results[number] = result
                done(number, result)
        except WorkerDied:
            deaths = deaths + 1 if len(results) == finished else 1
            if deaths == MAX_DEATHS:
                raise ToolError(
                    "training", "a worker process", f"dead {deaths} times in a row", "alive",
                    "it may have run out of memory: use fewer processes",
                ) from None  # fmt: skip
    return [results[number] for number in range(len(jobs))]
