"""Emulated cores: the same bits, honest counts, a stack that is really bounded."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from firmware_models import EXECUTED, EXECUTED_ONCE, random_frames, small_model
from hypothesis import HealthCheck, given, settings
from strategies import models_with_exposures

from runtime.errors import FormatError, ToolError
from runtime.firmware.emit.generate import generate, stage_labels
from runtime.firmware.machine.compile import compile_for, cores_of
from runtime.firmware.machine.cores import CORES, find_core
from runtime.firmware.machine.elf import read_sizes
from runtime.firmware.machine.execute import Machine, execute
from runtime.firmware.measure.instructions import CLASSES, decode
from runtime.firmware.measure.stack import stack_bound
from runtime.firmware.measure.trace import trace_frames
from runtime.firmware.profile import CoreProfile, profile, profile_compiled
from runtime.model import Model
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.dense import Dense
from runtime.stages.passive.ambient import Ambient
from runtime.stages.window import Window
from runtime.verification.verify import compare, reference_records


def write(model: Model, folder: Path) -> Path:
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return folder


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(case=models_with_exposures())
def test_random_models_give_the_same_bits_on_every_core(
    case: tuple[Model, tuple[np.ndarray, np.ndarray]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Random stages, weights and frames, extremes among them, on the host and all cores."""
    model, (lit, dark) = case
    folder = write(model, tmp_path_factory.mktemp("random"))
    reference = reference_records(model, lit, dark)
    for core in ("host", *EXECUTED_ONCE):
        got = execute(compile_for(folder, core, extra=("-Werror",)), lit, dark)
        assert compare(reference, got) == "", core


@pytest.mark.parametrize("height", [1, 3, 5, 6, 7, 16])
def test_ambient_bins_of_every_height_run_where_a_core_cannot_divide(
    tmp_path: Path, height: int
) -> None:
    """A row's line of bins is found without the call that such a core would divide by."""
    sensor = dataclasses.replace(small_model().sensor, n_rows=3 * height, n_cols=9)
    weights, bias = np.arange(1, 10, dtype=np.int8)[None], np.zeros(1, np.int32)
    dense = Dense(weights, bias, 1, 0, False, 32, weights * 1.0, bias * 1.0)
    stages = Ambient(3 * height, 9, 3, 3, 3), Window(9, 1, 2, 0, 16), dense
    model = Model("light", "presence", sensor, (), (*stages, Presence("people", (9,), 0, 1)), {})
    folder = write(model, tmp_path)
    lit, dark = random_frames(model, 3)
    reference = reference_records(model, lit, dark)
    for core in ("cortex-m0plus", "cortex-m4"):
        got = execute(compile_for(folder, core, extra=("-Werror",)), lit, dark)
        assert compare(reference, got) == "", core


@pytest.mark.parametrize("optimise", ["-O0", "-Os", "-O3"])
def test_every_optimisation_gives_the_same_bits(tmp_path: Path, optimise: str) -> None:
    """What a compiler is told to optimise for changes no bit."""
    model = small_model()
    folder = write(model, tmp_path)
    lit, dark = random_frames(model, 20)
    reference = reference_records(model, lit, dark)
    for core in ("cortex-m0plus", "cortex-m4", "rv32imc"):
        got = execute(compile_for(folder, core, optimise=optimise), lit, dark)
        assert compare(reference, got) == "", core


@pytest.mark.parametrize("core", EXECUTED)
def test_profile_adds_up(core: str) -> None:
    """Classes and stages each sum to the executed instructions; the stack stays in its bound."""
    model = small_model()
    lit, dark = random_frames(model, 6)
    found = profile(model, core, lit, dark)
    assert sum(found.by_class.values()) == pytest.approx(found.instructions_per_frame)
    assert sum(found.by_stage.values()) == pytest.approx(found.instructions_per_frame)
    assert sum(found.by_function.values()) == pytest.approx(found.instructions_per_frame)
    assert tuple(found.by_class) == CLASSES
    assert set(found.by_stage) == {
        "s0 bins", "s1 level", "s2 dense", "s3 dense", "s4 decision", "between stages",
    }  # fmt: skip
    assert found.instructions_per_frame <= found.worst_frame_instructions
    low, typical, high = found.cycles_per_frame
    assert 0 < low <= typical <= high
    assert 0 < found.stack_seen_bytes <= found.stack_bytes <= 512
    assert found.code_bytes + found.const_bytes <= 16384
    assert found.ram_bytes <= 4096
    kept = CoreProfile.from_json(json.loads(json.dumps(found.to_json(), sort_keys=True)))
    assert kept == found
    for name in ("by_stage", "by_class"):  # pages list them as they come
        assert list(getattr(kept, name)) == list(getattr(found, name))
    assert profile(model, core, lit, dark) == found


