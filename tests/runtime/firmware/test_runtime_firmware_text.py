"""The generated folder as text, and what strict compilers and sanitisers say to it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from enrol_models import corner_model
from firmware_models import EXECUTED, random_frames, save_folder, small_model
from hypothesis import HealthCheck, given, settings
from strategies import models_with_exposures

from runtime.errors import FormatError, ToolError, UsageError
from runtime.firmware.emit.device.program import DEVICE_FILES, device_text
from runtime.firmware.emit.folder import FIRMWARE_FILES, write_firmware
from runtime.firmware.emit.generate import MODEL_FILES, generate
from runtime.firmware.emit.watch import WATCH_FILES
from runtime.firmware.machine.compile import WARNINGS, compile_for
from runtime.firmware.machine.execute import execute
from runtime.firmware.machine.harness import HARNESS_C
from runtime.firmware.machine.layout import parse_layout
from runtime.firmware.setting import DeviceSetting
from runtime.model import Model, model_hash
from runtime.stages.pair.c_weigh import columns_c
from runtime.verification.verify import compare, reference_records

GOLDEN = Path(__file__).parents[2] / "vectors" / "firmware_small"
STREAM_C = (
    HARNESS_C
    + """
#include <stdio.h>
#include <stdlib.h>

int main(void)
{
    static uint8_t record[65536];
    const size_t n = PW_N_ROWS * PW_N_COLS;
    uint16_t *lit = malloc(n * sizeof *lit);
    uint16_t *dark = malloc(n * sizeof *dark);
    harness_init();
    (void)fwrite(harness_layout, 1, sizeof harness_layout, stdout);
    while (fread(lit, sizeof *lit, n, stdin) == n && fread(dark, sizeof *dark, n, stdin) == n) {
        harness_run(1u, lit, dark, record);
        (void)fwrite(record, 1, RECORD, stdout);
    }
    free(lit);
    free(dark);
    return 0;
}
"""
)


def write(model: Model, folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return folder


def test_golden_text_is_what_is_generated() -> None:
    """The same model gives the committed text, byte for byte."""
    files = device_text(small_model(), DeviceSetting.of(small_model().sensor))
    files |= generate(small_model())
    assert sorted(files) == sorted({*MODEL_FILES, *DEVICE_FILES})
    assert set(FIRMWARE_FILES) >= {*MODEL_FILES, *DEVICE_FILES, *WATCH_FILES}
    if os.environ.get("PALMWATT_WRITE_GOLDEN") == "1":
        for name, text in files.items():
            (GOLDEN / name).write_text(text)
    for name, text in files.items():
        assert (GOLDEN / name).read_text() == text, name


def test_golden_text_executes(tmp_path: Path) -> None:
    """The committed text compiles with every warning an error and gives the reference's bits."""
    model = small_model()
    lit, dark = random_frames(model, 30)
    reference = reference_records(model, lit, dark)
    for core in ("host", *EXECUTED):
        got = execute(compile_for(GOLDEN, core, extra=("-Werror",)), lit, dark)
        assert compare(reference, got) == "", core


@pytest.mark.parametrize("model", [small_model(), corner_model()], ids=["small", "learning"])
def test_text_keeps_the_house_rules(model: Model) -> None:
    """ASCII, no line over 100 columns, no tabs in C, no float, no heap, no date, no C library."""
    files = generate(model) | device_text(model, DeviceSetting.of(model.sensor))
    for name, text in files.items():
        assert text.isascii()
        assert text.endswith("\n")
        if not name.endswith((".c", ".h")):
            continue
        assert max(map(len, text.splitlines())) <= 100, name
        code = re.sub(r"/\*.*?\*/", "", text, flags=re.S)
        assert not re.search(r"\t|\bfloat\b|\bdouble\b|\bmalloc\b|\bint64_t\b|\blong\b", code)
        assert set(re.findall(r"#include <(.*?)>", code)) <= {
            "stdint.h",
            "stddef.h",
            "string.h",
            "arm_mve.h",
        }
        assert not re.search(r"\b(19|20)\d\d-\d\d-\d\d\b", text)


