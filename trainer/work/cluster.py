"""The workers of a Dask cluster: the same jobs, sent to a scheduler instead of to processes here.

Jobs are submitted one by one, not through joblib's own Dask backend: that one places the arguments
on a worker first, and a job whose argument died with its worker can never be run again.
"""

from __future__ import annotations

import asyncio
import importlib
import logging
import os
import pkgutil
import socket
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import joblib
import scipy.linalg  # noqa: F401  # so that its kernels are among those looked at
import threadpoolctl

from capture.store.dataset import open_dataset
from runtime.errors import ToolError, UsageError
from trainer.work.cache import program_digest
from trainer.work.jobs import Job, LocalWorkers, WorkerDied, Workers, run_job

__all__ = ["chosen_workers", "connected"]

CONNECT_S = 10.0
WORKERS_S = 30.0
"""How long a cluster may be without any worker."""
POLL_S = 2.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a worker finds around it; all of it must be the same on every worker.

    Parameters
    ----------
    program : str
        Digest of Palmwatt's own code and of the libraries' versions.
    kernels : str
        The processor's kernels that they use: another order of sums gives other last bits.
    seen : bool
        Whether the files asked for are there, with the same sizes.
    """

    program: str
    kernels: str
    seen: bool


def surroundings(sizes: dict[str, int]) -> Surroundings:
    """Look around where this runs.

    Parameters
    ----------
    sizes : dict
        Paths of files, and how many bytes each has.
    """
    pools = threadpoolctl.threadpool_info()
    kernels = {str(pool.get("architecture")) for pool in pools if pool["user_api"] == "blas"}
    return Surroundings(
        program_digest(),
        " without ".join([*sorted(kernels), os.environ.get("NPY_DISABLE_CPU_FEATURES", "none")]),
        all(Path(p).is_file() and Path(p).stat().st_size == n for p, n in sizes.items()),
    )


class ClusterWorkers:
    """The workers of a cluster, for :func:`trainer.work.jobs.run_jobs`.

    Parameters
    ----------
    client : distributed.Client
    """

    def __init__(self, client: Any) -> None:
        self._client = client

    def results(self, jobs: Sequence[tuple[int, Job[Any]]]) -> Iterator[tuple[int, Any]]:
        """Run numbered jobs; yield number and result of each as it finishes.

        Raises
        ------
        WorkerDied
            A job's workers died, more often than the scheduler tries again by itself.
        ToolError
            The scheduler went away, or all workers did.
        """
        distributed: Any = importlib.import_module("distributed")
        try:
            yield from self._results(jobs, distributed.wait)
        except distributed.KilledWorker as error:
            raise WorkerDied("training", "a worker", "dead", "alive") from error
        except (asyncio.CancelledError, CancelledError, distributed.comm.CommClosedError):
            raise self._gone("gone") from None

    def _results(
        self, jobs: Sequence[tuple[int, Job[Any]]], wait: Callable[..., Any]
    ) -> Iterator[tuple[int, Any]]:
        left = iter(jobs)
        waiting: set[Any] = set()
        missing_s = 0.0
        while True:
            n_ahead = 2 * max(1, sum(self._client.ncores().values()))
            while len(waiting) < n_ahead and (job := next(left, None)) is not None:
                waiting.add(self._client.submit(run_job, *job, pure=False))
            if not waiting:
                return
            try:
                done = wait(waiting, timeout=POLL_S, return_when="FIRST_COMPLETED").done
            except TimeoutError:
                missing_s = 0.0 if self._client.ncores() else missing_s + POLL_S
                if missing_s >= WORKERS_S:
                    raise self._gone("without workers") from None
                continue
            for future in done:
                waiting.discard(future)
                yield future.result()

    def _gone(self, how: str) -> ToolError:
        address = str(self._client.scheduler.address if self._client.scheduler else "cluster")
        return ToolError(address, "the Dask scheduler", how, "running", "train again")


@contextmanager
def connected(address: str, files: Sequence[Path]) -> Iterator[ClusterWorkers]:
    """Connect to a cluster, and make sure that its workers are like this process.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    files : sequence of Path
        Some files that the workers must be able to read.

    Raises
    ------
    UsageError
        There is no scheduler, no worker, or workers that differ or do not see the files.
    ToolError
        The package for clusters is not installed.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise ToolError(
            "cluster", "the package distributed", "missing", "installed",
            "install palmwatt with its extra: pip install 'palmwatt[cluster]'",
        ) from None  # fmt: skip
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        _knock(address)
        client = distributed.Client(address, timeout=CONNECT_S)
    except (OSError, TimeoutError, ValueError):
        raise UsageError(
            address, "the Dask scheduler", "not answering", "a running one",
            "start one with: dask scheduler",
        ) from None  # fmt: skip
    dask: Any = importlib.import_module("dask")
    # A job brings all that it needs with it, which is no mistake.
    with client, dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GB"}):
        _check_workers(client, address, files)
        yield ClusterWorkers(client)


