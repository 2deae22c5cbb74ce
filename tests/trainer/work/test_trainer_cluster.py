"""A Dask cluster of real processes gives the same models, also when one of them is killed."""

from __future__ import annotations

import filecmp
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from odd_jobs import Deadly, Patient, Square, Weigh, Wrong
from test_trainer_cli import run

from runtime.errors import ToolError, UsageError
from trainer.choice.tried.asked import Asked, read_for
from trainer.choice.tried.knobs import load_knobs
from trainer.choice.tried.rungs import ask_cheaply, count_watching
from trainer.choice.tried.watching import Watched
from trainer.fit.kept_fits import Finished
from trainer.recipe import load_recipe
from trainer.train import train_model
from trainer.work.cluster import connected
from trainer.work.jobs import LocalWorkers, Workers, run_jobs

START_S = 60.0
HERE = Path(__file__).parent


def free_address() -> str:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return f"tcp://127.0.0.1:{probe.getsockname()[1]}"


WITHOUT_US = "import sys; sys.modules['trainer'] = None"


def start(log: Path, *words: str, before: str = "") -> subprocess.Popen[bytes]:
    """Start a program of Dask; its code finds the modules of these tests."""
    paths = os.pathsep.join([str(HERE), *sys.path])
    program = f"{before}\nfrom distributed.cli.{words[0]} import main\nmain()"
    with log.open("wb") as file:
        return subprocess.Popen(
            [sys.executable, "-c", program, *words[1:]],
            stdout=file, stderr=subprocess.STDOUT, env=os.environ | {"PYTHONPATH": paths},
            start_new_session=True,
        )  # fmt: skip


def wait_for(log: Path, text: str) -> None:
    until = time.monotonic() + START_S
    while text not in log.read_text("utf-8", "replace"):
        if time.monotonic() > until:
            pytest.fail(f"no {text!r} within {START_S:g} s: {log.read_text('utf-8', 'replace')}")
        time.sleep(0.1)


@contextmanager
def cluster(
    folder: Path, n_workers: int, before: dict[str, str] | None = None
) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Run a scheduler and workers of one thread each; give its address, and all of them in order.

    `before` holds code that a program runs first, by the program's name.
    """
    before = before or {}
    address = free_address()
    log = folder / "scheduler.log"
    port = address.rsplit(":", 1)[1]
    words = ("dask_scheduler", "--host", "127.0.0.1", "--port", port, "--no-dashboard", "--no-show")
    running = [start(log, *words, before=before.get(words[0], ""))]
    try:
        wait_for(log, "Scheduler at")
        for number in range(n_workers):
            log = folder / f"worker{number}.log"
            words = (
                "dask_worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
                "--local-directory", str(folder / f"worker{number}"), "--name", f"w{number}",
            )  # fmt: skip
            running.append(start(log, *words, before=before.get(words[0], "")))
            wait_for(log, "Registered to")
        yield address, running
    finally:
        for process in running:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@pytest.fixture(scope="module")
def two_workers(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Return the address of a scheduler with two workers, which nobody kills."""
    with cluster(tmp_path_factory.mktemp("dask"), n_workers=2) as (address, _):
        yield address


def test_jobs_on_a_cluster_are_those_of_one_process(two_workers: str, tmp_path: Path) -> None:
    """Results come in order, and errors of jobs whole, from real workers as from here."""
    with connected(two_workers, []) as workers:
        assert run_jobs([Square(n) for n in range(9)], workers) == [n * n for n in range(9)]
        with pytest.raises(UsageError, match="windows of class is 3, expected windows of every"):
            run_jobs([Square(1), Wrong()], workers)


def test_a_large_job_travels_without_a_word(two_workers: str) -> None:
    """Jobs that bring the windows of many people with them are sent without a warning."""
    with connected(two_workers, []) as workers:
        assert run_jobs([Weigh(bytes(20_000_000))] * 3, workers) == [20_000_000] * 3


