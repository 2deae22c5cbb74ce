"""The reference: built from docstrings, commands and schemas, and nothing is missing in it."""

from __future__ import annotations

import dataclasses
import html
import importlib
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from pydantic import BaseModel

from capture.cues.labels import EVENT_COLUMNS
from capture.cues.script import CueKind, Script
from capture.study.plan import Consent, Device, Drawn, PlannedScript, Station, Study
from capture.study.provenance import Provenance
from runtime.budget.inputs.library import KINDS
from runtime.budget.verdict.limits import Limits
from runtime.firmware.setting import DeviceSetting
from runtime.stages import kinds
from trainer.cli import palmwatt
from trainer.recipe import Recipe

HOUSE = Path(__file__).resolve().parent.parent
BUILD = HOUSE / ".ci" / "reference" / "build.py"
OUTSIDE = re.compile(r"""(?:src|href)\s*=\s*["']?(?:https?:)?//|url\(\s*["']?(?:https?:)?//""")


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the reference as DEVELOPERS.md says."""
    out = tmp_path_factory.mktemp("reference") / "pages"
    done = subprocess.run(
        [sys.executable, str(BUILD), str(out)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return out


def read(reference: Path, page: str) -> str:
    return (reference / f"{page}.html").read_text("utf-8")


def text_of(page: str) -> str:
    return html.unescape(re.sub(r"<[^>]*>", "", page))


@pytest.mark.parametrize("package", ["capture", "runtime", "trainer"])
def test_every_public_name_is_in_the_reference(reference: Path, package: str) -> None:
    """Each name of a front door has its section, with its docstring's first line."""
    module, page = importlib.import_module(package), read(reference, package)
    for name in module.__all__:
        assert f'<section id="{name}">' in page, name
        first = (getattr(module, name).__doc__ or "").strip().split("\n")[0]
        words = re.sub(r"[`*]", "", first).split("``")[0][:40]
        assert words in text_of(page), f"{name}: {first}"


def verbs(command: click.Command, name: str) -> Iterator[tuple[str, click.Command]]:
    yield name, command
    if isinstance(command, click.Group):
        for below, inner in command.commands.items():
            yield from verbs(inner, f"{name} {below}")


def test_every_command_and_option_is_in_the_reference(reference: Path) -> None:
    """Each verb has its section, and in it each of its arguments and options, and its example."""
    page = read(reference, "command").partition("</nav>")[2]
    sections = dict(re.findall(r"<h2[^>]*>(.*?)</h2>(.*?)(?=<h2|\Z)", page, flags=re.DOTALL))
    found = {name: command for name, command in verbs(palmwatt, "palmwatt") if name != "palmwatt"}
    assert set(sections) == set(found)
    assert len(found) >= 10
    for name, command in found.items():
        codes = set(map(html.unescape, re.findall(r"<code>([^<]*)</code>", sections[name])))
        offered = {code for each in codes for code in each.split(", ")}
        for one in command.params:
            if isinstance(one, click.Option):
                assert {*one.opts, *one.secondary_opts} <= offered, f"{name}: {one.opts}"
                assert (one.help or "") in text_of(sections[name])
            else:
                assert one.make_metavar(click.Context(command)) in offered, f"{name}: {one.name}"


