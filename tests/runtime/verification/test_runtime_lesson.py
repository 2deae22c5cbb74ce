"""Every execution learns the same: states, scores and saved bytes after any commands."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from enrol_models import corner_model, corners, through_filters
from firmware_models import EXECUTED_ONCE, random_frames
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import models

from runtime.enrolment import (
    COMMANDS,
    Command,
    carry_out,
    enrol_place,
    enrolment_bytes,
    learned_bytes,
    with_learned,
)
from runtime.errors import FormatError
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import HOST, CompiledFirmware, compile_for
from runtime.firmware.machine.execute import HostLibrary, Machine, check_frames
from runtime.firmware.measure.stack import stack_bound
from runtime.model import Model
from runtime.onnx.graph import save_step_graph
from runtime.onnx.steps import evaluator, onnx_runtime, read_step_graph
from runtime.stages.teaching.reasons import (
    DAMAGED,
    FOREIGN,
    NO_CLASS,
    NO_TAKE,
    NOTHING,
    OTHER_CLASS,
)
from runtime.verification.engines import open_engine
from runtime.verification.lesson import Lesson, lesson_for, lesson_in_c, taught_by
from runtime.verification.verify import compare

SAVE, LOAD = 5, 6
"""Commands of the harness beside those of a lesson."""
WITHOUT_LIMIT = settings(deadline=None, suppress_health_check=list(HealthCheck))


@st.composite
def lessons(draw: st.DrawFn) -> tuple[Model, Lesson]:
    """Draw a model that learns, frames, and any commands between them, wrong ones too."""
    model = draw(models(always_learns=True))
    _, stage = enrol_place(model)
    n_frames = draw(st.integers(6, 14))
    lit, dark = random_frames(model, n_frames, draw(st.integers(0, 2**32 - 1)))
    names: list[Command] = ["begin", "add", "begin", "add", "finish", "forget"]
    classes = st.integers(-1, stage.sizes.n_slots)
    command = st.none() | st.tuples(st.sampled_from(names), classes)
    asked = draw(st.lists(command, min_size=n_frames, max_size=n_frames))
    return model, Lesson(lit, dark, tuple(asked))


def written(model: Model, folder: Path) -> Path:
    folder.mkdir()
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    return folder


@settings(WITHOUT_LIMIT, max_examples=12)
@given(case=lessons())
def test_any_commands_give_the_same_state_in_onnx(
    case: tuple[Model, Lesson], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever is asked between whatever frames, ONNX Runtime and the evaluator follow the law."""
    model, lesson = case
    path = tmp_path_factory.mktemp("lesson") / "fixed.onnx"
    save_step_graph(model, path)
    graph, wanted = read_step_graph(path), taught_by(model, lesson)
    for opened in (onnx_runtime, evaluator):
        got = taught_by(model, lesson, lambda before, opened=opened: opened(graph, before))
        assert compare(wanted, got) == "", opened.__name__


