"""The command ``palmwatt``: gathers the three packages' commands, and holds those of the trainer.

Nothing heavy is imported before a command runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import json
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from capture.cli import commands as capture_commands
from runtime.cli import commands as runtime_commands
from runtime.errors import Error
from runtime.front.ending import ENDING, answered
from runtime.reproducible_floats import hold_arithmetic_steady
from trainer.audit.command import audit
from trainer.choice.command import frontier
from trainer.demo_recordings import LEAST_PEOPLE, MOST_PEOPLE, N_PEOPLE, SHIPPED_PEOPLE

__all__ = ["commands", "main"]


@click.command(
    epilog="Example: palmwatt train recordings --recipe dynamic --out models/dynamic",
)
@click.argument("data", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--recipe", "recipes", required=True, multiple=True,
    help="Recipe file (TOML), or the name of a built-in one. Given several times, the one that "
    "does best on training people held out in turn is taken.",
)  # fmt: skip
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New model folder.")
@click.option(
    "--jobs", "n_jobs", type=click.IntRange(1, 1024),
    help="Processes that fit at the same time; as many as there are cores by default.",
)  # fmt: skip
@click.option(
    "--cluster", metavar="ADDRESS",
    help="Fit on the workers of a Dask scheduler, such as tcp://host:8786. They must see DIR under "
    "the same path.",
)  # fmt: skip
@click.option(
    "--skip", metavar="STEPS", default="",
    help="Leave out, for quick work: learning-curve, quadrants, or these two with a comma "
    "between. The pages say so.",
)  # fmt: skip
@click.option(
    "--sensor", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Setting that DIR was recorded at, a sensor.toml; how its device watches goes with the "
    "model.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print evaluation.json instead of a table.")
def train(
    data: Path, recipes: tuple[str, ...], out: Path, sensor: Path | None, skip: str, **how: Any
) -> None:
    """Train, examine and export one model from the recordings in DIR.

    Whole participants are held out; those locked in the data set are used for the final test only.
    The model is the same, byte for byte, however many processes or workers fit it. A training that
    was stopped goes on where it was when it is called again.
    """
    from rich.console import Console

    from trainer.corpus.at_setting import recorded_at
    from trainer.recipe import load_recipe
    from trainer.tell.progress import shown_progress
    from trainer.tell.tables import candidates_table, evaluation_tables
    from trainer.train import train_model
    from trainer.work.cluster import chosen_workers

    read = [load_recipe(recipe) for recipe in recipes]
    left_out = [step.strip() for step in skip.split(",") if step.strip()]
    at = None if sensor is None else recorded_at(sensor, data)
    with shown_progress() as tell, chosen_workers(data, how["n_jobs"], how["cluster"]) as workers:
        evaluation = train_model(data, read, out, tell, workers, left_out, at)
    if "readouts" in evaluation:
        click.echo(_readouts_line(evaluation), err=True)
    for caution in evaluation["cautions"]:
        click.echo(f"caution: {caution['text']}", err=True)
    if how["as_json"]:
        click.echo(json.dumps(evaluation, indent=2, sort_keys=True))
        return
    console = Console()
    if "candidates" in evaluation:
        console.print(candidates_table(evaluation["candidates"]))
    for table in evaluation_tables([evaluation]):
        console.print(table)
    click.echo(f"model: {out}")


def _readouts_line(evaluation: dict[str, Any]) -> str:
    """Say what the readouts were like and what the level stage leaves of them, fit or not."""
    from capture.measure.readiness import Light

    line, bits = f"readouts: {Light(**evaluation['readouts'])}", evaluation.get("level_bits")
    return line if bits is None else f"{line}; {bits:.1f} bits used after the level stage"


@click.command(epilog="Example: palmwatt demo --out demo-out")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New or empty folder.")
@click.option(
    "--people", type=click.IntRange(LEAST_PEOPLE, MOST_PEOPLE), default=N_PEOPLE, show_default=True,
    help="How many hold up fingers. Of more they are told better; the models that Palmwatt comes "
    f"with are made with {SHIPPED_PEOPLE}, in some five minutes.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON, without a table.")
def demo(out: Path, people: int, as_json: bool) -> None:
    """Do the whole job with an emulated sensor and invented participants.

    Records through a real serial port, trains three models, exports, verifies and budgets them, and
    writes a report. Recordings, models and report are the same bytes on every run.
    """
    from trainer.demo import run_demo

    run_demo(out, people, as_json=as_json)


commands: tuple[click.Command, ...] = (train, frontier, audit, demo)


@click.group(
    epilog="Example: palmwatt demo --out demo-out", context_settings={"max_content_width": 100}
)
@click.version_option(package_name="palmwatt", prog_name="palmwatt")
def palmwatt() -> None:
    """Gesture models for a lensless optical sensor, priced in microwatts."""


for _command in (*commands, *capture_commands, *runtime_commands):
    palmwatt.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 the answer is no, 2 the input or the call is wrong.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program's name; those of the process by default.
    """
    hold_arithmetic_steady()
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        # A sensor that nobody tells to stop keeps its LED on, and files would stay half-made.
        # What a program around this one has taken for itself stays its own.
        asked = [each for each in ENDING if signal.getsignal(each) is signal.SIG_DFL]
        with answered(asked, signal.default_int_handler):
            code = palmwatt.main(words, prog_name="palmwatt", standalone_mode=False)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.ctx.get_help() if error.ctx else "", err=True)
        sys.exit(2)
    except click.ClickException as error:
        _fail(error.format_message(), 2)
    except (click.Abort, KeyboardInterrupt):
        _fail("stopped", 130)
    except Error as error:
        _fail(str(error), error.exit_code)
    except OSError as error:
        _fail(f"{error.filename or 'file'}: {error.strerror or error}", 2)
    sys.exit(code if isinstance(code, int) else 0)


def _fail(message: str, code: int) -> None:
    click.echo("palmwatt: " + " ".join(message.split()), err=True)
    sys.exit(code)
