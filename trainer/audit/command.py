"""The command ``palmwatt audit``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.table import Table

    from trainer.audit.limits import Held
    from trainer.audit.whole import Audit

__all__ = ["audit"]

_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command(
    epilog="Example: palmwatt audit models/finger_count --recordings recordings "
    "--limits privacy.toml --out audit"
)
@click.argument("model", metavar="MODEL", type=click.Path(path_type=Path))
@click.option(
    "--recordings", required=True, metavar="DIR", type=click.Path(path_type=Path),
    help="Data set of people at the model's setting of the sensor.",
)  # fmt: skip
@click.option(
    "--limits", "limits_file", type=_FILE,
    help="The most that an attacker may gain (TOML); exit code 1 where a limit is broken or "
    "nobody can tell.",
)  # fmt: skip
@click.option(
    "--optic", "optic_file", type=_FILE,
    help="Calibration of the optic (.npz of patterns and responses), for sensors that are not "
    "emulated.",
)  # fmt: skip
@click.option(
    "--without-pictures", is_flag=True,
    help="Ask about people alone; needed where nobody knows the optic. No limit on pictures is "
    "kept so.",
)  # fmt: skip
@click.option(
    "--recipe", "recipe_name",
    help="Recipe that the model was made by (TOML); told by itself where it is a built-in one.",
)  # fmt: skip
@click.option(
    "--mitigations", is_flag=True,
    help="Also refit the recipe with less in each step, and say what an attacker is left with and "
    "what it costs.",
)  # fmt: skip
@click.option(
    "--out", type=click.Path(path_type=Path),
    help="Folder for audit.html, audit.json and findings.csv.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print audit.json instead of a table.")
def audit(
    model: Path,
    recordings: Path,
    out: Path | None,
    as_json: bool,
    mitigations: bool,
    without_pictures: bool,
    recipe_name: str | None,
    **files: Path | None,
) -> None:
    """Find out what each step of a model's chain gives away about people.

    From the raw pair to what the device tells, attackers of stated knowledge try to make a picture
    and to tell who it is, what they are like, and who was trained on. Every figure is a gain over a
    blind guess, with an interval over people. Of emulated takes the scenes are made again; faces
    and standing people are drawn stand-ins. An audit bounds the attackers that were tried, and no
    others.
    """
    from rich.console import Console

    from trainer.audit.limits import load_privacy_limits
    from trainer.audit.mitigation_words import mitigation_table
    from trainer.audit.page import audit_page
    from trainer.audit.whole import Asked, audit_model, refuse_unwritable, write_audit
    from trainer.recipe import load_recipe
    from trainer.tell.progress import shown_progress

    if out is not None:
        refuse_unwritable(out)
    limits_file = files["limits_file"]
    asked = Asked(
        None if limits_file is None else load_privacy_limits(limits_file),
        files["optic_file"],
        None if recipe_name is None else load_recipe(recipe_name),
        mitigations,
        pictures=not without_pictures,
    )
    with shown_progress() as tell:
        found = audit_model(model, recordings, asked, tell)
    if found.missing:
        click.echo(f"caution: {found.missing}", err=True)
    if out is not None:
        write_audit(found, out, audit_page(found))
    if as_json:
        click.echo(json.dumps(found.to_json(), indent=2, sort_keys=True))
    else:
        Console().print(_table(found))
        if found.mitigations:
            Console().print(mitigation_table(found.mitigations))
        for each in found.limits:
            click.echo(_limit_line(each))
        if out is not None:
            click.echo(f"page: {out / 'audit.html'}")
    if found.verdict not in (None, "pass"):
        raise SystemExit(1)


def _in_words(question: str) -> str:
    return question.removesuffix("_mm").replace("_", " ")


def _limit_line(held: Held) -> str:
    """Say how a limit stands: the figure that decides with its interval, or why nobody can tell."""
    limit, worst = held.limit, held.worst
    at = {"leaves": "what leaves the device", "stored": "what is stored", "any": "any step"}
    line = f"{_in_words(limit.question)} at {at.get(limit.step, limit.step)}"
    line += f", at most {limit.most_gain:g}: {held.verdict}"
    if worst is not None and worst.low is not None and worst.high is not None:
        of = f" of {worst.measure}" if limit.measure is None else ""
        interval = f"{worst.low:+.3f} to {worst.high:+.3f}"
        line += f", {worst.gain:+.3f}{of} ({interval}) at {worst.step}"
        line += f", run on to {worst.run_on_to}" if worst.run_on_to else ""
    return f"{line}; {held.why}" if held.why else line


def _table(found: Audit) -> Table:
    """Return the strongest attackers as a table: of pictures by overlap, else by the first measure.

    The other measures are in the page and in findings.csv. ``over`` are people, or drawn scenes.
    """
    from rich import box
    from rich.table import Table

    from trainer.audit.owners import SCENES

    n = found.takes.n_people
    title = f"What each step of {found.model.name} gives away ({n} people): gain over a blind guess"
    table = Table(title=title, box=box.SIMPLE, pad_edge=False)
    for heading in ("step", "asked"):
        table.add_column(heading)
    for heading in ("gain", "95 % interval"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("over", justify="right")
    table.add_column("told")
    runs_on = any(f.run_on_to for f in found.told_first)
    if runs_on:
        table.add_column("run on to")
    last = ""
    for f in found.told_first:
        step, last = f.step if f.step != last else "", f.step
        asked = _in_words(f.question)
        if f.scenes not in ("takes", SCENES):  # of taught devices the step says that
            asked += f": {f.scenes}"
        gain = "" if f.gain is None else f"{f.gain:+.3f}"
        interval = "" if f.low is None or f.high is None else f"{f.low:+.3f} to {f.high:+.3f}"
        row = (step, asked, gain, interval, str(f.n_people), f.told)
        table.add_row(*row, *((f.run_on_to,) if runs_on else ()))
    return table
