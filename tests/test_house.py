"""The house itself: its rooms, which way imports point, and how fast the front door opens."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from readme_commands import readme_commands

HOUSE = Path(__file__).resolve().parent.parent
PACKAGES = ("capture", "runtime", "trainer")
ROOMS = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "LICENSE",
    "capture",
    "trainer",
    "runtime",
    "tests",
    "models",
}
HEAVY = (
    *("numpy", "scipy", "sklearn", "skl2onnx", "onnx", "onnxruntime", "matplotlib", "unicorn"),
    *("capstone", "elftools", "mcap", "serial", "pydantic", "jinja2", "joblib", "starlette"),
)

modules = sorted(
    str(path.relative_to(HOUSE).with_suffix("")).replace("/", ".").removesuffix(".__init__")
    for package in PACKAGES
    for path in (HOUSE / package).rglob("*.py")
)


def test_top_level_holds_the_rooms_of_the_design_and_nothing_else() -> None:
    """Apart from dot-files, the top level is exactly the nine entries of the design."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=HOUSE, capture_output=True, text=True, check=False
    )
    # A copy without history (as CI uses) has no index to ask: there the folder itself is the list.
    here = [path.name for path in HOUSE.iterdir()]
    files = listed.stdout.split("\n") if listed.returncode == 0 else here
    top = {name.split("/")[0] for name in files if name and not name.startswith(".")}
    assert top == ROOMS


def test_imports_only_point_down() -> None:
    """Trainer may import capture and runtime, capture may import runtime, runtime neither."""
    floor = {"runtime": 0, "capture": 1, "trainer": 2}
    for package in PACKAGES:
        for path in (HOUSE / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = (
                    [alias.name for alias in node.names]
                    if isinstance(node, ast.Import)
                    else [node.module or ""]
                    if isinstance(node, ast.ImportFrom) and node.level == 0
                    else []
                )
                for name in names:
                    target = name.split(".")[0]
                    if target in floor:
                        assert floor[target] <= floor[package], f"{path}: imports {name}"


def test_import_contract_file_agrees() -> None:
    """The import contract in pyproject.toml is kept."""
    done = subprocess.run(
        [str(Path(sys.executable).parent / "lint-imports"), "--no-cache"],
        cwd=HOUSE,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


rooms = sorted(
    path
    for package in PACKAGES
    for path in (HOUSE / package, *(HOUSE / package).rglob("*"))
    if path.is_dir() and any(path.glob("*.py"))
)


@pytest.mark.parametrize("room", rooms, ids=lambda room: str(room.relative_to(HOUSE)))
def test_every_room_says_what_is_behind_its_door_and_is_small(room: Path) -> None:
    """A folder of modules opens with a docstring of its own, and holds a dozen modules at most."""
    text = ast.get_docstring(ast.parse((room / "__init__.py").read_text(encoding="utf-8")))
    assert text
    assert len(text) > 60, f"{room}: its docstring does not say what is behind the door"
    files = [path for path in room.glob("*.py") if path.name != "__init__.py"]
    assert len(files) <= 12, f"{room}: {len(files)} modules; open a room inside it"


def test_every_room_stands_in_an_import_contract() -> None:
    """Each folder that holds rooms names all that is in it as layers, so that none is forgotten."""
    contracts = tomllib.loads((HOUSE / "pyproject.toml").read_text(encoding="utf-8"))
    layered = {
        container
        for contract in contracts["tool"]["importlinter"]["contracts"]
        for container in contract.get("containers", ())
        if contract.get("exhaustive")
    }
    with_rooms = {
        ".".join(room.relative_to(HOUSE).parts)
        for room in rooms
        if any(r.parent == room for r in rooms)
    }
    assert with_rooms <= layered


def test_no_import_goes_round_in_a_circle() -> None:
    """No module reaches itself by its imports, those inside functions included."""
    graph = {name: set(_imported(name)) for name in modules}
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path[path.index(name) :], name))
        if name not in done:
            for target in sorted(graph.get(name, ())):
                visit(target, (*path, name))
            done.add(name)

    for name in modules:
        visit(name, ())


def _imported(name: str) -> Iterator[str]:
    """Return the modules of this house that a module imports by name, wherever in its text."""
    path = HOUSE.joinpath(*name.split("."))
    path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            inner = [f"{node.module}.{alias.name}" for alias in node.names]
            yield from (each if each in modules else node.module for each in inner)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("name", modules)
def test_every_name_a_module_offers_exists(name: str) -> None:
    """Each module imports on its own, and each name in its ``__all__`` is there."""
    module = importlib.import_module(name)
    for offered in getattr(module, "__all__", ()):
        assert hasattr(module, offered), f"{name}.{offered}"


def test_help_loads_nothing_heavy() -> None:
    """``palmwatt --help`` answers without importing any of the libraries that take long to load."""
    code = (
        "import sys\nfrom trainer.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd="/"
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.rstrip().endswith("[]"), done.stdout


def test_readme_opens_with_two_commands() -> None:
    """The README's first two commands are the demo and the tests, and both make an environment."""
    commands = readme_commands((HOUSE / "README.md").read_text(encoding="utf-8"))
    for command in commands.values():
        assert command.startswith("python3 -m venv .venv && ")
        assert not re.search(r"\b(apt|sudo|brew)\b", command)
