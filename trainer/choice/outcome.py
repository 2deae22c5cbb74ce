"""What a search leaves behind: page, table and JSON, and the models that are picked."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.table import Table

from runtime.budget import Choice, Limits, budget, load_limits, write_budget, write_report
from runtime.budget.gather import chosen_parts
from runtime.budget.inputs.library import load_parts
from runtime.errors import FormatError, UsageError
from runtime.files import write_whole
from runtime.firmware.sensor_file import SENSOR_FILE, read_sensor_file
from runtime.model import load_model
from runtime.verification.verify import verify
from trainer.choice.frontier import Frontier, Point, find_frontier
from trainer.choice.page import frontier_page, letters
from trainer.choice.told import frontier_csv, frontier_json
from trainer.choice.tried.asked import Asked, Notify
from trainer.choice.tried.knobs import Knobs
from trainer.choice.unlit.found import UnlitFrontier, UnlitPoint
from trainer.choice.unlit.measures import measured_by
from trainer.choice.unlit.page import unlit_page
from trainer.choice.unlit.search import find_unlit
from trainer.choice.unlit.told import unlit_csv, unlit_json
from trainer.choice.worth.pick import Wish, pick
from trainer.corpus.recordings import open_corpus
from trainer.recipe import Recipe
from trainer.train import train_model
from trainer.work.jobs import Workers

__all__ = ["Request", "frontier_table", "make_picked", "refuse_another", "search", "verified"]

_FILES = ("frontier.html", "frontier.json", "frontier.csv")
VERIFIED_FRAMES = 40
"""Of a picked model, as many as are executed to price it."""
LEFT_OUT = ("learning-curve", "quadrants")
"""Of a picked model's training: the front has told of both."""


@dataclass(frozen=True, slots=True)
class Request:
    """What is asked on the command line.

    Parameters
    ----------
    data : Path
        Data set.
    recipes : tuple of Recipe
    knobs : Knobs
    priced : mapping
        Names of parts where others than the default are wanted, ``parts``, ``limits_file`` and
        ``n_settings``.
    """

    data: Path
    recipes: tuple[Recipe, ...]
    knobs: Knobs
    priced: Mapping[str, Any]

    def asked(self) -> Asked:
        """Return it as a search takes it.

        Raises
        ------
        FormatError
            The file of limits or of parts is faulty.
        UsageError
            A part is unknown.
        """
        named = {key: value for key, value in self.priced.items() if value is not None}
        parts, limits_file = named.pop("parts", None), named.pop("limits_file", None)
        n_settings = named.pop("n_settings", None)
        limits = load_limits(limits_file) if limits_file else Limits()
        choice = Choice(**named)
        chosen_parts(load_parts(parts), choice)  # told before any fit
        return Asked(self.data, self.recipes, self.knobs, choice, parts, limits, n_settings)


def search(
    request: Request, out: Path, workers: Workers, tell: Notify
) -> tuple[Frontier | UnlitFrontier, dict[str, Any]]:
    """Search, and write page, JSON and table.

    Parameters
    ----------
    request : Request
    out : Path
        Missing or empty, or holding an earlier frontier.

    Raises
    ------
    UsageError
        `out` holds other files, or as :func:`trainer.choice.frontier.find_frontier` and, for
        light that is not the device's own, :func:`trainer.choice.unlit.search.find_unlit` raise it.
    """
    _refuse_other_files(out)
    asked = request.asked()
    found: Frontier | UnlitFrontier
    if measured_by(asked.recipes[0]) is None:
        found = find_frontier(asked, workers, tell)
        told = frontier_json(found)
        table, page = frontier_csv(told), frontier_page(told)
    else:
        found = find_unlit(asked, workers, tell)
        told = unlit_json(found)
        table, page = unlit_csv(told), unlit_page(told)
    out.mkdir(parents=True, exist_ok=True)
    write_whole(out / "frontier.json", (json.dumps(told, indent=1, sort_keys=True) + "\n").encode())
    write_whole(out / "frontier.csv", table.encode())
    write_whole(out / "frontier.html", page.encode())
    return found, told


def _refuse_other_files(out: Path) -> None:
    if not out.exists():
        return
    if not out.is_dir() or {path.name for path in out.iterdir()} - {*_FILES, "models"}:
        raise UsageError(
            str(out), "output folder", "in use", "missing, empty, or of an earlier frontier",
            "name another",
        )  # fmt: skip


