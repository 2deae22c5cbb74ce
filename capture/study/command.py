"""The command ``palmwatt study``."""

from __future__ import annotations

import json
from pathlib import Path

import click

__all__ = ["study"]


@click.command(epilog="Example: palmwatt study recordings")
@click.argument("data", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--draw", is_flag=True, help="Draw the locked set into study.toml, once, and stop.")
@click.option(
    "--readouts",
    is_flag=True,
    help="Read all readouts too: a session that is not fit for training is doubtful.",
)
@click.option("--agreement", is_flag=True, help="Say instead how the labellers agree, per class.")
@click.option("--json", "as_json", is_flag=True, help="Print all of it as JSON.")
def study(data: Path, draw: bool, readouts: bool, agreement: bool, as_json: bool) -> None:
    """Say how the study in DIR stands: who has done what, what is missing, and who is next.

    The plan is DIR/study.toml. A session is doubtful if cues were not given, a label has no good
    take, script or sensor are not the planned ones, or no consent is noted; sessions that no step
    of the plan asks for are listed. Time left counts the scripts and what recordings show to lie
    between them.
    """
    if draw:
        _draw(data, as_json)
        return
    if agreement:
        _agreement(data, as_json)
        return
    from capture.study.plan import open_study
    from capture.study.seen import Lookout, with_doubtful_labels
    from capture.study.standing import standing
    from capture.study.words import standing_figures, standing_lines

    file, seen = open_study(data), Lookout(readouts=readouts).look(data)
    if readouts:
        import numpy as np

        seen = with_doubtful_labels(seen, np.random.default_rng(0))
    now = standing(file, seen, data)
    if as_json:
        click.echo(json.dumps(standing_figures(now), indent=2))
        return
    for line in standing_lines(now):
        click.echo(line)


def _draw(data: Path, as_json: bool) -> None:
    import datetime

    from capture.study.drawing import draw_locked

    locked = draw_locked(data, datetime.datetime.now(datetime.UTC).date())
    if as_json:
        click.echo(json.dumps({"locked": list(locked)}, indent=2))
    else:
        click.echo(f"{data / 'study.toml'}: {len(locked)} locked: {', '.join(locked)}")


def _agreement(data: Path, as_json: bool) -> None:
    from capture.agree.whole import study_agreement
    from capture.agree.words import agreement_figures, agreement_lines

    found = study_agreement(data)
    if as_json:
        click.echo(json.dumps(agreement_figures(found), indent=2))
        return
    for line in agreement_lines(found):
        click.echo(line)
