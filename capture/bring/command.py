"""The command ``palmwatt import``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

__all__ = ["import_readouts"]

_PATH = click.Path(path_type=Path)


@click.command(
    "import",
    epilog="Example: palmwatt import recordings.csv --events events.csv --participants people.csv "
    "--sensor sensor.toml --lit-dark two-arrays --out recordings",
)
@click.argument("recordings", metavar="TABLE", type=_PATH)
@click.option("--participants", required=True, type=_PATH, help="Table of people and consent.")
@click.option("--events", type=_PATH, help="Table of takes: file, onset, duration, trial_type.")
@click.option("--sensor", type=_PATH, help="Sensor file (TOML); arrays and tables need one.")
@click.option(
    "--lit-dark",
    "order",
    default="interleaved",
    show_default=True,
    type=click.Choice(["interleaved", "dark-first", "two-arrays"]),
    help="How exposures lie: lit, dark, lit...; dark, lit, dark...; or lit and dark apart.",
)
@click.option(
    "--kind",
    default="recorded",
    show_default=True,
    type=click.Choice(["recorded", "real shapes, emulated optic", "invented"]),
    help="What the readouts are; every later page says it.",
)
@click.option("--task", default="imported", show_default=True, help="Where TABLE names none.")
@click.option("--script", help="Cue script that was followed; by default one made of the events.")
@click.option("--out", required=True, type=_PATH, help="Data set folder.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def import_readouts(
    recordings: Path,
    out: Path,
    script: str | None,
    as_json: bool,
    **named: Any,
) -> None:
    """Bring readouts that exist already into a data set, as if they had been recorded into it.

    TABLE (CSV, TSV or Parquet) has a row for each recording: file and participant, and where
    wanted session, task, unit, distance_mm and dark_file. A file is .npz, .npy, a table of frames
    (.csv, .tsv, .parquet), or an .mcap of ours. Everything is checked before anything is kept.
    """
    from capture.bring.bring import bring
    from capture.bring.plan import Sources
    from capture.cues.script import load_script

    asked_for = load_script(script) if script is not None else None
    sources = Sources(recordings, **named)
    done = bring(sources, out, asked_for, lambda now: click.echo(now, err=True))
    if as_json:
        click.echo(json.dumps([each.to_json() for each in done], indent=2))
        return
    n_pairs, n_takes = sum(d.n_pairs for d in done), sum(d.n_takes for d in done)
    click.echo(f"{out}: {len(done)} sessions, {n_pairs} frame pairs, {n_takes} takes brought in")
