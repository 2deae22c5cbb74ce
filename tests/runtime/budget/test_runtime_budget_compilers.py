"""The compiler of a price is named, and others stand beside it only where they are asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from budget_models import CORES, write_folder
from click.testing import CliRunner

from runtime.budget import Budget, Computation, budget, with_other_compilers
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
    folder: Path, priced: Budget, need_tool: Callable[[str], str]
) -> None:
    """Each compiler on the path that has the controller's core gives a price of its own."""
    need_tool("arm-none-eabi-gcc")
    before = (folder / "profile.json").read_bytes()
    both = with_other_compilers(priced, folder, None, Computation())
    assert (folder / "profile.json").read_bytes() == before
    found = both.to_json()
    gcc = next(x for x in found["other_compilers"] if "arm-none-eabi-gcc" in x["compiler"])
    share = gcc["instructions_per_frame"] / priced.core.instructions_per_frame
    assert 0.5 < share < 1.5 and share != 1.0
    assert gcc["average_uw"]["median"] == pytest.approx(priced.average_uw.median, rel=0.05)
    assert gcc["average_uw"] != found["average_uw"]
    page = budget_page([both])
    assert "By other compilers" in page
    assert all(price.compiler in page for price in (both.own_price, *both.other_compilers))


@pytest.mark.slow
def test_a_price_by_another_compiler_is_a_what_if(
    folder: Path, priced: Budget, need_tool: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Priced by a GCC and by others, the model's own folder stays as it is; each has its line."""
    need_tool("arm-none-eabi-gcc")
    monkeypatch.setattr("runtime.firmware.machine.execute.executable_cores", lambda _: (CORES, ()))
    both = ("zig", "arm-none-eabi-gcc")
    monkeypatch.setattr("runtime.budget.other_compilers.compilers_of", lambda _: both)
    before = {path: path.read_bytes() for path in folder.iterdir()}
    command = next(c for c in commands if c.name == "budget")
    asked = [str(folder), "--compiler", "arm-none-eabi-gcc", "--compilers"]
    done = CliRunner().invoke(command, asked)
    assert done.exit_code == 0, done.output
    assert "a what-if, written nowhere" in done.output
    lines = [line for line in done.output.splitlines() if " instructions (" in line]
    assert [line.split()[0] for line in lines] == ["arm-none-eabi-gcc", "zig"]
    assert priced.core.compiler in lines[1]
    assert "(+0.0%)" in lines[0] and "(+0.0%)" not in lines[1]
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