def tables_in(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Return the tables of a file by the key that each stands at, as its reader has them."""
    known = {each.__name__: each for each in BaseModel.__subclasses__()}
    for each in list(known.values()):
        known |= {below.__name__: below for below in each.__subclasses__()}
    found = {}
    for key, told in model.model_json_schema()["properties"].items():
        for name in re.findall(r"#/\$defs/(\w+)", str(told)):
            found[key] = known[name]
    return found


def rows_of(page: str) -> set[str]:
    return set(re.findall(r"<td><code>([^<]*)</code></td>", page))


def test_every_key_of_a_recipe_is_in_the_reference(reference: Path) -> None:
    """Each key that a recipe may hold stands in the table of its table, with its table's words."""
    page = read(reference, "recipes")
    tables = tables_in(Recipe)
    assert {"features", "classifier", "quantity"} <= set(tables)
    keys = set(Recipe.model_fields) - set(tables)
    for name, below in tables.items():
        keys |= {f"{name}.{key}" for key in below.model_fields}
        assert (below.__doc__ or "").split("\n")[0].replace("`", "") in text_of(page)
    assert len(keys) > 40
    assert keys <= rows_of(page), keys - rows_of(page)


@pytest.mark.parametrize(
    ("model", "before"),
    [
        (Script, ""),
        (CueKind, "cue."),
        (Limits, "limits."),
        (Study, ""),
        (Consent, "consent."),
        (PlannedScript, "script."),
        (Device, "device."),
        (Station, "station."),
        (Drawn, "drawn."),
        (Provenance, ""),
    ],
)
def test_every_key_of_a_file_is_in_the_reference(
    reference: Path, model: type[BaseModel], before: str
) -> None:
    """Each key that a script, a study, limits or provenance may hold stands in a table."""
    fields = model.model_fields.items()
    keys = {before + (field.alias or name) for name, field in fields if name != "range"}
    rows = rows_of(read(reference, "formats"))
    assert keys <= rows, keys - rows


def test_every_key_of_a_part_is_in_the_reference(reference: Path) -> None:
    """Each key of each kind of part stands in the table of its kind."""
    page = read(reference, "parts")
    sections = dict(
        re.findall(r"<h2[^>]*>Kind <code>(.*?)</code></h2>(.*?)(?=<h2|\Z)", page, flags=re.DOTALL)
    )
    assert set(sections) == set(KINDS)
    for name, kind in KINDS.items():
        keys = set(kind.model_fields)
        assert keys <= rows_of(sections[name]), keys - rows_of(sections[name])


def test_every_other_format_is_in_the_reference(reference: Path) -> None:
    """Stages and their fields, columns of events, the container's topics and the wire are there."""
    formats = text_of(read(reference, "formats"))
    for kind, stage in kinds().items():
        assert f"\n{kind}\n" in formats or kind in formats.split(), kind
        for field in (each.name for each in dataclasses.fields(stage)):
            assert field in formats, f"{kind}.{field}"
    for field in dataclasses.fields(DeviceSetting):
        assert field.name in rows_of(read(reference, "formats")), field.name
    for word in (*EVENT_COLUMNS, "/frame_pairs", "/events", "test_frames.npz", "weights.npz"):
        assert word in formats, word
    protocol = (HOUSE / "capture" / "PROTOCOL.md").read_text("utf-8")
    wire = text_of(read(reference, "wire"))
    for name in re.findall(r"^\| \d+(?:\+n)? \| [^|]* \| (\w+) \|", protocol, flags=re.MULTILINE):
        assert name in wire, name


def test_the_reference_stands_alone(reference: Path) -> None:
    """Every page is reached from the first, and none asks another machine for anything."""
    pages = {path.relative_to(reference).as_posix() for path in reference.rglob("*.html")}
    linked = set(re.findall(r'href="(?:\./)?([^"#]+\.html)"', read(reference, "index")))
    assert pages - {"index.html"} <= linked
    for page in pages:
        assert not OUTSIDE.search((reference / page).read_text("utf-8")), page


@pytest.mark.slow
def test_the_same_sources_give_the_same_reference(reference: Path, tmp_path: Path) -> None:
    """Built again, every page has the same bytes: none holds a date, a path or an address."""
    again = tmp_path / "again"
    subprocess.run([sys.executable, str(BUILD), str(again)], capture_output=True, check=True)
    for path in reference.rglob("*.html"):
        assert path.read_bytes() == (again / path.relative_to(reference)).read_bytes(), path
        assert str(HOUSE) not in path.read_text("utf-8")
        assert not re.search(r" at 0x[0-9a-f]{6,}", path.read_text("utf-8")), path


def test_the_version_has_its_changes() -> None:
    """The project's version has a file of changes, headed by it."""
    project = tomllib.loads((HOUSE / "pyproject.toml").read_text("utf-8"))["project"]
    text = (HOUSE / ".changes" / f"{project['version']}.md").read_text("utf-8")
    assert text.startswith(f"# {project['version']}\n")
    assert len(re.findall(r"^- ", text, flags=re.MULTILINE)) >= 3
