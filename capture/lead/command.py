"""The commands ``palmwatt live`` and ``palmwatt truth``."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from runtime.front.finite_number import FiniteNumber

__all__ = ["live", "truth"]

_BEFORE_TAKES = """\
What is learned tells of this person: take it only of somebody who agrees, and keep it with them.
Caution: the sensor's LED is bright though it cannot be seen; nobody should look into it from near.
Its limits are those of IEC 62471."""


@click.command(
    epilog="Example: palmwatt live --port /dev/ttyACM0 --model models/dynamic --log events.jsonl"
)
@click.option("--port", required=True, help="Any pyserial URL: /dev/ttyACM0, COM3, socket://...")
@click.option("--model", required=True, type=click.Path(path_type=Path), help="Model folder.")
@click.option(
    "--engine",
    default="reference",
    show_default=True,
    type=click.Choice(["reference", "onnx", "c"]),
    help="Integer reference, ONNX Runtime, or the firmware's C compiled for this machine.",
)
@click.option("--log", type=click.Path(path_type=Path), help="New file for events as JSON lines.")
@click.option(
    "--seconds",
    type=FiniteNumber(min=0.0, min_open=True),
    help="End after this time on the sensor's clock; without it Ctrl-C ends.",
)
@click.option(
    "--enrol",
    type=click.Path(path_type=Path),
    help="Learn the owner: ask for takes of each class, then write this new file and end.",
)
@click.option("--takes", type=int, help="Of each class, to enrol; 3, or as many as fit.")
@click.option(
    "--class",
    "classes",
    multiple=True,
    help="Class to enrol, several times for several; own_1 is a gesture of your own. All without.",
)
@click.option(
    "--enrolled",
    type=click.Path(path_type=Path),
    help="File that --enrol wrote: answer as taught.",
)
def live(port: str, model: Path, engine: str, log: Path | None, **asked: Any) -> None:
    """Show what a model tells of a sensor's readouts as they come, with its latency.

    Events get a line each; values with their intervals, or a count, stand in the last line. All
    engines tell the same. Latency is host time from the arrival of a frame pair's last
    byte to its answer; times are of the sensor's clock, from its first frame pair.

    With --enrol, a model that can learn its owner (by the integer reference) asks for takes, says
    which it refuses and why, and writes what it learned, for its user alone to read: it tells of
    that person, and is to be kept on that person's device. Beside a gesture of your own it asks for
    known ones that you have not shown: it is told from those. Caution: the sensor's LED is bright
    though it cannot be seen; nobody should look into it from near. Its limits are those of
    IEC 62471.
    """
    from rich.console import Console

    from capture.lead.live import LiveEvent, Watch, calibrated_unit, open_log
    from capture.lead.owner.enrolling import MAX_FILE_BYTES, Enrolling, wishes
    from capture.wire.link import SerialLink
    from runtime.enrolment import with_learned
    from runtime.files import read_limited
    from runtime.model import load_model
    from runtime.verification.engines import open_engine, reference

    loaded, enrol, seconds = load_model(model), asked["enrol"], asked["seconds"]
    enrolled = asked["enrolled"]
    _refuse_without_enrol(enrol, asked["takes"], asked["classes"])
    learned = None if enrolled is None else read_limited(enrolled, MAX_FILE_BYTES)
    if learned is not None:
        with_learned(loaded, loaded.initial_state(), learned, str(enrolled))
    console = Console(highlight=False)
    leading = None
    if enrol is None:
        step = open_engine(engine, loaded, model, learned)
    else:
        _refuse_unwritable(enrol, log)
        wanted = wishes(loaded, asked["takes"], asked["classes"], learned)
        leading = Enrolling(loaded, wanted, console.print, learned)
        step = reference(loaded, leading.before)
    with open_log(log) as write, SerialLink(port) as link:
        missed = None if leading is None else leading.missed
        watch = Watch(link, link.describe(), loaded, step, missed)
        before = [] if leading is None else leading.cautions()
        for caution in (*watch.cautions(calibrated_unit(model)), *before):
            click.echo(caution, err=True)
        if leading is not None:
            click.echo(_BEFORE_TAKES)
        with console.status("waiting for readouts") as status:

            def tell(event: LiveEvent) -> None:
                write(event)
                if leading is None:
                    console.print(event.line())

            def progress(now: Watch) -> None:
                status.update(now.status())
                if leading is not None and leading.done:
                    now.stop()

            try:
                watch.run(
                    tell,
                    math.inf if seconds is None else seconds,
                    progress,
                    lambda text: click.echo(text, err=True),
                )
            finally:
                console.print(watch.summary(), soft_wrap=True)
    if enrol is not None and leading is not None:
        leading.save(enrol)
        console.print(f"wrote {enrol}: answer by it with --enrolled; it stays with its owner")


def _refuse_without_enrol(enrol: Path | None, takes: int | None, classes: Sequence[str]) -> None:
    """Refuse what only an enrolment heeds: whoever gave it means to enrol."""
    from runtime.errors import UsageError

    given = ["--takes"] * (takes is not None) + ["--class"] * bool(classes)
    if enrol is None and given:
        got, do = "missing", "name the file that is to hold what is learned"
        raise UsageError("live", f"--enrol beside {given[0]}", got, "a new file", do)


def _refuse_unwritable(enrol: Path, log: Path | None) -> None:
    """Refuse a file before anybody shows a take, and not after the last one."""
    from runtime.errors import UsageError

    # Not Path.resolve, which raises on a link to itself.
    if log is not None and os.path.realpath(log) == os.path.realpath(enrol):
        raise UsageError(str(enrol), "the file", "the log's as well", "a file of its own")
    if enrol.exists():
        raise UsageError(str(enrol), "the file", "there already", "a new file", "name another")
    if not os.access(enrol.parent, os.W_OK | os.X_OK):
        got = "not writable" if enrol.parent.is_dir() else "not there"
        raise UsageError(str(enrol), "the file's folder", got, "one to write into", "make it first")


@click.command(
    epilog="Example: palmwatt truth sub-P01_ses-01_task-rig_points_readouts.mcap --table rig.csv"
)
@click.argument("session", metavar="SESSION", type=click.Path(path_type=Path))
@click.option("--table", required=True, type=click.Path(path_type=Path), help="What the rig wrote.")
def truth(session: Path, table: Path) -> None:
    """Keep beside a recording where a rig's lights were, as palmwatt record --truth does.

    The table's times are of the sensor's clock, as the recording's are; it must reach over all of
    the recording. One that is there already is replaced.
    """
    from capture.store.source_truth import keep_truth, truth_path

    kept = keep_truth(session, table)
    click.echo(f"{truth_path(session)}: {len(kept.time_us)} rows of {len(kept.sources)} sources")