def test_counted_frames_compute_the_same(tmp_path: Path) -> None:
    """The counting run leaves the same state as the fast one."""
    compiled = compile_for(write(small_model(), tmp_path), "cortex-m4")
    lit, dark = random_frames(small_model(), 5)
    machine = Machine(compiled)
    state = machine.image.symbol("harness_state").address
    decisions = [
        np.int32(np.uint32(machine.call("pw_step", state, *machine.write_exposures(a, b))))
        for a, b in zip(lit, dark, strict=True)
    ]
    assert decisions == execute(compiled, lit, dark).events.tolist()


@pytest.mark.parametrize("core", ["cortex-m0plus", "rv32imc"])
def test_block_counts_equal_single_instructions(tmp_path: Path, core: str) -> None:
    """Counting blocks gives what counting every instruction gives, on cores without predication."""
    import unicorn

    model = small_model()
    compiled = compile_for(write(model, tmp_path), core)
    lit, dark = random_frames(model, 4)
    machine = Machine(compiled)
    seen: list[int] = []
    machine.uc.hook_add(unicorn.UC_HOOK_CODE, lambda uc, address, size, data: seen.append(address))
    state, singly = machine.image.symbol("harness_state").address, []
    for one_lit, one_dark in zip(lit, dark, strict=True):
        seen.clear()
        machine.call("pw_step", state, *machine.write_exposures(one_lit, one_dark))
        singly.append(len(seen))
    assert trace_frames(compiled, lit, dark).instructions.tolist() == singly


def assert_fed_rows_give_the_reference(model: Model, folder: Path, n_frames: int) -> None:
    lit, dark = random_frames(model, n_frames)
    machine = Machine(compile_for(write(model, folder), "cortex-m0plus"))
    state = machine.image.symbol("harness_state").address
    expected = reference_records(model, lit, dark)
    for frame in range(len(lit)):
        addresses = machine.write_exposures(lit[frame], dark[frame])
        for row in model.entry.rows_read:
            at = [address + 2 * model.sensor.n_cols * row for address in addresses]
            machine.call("pw_feed_row", state, row, *at)
        decision = machine.call("pw_finish", state)
        assert decision == int(expected.events[frame]) & 0xFFFF_FFFF
        n_bytes = 4 * len(model.classes)
        scores = machine.read(machine.call("pw_scores", state), n_bytes)
        assert np.frombuffer(scores, "<i4").tolist() == expected.evidence[frame].tolist()


def test_feeding_rows_is_stepping(tmp_path: Path) -> None:
    """Rows fed one by one, those out of range left out, give what whole exposures give."""
    assert_fed_rows_give_the_reference(small_model(), tmp_path, 5)


def test_unaligned_exposures_give_the_same(tmp_path: Path) -> None:
    """Exposures that start on an odd half-word are read correctly, only slower."""
    model = small_model()
    lit, dark = random_frames(model, 4)
    for core in ("cortex-m0plus", "cortex-m4", "rv32imc"):
        machine = Machine(compile_for(write(model, tmp_path), core))
        state = machine.image.symbol("harness_state").address
        expected = reference_records(model, lit, dark)
        for frame in range(len(lit)):
            at = machine.write_exposures(
                np.roll(np.append(lit[frame].ravel(), np.uint16(0)), 1),
                np.roll(np.append(dark[frame].ravel(), np.uint16(0)), 1),
            )
            machine.call("pw_step", state, at[0] + 2, at[1] + 2)
            scores = machine.read(machine.call("pw_scores", state), 16)
            assert np.frombuffer(scores, "<i4").tolist() == expected.evidence[frame].tolist()


def test_recursion_is_refused(tmp_path: Path) -> None:
    """A stack that has no bound is not given one."""
    folder = write(small_model(), tmp_path)
    path = folder / "pw_model.c"
    path.write_text(
        path.read_text().replace(
            "int32_t pw_finish(pw_state *s)\n{",
            "int32_t pw_finish(pw_state *s)\n{\n    static volatile int32_t again;\n"
            "    if (again != 0) {\n        return pw_finish(s) + again;\n    }",
        )
    )
    with pytest.raises(ToolError, match=r"pw_finish is recursive"):
        stack_bound(compile_for(folder, "cortex-m4", optimise="-O0"))


