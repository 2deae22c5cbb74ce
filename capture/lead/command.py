"""The commands ``palmwatt live`` and ``palmwatt truth``."""

from __future__ import annotations

import math
from pathlib import Path

import click

__all__ = ["live", "truth"]


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
    type=click.FloatRange(min=0.0, min_open=True),
    help="End after this time on the sensor's clock; without it Ctrl-C ends.",
)
def live(port: str, model: Path, engine: str, log: Path | None, seconds: float | None) -> None:
    """Show what a model tells of a sensor's readouts as they come, with its latency.

    Events get a line each; values with their intervals, or a count, stand in the last line. All
    engines tell the same. Latency is host time from the arrival of a frame pair's last
    byte to its answer; times are of the sensor's clock, from its first frame pair.
    Caution: the sensor's LED is bright though it cannot be seen; nobody should look into it from
    near. Its limits are those of IEC 62471.
    """
    from rich.console import Console

    from capture.lead.live import LiveEvent, Watch, open_log
    from capture.wire.link import SerialLink
    from runtime.model import load_model
    from runtime.verification.engines import open_engine

    loaded = load_model(model)
    step = open_engine(engine, loaded, model)
    console = Console(highlight=False)
    with open_log(log) as write, SerialLink(port) as link:
        watch = Watch(link, link.describe(), loaded, step)
        for caution in watch.cautions():
            click.echo(caution, err=True)
        with console.status("waiting for readouts") as status:

            def tell(event: LiveEvent) -> None:
                write(event)
                console.print(event.line())

            try:
                watch.run(
                    tell,
                    math.inf if seconds is None else seconds,
                    lambda now: status.update(now.status()),
                    lambda text: click.echo(text, err=True),
                )
            finally:
                console.print(watch.summary(), soft_wrap=True)


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