@pytest.mark.slow
def test_a_search_of_settings_is_the_same_on_a_cluster(
    two_workers: str, recorded_once: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """Readouts reduced, quick fits at settings and arrivals counted tell the same there as here."""
    (tmp_path / "knobs.toml").write_text(
        "[active.led_share]\nvalues = [1.0, 0.25]\n"
        "[search]\nmax_saturated_takes = 1.0\nplain_sensors = false\n"
    )
    knobs, recipe = load_knobs(tmp_path / "knobs.toml"), load_recipe(small_recipe)

    def searched(name: str, workers: Workers) -> tuple[list[float], list[Watched]]:
        asked = Asked(data[name], (recipe,), knobs)
        readings = read_for(asked, workers, print)
        done = Finished(data[name], recipe, name)
        shares = ask_cheaply(readings, readings.tried, None, done, workers, print)
        return shares, count_watching(asked, readings, workers, print)[0]

    data = {
        name: Path(shutil.copytree(recorded_once, tmp_path / name)) for name in ("here", "there")
    }
    with connected(two_workers, [data["there"] / "participants.tsv"]) as workers:
        assert searched("there", workers) == searched("here", LocalWorkers(1))


@pytest.mark.slow
def test_a_killed_worker_changes_no_byte_of_the_model(
    small_data: Path, small_recipe: Path, tmp_path: Path
) -> None:
    """With one of two workers killed while it fits, the model is that of a single process."""
    recipe = load_recipe(small_recipe)
    alone, clustered = tmp_path / "alone", tmp_path / "clustered"
    train_model(small_data, recipe, alone)
    killed = []
    with cluster(tmp_path, n_workers=2) as (address, processes):

        def kill_one(what: str) -> None:
            if "held out in turn, 1 of" in what and not killed:
                os.killpg(processes[1].pid, signal.SIGKILL)
                killed.append(processes[1].wait())

        with connected(address, [small_data / "participants.tsv"]) as workers:
            train_model(small_data, recipe, clustered, kill_one, workers)
        assert processes[2].poll() is None
    assert killed == [-signal.SIGKILL]
    names = [str(p.relative_to(alone)) for p in alone.rglob("*") if p.is_file()]
    _, differing, failed = filecmp.cmpfiles(alone, clustered, names, shallow=False)
    assert len(names) > 8 and not differing and not failed


@pytest.mark.slow
def test_a_job_that_kills_its_workers_ends_in_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When all workers of a cluster have died, the training ends and says so."""
    monkeypatch.setattr("trainer.work.cluster.WORKERS_S", 4.0)
    with (
        cluster(tmp_path, n_workers=1) as (address, _),
        connected(address, []) as workers,
        pytest.raises(ToolError, match="the Dask scheduler is without workers"),
    ):
        run_jobs([Deadly()], workers)


@pytest.mark.slow
def test_a_scheduler_that_goes_away_ends_in_an_error(tmp_path: Path) -> None:
    """A scheduler that is killed in the middle of a job is told as such, not waited for."""
    begun, end = tmp_path / "begun", tmp_path / "end"
    with cluster(tmp_path, n_workers=1) as (address, processes):

        def kill_scheduler() -> None:
            while not begun.exists():
                time.sleep(0.05)
            os.killpg(processes[0].pid, signal.SIGKILL)

        killer = threading.Thread(target=kill_scheduler)
        killer.start()
        with (
            pytest.raises(ToolError, match="the Dask scheduler is gone"),
            connected(address, []) as workers,
        ):
            run_jobs([Patient(begun, end)], workers)
        killer.join()
        end.touch()


def test_a_scheduler_that_is_not_there_is_one_line(
    small_data: Path,
    small_recipe: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Nobody answers at the address: exit code 2, one line, and how to start a scheduler."""
    monkeypatch.setattr("trainer.work.cluster.CONNECT_S", 1.0)
    words = ("train", str(small_data), "--recipe", str(small_recipe), "--out", str(tmp_path / "m"))
    code, out, err = run(capsys, *words, "--cluster", free_address())
    assert (code, out) == (2, "")
    assert "the Dask scheduler is not answering" in err and err.strip().count("\n") == 0


@pytest.mark.parametrize(
    "address", ["host", "tcp://", "http://127.0.0.1:1", "tcp://no.such.host:1"]
)
def test_an_address_that_is_none_is_refused(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no address of a scheduler is told like one where nobody answers."""
    monkeypatch.setattr("trainer.work.cluster.CONNECT_S", 1.0)
    with pytest.raises(UsageError, match="not answering"), connected(address, []):
        pass


def test_workers_that_do_not_see_the_data_are_refused(two_workers: str, tmp_path: Path) -> None:
    """Files that are not the same on a worker end the training before it begins."""
    path = tmp_path / "readouts"
    path.write_bytes(b"some bytes")
    with connected(two_workers, [path]):
        pass
    with path.open("rb") as file:
        # An open file, by its number, is there for this process and for no other.
        own = os.dup2(file.fileno(), 200)
        try:
            with (
                pytest.raises(UsageError, match=r"not visible to this worker.*Mount"),
                connected(two_workers, [Path(f"/proc/self/fd/{own}")]),
            ):
                pass
        finally:
            os.close(own)


def test_workers_of_another_version_are_refused(
    two_workers: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that runs another version of the program is told before it fits anything."""
    monkeypatch.setattr("trainer.work.cluster.program_digest", lambda: "another")
    with pytest.raises(UsageError, match="program of this worker is"), connected(two_workers, []):
        pass


@pytest.mark.slow
@pytest.mark.parametrize("program", ["dask_scheduler", "dask_worker"])
def test_a_cluster_without_our_code_is_refused(tmp_path: Path, program: str) -> None:
    """Where Palmwatt is not installed, that is told at once instead of waited for in silence."""
    with (
        cluster(tmp_path, n_workers=1, before={program: WITHOUT_US}) as (address, _),
        pytest.raises(UsageError, match="Palmwatt is missing on the scheduler or a worker"),
        connected(address, []),
    ):
        pass


def test_without_the_extra_the_missing_package_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the package for clusters is not installed, the error says how to install it."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(ToolError, match=r"distributed is missing.*palmwatt\[cluster\]"),
        connected("tcp://127.0.0.1:1", []),
    ):
        pass
