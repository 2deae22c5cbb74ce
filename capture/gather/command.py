"""The commands ``palmwatt merge`` and ``palmwatt export``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

__all__ = ["export", "merge"]

_PATH = click.Path(path_type=Path)


@click.command(epilog="Example: palmwatt merge station-a station-b --out study")
@click.argument("sources", metavar="DIR DIR...", nargs=-1, required=True, type=_PATH)
@click.option("--out", required=True, type=_PATH, help="New folder; it appears when all is in it.")
@click.option("--json", "as_json", is_flag=True, help="Print what was done as JSON.")
def merge(sources: tuple[Path, ...], out: Path, as_json: bool) -> None:
    """Make one data set of several, and leave them as they are.

    Every file is hashed before and after it is copied, and readouts are held against their own
    check sums. Tables of people are joined row by row; a file that several hold must be the same.
    If anything disagrees, each conflict is one line, nothing is written, and the exit code is 1.
    """
    from capture.gather.merge import merge as merge_sets

    done = merge_sets(sources, out)
    if as_json:
        click.echo(json.dumps(done.to_json(), indent=2))
    else:
        for line in done.lines():
            click.echo(line)
    if done.conflicts:
        sys.exit(1)


@click.command(epilog="Example: palmwatt export recordings --out shared --author 'A. Collector'")
@click.argument("data", metavar="DIR", type=_PATH)
@click.option("--out", required=True, type=_PATH, help="New folder.")
@click.option(
    "--author", "authors", multiple=True, help="Who is named; by default the study's authors."
)
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def export(data: Path, out: Path, authors: tuple[str, ...], as_json: bool) -> None:
    """Copy DIR as a validator of BIDS accepts it: labels at the front, recordings as source data.

    Tasks lose their underscores, tables get descriptions; readouts, edits and labellers' tables
    stay as they are below sourcedata.
    """
    from capture.gather.bids import export as export_set

    done = export_set(data, out, authors)
    if as_json:
        click.echo(json.dumps(done.to_json(), indent=2))
        return
    for line in done.lines():
        click.echo(line)