def test_a_fault_is_one_line(tmp_path: Path) -> None:
    """Code that reads where nothing is ends as one line that names the core."""
    folder = write(small_model(), tmp_path)
    path = folder / "pw_model.c"
    nowhere = "(const int32_t *)(uintptr_t)0x70000000u"
    path.write_text(path.read_text().replace("return s->s3_y;", f"(void)s;\n    return {nowhere};"))
    compiled = compile_for(folder, "cortex-m0plus")
    lit, dark = random_frames(small_model(), 3)
    with pytest.raises(ToolError, match="emulated cortex-m0plus"):
        execute(compiled, lit, dark)


@pytest.mark.parametrize(
    ("core", "code", "kind", "cycles"),
    [
        # ARM DDI 0484C, Cortex-M0+ Technical Reference Manual, table 3.1 (2012)
        ("cortex-m0plus", "4843", "multiply", 1),
        ("cortex-m0plus", "0868", "load", 2),
        ("cortex-m0plus", "0ecb", "load", 4),
        ("cortex-m0plus", "fee7", "branch taken", 2),
        ("cortex-m0plus", "30bd", "branch taken", 6),
        # ARM DDI 0337I, Cortex-M3 Technical Reference Manual, table 3.1 (2010)
        ("cortex-m3", "01fb0020", "mac", 2),
        ("cortex-m3", "0ecb", "load", 4),
        # Ibex reference guide, Pipeline Details: loads stall one cycle, taken branches two
        ("rv32imc", "83a50500", "load", 2),
        ("rv32imc", "3305b502", "multiply", 1),
        ("rv32imc", "6300b500", "branch taken", 3),
    ],
)
def test_instructions_cost_what_the_manual_says(
    core: str, code: str, kind: str, cycles: int
) -> None:
    """One instruction of each class is recognised and priced by the core's published table."""
    (found,) = decode(find_core(core), 0x1000, bytes.fromhex(code))
    assert (found.kind, found.cycles[1]) == (kind, cycles), (found.word, found.operands)


def test_profile_refuses_what_is_none() -> None:
    """A profile read back from a file is checked field by field."""
    model = small_model()
    lit, dark = random_frames(model, 3)
    data = profile(model, "cortex-m4", lit, dark).to_json()
    for changed in (
        None,
        data | {"extra": 1},
        data | {"cycles_per_frame": [1, 2]},
        data | {"ram_bytes": "1"},
        data | {"instructions_per_frame": math.nan},
        data | {"cycles_per_frame": [1.0, math.inf, math.inf]},
        data | {"by_stage": data["by_stage"] | {"s0 bins": math.nan}},
        data | {"code_bytes": 10**400},
        data | {"by_class": data["by_class"] | {"load": "many"}},
    ):
        with pytest.raises(FormatError):
            CoreProfile.from_json(changed)


def test_sizes_come_from_the_object_file(tmp_path: Path) -> None:
    """Constants hold every weight, code is there, and the state is counted as RAM."""
    compiled = compile_for(write(small_model(), tmp_path), "cortex-m0plus")
    sizes = read_sizes(compiled)
    assert sizes.by_symbol["s2_weights"] == 2 * 4 * (4 + 20)  # four biases, turns of four inputs
    assert sizes.const_bytes >= 6 * 17 + 4 * 6
    assert sizes.ram_bytes == sizes.by_symbol["pw_state"]
    functions = [n for name, n in sizes.by_symbol.items() if name.endswith("_run")]
    assert 0 < sum(functions) < sizes.code_bytes
    lit, dark = random_frames(small_model(), 3)
    found = profile_compiled(compiled, stage_labels(small_model()), lit, dark)
    assert found.code_bytes == sizes.code_bytes


def test_each_compiler_is_asked_for_its_own_cores_only() -> None:
    """The packaged compiler has every core; a GCC has those of the target in its name."""
    every = tuple(core.name for core in CORES)
    assert cores_of("zig") == every
    assert cores_of("arm-none-eabi-gcc") == tuple(n for n in every if n.startswith("cortex"))
    assert cores_of("riscv-none-elf-gcc") == tuple(n for n in every if n.startswith("rv32"))
    assert set(cores_of("clang")) == set(every) - {"rv32emc"}  # 14 and older have no such ABI


def test_three_rows_a_bin_need_no_division_routine(tmp_path: Path) -> None:
    """A core without a divider finds a row's bin by multiplication, whatever the bin's height."""
    model = small_model()
    sensor = dataclasses.replace(model.sensor, n_rows=9, n_cols=3)
    classes = tuple("abcdefghi")
    decision = Decision((False,) * 9, 0, 0, persist=1, hold_off=0)
    thirds = dataclasses.replace(
        model, sensor=sensor, classes=classes, stages=(Bins(9, 3, 3, 3), Window(9, 1, 2), decision)
    )
    assert_fed_rows_give_the_reference(thirds, tmp_path, 6)