def make_picked(
    found: Frontier | UnlitFrontier,
    told: Mapping[str, Any],
    wishes: Sequence[Wish],
    out: Path,
    workers: Workers,
    tell: Notify,
) -> list[tuple[str, str, Path, str]]:
    """Train the points that are wished for, with the locked people; price and verify each.

    Returns
    -------
    list of (wish, name, folder, line)
        The line says what the model itself was found to be.

    Raises
    ------
    UsageError
        A folder of an earlier front holds a model of a point's name that is not the point's.
    FormatError
        Not all executions of a model give the same bits.
    """
    named = {point["name"]: point for point in told["points"]}
    front = [named[name] for name in told["front"]]
    chosen = [(wish.text, found.on_front[pick(wish, front)]) for wish in wishes]
    made = []
    for text, point in chosen:
        name = point.tried.name
        folder = out / "models" / name
        if folder.exists():
            refuse_another(folder, found.asked.data, point)
        else:
            tell(f"{name}: training for good")
            at = point.tried.at(point.device)
            recipe = point.tried.option.recipe
            left_out = LEFT_OUT if measured_by(recipe) is None else ()
            train_model(found.asked.data, recipe, folder, tell, workers, left_out, at)
        priced = budget(
            folder,
            choice=found.asked.choice,
            parts=found.asked.parts,
            limits=found.asked.limits,
            cores=(),
        )
        write_budget(priced, folder)
        write_report([priced], folder / "budget.html")
        median, promised = priced.average_uw.median, _promised(named[name], told)
        tell(f"{name}: verifying all executions")
        said = f"{median:.1f} µW where {point.uw:.1f} were foretold, {promised}; "
        said += verified(folder, [priced.core.core])
        made.append((text, name, folder, said))
    return made


def _promised(point: Mapping[str, Any], told: Mapping[str, Any]) -> str:
    """Return what a point is expected to do before others, as it stands in frontier.json."""
    kept = point["promise"]
    ends = [f"{end:.3f}" if end is not None else "none" for end in (kept["low"], kept["high"])]
    unit = f" {told['unit']}" if told.get("unit") else ""
    return f"{told['measure']} {kept['value']:.3f}{unit} ({' to '.join(ends)}) at the setting"


def verified(folder: Path, cores: Sequence[str]) -> str:
    """Execute a picked model everywhere, and on emulated cores; return the words for it.

    Raises
    ------
    FormatError
        Not all executions give the same bits, or a file is not the model's.
    """
    said = verify(folder, cores, VERIFIED_FRAMES)
    if not said.ok:
        first = next(one for one in said.comparisons if not one.equal)
        do = f"see where they differ with palmwatt verify {folder}"
        raise FormatError(
            str(folder), first.execution, "not the model's", "the same bits everywhere", do
        )
    return "the same bits everywhere" + "".join(f" and on {core}" for core in cores)


def refuse_another(folder: Path, data: Path, point: Point | UnlitPoint) -> None:
    """Refuse a model that was made of other recordings, by another recipe, or to watch otherwise.

    Raises
    ------
    UsageError
        It is; the line says what to do.
    FormatError
        The model, its setting or the data set is not readable.
    """
    tried, made_of = point.tried, load_model(folder).provenance
    recipe = tried.option.recipe
    corpus = open_corpus(data.absolute(), recipe).at(tried.setting)
    kept = made_of.get("data"), read_sensor_file(folder / SENSOR_FILE)
    wanted = corpus.digest, tried.file(point.device)
    known = {form.digest() for form in recipe.forms}
    if kept != wanted or made_of.get("recipe") not in known:
        raise UsageError(
            str(folder), "model of this name",
            "of other recordings, another recipe or another way to watch", "that of this front",
            "remove it, or name another --out",
        )  # fmt: skip


def frontier_table(told: Mapping[str, Any]) -> Table:
    """Return the front as people read it in a terminal."""
    named = {point["name"]: point for point in told["points"]}
    table = Table(title=f"{told['measure']} against microwatts: what is worth having")
    for heading in ("", "µW", told["measure"], "stays", "minutes"):
        table.add_column(heading, justify="right" if heading else "left", no_wrap=True)
    table.add_column("setting", overflow="fold")
    for name, letter in letters(told["front"]).items():
        p = named[name]
        table.add_row(
            letter + (" knee" if name == told["knee"] else ""), f"{p['uw']:.1f}",
            f"{p.get('value', p['score']):.3f}", f"{p['share_on_front']:.2f}",
            f"{p['minutes']:.2f}", name,
        )  # fmt: skip
    return table