def _knock(address: str) -> None:
    """See that somebody listens at an address, before a client is made that might not come about.

    A client that found nobody can hold a lock that its own clean-up waits for.
    """
    parts = urlsplit(address)
    if parts.scheme not in ("tcp", "tls") or not parts.hostname or not parts.port:
        raise ValueError(address)
    socket.create_connection((parts.hostname, parts.port), timeout=CONNECT_S).close()


def _check_workers(client: Any, address: str, files: Sequence[Path]) -> None:
    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TimeoutError:
        raise UsageError(
            address, "number of workers", 0, "1 or more", f"start some: dask worker {address}"
        ) from None
    sizes = {str(path.absolute()): path.stat().st_size for path in files}
    ours = surroundings(sizes)
    # A name is looked up first, by the standard library: sent as a function, code that is missing
    # on the other side would be waited for in silence. The scheduler reads what it passes on, too.
    name = f"{__name__}:{surroundings.__name__}"
    for run in (client.run, client.run_on_scheduler):
        try:
            run(pkgutil.resolve_name, name)
        except (ImportError, AttributeError, ValueError):
            raise UsageError(
                address, "Palmwatt", "missing on the scheduler or a worker", "installed on all",
                "install the same version everywhere",
            ) from None  # fmt: skip
    for worker, theirs in client.run(surroundings, sizes).items():
        if not theirs.seen:
            raise UsageError(
                worker, "the data set", "not visible to this worker", "the same files everywhere",
                f"mount {os.path.commonpath(list(sizes))} there, under the same path",
            )  # fmt: skip
        for what in ("program", "kernels"):
            if getattr(theirs, what) != getattr(ours, what):
                raise UsageError(
                    worker, f"{what} of this worker", getattr(theirs, what), getattr(ours, what),
                    "install the same version, and start workers with the same environment",
                )  # fmt: skip


@contextmanager
def chosen_workers(data: Path, n_jobs: int | None, cluster: str | None) -> Iterator[Workers]:
    """Give processes on this machine, or the workers of a cluster, for as long as they are needed.

    Parameters
    ----------
    data : pathlib.Path
        Folder of the data set, which the workers must see.
    n_jobs : int, optional
        Processes; as many as there are cores by default.
    cluster : str, optional
        Address of a Dask scheduler.

    Raises
    ------
    UsageError
        Both are given, or the cluster cannot be used.
    """
    if cluster is None:
        yield LocalWorkers(n_jobs or joblib.cpu_count())
        return
    if n_jobs is not None:
        raise UsageError("train", "--jobs", n_jobs, "not given with --cluster", "leave it out")
    folder = data.absolute()
    sessions = open_dataset(folder).sessions[:1]
    with connected(cluster, [info.path for info in sessions]) as workers:
        yield workers
