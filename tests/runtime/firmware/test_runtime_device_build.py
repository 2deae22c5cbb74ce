"""A firmware folder in other people's projects: Make, CMake, Zephyr, C++, and the worked board."""

from __future__ import annotations

import io
import re
import shutil
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile
from firmware_models import small_model

from runtime.firmware.emit.device.program import BUILD_FILES, DEVICE_FILES
from runtime.firmware.emit.folder import FIRMWARE_FILES, write_firmware

BOARD = """
#include <stdlib.h>
#include "pw_board.h"
#include "pw_device.h"

extern pw_device device;
static uint32_t now_us;
static uint32_t n_fed;

uint32_t pw_board_now_us(void) { return now_us; }
void pw_board_sensor_on(void) { pw_device_sensor_ready(&device); }
void pw_board_sensor_off(void) {}
void pw_board_led_on(uint32_t current_ua) { (void)current_ua; }
void pw_board_led_off(void) {}
void pw_board_expose(uint32_t exposure_ns)
{
    now_us += exposure_ns / 1000u;
    pw_device_exposed(&device);
}
void pw_board_read_rows(uint32_t first, uint32_t n, uint16_t *lit, uint16_t *dark)
{
    for (uint32_t i = 0u; i < (n * PW_N_COLS); i++) {
        lit[i] = ((n_fed > 20u) && ((n_fed & 1u) != 0u)) ? 2000u : 100u;
        dark[i] = 0u;
    }
    pw_device_rows_read(&device, first, n);
}
void pw_board_hold_interrupts(void) {}
void pw_board_allow_interrupts(void) {}
void pw_board_wait_until(uint32_t time_us) { now_us = time_us; }
void pw_board_sleep_until(uint32_t time_us) { now_us = time_us; }
void pw_board_feed_watchdog(void)
{
    if (++n_fed == 200u) {
        exit((device.counts.dropped_rows == 0u) && (device.counts.wakes > 0u) ? 0 : 1);
    }
}
void pw_board_tell(int32_t event, const pw_state *model) { (void)event; (void)model; }
"""
"""A board of a desk that does everything at once: hooks may call back before they return."""


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty project with the folder in it, and its board."""
    found = tmp_path_factory.mktemp("project")
    write_firmware(small_model(), found / "firmware")
    (found / "board.c").write_text(BOARD)
    return found


def blocks(project: Path, heading: str) -> list[str]:
    """The README's indented blocks of code under a heading."""
    text = (project / "firmware/README.md").read_text().split(f"\n## {heading}\n")[1]
    found = re.findall(r"\n\n((?: {4,}.*\n+)+)", "\n" + text.split("\n## ")[0] + "\n")
    return [re.sub(r"^ {4}(?: {3})?", "", block, flags=re.M) for block in found]


