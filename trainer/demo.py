"""The whole job in one command, on an emulated sensor and invented participants.

Nothing is taken on a short cut: emulated sensors run as processes of their own behind a serial port
and are recorded through it, and every later step reads the files that the step before wrote.
"""

from __future__ import annotations

import json
import multiprocessing
import signal
from collections.abc import Callable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor
from concurrent.futures import wait as wait_for
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table

from runtime.errors import ToolError, UsageError
from trainer.demo_recordings import (
    LIGHTS,
    LIGHTS_FIELD_DEG,
    MOVING_EXPOSURE_US,
    PAIR,
    PEOPLE,
    SENSOR,
    SHIPPED_PEOPLE,
    STILL,
    STILL_RATE_HZ,
    n_sessions,
    record_all,
)

if TYPE_CHECKING:
    from runtime.budget import Budget
    from runtime.budget.inputs.uncertainty import Interval

__all__ = ["run_demo"]

DATA = {"finger_count": PEOPLE, "dynamic": PEOPLE, "range": LIGHTS}
TASKS = tuple(DATA)
"""The longest first: held shapes are what the fine readout is for, and take longest to learn."""
WATCHING_EXPOSURE_US = 10.0
"""At the active current, while no hand is there. So short a pulse brings little of the room's light
and its noise: 0.9 % of 768 arrivals of 32 invented people were missed at it (each with two draws of
noise; twice the length costs 10 uW more; `tests/bench/bench_watching.py`)."""
MOVING_HOLD_S = 4.0
"""Awake after the last movement, for models of movements. Between two of them a hand hovers still
for up to 3.5 s where nobody hurries it (`dynamic`'s cues), and a device asleep by then misses the
beginning of the second. Of 960 strokes of 30 invented people a hold of 2 s lost part of 199; each
second more costs about 1.1 uW."""
LEFT_OUT: dict[str, tuple[str, ...]] = {STILL: ("learning-curve",)}
"""Steps of a training that would take longer than all others, with so many people."""
CORES = ("cortex-m0plus", "cortex-m4", "cortex-m33", "rv32imc")
N_VERIFIED_FRAMES = 100
"""Two windows of the model with the longest: all that it keeps has then come and gone."""
N_PROCESSES = 2
FEW_PEOPLE = 240
"""Of so many, fits of fingers take as long as the other two models together. Alone they would keep
one core busy then; with fewer people more processes would cost more to start than they spare."""


@dataclass(frozen=True, slots=True)
class DemoModel:
    """What the demo learned of one model.

    Parameters
    ----------
    folder : Path
        The model folder.
    evaluation, verification : dict
        ``evaluation.json`` and the report of ``palmwatt verify --json``.
    budget : Budget
        What ``budget.json`` says.
    """

    folder: Path
    evaluation: dict[str, Any]
    verification: dict[str, Any]
    budget: Budget


