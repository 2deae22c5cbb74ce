"""Build the reference: the packages' names, the command, recipes and formats, as one folder.

Usage: ``python .ci/reference/build.py [FOLDER]``; without a folder it is ``reference``, which git
ignores, and which is written anew. Everything is taken from docstrings, click's commands and the
schemas that read the files, so that it cannot say anything else than the program does. No page asks
another machine for anything.
"""

from __future__ import annotations

import re
import shutil
import sys
import types
import warnings
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent
HOUSE = HERE.parent.parent
sys.path[:0] = [str(HERE), str(HOUSE)]

import pdoc.doc  # noqa: E402  # the sources come first: the reference is of what stands here
import pdoc.render  # noqa: E402
from command_page import command_page  # noqa: E402
from format_pages import formats_page, parts_page, recipes_page  # noqa: E402

import capture  # noqa: E402
import runtime  # noqa: E402
import runtime.errors  # noqa: E402
import trainer  # noqa: E402
from runtime.files import whole_folder  # noqa: E402

FRONT_DOORS = (trainer, capture, runtime)
HANDED_OUT = (
    "runtime.errors",
    "capture.frames",
    "capture.cues.labels",
)
"""Modules of types that the front doors hand out and take."""


def pages() -> Iterator[tuple[str, str]]:
    """Yield name and Markdown of every page that is not a module."""
    yield "command", command_page()
    yield "recipes", recipes_page()
    yield "formats", formats_page()
    yield "parts", parts_page()
    protocol = (HOUSE / "capture" / "PROTOCOL.md").read_text("utf-8")
    yield "wire", protocol
    versions = sorted((HOUSE / ".changes").glob("*.md"), reverse=True)
    texts = [re.sub(r"(?m)^#", "##", file.read_text("utf-8")) for file in versions]
    yield "changes", "\n\n".join(["# Changes, the newest version first", *texts])


def _modules() -> dict[str, pdoc.doc.Module]:
    for door in FRONT_DOORS:
        for name in door.__all__:
            getattr(door, name)  # pdoc looks at what is there already
    found = {door.__name__: pdoc.doc.Module(door) for door in FRONT_DOORS}
    found |= {name: pdoc.doc.Module.from_name(name) for name in HANDED_OUT}
    for module in found.values():
        for member in module.members.values():
            if isinstance(member, pdoc.doc.Class):
                _leave_out(member)
    for name, text in pages():
        page = types.ModuleType(name, text)
        page.__docformat__ = "markdown"  # type: ignore[attr-defined]  # read by pdoc
        found[name] = pdoc.doc.Module(page)
    return found


def _leave_out(described: pdoc.doc.Class) -> None:
    """Take out what is no name of ours: files' keys have pages, scikit-learn its own reference."""
    fields = getattr(described.obj, "model_fields", ())
    for name in list(described.members):
        if name in fields or (name.startswith("set_") and name.endswith("_request")):
            del described.members[name]


def build(out: Path) -> None:
    """Write the reference into a folder that is missing or empty."""
    pdoc.render.configure(
        docformat="numpy",
        show_source=False,
        footer_text="Palmwatt",
        template_directory=HERE / "theme",
    )
    modules = _modules()
    with whole_folder(out) as folder:
        for name, module in modules.items():
            path = folder.joinpath(*name.split(".")).with_suffix(".html")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(pdoc.render.html_module(module, modules), "utf-8")
        (folder / "index.html").write_text(pdoc.render.html_index(modules), "utf-8")
        (folder / "search.js").write_text(pdoc.render.search_index(modules), "utf-8")


if __name__ == "__main__":
    warnings.simplefilter("error")  # a name that pdoc does not find is a fault
    if len(sys.argv) > 1:
        build(Path(sys.argv[1]))
    else:
        shutil.rmtree(HOUSE / "reference", ignore_errors=True)
        build(HOUSE / "reference")