def run(*command: str | Path, folder: Path) -> str:
    done = subprocess.run(
        [str(word) for word in command], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "warning:" not in done.stderr, done.stderr
    return done.stdout


def test_every_file_is_written_and_listed(project: Path) -> None:
    """A folder holds what is listed, no file more, and its text keeps the house rules."""
    folder = project / "firmware"
    found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    assert found == set(FIRMWARE_FILES)
    for name in (*BUILD_FILES, *DEVICE_FILES):
        text = (folder / name).read_text()
        assert text.isascii()
        assert max(map(len, text.splitlines())) <= 100, name
        if name.endswith((".c", ".h")):
            code = re.sub(r"/\*.*?\*/", "", text, flags=re.S)
            assert not re.search(r"\t|\bfloat\b|\bdouble\b|\bmalloc\b", code)


@pytest.mark.parametrize("find", ["add_subdirectory", "find_package"])
def test_by_the_readme_it_runs_in_an_empty_project(
    find: str, project: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """The README's main function and its lines for CMake make a program that watches and wakes."""
    shutil.copytree(project, tmp_path, dirs_exist_ok=True)
    main = next(b for b in blocks(project, "Into an empty project") if "pw_device_start" in b)
    include, _, declared, *statements = main.strip().splitlines()
    body = "\n".join(statements)
    (tmp_path / "main.c").write_text(
        f"{include}\n{declared.removeprefix('static ')}\nint main(void)\n{{\n{body}\n}}\n"
    )
    either, link = blocks(project, "CMake")[:2]
    line = next(line for line in either.splitlines() if line.startswith(find))
    (tmp_path / "CMakeLists.txt").write_text(
        "cmake_minimum_required(VERSION 3.13)\nproject(app C)\nadd_executable(app main.c board.c)\n"
        f"{line}\n{link}"
    )
    cmake = need_tool("cmake")
    need_tool("gcc")
    run(cmake, "-S", ".", "-B", "out", folder=tmp_path)
    run(cmake, "--build", "out", folder=tmp_path)
    run(tmp_path / "out/app", folder=tmp_path)


def test_make_builds_library_self_test_and_example(
    project: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """The README's commands; the image's vector table names a stack, a start, three interrupts."""
    make = need_tool("make")
    need_tool("arm-none-eabi-gcc")
    folder = Path(shutil.copytree(project / "firmware", tmp_path / "firmware"))
    for line in blocks(project, "Make")[0].splitlines():
        words = [word.strip('"') for word in re.findall(r'\S*"[^"]*"|\S+', line.split("#")[0])]
        words = [word.replace('"', "") for word in words]
        run(make, *words[1:], "CFLAGS=-Werror", folder=folder)
    assert "equal" in run(make, "check", folder=folder)
    image = ELFFile(io.BytesIO((folder / "build/nrf52840.elf").read_bytes()))
    table = image.get_section_by_name(".text").data()
    stack, reset, *rest = struct.unpack("<64I", table[:256])
    symbols = image.get_section_by_name(".symtab")

    def at(name: str) -> int:
        return int(symbols.get_symbol_by_name(name)[0]["st_value"])

    assert stack == 0x2004_0000
    assert reset == at("Reset_Handler")
    others = [number - 14 for number, to in enumerate(rest) if to != at("Default_Handler")]
    assert others == [3, 8, 17]
    assert [rest[14 + n] for n in others] == [
        at(f"{name}_Handler") for name in ("SPIM", "TIMER", "RTC")
    ]
    run(make, "clean", folder=folder)
    assert not (folder / "build").exists()


def test_zephyr_finds_its_sources(
    project: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """The module names its CMake and Kconfig files, and these name files and symbols that exist."""
    folder = project / "firmware"
    module = (folder / "zephyr/module.yml").read_text()
    assert "cmake: zephyr\n" in module
    kconfig = re.search(r"kconfig: (.*)\n", module)
    assert kconfig is not None
    symbols = set(re.findall(r"^config (\w+)$", (folder / kconfig[1]).read_text(), flags=re.M))
    cmake = (folder / "zephyr/CMakeLists.txt").read_text()
    assert set(re.findall(r"CONFIG_(\w+)", cmake)) == symbols
    stubs = "".join(
        f"function({name})\n  message(STATUS \"{name} ${{ARGN}}\")\nendfunction()\n"
        for name in ("zephyr_include_directories", "zephyr_library_named",
                     "zephyr_library_sources", "zephyr_compile_definitions_ifdef")
    )  # fmt: skip
    script = tmp_path / "zephyr.cmake"
    script.write_text(
        f'{stubs}set(CONFIG_PW_FIRMWARE y)\ninclude("{folder}/zephyr/CMakeLists.txt")'
    )
    told = run(need_tool("cmake"), "-P", script, folder=tmp_path)
    paths = [Path(p) for p in re.findall(r"[^\s;]+\.c\b", told)]
    assert {p.name for p in paths} == {"pw_model.c", "pw_watch.c", "pw_device.c"}
    assert all(p.is_file() for p in paths)


def test_headers_are_those_of_cplusplus_too(
    project: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """From C++ all functions have the names that C gives them."""
    source = tmp_path / "main.cpp"
    source.write_text(
        '#include "pw_device.h"\n#include "pw_board.h"\npw_device device;\n'
        "int main() { pw_device_start(&device); pw_board_feed_watchdog(); return 0; }\n"
    )
    program = need_tool("arm-none-eabi-g++")
    flags = ("-std=c++11", "-Wall", "-Wextra", "-Werror", "-mcpu=cortex-m4", "-mthumb")
    run(program, *flags, f"-I{project}/firmware", "-c", source, "-o", "main.o", folder=tmp_path)
    names = run(need_tool("arm-none-eabi-nm"), "-u", "main.o", folder=tmp_path).split()
    assert {"pw_device_start", "pw_board_feed_watchdog"} <= set(names)
