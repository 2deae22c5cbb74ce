"""The compiler of a price is named, and others stand beside it only where they are asked for."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from budget_models import CORES, write_folder
from click.testing import CliRunner

from runtime.budget import Budget, budget
from runtime.budget.page.card_section import card_section
from runtime.budget.page.report import budget_page
from runtime.cli import commands
from runtime.firmware.machine.compile import compiler_version, compilers_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("models") / "dynamic")


@pytest.fixture(scope="module")
def priced(folder: Path) -> Budget:
    return budget(folder, cores=CORES)


def test_a_budget_names_its_compiler(priced: Budget) -> None:
    """JSON, page and card name the compiler and the level; of others they say nothing."""
    words = f"{compiler_version('zig')} -O2"
    found = priced.to_json()
    assert (found["compiler"], found["other_compilers"]) == (words, [])
    page = budget_page([priced])
    assert f"C by {words}" in page
    assert "By other compilers" not in page
    assert f"compiled by {words}." in card_section(priced)
    assert words in budget_page([priced, priced]).split("</table>")[0]


def test_the_compilers_of_a_machine(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """First comes zig; another counts where it is on the path and has the core, clang with lld."""
    monkeypatch.setenv("PATH", str(tmp_path))
    assert compilers_of("cortex-m4") == ("zig",)

    def put(name: str) -> None:
        (tmp_path / name).write_text("#!/bin/sh\n")
        (tmp_path / name).chmod(0o755)

    put("arm-none-eabi-gcc")
    put("clang")
    assert compilers_of("cortex-m4") == ("zig", "arm-none-eabi-gcc")
    assert compilers_of("rv32imc") == ("zig",)
    put("ld.lld")
    put("riscv64-unknown-elf-gcc")
    assert compilers_of("rv32imc") == ("zig", "riscv64-unknown-elf-gcc", "clang")


@pytest.mark.slow
def test_other_compilers_stand_beside_the_first(
    folder: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """--compilers prices the model by each compiler on the path, apart from the model's folder."""
    need_tool("arm-none-eabi-gcc")
    before = sorted(path.name for path in folder.iterdir())
    command = next(c for c in commands if c.name == "budget")
    done = CliRunner().invoke(command, [str(folder), "--compilers", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    assert sorted(path.name for path in folder.iterdir()) == before
    found = json.loads((tmp_path / "out" / "budget.json").read_text())
    gcc = next(x for x in found["other_compilers"] if "arm-none-eabi-gcc" in x["compiler"])
    own = found["profiles"]["cortex-m33"]
    assert gcc["instructions_per_frame"] != own["instructions_per_frame"]
    assert 0.5 < gcc["instructions_per_frame"] / own["instructions_per_frame"] < 1.5
    assert gcc["average_uw"]["median"] == pytest.approx(found["average_uw"]["median"], rel=0.05)
    assert gcc["average_uw"] != found["average_uw"]
    words = f"{gcc['compiler']}: {gcc['instructions_per_frame']:,.0f} instructions"
    assert words in done.output
    assert "By other compilers" in (tmp_path / "out" / "budget.html").read_text()


@pytest.mark.slow
def test_a_price_by_another_compiler_is_a_what_if(
    folder: Path, need_tool: Callable[[str], str]
) -> None:
    """Priced by a GCC, the model's own budget stays as it is."""
    need_tool("arm-none-eabi-gcc")
    before = sorted(path.name for path in folder.iterdir())
    command = next(c for c in commands if c.name == "budget")
    done = CliRunner().invoke(command, [str(folder), "--compiler", "arm-none-eabi-gcc"])
    assert done.exit_code == 0, done.output
    assert "a what-if" in done.output
    assert "compiled by arm-none-eabi-gcc" in done.output
    assert sorted(path.name for path in folder.iterdir()) == before
