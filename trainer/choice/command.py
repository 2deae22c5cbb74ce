"""The command ``palmwatt frontier``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

__all__ = ["frontier"]

_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)


@click.command(
    epilog='Example: palmwatt frontier recordings --recipe dynamic --out frontier --pick "uw<50"'
)
@click.argument("data", metavar="DIR", type=click.Path(path_type=Path))
@click.option(
    "--recipe", "recipes", required=True, multiple=True,
    help="Recipe file (TOML), or a built-in one; several are models of different size to try.",
)  # fmt: skip
@click.option(
    "--out", required=True, type=click.Path(path_type=Path),
    help="Folder for frontier.html, frontier.json, frontier.csv and picked models.",
)  # fmt: skip
@click.option("--knobs", type=_FILE, help="What to try (TOML); the built-in list by default.")
@click.option(
    "--search", "n_settings", type=click.IntRange(2, 2000), metavar="N",
    help="Try N settings of a larger list: a third spread evenly, then those by which the front is "
    "foretold to grow most.",
)  # fmt: skip
@click.option(
    "--pick", "wishes", multiple=True, metavar="WISH",
    help='Make the model of a point: "uw<50" takes the best below, "f1>0.97" the cheapest above. '
    "Of uw, f1, accuracy and misses, with and between; of other tasks error, mm, mrad, valid, hz, "
    "exact, within_one. May be given again.",
)  # fmt: skip
@click.option("--limits", "limits_file", type=_FILE, help="Limits to hold every point against.")
@click.option("--host", help="Host device of the parts library.")
@click.option("--mcu", help="Controller of the parts library.")
@click.option("--led", help="LED of the parts library.")
@click.option("--usage", help="Usage profile of the parts library.")
@click.option("--readout", help="Class of sensor readout of the parts library.")
@click.option("--parts", type=_FILE, help="Your own parts, laid over the library.")
@click.option(
    "--jobs", "n_jobs", type=click.IntRange(1, 1024),
    help="Processes that fit at the same time; as many as there are cores by default.",
)  # fmt: skip
@click.option(
    "--cluster", metavar="ADDRESS",
    help="Fit on the workers of a Dask scheduler. They must see DIR under the same path.",
)  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print frontier.json instead of a table.")
def frontier(
    data: Path, recipes: tuple[str, ...], out: Path, wishes: tuple[str, ...], **asked: Any
) -> None:
    """Draw accuracy against microwatts over sensor settings, from recordings at full light.

    Readouts are thinned to what less LED light, shorter exposures, fewer rows, frames and bits
    would have given; models are trained and priced there, the better ones in full. For a light's
    place it is the error that is drawn, for presence and count what is right of held-out places,
    and no LED is turned. A search that was stopped goes on where it was. With --limits, exit code
    1 if no point of the front keeps them.
    """
    from rich.console import Console

    from runtime.errors import UsageError
    from trainer.choice.outcome import Request, frontier_table, make_picked, search
    from trainer.choice.tried.knobs import BUILT_IN, load_knobs
    from trainer.choice.unlit.measures import KNOBS_OF, measured_by, quantities_of
    from trainer.choice.worth.pick import parse_wish
    from trainer.recipe import load_recipe
    from trainer.tell.progress import shown_progress
    from trainer.work.cluster import chosen_workers

    read = tuple(load_recipe(recipe) for recipe in recipes)
    kinds = {measured_by(recipe) for recipe in read}
    if len(kinds) > 1:
        raise UsageError(
            "frontier", "recipes", "of different tasks", "of one and the same",
            "search them one by one",
        )  # fmt: skip
    kind = kinds.pop()
    wanted = [parse_wish(wish, quantities_of(kind)) for wish in wishes]  # told before any fit
    knobs = load_knobs(asked.pop("knobs"), KNOBS_OF.get(kind or "", BUILT_IN))
    n_jobs, cluster, as_json = (asked.pop(key) for key in ("n_jobs", "cluster", "as_json"))
    with shown_progress() as tell, chosen_workers(data, n_jobs, cluster) as workers:
        found, told = search(Request(data, read, knobs, asked), out, workers, tell)
        made = make_picked(found, told, wanted, out, workers, tell)
    if as_json:
        click.echo(json.dumps(told, indent=2, sort_keys=True))
    else:
        Console().print(frontier_table(told))
        click.echo(f"page: {out / 'frontier.html'}")
    for wish, name, folder, line in made:
        click.echo(f"{wish}: {name}, {line}; model: {folder}", err=as_json)
    if not any(point["keeps_limits"] for point in told["points"] if point["on_front"]):
        raise SystemExit(1)
