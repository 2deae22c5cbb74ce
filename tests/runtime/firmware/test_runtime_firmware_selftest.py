"""The test that a board runs by itself: small, wide, and able to fail."""

from __future__ import annotations

import dataclasses
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from compiler_matrix import every_kernel_model
from firmware_models import EXECUTED, small_model

from runtime.firmware.emit.folder import firmware_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.scenes import (
    EXTREMES,
    KEYS,
    SCENE_FRAMES,
    choose_scenes,
    extreme_frames,
    scene_frames,
)
from runtime.firmware.emit.selftest import hashed
from runtime.firmware.machine.compile import WARNINGS, compile_for
from runtime.firmware.machine.execute import run_selftest
from runtime.model import Model
from runtime.stages.bins import Bins

PLANTED = [
    ("sum += (int32_t)lit[col];", "sum -= (int32_t)lit[col];"),
    ("sum -= (int32_t)dark[col];", "sum += (int32_t)dark[col];"),
    ("if (row >= 16u)", "if (row >= 15u)"),
    ("+ 16384, 15)", "+ 0, 15)"),
    (", 0, 127);", ", 0, 126);"),
    ("x[i] > next", "x[i] >= next + 1"),
    ("< 2) {", "< 3) {"),
    ("_hold[0] -= 1;", "_hold[0] -= 2;"),
    ("_hold[0] = 3;", "_hold[0] = 4;"),
    ("wanted != s->s4_active[0]", "wanted == s->s4_active[0]"),
    ("s->rows_done != 16u", "s->rows_done > 16u"),
    ("seen > PW_MAX_COUNTS", "seen > 65535u"),
    ("    s2_run(s->odd.s1_y, s->even.s2_y);\n", ""),
]
"""Faults in the small model's C: what is there, what is planted instead."""


def write(files: dict[str, str], folder: Path) -> Path:
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


@pytest.fixture(scope="module")
def searched() -> dict[str, str]:
    """The small model's folder as it is written, with scenes that were searched for."""
    return firmware_text(small_model())


def numbers(files: dict[str, str]) -> tuple[int, int, int, int]:
    """Return the frames, events, events held off and bytes of vectors that the header states."""
    head = files["pw_vectors.h"].split("*/")[0]
    found = re.findall(r"\d+(?= (?:frames|events|held|bytes))", head)
    frames, events, held, n_bytes = map(int, found)
    return frames, events, held, n_bytes


def test_it_is_small_and_meets_events(searched: dict[str, str]) -> None:
    """At most 8 KiB of vectors; two events and more are told, and one is held off."""
    frames, events, held, n_bytes = numbers(searched)
    assert n_bytes <= 8192
    assert frames == 5 * SCENE_FRAMES + EXTREMES
    assert events >= 2
    assert held >= 1


def test_rings_are_filled_and_wrapped() -> None:
    """A longer window gets more scenes, until the most there are."""
    model = every_kernel_model()
    short = len(choose_scenes(model, 0)) // KEYS
    stages = list(model.stages)
    stages[4] = dataclasses.replace(stages[4], segment_length=60)
    long = dataclasses.replace(model, stages=tuple(stages))
    n_scenes = len(choose_scenes(long, 0)) // KEYS
    assert short == 3
    assert n_scenes * SCENE_FRAMES > 4 * 60


@pytest.mark.parametrize("core", ["host", *EXECUTED])
def test_it_passes_on_every_core(core: str, searched: dict[str, str], tmp_path: Path) -> None:
    """A board that computes what it should answers 0."""
    folder = write(searched, tmp_path)
    assert run_selftest(compile_for(folder, core, selftest=True, extra=("-Werror",))) == 0


def test_by_rows_alone_it_passes_in_less_memory(searched: dict[str, str], tmp_path: Path) -> None:
    """With PW_SELFTEST_ROWS the same numbers come of rows."""
    folder = write(searched, tmp_path)
    flags = ("-Werror", "-DPW_SELFTEST_ROWS")
    compiled = compile_for(folder, "cortex-m0plus", selftest=True, extra=flags)
    assert run_selftest(compiled) == 0


@pytest.mark.parametrize(("old", "new"), PLANTED)
def test_a_planted_fault_is_found(
    searched: dict[str, str], tmp_path: Path, old: str, new: str
) -> None:
    """A sign, a bound, a rounding, a saturation, a counter, a missing stage: not 0."""
    assert old in searched["pw_model.c"]
    changed = searched | {"pw_model.c": searched["pw_model.c"].replace(old, new)}
    equivalent = new == "x[i] >= next + 1"
    answer = run_selftest(compile_for(write(changed, tmp_path), "host", selftest=True))
    assert (answer == 0) is equivalent


def test_a_changed_hash_names_its_frame(searched: dict[str, str], tmp_path: Path) -> None:
    """The answer is 1 and the number of the first frame that differs."""
    text = searched["pw_vectors.h"]
    at = text.index("{", text.index("pw_vectors_hashes"))
    first, second = re.findall(r"\d+", text[at:])[:2]
    files = searched | {
        "pw_vectors.h": text[:at] + text[at:].replace(second, str(int(second) ^ 1), 1)
    }
    assert first != second
    assert run_selftest(compile_for(write(files, tmp_path), "host", selftest=True)) == 2


def test_it_is_a_program_of_its_own(
    searched: dict[str, str], tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Built by the README's command it exits with 0, without a warning."""
    folder = write(searched, tmp_path)
    program = str(tmp_path / "selftest")
    subprocess.run(
        [need_tool("gcc"), *WARNINGS, "-Werror", "-O2", "-DPW_SELFTEST_MAIN",
         str(folder / "pw_model.c"), str(folder / "selftest.c"), "-o", program],
        check=True,
    )  # fmt: skip
    assert subprocess.run([program], check=False).returncode == 0


def test_frames_are_counts_of_the_sensor() -> None:
    """Scenes and extremes stay within the sensor's counts, and reach both ends."""
    model = small_model()
    for frames in (scene_frames(model, [1, 65535], 0), extreme_frames(model)):
        for exposure in frames:
            assert exposure.dtype == np.uint16
            assert exposure.max() <= model.sensor.max_counts
    lit, dark = extreme_frames(model)
    assert {0, 4095} == set(np.unique(lit)) == set(np.unique(dark))
    assert len(np.unique(scene_frames(model, [7, 9], 0)[0])) > 500


def test_a_pattern_is_as_fine_as_the_entry_stage_sees() -> None:
    """Neighbouring bins are lit apart: blocks are as large as a bin."""
    model = small_model()
    entry = model.stages[0]
    assert isinstance(entry, Bins)
    text = generate(model)["pw_vectors.h"]
    assert "#define PW_VECTORS_BLOCK_ROWS 4\n" in text
    lit, _ = scene_frames(model, [3], 0)
    assert abs(int(lit[0, 0, 0]) - int(lit[0, 3, 3])) < 64


def test_the_hash_hangs_on_order_and_every_bit() -> None:
    """Swapped words and one flipped bit give another number; the worked example is by hand."""
    assert hashed(0, [1]) == 0x01000193 ^ (0x01000193 >> 15)
    assert hashed(0, [1, 2]) != hashed(0, [2, 1])
    seen = {hashed(5, [1 << bit]) for bit in range(32)}
    assert len(seen) == 32


def test_scenes_without_a_search_are_the_same_every_time() -> None:
    """The text hangs on the model alone."""
    model: Model = small_model()
    assert choose_scenes(model, 0) == choose_scenes(model, 0)
    assert all(0 < key < 1 << 16 for key in choose_scenes(model, 3))
