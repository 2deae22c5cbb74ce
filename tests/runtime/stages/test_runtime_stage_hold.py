"""The hold stage: what stands for frames that are full, for how long, alike in every execution."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from compiler_matrix import lively_frames
from firmware_models import dense, save_folder
from hypothesis import given, settings
from hypothesis import strategies as st

from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Stage
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.skip import Skip
from runtime.verification.engines import ENGINES, open_engine
from runtime.verification.verify import compare, reference_records

NEAR, LIMIT = 40, 100
SUMS = {"usual": NEAR, "coming": NEAR + 1, "near": LIMIT, "full": LIMIT + 1}
LIGHT = st.lists(st.sampled_from(list(SUMS)), max_size=24)


def frames(light: list[str]) -> np.ndarray:
    """Return int32 (n_frames, 2), each its own, of sums at the two limits or one above them."""
    at = np.arange(len(light))
    sums = np.array([SUMS[word] for word in light], dtype=int)
    return np.column_stack([at, sums - at]).astype(np.int32)


def by_hand(x: np.ndarray, longest: int, brief: int) -> list[list[int]]:
    """Return what is given, by the sentence that says it, frame after frame."""
    given_, last, on_end = [], None, 0
    for frame in x.tolist():
        if sum(frame) <= LIMIT:
            last, on_end = frame, 0
        else:
            on_end += 1
        most = longest if last is not None and sum(last) <= NEAR else brief
        given_.append(last if last is not None and on_end <= most else frame)
    return given_


@settings(max_examples=200)
@given(st.integers(1, 4), st.integers(0, 4), LIGHT, st.lists(st.integers(0, 24)))
def test_the_last_frame_stands_for_full_ones(
    longest: int, less: int, light: list[str], parted: list[int]
) -> None:
    """So it does for at most so many on end, however frames are parted, and in real numbers."""
    x, brief = frames(light), max(0, longest - less)
    stage = Hold(2, LIMIT, NEAR, longest, brief)
    state, y = stage.initial_state(), []
    for part in np.split(x, sorted(parted)):
        some, state = stage.run(part, state)
        assert some.dtype == np.int32 and some.shape == part.shape
        y += some.tolist()
    assert y == by_hand(x, longest, brief)
    assert stage.run_float(x.astype(np.float64)).tolist() == y
    if y:
        assert state["held"].tolist() == y[-1]


def test_what_lasts_is_the_scene() -> None:
    """After the longest glare, frames pass until one is usual again; so do those at first."""
    words = {"u": "usual", "f": "full"}
    x = frames([words[letter] for letter in "ffuffffuf"])
    stage = Hold(2, LIMIT, NEAR, 2, 0)
    y, state = stage.run(x, stage.initial_state())
    assert y.tolist() == x[[0, 1, 2, 2, 2, 5, 6, 7, 7]].tolist()
    assert state["left"].tolist() == [1]


def test_what_comes_near_by_degrees_is_the_scene() -> None:
    """A hand that fills the sensor passes soon, until it has left far enough to tell a jump."""
    x = frames(["usual", "coming", "full", "full", "near", "full", "full", "usual", "full", "full"])
    stage = Hold(2, LIMIT, NEAR, 9, 1)
    y, _ = stage.run(x, stage.initial_state())
    assert y.tolist() == x[[0, 1, 1, 3, 4, 4, 6, 7, 7, 7]].tolist()


@given(st.integers(1, 4), st.sampled_from(list(SUMS)), LIGHT)
def test_from_the_beginning_is_settled(longest: int, light: str, others: list[str]) -> None:
    """A frame that has been so all along is given as the first one is, and so are those after."""
    x = frames([light, *others])
    stage = Hold(2, LIMIT, NEAR, longest, longest - 1)
    before = np.repeat(x[:1], 9, axis=0)
    long_after, _ = stage.run(np.vstack([before, x]), stage.initial_state())
    y, _ = stage.run(x, stage.settled_state(x[0]))
    assert y.tolist() == long_after[9:].tolist()


def model_of(*stages: Stage) -> Model:
    """Return a model of 16 bins of 4 x 4 pixels, some stages, and a decision over their values."""
    closing = Decision((False,) * (stages[-1].n_out - 1) + (True,), 40, 20, 2, 2)
    classes = tuple("abcdefghijklmnopqrstuvwxyz"[: stages[-1].n_out])
    sensor = Sensor("drawn", 16, 16, 12, black_level_counts=0)
    return Model("held", "held", sensor, classes, (Bins(16, 16, 4, 4), *stages, closing))


def layer(n_out: int, n_in: int, bits: int = 8) -> Stage:
    weights = np.random.default_rng(n_out).integers(-90, 91, (n_out, n_in)).astype(np.int8)
    return dense(weights, bits)


FULL = 256 * 4095
CHAINS: dict[str, tuple[Stage, ...]] = {
    "before a mean": (
        Hold(16, FULL // 8, FULL // 16, 3, 1), Steady(16, (1, 1, 1)), Level(16, 8, 7, 16, 3, 0),
        layer(5, 17, 32),
    ),
    "before a level": (
        Hold(16, FULL // 8, FULL // 8, 1, 0), Level(16, 8, 7, 16, 3, 0), layer(5, 17, 32),
    ),
    "behind what is seldom": (layer(7, 16, 16), Skip(7, 2), Hold(7, 9, 9, 2, 2), layer(5, 7)),
    "before what is seldom": (
        Hold(16, FULL // 8, FULL // 9, 2, 1), Skip(16, 2), layer(8, 16), Motion(8, 0, 16),
    ),
    "as the evidence": (layer(5, 16), Hold(5, 9, 5, 2, 0)),
}  # fmt: skip


@pytest.mark.parametrize("chain", CHAINS)
def test_every_execution_holds_the_same(chain: str, tmp_path: Path) -> None:
    """Reference, ONNX and C, with vectors and without, give the same bits wherever it stands."""
    model = model_of(*CHAINS[chain])
    folder = save_folder(model, tmp_path / "model")
    lit, dark = lively_frames(model, 24)
    rng = np.random.default_rng(5)
    lit[rng.random(24) < 0.4] = 4095
    run, expected = model.run(lit, dark), reference_records(model, lit, dark)
    for name in ENGINES:
        step = open_engine(name, model, folder)
        for frame, pair in enumerate(zip(lit, dark, strict=True)):
            found = step(*pair)
            assert found.evidence.tolist() == run.evidence[frame].tolist(), name
            assert found.outputs.tolist() == run.outputs[frame].tolist(), name
    texts = tmp_path / "texts"
    texts.mkdir()
    for name, text in generate(model).items():
        (texts / name).write_text(text)
    for core in ("cortex-m0plus", "cortex-m33", "cortex-m55"):  # the last one with vectors
        got = execute(compile_for(texts, core, extra=("-Werror",)), lit, dark)
        assert compare(expected, got) == "", core
