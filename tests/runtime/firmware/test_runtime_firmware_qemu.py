"""The second executor: it counts what the first counts, and executes what that one cannot."""

from __future__ import annotations

import re
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from compiler_matrix import every_kernel_model, lively_frames
from elftools.elf.elffile import ELFFile
from firmware_models import random_frames, save_folder, small_model

from runtime.cli import commands
from runtime.errors import ToolError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import CompiledFirmware, compile_for
from runtime.firmware.machine.cores import CORES, find_core
from runtime.firmware.machine.elf import read_image
from runtime.firmware.machine.execute import Machine, executable_cores, execute
from runtime.firmware.machine.qemu_core import executed_addresses
from runtime.firmware.measure.instructions import decode
from runtime.firmware.measure.stack import taken_from_stack
from runtime.firmware.measure.trace import trace_frames
from runtime.front.model_folder import price
from runtime.model import Model
from runtime.verification.verify import compare, reference_records

HELIUM = [core.name for core in CORES if core.helium]


def compiled_for(model: Model, folder: Path, core: str) -> CompiledFirmware:
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return compile_for(folder, core, extra=("-Werror",))


@pytest.mark.parametrize(
    ("core", "program"),
    [("cortex-m4", "qemu-system-arm"), ("rv32imc", "qemu-system-riscv32")],
)
def test_both_executors_count_the_same(
    core: str, program: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """One image, frame by frame: as many instructions of each class, function and stage."""
    need_tool(program)
    compiled = compiled_for(small_model(), tmp_path, core)
    lit, dark = random_frames(small_model(), 4)
    one = trace_frames(compiled, lit, dark, executor="unicorn")
    other = trace_frames(compiled, lit, dark, executor="qemu")
    assert other.instructions.tolist() == one.instructions.tolist()
    assert min(one.instructions) > 500
    for what in ("by_class", "by_function", "by_prefix", "cycles", "stack_bytes"):
        assert getattr(other, what) == getattr(one, what), what


def test_the_other_executor_is_used_for_vectors_alone(need_tool: Callable[[str], str]) -> None:
    """Where QEMU is on the path every core is executed, and the packages of pip do most of them."""
    need_tool("qemu-system-arm")
    found, left_out = executable_cores("zig")
    assert found == tuple(core.name for core in CORES)
    assert left_out == ()
    assert [core.name for core in CORES if not core.unicorn_cpu] == HELIUM


def test_without_qemu_the_rest_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What cannot be executed is said in one line each, and asked for by name it is an error."""
    folder = save_folder(small_model(), tmp_path / "model", 4)
    monkeypatch.setenv("PATH", "")
    found, left_out = executable_cores("zig")
    assert set(found) == {core.name for core in CORES} - set(HELIUM)
    assert left_out == tuple(
        f"{name} was not executed: qemu-system-arm is not on the path." for name in HELIUM
    )
    verify = next(command for command in commands if command.name == "verify")
    done = CliRunner().invoke(verify, [str(folder), "--frames", "2"])
    assert done.exit_code == 0, done.output
    assert done.stderr.splitlines() == list(left_out)
    assert not any(f"C on {name}:" in done.stdout for name in HELIUM)
    assert "C on cortex-m4:" in done.stdout
    for asked in (
        lambda: CliRunner().invoke(
            verify, [str(folder), "--core", "cortex-m55"], catch_exceptions=False
        ),
        lambda: price(folder, cores=["cortex-m55"]),
    ):
        with pytest.raises(ToolError, match="emulated cortex-m55: qemu-system-arm is not found"):
            asked()


def test_vectors_need_less_than_a_third(need_tool: Callable[[str], str], tmp_path: Path) -> None:
    """Bins, matrices and windows on vectors give the same bits in far fewer instructions."""
    need_tool("qemu-system-arm")
    model = every_kernel_model()
    lit, dark = lively_frames(model, 4)
    compiled = compiled_for(model, tmp_path, "cortex-m55")
    assert compare(reference_records(model, lit, dark), execute(compiled, lit, dark)) == ""
    vectors = trace_frames(compiled, lit, dark)
    scalar = trace_frames(compile_for(tmp_path, "cortex-m33"), lit, dark)
    kernels = ("pw_rows_16_8", "pw_rows_8_8", "s0_frame", "s4_run")
    ours, theirs = (
        sum(n for name, n in found.by_function.items() if name in kernels)
        for found in (vectors, scalar)
    )
    assert 3 * ours < theirs


def test_a_fault_ends_as_one_line(need_tool: Callable[[str], str], tmp_path: Path) -> None:
    """Code that reads where nothing is ends QEMU, and the line names the core and the call."""
    need_tool("qemu-system-arm")
    for name, text in generate(small_model()).items():
        (tmp_path / name).write_text(text)
    path = tmp_path / "pw_model.c"
    nowhere = "(const int32_t *)(uintptr_t)0xF0000000u"
    path.write_text(path.read_text().replace("return s->s3_y;", f"(void)s;\n    return {nowhere};"))
    compiled = compile_for(tmp_path, "cortex-m55")
    with pytest.raises(ToolError, match="emulated cortex-m55: end of harness_run is a fault"):
        execute(compiled, *random_frames(small_model(), 3))


def test_an_emulator_that_does_not_start_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the program said last is what the error quotes."""
    compiled = compiled_for(small_model(), tmp_path, "cortex-m55")
    program = tmp_path / "qemu-system-arm"
    program.write_text("#!/bin/sh\necho no such machine >&2\nexit 1\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    with pytest.raises(ToolError, match="start of QEMU is 'no such machine', expected an answer"):
        Machine(compiled)


def test_an_emulator_that_goes_away_is_one_line(
    need_tool: Callable[[str], str], tmp_path: Path
) -> None:
    """Memory, and a call, of a core whose program has ended are one line each."""
    need_tool("qemu-system-arm")
    machine = Machine(compiled_for(small_model(), tmp_path, "cortex-m55"))
    machine._emulator._end()  # type: ignore[attr-defined]
    with pytest.raises(ToolError, match="emulated cortex-m55: memory in QEMU is out of reach"):
        machine.read(machine.image.symbol("harness_state").address, 4)
    with pytest.raises(ToolError, match="emulated cortex-m55: end of pw_step is a fault"):
        machine.call("pw_step", 0, 0, 0)


def test_a_block_given_up_was_not_executed() -> None:
    """What QEMU stops before its first instruction, it tells twice and executes once."""
    log = (
        b"Trace 0: 0x7f48 [0080044a/01000508/00000150/ff000201] \n"
        b"Trace 0: 0x7f49 [0080044a/0100050c/00000150/ff000201] \n"
        b"Stopped execution of TB chain before 0x7f49 [0100050c] \n"
        b"Trace 0: 0x7f49 [0080044a/0100050c/00000150/ff000201] \n"
    )
    assert executed_addresses(log).tolist() == [0x0100_0508, 0x0100_050C]


def test_sixteen_registers_are_enough(tmp_path: Path) -> None:
    """The image of the small RISC-V core names no register that it does not have."""
    image = read_image(compiled_for(every_kernel_model(), tmp_path, "rv32emc"))
    words = set()
    for symbol in image.symbols:
        if symbol.is_function:
            for address, code in image.code(symbol):
                for found in decode(find_core("rv32emc"), address, code):
                    words |= set(re.findall(r"\b[a-z]+\d*\b", found.operands))
    assert {"a5", "s1", "t2"} <= words
    assert not words & {"a6", "a7", *(f"s{n}" for n in range(2, 12)), "t3", "t4", "t5", "t6"}


CLASSES = {
    "load": """vldrb.s16 q1, [r1], #8; vldrh.u16 q0, [r0, #16]; vldrw.u32 q3, [q1, #16]
        vldrh.u16 q0, [r1, q2, uxtw #1]; vld20.16 {q0, q1}, [r1]; vld43.32 {q0, q1, q2, q3}, [r1]!
        vpop {d8-d15}""",
    "store": """vstrb.32 q0, [r0], #4; vstrh.32 q0, [r0], #8; vstrw.32 q0, [r1, q2, uxtw #2]
        vst21.16 {q0, q1}, [r1]; vpush {d8-d15}""",
    "mac": """vmlava.s16 r4, q0, q1; vmlava.u8 r4, q0, q1; vmlav.s8 r4, q0, q1
        vmladavax.s16 r4, q0, q1; vmlsdav.s16 r4, q0, q1; vmlaldava.s16 r4, r5, q0, q1
        vrmlaldavha.s32 r4, r5, q0, q1; vmla.s32 q0, q1, r2; vmlas.s32 q0, q1, r2
        vmlava.s32 r0, q2, q3; vmlava.s8 r10, q4, q1""",
    "multiply": """vmul.i32 q0, q1, r2; vmul.i32 q0, q1, q2; vmulh.s32 q0, q1, q2
        vqdmulh.s32 q0, q1, q2; vqrdmulh.s32 q0, q1, r2; vmullb.s16 q0, q1, q2""",
    "alu": """vaddv.s16 r2, q0; vaddva.u16 r2, q0; vaddlv.u32 r2, r3, q0; vadd.i16 q0, q0, q1
        vadd.i16 q0, q0, r1; vsub.i32 q0, q0, q1; vabav.s16 r2, q1, q2; vmax.s32 q0, q1, q2
        vmaxv.s32 r1, q2; vmaxa.s16 q1, q2; vand q0, q1, q2; vorr.i32 q0, #1; vmov q0, q1
        vneg.s32 q0, q1; vshl.s32 q0, r1; vrshr.s32 q0, q1, #3; vqrshrnb.s32 q0, q1, #3
        vmovnt.i32 q0, q1; vmovlb.s16 q0, q1; vdup.32 q0, r1; vidup.u32 q0, r2, #1
        vcmp.s32 gt, q0, q1; vpsel q0, q1, q2; vctp.32 r1; vpnot; vmrs r0, p0; vmsr p0, r0
        vmov q0[2], q0[0], r1, r2; vmov r1, r2, q0[2], q0[0]; vmov.32 r1, q0[1]
        vbrsr.32 q0, q1, r2; vrev64.16 q0, q1; vcadd.i32 q0, q1, q2, #90; vshlc q0, r1, #3
        dls lr, r1; dlstp.16 lr, r1; csel r0, r1, r2, eq; cset r0, eq; lsll r0, r1, #3
        asrl r0, r1, r2; uqshl r0, #2""",
    "branch taken": "1: wls lr, r1, 1f; 1: le lr, 1b; 1: letp lr, 1b; bl 1b",
}  # fmt: skip


def test_classes_of_vectors_are_those_of_their_names(tmp_path: Path) -> None:
    """What the disassembler does not know is recognised as an assembler writes it."""
    lines = [
        (kind, line.strip())
        for kind, text in CLASSES.items() for line in re.split(r"[;\n]", text) if line.strip()
    ]  # fmt: skip
    source, made = tmp_path / "all.s", tmp_path / "all.o"
    text = "\n".join(line for _, line in lines)
    source.write_text(f".syntax unified\n.thumb\n{text}\n1:\n")
    subprocess.run(
        [sys.executable, "-m", "ziglang", "cc", "-target", "thumb-freestanding-eabihf",
         "-mcpu=cortex_m55+mve+fp_armv8d16", "-c", str(source), "-o", str(made)],
        check=True,
    )  # fmt: skip
    with made.open("rb") as file:
        code = ELFFile(file).get_section_by_name(".text").data()
    found = decode(find_core("cortex-m55"), 0, code)
    assert [(i.kind, line) for i, (_, line) in zip(found, lines, strict=True)] == lines
    by_line = {line: i for i, (_, line) in zip(found, lines, strict=True)}
    ends = by_line["1: letp lr, 1b"]
    assert ends.operands == f"#0x{ends.address:x}"
    assert (ends.conditional, ends.cycles[0]) == (True, 0)
    assert by_line["vpush {d8-d15}"].cycles[0] == 17  # sixteen words


def test_a_vector_stored_below_the_stack_pointer_is_part_of_the_frame() -> None:
    """VSTRW q0, [sp, #-16]! takes sixteen bytes, and VPUSH eight a register."""
    core = find_core("cortex-m55")
    (stored,) = decode(core, 0, struct.pack("<HH", 0xED2D, 0x1F04))
    assert stored.kind == "store"
    assert taken_from_stack("f", stored) == 16
    (pushed,) = decode(core, 0, struct.pack("<HH", 0xED2D, 0x8B04))
    assert taken_from_stack("f", pushed) == 16
    (above,) = decode(core, 0, struct.pack("<HH", 0xEDAD, 0x1F04))
    assert taken_from_stack("f", above) == 0
    assert {i.kind for i in (stored, pushed, above)} == {"store"}
