"""The offset stage: half of what is above, rounded so that no mean is led astray, in every form."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from compiler_matrix import lively_frames
from firmware_models import dense

from runtime.errors import FormatError, OverflowRisk
from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.closing.decision import Decision
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.offset import SLOWEST, Offset
from runtime.verification.verify import compare, reference_records


def test_halves_are_rounded_down() -> None:
    """Of 3 above 1 comes 1, of 1 above 4 comes -2."""
    stage = Offset(np.array([1, 4], dtype=np.int32), 0, 5, 1, 9)
    x = np.array([[4, 1]], dtype=np.int32)
    y, _ = stage.run(x, stage.initial_state())
    assert y.tolist() == stage.above(x).tolist() == [[1, -2]]


def test_offsets_follow_what_is_there_anyway_and_no_source() -> None:
    """A drift is followed and darkness at once; what brings more light than the limit stays."""
    rng = np.random.default_rng(4)
    stage = Offset(np.full(64, 300, dtype=np.int32), 32 * 20, 3, 4, 10_000)
    level = 300.5 + 60.0 * np.clip(np.arange(1500) / 1000.0, 0.0, 1.0)  # by 60 counts in all
    x = np.round(level[:, None] + rng.normal(0, 3.0, (1500, 64))).astype(np.int32)
    y, state = stage.run(x, stage.initial_state())
    assert abs(y[-200:].mean()) < 0.1
    assert stage.above(x)[-200:].mean() > 29.0
    lit = x[-200:] + 400
    y, held = stage.run(lit, state)
    assert held["now"].tolist() == state["now"].tolist()
    assert y.mean() == pytest.approx(200.0, abs=0.5)
    y, _ = stage.run(x[-400:] - 200, state)
    assert abs(y[-100:].mean()) < 0.1


@pytest.mark.parametrize("step", [-40, -1, 1, 40])
def test_the_slowest_mean_comes_within_half_a_count(step: int) -> None:
    """What steps and then stands still is followed, as the real-valued mean follows it."""
    stage = Offset(np.array([300], dtype=np.int32), 1000, SLOWEST, 1, 9)
    x = np.full((3000, 1), 300 + step, dtype=np.int32)
    _, state = stage.run(x, stage.initial_state())
    assert abs(state["mean"][0] / 2.0**8 - x[0, 0]) <= 0.5
    assert abs(stage.run_float(x.astype(float))[-1, 0]) < 0.1


def test_what_stands_becomes_what_is_there_anyway() -> None:
    """After `longest` frames above the limit a light is followed, until it is near again."""
    stage = Offset(np.full(8, 100, dtype=np.int32), 50, 1, 1, 20)
    x = np.full((40, 8), 300, dtype=np.int32)
    y, state = stage.run(x, stage.initial_state())
    assert (y[:20] == 100).all()
    assert (y[30:] <= 1).all()
    assert state["left"].tolist() == [20]


@pytest.mark.parametrize("mean", [130.0, 130.3, 130.5, 130.9])
def test_the_mean_of_what_is_above_a_mean_rounded_down_is_near_nothing(mean: float) -> None:
    """Noise about any mean leaves at most a quarter of a step, and on average over means none."""
    rng = np.random.default_rng(5)
    x = np.round(rng.normal(mean, 4.0, (200_000, 1))).astype(np.int32)
    y = Offset(np.array([int(mean)], dtype=np.int32), 0, 5, 1, 9).above(x)
    assert y.mean() == pytest.approx((mean - int(mean)) / 2.0 - 0.25, abs=0.02)


@pytest.mark.parametrize(
    ("n_cols", "most"), [(8, 8190), (7, 8190), (8, 16_384), (8, 20_000), (8, 40_000)]
)
@pytest.mark.parametrize("core", ["host", "cortex-m0plus", "cortex-m4", "cortex-m55", "rv32imc"])
def test_pixels_two_at_a_time_and_one_by_one_give_the_same(
    tmp_path: Path, n_cols: int, most: int, core: str
) -> None:
    """Words of two counts, halved at once or without a borrow, and odd widths: the same bits."""
    rng = np.random.default_rng(7)
    n = 4 * n_cols
    offsets = rng.integers(0, most + 1, n).astype(np.int32)
    offsets[:2] = 0, most
    head = dense(rng.integers(-90, 91, (2, n)).astype(np.int8), 8)
    stages = (Ambient(4, n_cols, 4, n_cols, 0), Offset(offsets, 3 * n * most // 8, 2, 3, 2), head,
              Decision((False, False), 9, 5, 1, 0))  # fmt: skip
    model = Model("light", "light", Sensor("s", 4, n_cols), ("a", "b"), stages)
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    frames = lively_frames(model, 9)
    got = execute(compile_for(tmp_path, core, extra=("-Werror",)), *frames)
    assert compare(reference_records(model, *frames), got) == ""


def test_offsets_that_are_none_or_too_far_away_are_refused() -> None:
    """Another dtype or no offset is a format error; a difference beyond 32 bits is a risk."""
    with pytest.raises(FormatError, match="offsets"):
        Offset(np.array([1.5]), 0, 0, 1, 1)
    with pytest.raises(FormatError, match="offsets"):
        Offset(np.zeros(0, dtype=np.int32), 0, 0, 1, 1)
    far = Offset(np.array([-(2**24)], dtype=np.int32), 0, 0, 1, 1)
    with pytest.raises(OverflowRisk, match="step of a mean"):
        far.bounds(np.array([0]), np.array([9]))
    for wrong in ((-1, 0, 1, 1), (0, 9, 1, 1), (0, 0, 0, 1), (0, 0, 257, 1), (0, 0, 1, 0)):
        with pytest.raises(FormatError):
            Offset(np.array([5], dtype=np.int32), *wrong)