def run_demo(out: Path, n_people: int, *, as_json: bool = False) -> None:
    """Record, train, export, verify, price and report, all below `out`.

    Parameters
    ----------
    out : Path
        Missing or empty folder.
    n_people : int
        How many hold up fingers, from :data:`~trainer.demo_recordings.LEAST_PEOPLE` on.
    as_json : bool
        Print the results as JSON instead of tables; progress then goes to standard error.

    Raises
    ------
    UsageError
        `out` is there and not empty.
    PortError, ToolError
        An emulated sensor did not start, or a model is not the same bit for bit.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UsageError(str(out), "output folder", "in use", "missing or empty", "name another")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            str(out), "output folder", f"refused ({error.strerror})", "writable"
        ) from None
    console = Console(stderr=as_json)
    with Progress(
        TextColumn("{task.description:<34}"),
        BarColumn(),
        TextColumn("{task.fields[now]}"),
        TimeElapsedColumn(),
        console=console,
    ) as progress:
        made = _record_and_make(out, n_people, progress)
    report = out / "report.html"
    from runtime.budget import write_report

    notes = _of_how_many(made, n_people)
    write_report([model.budget for model in made], report, notes)
    if as_json:
        content: dict[str, Any] = {
            model.folder.name: {
                "evaluation": model.evaluation,
                "verification": model.verification,
                "budget": model.budget.to_json(),
            }
            for model in made
        }
        print(json.dumps(content | {"report": str(report)}, indent=2, sort_keys=True))
        return
    from trainer.tell.tables import evaluation_tables

    for table in evaluation_tables([model.evaluation for model in made]):
        console.print(table)
    console.print(_cost_table(made))
    console.print(_power_table(made))
    for model in made:
        console.print(f"{model.folder.name}: {model.budget.verdict.sentence}", highlight=False)
    for line in (*notes, f"report: {report}"):
        console.print(line, soft_wrap=True, highlight=False)


def _of_how_many(made: list[DemoModel], n_people: int) -> tuple[str, ...]:
    """Say of how many people fingers were learned, where it is fewer than could be."""
    if n_people >= SHIPPED_PEOPLE:
        return ()
    evaluation = next(model.evaluation for model in made if model.folder.name == STILL)
    learned, asked = (len(evaluation["participants"][side]) for side in ("train", "test"))
    return (
        f"{STILL} has learned from {learned} people, and was asked about {asked} others at the "
        f"end. More people teach it more, and palmwatt demo --people {SHIPPED_PEOPLE} makes the "
        "model that Palmwatt comes with; the other models are the same.",
    )


def _record_and_make(out: Path, n_people: int, progress: Progress) -> list[DemoModel]:
    """Record everything, and make each model as soon as its data set is there."""
    total = n_sessions(n_people)
    recording = progress.add_task("record people and lights", total=sum(total.values()), now="")
    making = progress.add_task("train, export, verify and price", total=3 * len(TASKS), now="")

    def advance(step: TaskID, now: str) -> None:
        progress.update(step, advance=1, now=now)
        if not progress.console.is_terminal:  # no bar is drawn there
            click.echo(now, err=True)

    missing = dict(total)
    with _Making(out, n_people, partial(advance, making)) as models:
        for data, done in record_all(out, n_people):
            advance(recording, done)
            models.go_on()
            missing[data] -= 1
            if not missing[data]:
                models.begin(data)
        progress.update(recording, now=f"{sum(total.values())} sessions")
        made = models.finished()
    progress.update(making, now=f"{len(made)} models")
    return made


def _load() -> None:
    """Load what takes longest to load, before there is anything to learn from."""
    import_module("trainer.train")


def _train(name: str, out: Path, data: Path, n_workers: int) -> dict[str, Any]:
    from joblib.externals.loky import get_reusable_executor

    from capture.emulated.optic.optics import SENSORS
    from runtime.firmware.setting import DeviceSetting
    from trainer.corpus.at_setting import AtSetting
    from trainer.recipe import load_recipe
    from trainer.train import train_model
    from trainer.work.jobs import LocalWorkers

    recipe = load_recipe(name)
    if recipe.source is not None:  # within the field that the rig filled
        source = recipe.source.model_copy(update={"half_field_deg": LIGHTS_FIELD_DEG})
        recipe = recipe.model_copy(update={"source": source})
        # Lights shine by themselves: the LED stays off, while watching too.
        usual = DeviceSetting.of(replace(SENSORS[PAIR], led_current_ma=0.0))
        at = AtSetting(replace(usual, watching_led_current_ma=0.0))
        return train_model(data, recipe, out, at=at)
    sensor = SENSORS[SENSOR]
    if name == STILL:
        sensor = replace(sensor, frame_rate_hz=float(STILL_RATE_HZ))
    else:
        sensor = replace(sensor, exposure_us=float(MOVING_EXPOSURE_US))
    usual = DeviceSetting.of(sensor)
    device = replace(
        usual,
        watching_led_current_ma=usual.led_current_ma,
        watching_exposure_us=WATCHING_EXPOSURE_US,
        hold_time_s=usual.hold_time_s if name == STILL else MOVING_HOLD_S,
    )
    left_out = LEFT_OUT.get(name, ())
    workers = LocalWorkers(n_workers)
    try:
        return train_model(data, recipe, out, workers=workers, skip=left_out, at=AtSetting(device))
    finally:
        if n_workers > 1:  # this process waits at its end for its own, and they for more work
            get_reusable_executor().shutdown()


def _verify(_name: str, model: Path) -> dict[str, Any]:
    from runtime.verification.verify import verify

    return verify(model, cores=CORES, n_frames=N_VERIFIED_FRAMES).to_json()


def _price(_name: str, model: Path) -> Budget:
    from runtime.budget import budget, write_budget, write_report

    priced = budget(model, cores=CORES)
    write_budget(priced, model)
    write_report([priced], model / "budget.html")
    return priced


class _Making:
    """Models that go through their three steps, one after another each, in processes of their own.

    Parameters
    ----------
    out : Path
        Folder of the demo: data sets are there, and models go to ``models``.
    n_people : int
        How many hold up fingers.
    tell : callable
        Is told each step that was taken.
    """

    def __init__(self, out: Path, n_people: int, tell: Callable[[str], None]) -> None:
        self._data, self._models, self._tell = out, out / "models", tell
        self._n_workers = {STILL: N_PROCESSES if n_people > FEW_PEOPLE else 1}
        self._pool = ProcessPoolExecutor(
            N_PROCESSES,
            multiprocessing.get_context("spawn"),
            signal.signal,  # Ctrl-C ends what waits without a word; the main process says it
            (signal.SIGINT, signal.SIG_DFL),
        )
        for _ in range(N_PROCESSES):  # while the first sensor is still built, and a core has time
            self._pool.submit(_load)
        self._running: dict[Future[Any], tuple[str, int]] = {}
        self._results: dict[str, list[Any]] = {}

    def __enter__(self) -> _Making:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)

    def begin(self, data: str) -> None:
        """Train the models of a data set that is recorded, the longest first."""
        for name in TASKS:
            if DATA[name] == data:
                about = self._data / data, self._n_workers.get(name, 1)
                self._submit(name, 0, *about)

    def finished(self) -> list[DemoModel]:
        """Wait for all that have begun.

        Raises
        ------
        ToolError
            A model is not the same bit for bit.
        """
        while self._running:
            self.go_on(wait=True)
        for name in TASKS:
            if not self._results[name][1]["ok"]:
                raise ToolError(str(self._models / name), "the model", "not the same bit for bit",
                                do=f"run palmwatt verify {self._models / name}")  # fmt: skip
        return [DemoModel(self._models / name, *self._results[name]) for name in TASKS]

    def _submit(self, name: str, number: int, *about: Any) -> None:
        future = self._pool.submit(STEPS[number][1], name, self._models / name, *about)
        self._running[future] = name, number

    def go_on(self, *, wait: bool = False) -> None:
        """Begin the next step of each model whose last one has ended; wait for one to end."""
        ended, _ = wait_for(self._running, None if wait else 0.0, FIRST_COMPLETED)
        for future in ended:
            name, number = self._running.pop(future)
            self._results.setdefault(name, []).append(future.result())
            self._tell(f"{name} {STEPS[number][0]}")
            if number + 1 < len(STEPS):
                self._submit(name, number + 1)


STEPS: tuple[tuple[str, Callable[..., Any]], ...] = (
    ("trained", _train), ("verified", _verify), ("priced", _price),
)  # fmt: skip


def _cost_table(models: list[DemoModel]) -> Table:
    """Return what one frame of each model costs on each core."""
    table = Table(title="Cost of a frame, measured by executing the firmware on emulated cores")
    table.add_column("model")
    table.add_column("core", no_wrap=True)
    for heading in ("instructions", "cycles", "flash B", "RAM B", "stack B"):
        table.add_column(heading, justify="right")
    for model in models:
        for core, found in model.budget.profiles.active.items():
            table.add_row(
                model.folder.name,
                core,
                f"{found.instructions_per_frame:,.0f}",
                f"{found.cycles_per_frame[1]:,.0f}",
                f"{found.code_bytes + found.const_bytes:,}",
                f"{found.ram_bytes:,}",
                f"{found.stack_bytes:,}",
            )
        table.add_section()
    return table


def _power_table(models: list[DemoModel]) -> Table:
    """Return where each model's power goes, averaged over a day: medians with 90 % intervals.

    At typical inputs, and only there, the parts add up.
    """
    first = models[0].budget
    table = Table(
        title=f"Average power over a day in uW, {first.titles['mcu']} (median, 90 % interval)"
    )
    table.add_column("part")
    for model in models:
        table.add_column(model.folder.name, justify="right")

    def text(value: Interval) -> str:
        return f"{value.median:.2f} [{value.low:.2f}, {value.high:.2f}]"

    for part in first.part_uw:
        own = (model.budget.part_uw.get(part) for model in models)
        table.add_row(part, *("" if each is None else text(each) for each in own))
    table.add_section()
    table.add_row("all", *(text(model.budget.average_uw) for model in models))
    typical = (f"{model.budget.average_uw.typical:.2f}" for model in models)
    table.add_row("all, at typical inputs", *typical)
    return table
