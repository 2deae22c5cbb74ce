"""One text for every compiler, level, core and register that a compiler keeps for itself."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from compiler_matrix import (
    COMPILERS,
    FRAMES,
    LEVELS,
    Build,
    every_build,
    every_kernel_model,
    few_builds,
    lively_frames,
)
from enrol_models import corner_model
from firmware_models import small_model

from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import WARNINGS, compile_for
from runtime.firmware.machine.execute import execute
from runtime.firmware.measure.stack import stack_bound
from runtime.firmware.profile import profile
from runtime.model import Model, load_model
from runtime.sample_frames import read_test_frames
from runtime.stages.closing.decision import Decision
from runtime.stages.teaching.enrol import Enrol
from runtime.verification.verify import compare, reference_records


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("every_kernel")
    for name, text in generate(every_kernel_model()).items():
        (found / name).write_text(text)
    return found


def need(compiler: str, need_tool: Callable[[str], str]) -> None:
    if compiler != "zig":
        need_tool(compiler)
    if compiler == "clang":
        need_tool("ld.lld")


@pytest.mark.slow
@pytest.mark.parametrize("compiler", COMPILERS)
def test_builds_of_each_compiler_give_the_same_bits(
    compiler: str, folder: Path, need_tool: Callable[[str], str]
) -> None:
    """A sample over cores, levels, frame pointers and position-independence differs nowhere."""
    need(compiler, need_tool)
    model = every_kernel_model()
    lit, dark = lively_frames(model, 24)
    reference = reference_records(model, lit, dark)
    for build in few_builds(compiler):
        got = execute(build.compiled(folder), lit, dark)
        assert compare(reference, got) == "", str(build)


def test_a_sample_of_builds_meets_every_choice() -> None:
    """No core, level, frame pointer or position is left out of the builds that are tried."""
    for compiler in COMPILERS:
        every, few = every_build((compiler,)), few_builds(compiler)
        for choice in ("core", "level", "frame", "position"):
            assert {getattr(b, choice) for b in few} == {getattr(b, choice) for b in every}, choice


@pytest.mark.slow
@pytest.mark.parametrize("cpu", ["cortex-m55", "cortex-m23", "cortex-m0", "cortex-m4"])
def test_gcc_finds_registers_at_every_level(
    cpu: str, folder: Path, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """No level, frame pointer or base register leaves the assembly without its registers."""
    gcc = need_tool("arm-none-eabi-gcc")
    for level in (level for level in LEVELS if level != "-Oz"):
        for frame in FRAMES:
            for more in (("-fpic", "-msingle-pic-base"), ("-ffixed-r9", "-ffixed-r10")):
                subprocess.run(
                    [gcc, *WARNINGS, "-Werror", level, frame, *more, f"-mcpu={cpu}", "-mthumb",
                     "-c", str(folder / "pw_model.c"), "-o", str(tmp_path / "out.o")],
                    check=True,
                )  # fmt: skip


def test_gcc_takes_a_head_of_four_classes_that_learns_on_a_core_with_vectors(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """GCC 12 makes vectors of four scores at -O2, and its jumps over them did not reach."""
    gcc = need_tool("arm-none-eabi-gcc")
    for name, text in generate(_learning_four_classes()).items():
        (tmp_path / name).write_text(text)
    for level in (level for level in LEVELS if level != "-Oz"):
        subprocess.run(
            [gcc, *WARNINGS, "-Werror", level, "-mcpu=cortex-m55", "-mthumb", "-mfloat-abi=hard",
             "-c", str(tmp_path / "pw_model.c"), "-o", str(tmp_path / "out.o")],
            check=True,
        )  # fmt: skip


def _learning_four_classes() -> Model:
    """Return a model whose scores count by eleven sixteenths, once it was taught."""
    model = corner_model(n_own=0)
    *before, learns, decision = model.stages
    assert isinstance(learns, Enrol) and isinstance(decision, Decision)
    weights = np.arange(-32, 32).reshape(4, -1).astype(np.int8) % 3 - 1
    head = replace(
        learns.head, weights=weights, bias=np.zeros(4, np.int32),
        real_weights=weights.astype(float), real_bias=np.zeros(4),
    )  # fmt: skip
    learns = replace(
        learns, head=head, means=(weights * 30).astype(np.int8),
        anchors=learns.anchors[:0], anchor_classes=learns.anchor_classes[:0],
        near=np.full(4, 500, np.int32), learnable=(True,) * 4,
        limit=43_748, multiplier=31_868, shift=17, sixteenths=11,
    )  # fmt: skip
    stages = (*before, learns, replace(decision, other=(False,) * 4))
    return replace(model, classes=("left", "right", "up", "down"), stages=stages)


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4", "cortex-m55"])
def test_plain_c_gives_the_same_bits(
    core: str, folder: Path, need_tool: Callable[[str], str]
) -> None:
    """With PW_PLAIN_C there is no assembly, and the same answers."""
    if core == "cortex-m55":
        need_tool("qemu-system-arm")
    model = every_kernel_model()
    lit, dark = lively_frames(model, 24)
    plain = compile_for(folder, core, extra=("-DPW_PLAIN_C", "-Werror"))
    assert compare(reference_records(model, lit, dark), execute(plain, lit, dark)) == ""
    with_assembly = compile_for(folder, core)
    assert plain.model_object != with_assembly.model_object


def test_the_model_of_this_matrix_meets_every_form(folder: Path) -> None:
    """Vectors, dual kernels, the raised one and plain C of three pairs of types are in its text."""
    text = (folder / "pw_model.c").read_text()
    for kernel in ("pw_rows_16_8", "pw_rows_8_8", "pw_rows_8_16_plain"):
        assert text.count(f" {kernel}(pw_rows *rows)") >= 1, kernel
    assert text.count("void pw_rows_16_8(pw_rows *rows)\n") == 4
    lit, dark = lively_frames(every_kernel_model(), 24)
    run = every_kernel_model().run(lit, dark)
    assert len(np.unique(run.evidence)) > 20


def test_a_matrix_is_one_text_of_its_types() -> None:
    """Three matrices of the same types share one kernel."""
    text = generate(every_kernel_model())["pw_model.c"]
    assert text.count("s3_run(") == 2
    assert text.count("pw_rows_16_8(&rows);") == 3
    assert text.count("smlad") == 4


def test_what_a_shared_kernel_executes_counts_for_its_stage() -> None:
    """A stage's instructions hold those of the kernel that it calls."""
    model = every_kernel_model()
    found = profile(model, "cortex-m4", *lively_frames(model, 4))
    assert found.by_function["pw_rows_16_8"] > 200
    assert found.by_stage["s5 dense"] > found.by_function["s5_run"]
    assert found.by_stage["between stages"] < 100