@settings(WITHOUT_LIMIT, max_examples=6)
@given(case=lessons())
def test_any_commands_give_the_same_state_in_c(
    case: tuple[Model, Lesson], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """So does the C on this machine and on a core without multiply-accumulate; bytes are equal."""
    model, lesson = case
    folder = written(model, tmp_path_factory.mktemp("lesson") / "firmware")
    wanted = taught_by(model, lesson)
    for core in (HOST, "cortex-m0plus"):
        got, saved = lesson_in_c(model, lesson, compile_for(folder, core, extra=("-Werror",)))
        assert compare(wanted, got) == "" and saved == "", core


@pytest.mark.parametrize("core", EXECUTED_ONCE)
def test_every_core_learns_the_same(core: str, tmp_path: Path) -> None:
    """A lesson in which takes are kept, refused, learned from and forgotten, on every core."""
    model = corner_model()
    parts = [corners(where, 12, seed) for seed, where in enumerate(["left", "top", "right", "all"])]
    lit, dark = (np.concatenate(exposures) for exposures in zip(*parts, strict=True))
    lesson = lesson_for(model, lit, dark)
    wanted = taught_by(model, lesson)
    assert wanted.state["s2_rows"].any() and not wanted.state["s2_rows"][-1].any()
    assert (wanted.state["s2_answer"] > 0).any() and (wanted.state["s2_answer"] < 0).any()
    got, saved = lesson_in_c(
        model, lesson, compile_for(written(model, tmp_path / "firmware"), core)
    )
    assert compare(wanted, got) == "" and saved == ""


def test_every_execution_tells_an_own_gesture_from_another(tmp_path: Path) -> None:
    """A gesture taught under one name is refused under a second one, before learning and after."""
    model = corner_model(n_own=2)
    parts, asked = [], []
    for where, number in (("bottom", 3), ("bottom", 4), ("top", 4), ("bottom", 4), ("top", 3)):
        parts.append(corners(where, 5, len(parts)))
        begin: tuple[Command, int] = ("begin", number)
        asked += [("finish", 0) if len(parts) == 4 else None, begin, None, None, ("add", 0)]
    lit, dark = (np.concatenate(exposures) for exposures in zip(*parts, strict=True))
    lesson = Lesson(lit, dark, tuple(asked))
    wanted = taught_by(model, lesson)
    assert wanted.state["s2_answer"][4::5, 0].tolist() == [
        1,
        OTHER_CLASS,
        1,
        OTHER_CLASS,
        OTHER_CLASS,
    ]
    save_step_graph(model, tmp_path / "fixed.onnx")
    graph = read_step_graph(tmp_path / "fixed.onnx")
    for opened in (onnx_runtime, evaluator):
        got = taught_by(model, lesson, lambda before, opened=opened: opened(graph, before))
        assert compare(wanted, got) == "", opened.__name__
    folder = written(model, tmp_path / "firmware")
    for core in (HOST, "cortex-m0plus"):
        got, saved = lesson_in_c(model, lesson, compile_for(folder, core, extra=("-Werror",)))
        assert compare(wanted, got) == "" and saved == "", core


def test_beginning_anew_keeps_what_was_learned_and_nothing_else(tmp_path: Path) -> None:
    """pw_restart is pw_init for all but enrolment: as a device wakes, it still knows its owner."""
    model = corner_model()
    host = HostLibrary(compile_for(written(model, tmp_path / "firmware"), HOST))
    state = model.initial_state()
    for command in ("begin", "add", "finish"):
        number = {"begin": 1, "add": 2, "finish": 3}[command]
        host.command(number, 0)
        state, _ = carry_out(model, state, command, 0)
        host.run(*corners("top", 4))
        state = model.run(*corners("top", 4), state).state
    host.command(0)
    own = {name: value for name, value in state.items() if name.startswith("s2_")}
    lit, dark = corners("top", 3, seed=5)
    wanted = model.run(lit, dark, model.initial_state() | own)
    got = host.run(lit, dark)
    assert np.array_equal(got.evidence, wanted.evidence)
    assert np.array_equal(got.outputs, wanted.outputs)


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4", "rv32imc"])
def test_what_forgetting_takes_of_the_stack_is_in_the_bound(core: str, tmp_path: Path) -> None:
    """Whoever gives the model the stack that its header names loses nothing below it."""
    bound = stack_bound(compile_for(written(corner_model(), tmp_path / "firmware"), core))
    assert 1024 < bound < 2048


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4"])
@pytest.mark.parametrize("made", [corner_model, lambda: through_filters(corner_model())])
def test_a_dump_after_forgetting_does_not_tell_who_taught(
    made: Callable[[], Model], core: str, tmp_path: Path
) -> None:
    """Two devices taught by different hands hold the same state once they forgot, every byte of it.

    In the middle of a lesson, too; and the same in all of the RAM, the stack among it, at once and
    after one more frame, of nobody.
    """
    compiled = compile_for(written(made(), tmp_path / "firmware"), core)
    fresh = Machine(compiled)
    begin, add, finish, forget = COMMANDS.values()
    for in_lesson in (False, True):
        devices = [_shown(compiled, where) for where in ("top", "left")]
        for device in devices:
            for command in (begin,) if in_lesson else (add, finish):
                device.call("harness_command", command, 0)
        assert _state_of(devices[0]) != _state_of(devices[1])
        for device in devices:
            device.call("harness_command", forget, 0)
        assert {_state_of(device) for device in devices} == {_state_of(fresh)}
        assert devices[0].dump() == devices[1].dump()
        for device in devices:
            device.run_block(*check_frames(device.layout, *corners("none", 1)))
        assert devices[0].dump() == devices[1].dump()


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4"])
@pytest.mark.parametrize("made", [corner_model, lambda: through_filters(corner_model())])
def test_a_dump_after_a_lesson_tells_nothing_of_its_takes_but_what_was_learned(
    made: Callable[[], Model], core: str, tmp_path: Path
) -> None:
    """Of two devices taught by different hands, given one's bytes, nobody tells which was whose.

    Once some frames are of nobody every byte of the RAM is the same, the stack among it.
    """
    model = made()
    compiled = compile_for(written(model, tmp_path / "firmware"), core)
    _, add, finish, _ = COMMANDS.values()
    devices = [_shown(compiled, where) for where in ("top", "left")]
    place = devices[0].image.symbol("harness_learned").address
    n_bytes = enrolment_bytes(model)["kept"]
    for device in devices:
        for command in (add, finish, SAVE):
            device.call("harness_command", command, 0)
    learned, others = (device.read(place, n_bytes) for device in devices)
    assert learned != others
    for device in devices:
        device.write(place, learned)
        assert device.call("harness_command", LOAD, n_bytes) == 0
    for device in devices:
        device.run_block(*check_frames(device.layout, *corners("none", 4)))
    assert devices[0].dump() == devices[1].dump()


def test_of_a_frame_half_fed_when_all_is_forgotten_the_rest_is_refused(tmp_path: Path) -> None:
    """Half a frame is no frame: it is dropped, and the next one is whole."""
    model = corner_model()
    device = Machine(compile_for(written(model, tmp_path / "firmware"), "cortex-m0plus"))
    state = device.image.symbol("harness_state").address
    lit, dark = corners("left", 1)
    places = device.write_exposures(*check_frames(device.layout, lit, dark))
    answers = []
    for forgets in (True, False):
        for row in range(8):
            at = (place + 16 * row for place in places)
            device.call("pw_feed_row", state, row, *at)
            if forgets and row == 3:
                device.call("harness_command", COMMANDS["forget"], 0)
        answers.append(device.call("pw_finish", state))
    wanted = model.run(lit, dark).outputs[0, 0]
    assert [np.int32(np.uint32(answer)) for answer in answers] == [-2, wanted]


def _shown(compiled: CompiledFirmware, where: str) -> Machine:
    """Return a device with two takes, one of them kept and the other open."""
    device, (begin, add, _, _) = Machine(compiled), COMMANDS.values()
    for number in (1, 2):
        device.call("harness_command", begin, 0)
        device.run_block(*check_frames(device.layout, *corners(where, 4, seed=number)))
        if number == 1:
            assert device.call("harness_command", add, 0) == 1
    return device


def _state_of(device: Machine) -> bytes:
    """Return all of a pw_state, the room that it works in among it."""
    symbol = device.image.symbol("harness_state")
    return device.read(symbol.address, symbol.size)


def test_loading_in_c_leaves_of_enrolment_what_was_loaded_and_of_other_stages_all(
    tmp_path: Path,
) -> None:
    """In the middle of a lesson, another owner's bytes: the state is the law's, every member."""
    model = corner_model()
    compiled = compile_for(written(model, tmp_path / "firmware"), HOST)
    begin, add, finish, _ = COMMANDS.values()
    state, _ = carry_out(model, model.initial_state(), "begin", 1)
    state, _ = carry_out(model, model.run(*corners("right", 4), state).state, "add")
    data = learned_bytes(model, carry_out(model, state, "finish").state)
    host, state = HostLibrary(compiled), model.initial_state()
    for number, command in ((begin, "begin"), (add, "add"), (finish, "finish"), (begin, "begin")):
        host.command(number, 0)
        state, _ = carry_out(model, state, command, 0)
        host.run(*corners("top", 4))
        state = model.run(*corners("top", 4), state).state
    host.put_learned(data)
    assert host.command(6, len(data)) == 0
    state = with_learned(model, state, data, "bytes")
    got, wanted = host.run(*corners("left", 1)), model.run(*corners("left", 1), state)
    for name, value in wanted.state.items():
        assert np.array_equal(got.state[name][-1].ravel(), np.ravel(value)), name
    assert np.array_equal(got.evidence, wanted.evidence)


def test_the_c_says_what_is_wrong_with_bytes_that_it_does_not_load(tmp_path: Path) -> None:
    """It tells nothing there, another version's or model's of any length, and damaged or cut."""
    model = corner_model()
    host = HostLibrary(compile_for(written(model, tmp_path / "firmware"), HOST))
    state = model.initial_state()
    state, _ = carry_out(model, state, "begin", 0)
    state, _ = carry_out(model, model.run(*corners("top", 4), state).state, "add")
    data = learned_bytes(model, carry_out(model, state, "finish").state)

    def answered(data: bytes, n_bytes: int | None = None) -> int:
        host.put_learned(data)
        return host.command(6, len(data) if n_bytes is None else n_bytes)

    assert answered(data) == answered(data + b"behind it") == 0
    assert answered(bytes(len(data))) == answered(b"\xff" * len(data)) == NOTHING
    assert {answered(data, n_bytes) for n_bytes in range(4)} == {NOTHING}
    assert answered(data[:4] + b"\x02" + data[5:]) == FOREIGN
    for other in (corner_model(n_own=0), corner_model(n_own=3), corner_model(name="another")):
        assert answered(learned_bytes(other, other.initial_state())) == FOREIGN
    assert {answered(data, n_bytes) for n_bytes in range(4, len(data))} == {DAMAGED}
    for at in range(5, len(data)):
        assert answered(data[:at] + bytes([data[at] ^ 4]) + data[at + 1 :]) == DAMAGED
    host.command(5)
    assert host.learned(len(data)) == data


def test_the_c_says_which_class_a_refused_take_is_like(tmp_path: Path) -> None:
    """A gesture of one's own that is a known one is told which, until the takes are let go of."""
    model = corner_model()
    host = HostLibrary(compile_for(written(model, tmp_path / "firmware"), HOST))
    for where, number in (("left", 0), ("right", 1)):
        host.command(1, 3)
        host.run(*corners(where, 4))
        assert host.command(2) == OTHER_CLASS and host.command(7, 3) == number
    assert host.command(7, 4) == host.command(7, -1) == NO_CLASS
    host.command(3)
    assert host.command(7, 3) == NO_TAKE


@pytest.mark.parametrize("engine", ["reference", "onnx", "c"])
def test_an_engine_answers_as_its_owner_taught_it(engine: str, tmp_path: Path) -> None:
    """Opened with what was learned, each execution gives the taught model's scores."""
    model = corner_model()
    save_step_graph(model, tmp_path / "fixed.onnx")
    written(model, tmp_path / "firmware")
    state = model.initial_state()
    state, _ = carry_out(model, state, "begin", 0)
    state, _ = carry_out(model, model.run(*corners("top", 4), state).state, "add")
    state, _ = carry_out(model, state, "finish")
    data = learned_bytes(model, state)
    lit, dark = corners("top", 1, seed=7)
    answer = open_engine(engine, model, tmp_path, data)(lit[0], dark[0])
    assert np.array_equal(answer.evidence, model.run(lit, dark, state).evidence[0])
    with pytest.raises(FormatError, match="damaged"):
        open_engine(engine, model, tmp_path, data[:-1])


SAID = {
    "first bytes": NOTHING,
    "version": FOREIGN,
    "model of the enrolment": FOREIGN,
    "enrolment": DAMAGED,
}
"""What a file is told to be wrong in, and the C's reason for the same bytes."""


def test_bytes_of_any_length_are_told_to_be_the_same_on_a_desk_and_on_a_device(
    tmp_path: Path,
) -> None:
    """Cut anywhere, or changed anywhere under a right checksum, they are refused alike."""
    model = corner_model()
    host = HostLibrary(compile_for(written(model, tmp_path / "firmware"), HOST))
    own = learned_bytes(model, model.initial_state())
    other = corner_model(name="another", n_own=3)
    whole = (
        own,
        learned_bytes(other, other.initial_state()),
        own[:4] + b"\x02" + own[5:],
        bytes(len(own)),
        b"\xff" * len(own),
    )

    def told(data: bytes) -> int:
        try:
            with_learned(model, model.initial_state(), data, "file")
        except FormatError as error:
            return SAID[error.what]
        return 0

    def answered(data: bytes) -> int:
        host.put_learned(data)
        return host.command(6, len(data))

    for data in whole:
        cut = [data[:end] for end in range(len(data) + 1)]
        assert [answered(each) for each in cut] == [told(each) for each in cut]
    forged = [
        body + zlib.crc32(body).to_bytes(4, "little")
        for at in range(len(own) - 4)
        for body in (own[:at] + bytes([own[at] ^ 0x80]) + own[at + 1 : -4],)
    ]
    assert [answered(each) for each in forged] == [told(each) for each in forged]
    assert {told(each) for each in forged} == {0, NOTHING, FOREIGN, DAMAGED}
