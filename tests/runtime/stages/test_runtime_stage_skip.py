"""The skip stage: what it keeps, what need not run meanwhile, and that every execution agrees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from compiler_matrix import every_kernel_model, lively_frames
from firmware_models import dense, save_folder
from hypothesis import given, settings
from hypothesis import strategies as st

from runtime.errors import FormatError
from runtime.firmware.emit.generate import generate, stage_places
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.firmware.profile import profile
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Stage
from runtime.stages.motion import Motion
from runtime.stages.skip import Skip
from runtime.stages.window import Window
from runtime.verification.engines import ENGINES, open_engine
from runtime.verification.verify import compare, reference_records


@settings(max_examples=60)
@given(st.integers(1, 6), st.lists(st.integers(0, 9), max_size=6))
def test_every_nth_frame_is_taken_and_kept(every: int, lengths: list[int]) -> None:
    """Frame t gives that of t - t % every, however the frames are cut into runs."""
    n = sum(lengths)
    x = np.arange(2 * n, dtype=np.int32).reshape(n, 2) - 5
    stage = Skip(2, every)
    state, given_, at = stage.initial_state(), [], 0
    for length in lengths:
        y, state = stage.run(x[at : at + length], state)
        assert (y.dtype, y.shape) == (np.int32, (length, 2))
        given_ += y.tolist()
        at += length
    assert given_ == [x[t - t % every].tolist() for t in range(n)]
    assert stage.run_float(x.astype(np.float64)).tolist() == given_
    if n:
        assert state["held"].tolist() == given_[-1]
    assert state["wait"].tolist() == [-n % every]


def model_of(*head: Stage) -> Model:
    """Return a model of 16 bins of 4 x 4 pixels, a head, and a decision over its values."""
    closing = Decision((False,) * (head[-1].n_out - 1) + (True,), 40, 20, 2, 2)
    classes = tuple("abcdefghijklmnopqrstuvwxyz"[: head[-1].n_out])
    sensor = Sensor("drawn", 16, 16, 12, black_level_counts=0)
    return Model("seldom", "seldom", sensor, classes, (Bins(16, 16, 4, 4), *head, closing))


def layer(n_out: int, n_in: int, bits: int = 8) -> Stage:
    weights = np.random.default_rng(n_out).integers(-90, 91, (n_out, n_in)).astype(np.int8)
    return dense(weights, bits)


HEADS: dict[str, tuple[Stage, ...]] = {
    "layers, then a window": (Skip(16, 2), layer(9, 16), layer(5, 9), Window(5, 1, 2)),
    "two in turn": (Skip(16, 2), layer(8, 16), Skip(8, 3), layer(4, 8)),
    "up to the end": (layer(6, 16), Skip(6, 3), layer(5, 6, 32)),
    "with nothing behind": (layer(5, 16), Skip(5, 4), Motion(5, 0, 16)),
    "as the evidence": (layer(5, 16), Skip(5, 2)),
    "of odd length": (layer(7, 16, 16), Skip(7, 2), layer(5, 7)),
}


@pytest.mark.parametrize("head", HEADS)
def test_every_execution_keeps_the_same(head: str, tmp_path: Path) -> None:
    """Reference, ONNX and C give the same bits wherever in a model a skip stands."""
    model = model_of(*HEADS[head])
    folder = save_folder(model, tmp_path / "model")
    lit, dark = lively_frames(model, 13)
    run = model.run(lit, dark)
    for name in ENGINES:
        step = open_engine(name, model, folder)
        for frame, pair in enumerate(zip(lit, dark, strict=True)):
            found = step(*pair)
            assert found.evidence.tolist() == run.evidence[frame].tolist(), name
            assert found.outputs.tolist() == run.outputs[frame].tolist(), name


def test_what_lies_behind_kept_values_is_multiplied_by_nothing(tmp_path: Path) -> None:
    """Kernels that read whole words and turns give the same of values that the state keeps."""
    model = model_of(*HEADS["of odd length"])
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    frames = lively_frames(model, 13)
    for core in ("cortex-m0plus", "cortex-m4"):
        got = execute(compile_for(tmp_path, core, extra=("-Werror",)), *frames)
        assert compare(reference_records(model, *frames), got) == "", core


def test_a_model_says_which_stages_run_seldom() -> None:
    """Behind a skip, stages without a state run as seldom as it takes frames; others on each."""
    assert model_of(*HEADS["layers, then a window"]).run_every == (1, 1, 2, 2, 1, 1)
    two = model_of(*HEADS["two in turn"])
    assert (two.run_every, two.period) == ((1, 1, 2, 1, 3, 1), 6)
    operations = [stage.n_operations for stage in two.stages]
    assert two.n_operations == round(
        sum(operations) - operations[2] / 2 - 2 * operations[4] / 3
    )  # fmt: skip
    assert model_of(*HEADS["with nothing behind"]).period == 1


def test_the_firmware_runs_them_only_then() -> None:
    """A head behind a skip of two executes half its instructions; what remembers executes all."""
    whole = every_kernel_model()
    at = next(i for i, stage in enumerate(whole.stages) if isinstance(stage, Window)) + 1
    stages = (*whole.stages[:at], Skip(whole.stages[at].n_in, 2), *whole.stages[at:])
    halved = Model(whole.name, whole.task, whole.sensor, whole.classes, stages)
    frames = lively_frames(whole, 8)
    before, after = (profile(model, "cortex-m4", *frames).by_stage for model in (whole, halved))
    for index, stage in enumerate(whole.stages):
        name = f"s{index + (index >= at)} {stage.kind}"
        share = after[name] / before[f"s{index} {stage.kind}"]
        assert share == pytest.approx(0.5 if stage.kind == "dense" and index >= at else 1, abs=0.03)
    assert 0 < after[f"s{at} skip"] < 120


def test_outputs_that_last_have_places_of_their_own() -> None:
    """What is read on frames on which it is not written shares its place with nothing."""
    places = {place.label: place.place for place in stage_places(model_of(*HEADS["two in turn"]))}
    assert places["s1"] == "s->s1_held"
    assert (places["s2"], places["s3"], places["s4"]) == ("s->s2_y", "s->s3_held", "s->s4_y")
    text = generate(model_of(*HEADS["layers, then a window"]))["pw_model.c"]
    block = text[text.index("static int32_t finish") :].split("}\n")[0]
    assert block.count("_run(") == 3 and "if (s1_run(" in block


@pytest.mark.parametrize("fields", [(0, 1), (4097, 1), (3, 0), (3, 256), (3, True), (3, 1.5)])
def test_values_out_of_range_are_refused(fields: tuple[int, int]) -> None:
    """No value, more than 4096, and a step outside 1 to 255 are format errors that name the key."""
    wrong = "n_values" if fields[1] == 1 and fields[0] != 3 else "every"
    with pytest.raises(FormatError, match=f"^skip: {wrong} is"):
        Skip(*fields)


def test_the_largest_and_the_smallest_begin_with_nothing_kept() -> None:
    """One value and 4096, a step of 1 and of 255 are allowed, and all begin from zero."""
    for stage in (Skip(1, 1), Skip(4096, 255)):
        state = stage.initial_state()
        assert [state["held"].shape, state["wait"].shape] == [(stage.n_values,), (1,)]
        assert not state["held"].any() and not state["wait"].any()
        assert stage.holds_frames == stage.every