@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("pins.h", '#include "pins.h"'),
        ("board-pins.h", '#include "board-pins.h"'),
        ("parts/pins.h", '#include "parts/pins.h"'),
        ("pins.h", '#define PINS "pins.h"\n#include PINS'),
    ],
)
def test_headers_of_the_folder_are_found_however_they_are_asked_for(
    tmp_path: Path, name: str, line: str
) -> None:
    """By any name, in a lower folder and by a macro, they are those of the folder as it is."""
    for file, text in generate(small_model()).items():
        (tmp_path / file).write_text(text)
    (tmp_path / name).parent.mkdir(exist_ok=True)
    model, before = tmp_path / "pw_model.c", compile_for(tmp_path, "cortex-m0plus")
    model.write_text(f"{line}\n{model.read_text()}\nPW_PINS\n")
    for pins in (77, 78):
        (tmp_path / name).write_text(
            f"#define PW_PINS extern const int pw_pins; const int pw_pins = {pins};\n"
        )
        found = compile_for(tmp_path, "cortex-m0plus", extra=("-Werror",)).model_object
        assert found != before.model_object
        assert b"pw_pins" in found and pins.to_bytes(4, "little") in found


@pytest.mark.slow
@pytest.mark.parametrize(
    ("core", "gcc"),
    [
        ("cortex-m0plus", "arm-none-eabi-gcc"),
        ("cortex-m4", "arm-none-eabi-gcc"),
        ("rv32imc", "riscv64-unknown-elf-gcc"),
    ],
)
def test_gcc_keeps_near_the_price(core: str, gcc: str, need_tool: Callable[[str], str]) -> None:
    """GCC's code of a trained model takes at most 5 % more instructions and cycles than zig's."""
    need_tool(gcc)
    folder = Path(__file__).parents[3] / "models" / "dynamic"
    model = load_model(folder)
    frames = read_test_frames(folder, model, 6)
    priced, other = (profile(model, core, *frames, compiler=name) for name in ("zig", gcc))
    assert other.instructions_per_frame <= 1.05 * priced.instructions_per_frame
    assert other.cycles_per_frame[1] <= 1.05 * priced.cycles_per_frame[1]


def test_the_kernels_leave_r9_alone(folder: Path) -> None:
    """Assembly never names the register in which some systems keep an address for interrupts."""
    text = (folder / "pw_model.c").read_text()
    assert "r9" not in text
    assert "r11" in text


def test_a_big_endian_core_is_refused(folder: Path, tmp_path: Path) -> None:
    """Where words have their first byte on top, the compiler says so and stops."""
    done = subprocess.run(
        [sys.executable, "-m", "ziglang", "cc", "-target", "thumbeb-freestanding-eabi", "-c",
         str(folder / "pw_model.c"), "-o", str(tmp_path / "out.o")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode != 0
    assert "little-endian" in done.stderr


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4", "rv32imc"])
def test_the_stack_of_each_core_keeps_its_bound(core: str, folder: Path) -> None:
    """The bound over the machine code holds the pushes of the assembly too."""
    assert 0 < stack_bound(compile_for(folder, core)) <= 400


def test_a_build_names_itself() -> None:
    """A report says which compiler, core and flags a build had."""
    build = Build("zig", "cortex-m23", "-Os", FRAMES[1], ("-fpic",))
    assert str(build) == "zig cortex-m23 -Os -fno-omit-frame-pointer -fpic"
