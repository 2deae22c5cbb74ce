"""Where a budget's files go: into the model's folder, or apart, as a what-if does."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from runtime.budget.page.card_section import put_on_card
from runtime.budget.page.report import write_report
from runtime.budget.price.profiles import write_json
from runtime.budget.result import Budget
from runtime.errors import UsageError
from runtime.files import read_limited

__all__ = ["check_place", "new_folder", "refuse_foreign", "write_budget", "write_results"]

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")


def check_place(out: Path | None, name: str | None) -> None:
    """Refuse a name that is no file's, and a folder that is a model's or is named like a file.

    Raises
    ------
    UsageError
        A what-if never touches a model's folder.
    """
    if name is not None and not _NAME.fullmatch(name):
        raise UsageError("--name", "the name", repr(name), "up to 60 letters, digits, - and _")
    if out is not None and out.suffix in (".html", ".json"):
        raise UsageError("--out", str(out), "named like a file", "a folder")
    if out is not None:
        _refuse_model(out)


def _refuse_model(folder: Path) -> None:
    if (folder / "model.json").exists():
        raise UsageError(
            "--out", str(folder), "a model's folder", "another one",
            "a what-if never touches a model's folder",
        )  # fmt: skip


def new_folder(path: Path) -> Path:
    """Make a folder where there is none.

    Raises
    ------
    UsageError
        It cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError("--out", str(path), f"refused ({error.strerror})", "a folder") from None
    return path


def refuse_foreign(path: Path) -> None:
    """Let an older budget or comparison be replaced, and nothing else.

    Raises
    ------
    UsageError
        A file is there that is neither.
    """
    if not path.exists():
        return
    content = read_limited(path) if path.is_file() else b""
    ours = b"<title>Power budget", b"<title>Two power budgets", b'"average_uw"'
    if not any(words in content for words in ours):
        raise UsageError(
            str(path), "the file", "there already, and no budget", "a free name",
            "choose another --name or --out",
        )  # fmt: skip


def write_budget(result: Budget, model_dir: Path) -> Path:
    """Write ``budget.json`` into a model's folder, and the headline on its card."""
    path = model_dir / "budget.json"
    write_json(path, result.to_json())
    put_on_card(result, model_dir)
    return path


def write_results(
    results: Sequence[Budget], folders: Sequence[Path], out: Path | None, name: str = "budget"
) -> Path:
    """Write each budget's JSON and one page; return the page's path.

    Parameters
    ----------
    results : sequence of Budget
    folders : sequence of Path
        The models' folders, in the same order.
    out : Path or None
        Folder of a what-if, made where there is none; several models get a folder each in it. None
        for the models' own folders.
    name : str
        Of the files, without ``.json`` and ``.html``.

    Raises
    ------
    UsageError
        A file of the name is there that is no budget, or a place is a model's folder; nothing is
        written then.
    """
    if out is None:
        places = list(folders)
    elif len(results) == 1:
        places = [out]
    else:
        names = [folder.resolve().name for folder in folders]
        places = [
            out / (f"{each}-{i + 1}" if names.count(each) > 1 else each)
            for i, each in enumerate(names)
        ]
    page = (out or folders[0]) / f"{name}.html"
    if out is not None:
        for place in places:
            _refuse_model(place)
        for path in (page, *(place / f"{name}.json" for place in places)):
            refuse_foreign(path)
    for result, place in zip(results, places, strict=True):
        if out is None:
            write_budget(result, place)
        else:
            write_json(new_folder(place) / f"{name}.json", result.to_json())
    return write_report(results, page)