def test_header_names_classes_identity_and_bytes(tmp_path: Path) -> None:
    """The header says what a firmware engineer asks first."""
    model = small_model()
    write_firmware(model, tmp_path)
    header = (tmp_path / "pw_model.h").read_text()
    for constant in ("PW_CLASS_SWIPE_LEFT 0", "PW_CLASS_PUSH 2", "PW_N_SCORES 4"):
        assert f"#define {constant}\n" in header
    assert model_hash(model) in header
    assert re.search(r"Flash \d+ bytes, RAM \d+ bytes .*, stack at most \d+ bytes,\n", header)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.*")}
    write_firmware(model, tmp_path)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.*")} == before


def test_gcc_accepts_it_without_a_warning(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """A second compiler finds nothing to say under the same warnings, self-test included."""
    folder = write(small_model(), tmp_path / "firmware")
    for source in ("pw_model.c", "selftest.c"):
        subprocess.run(
            [need_tool("gcc"), *WARNINGS, "-Werror", "-O2", "-c", str(folder / source), "-o",
             str(tmp_path / "out.o")],
            check=True,
        )  # fmt: skip


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(case=models_with_exposures())
def test_sanitisers_find_nothing(
    case: tuple[Model, tuple[np.ndarray, np.ndarray]],
    tmp_path_factory: pytest.TempPathFactory,
    need_tool: Callable[[str], str],
) -> None:
    """Random models on random and extreme frames: no bad access, no overflow, the same bits."""
    model, (lit, dark) = case
    folder = write(model, tmp_path_factory.mktemp("sanitised"))
    (folder / "stream.c").write_text(STREAM_C)
    program = folder / "stream"
    record = 4 * (model.closing.n_out + model.closing.n_in)
    record += sum(
        int(width) // 8 * int(length)
        for width, length in re.findall(
            r"X\(u?int(\d+)_t, \w+, (\d+)\)", (folder / "pw_model.h").read_text()
        )
    )
    subprocess.run(
        [need_tool("gcc"), "-std=c99", "-O1", "-g", "-fsanitize=address,undefined",
         "-fno-sanitize-recover=all", f"-DRECORD={record}", str(folder / "pw_model.c"),
         str(folder / "stream.c"), "-o", str(program)],
        check=True,
    )  # fmt: skip
    frames = np.stack([lit, dark], axis=1).tobytes()
    done = subprocess.run([str(program)], input=frames, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()[:2000]
    text, _, records = done.stdout.partition(b"\0")
    got = parse_layout(text).decode(records)
    assert compare(reference_records(model, lit, dark), got) == ""


def test_wrong_calls_are_refused(tmp_path: Path) -> None:
    """An unknown core, a folder without sources and a missing compiler each get one line."""
    with pytest.raises(UsageError, match="cortex-m0plus"):
        compile_for(GOLDEN, "cortex-m99")
    with pytest.raises(FormatError, match=r"pw_model\.c"):
        compile_for(tmp_path, "host")
    with pytest.raises(ToolError, match="not found"):
        compile_for(GOLDEN, "cortex-m4", compiler="no-such-gcc")
    folder = save_folder(small_model(), tmp_path / "model")
    compiled = compile_for(folder / "firmware", "host")
    with pytest.raises(FormatError, match="lit"):
        execute(compiled, np.zeros((1, 8, 8), np.uint16), np.zeros((1, 8, 8), np.uint16))


def test_no_text_of_the_assembly_is_longer_than_c99_promises(tmp_path: Path) -> None:
    """A compiler need take 4,095 characters of a literal (ISO/IEC 9899:1999, 5.2.4.1)."""
    marks = {"@P@": "s1", "@O@": "s1", "@DROP_FINE@": "9", "@N_X@": "7", "@N_FINE@": "64"}
    text = columns_c("s1", 64)
    for mark, value in marks.items():
        text = text.replace(mark, value)
    kernel = text[text.index("typedef struct") : text.index("/* The pattern of n bins")]
    source = tmp_path / "kernel.c"
    source.write_text(
        "#include <stdint.h>\n#define PW_LOCAL extern\n#define PW_STAGE\n#if 1\n" + kernel
    )
    words = ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m4", *WARNINGS, "-Werror")
    command = [sys.executable, "-m", "ziglang", "cc", *words, "-Wno-missing-prototypes", "-c"]
    done = subprocess.run(
        [*command, str(source), "-o", str(tmp_path / "kernel.o")], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
