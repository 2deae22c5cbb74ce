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
from runtime.stages.passive.offset import Offset
from runtime.verification.verify import compare, reference_records


def test_halves_are_rounded_down() -> None:
    """Of 3 above 1 comes 1, of 1 above 4 comes -2."""
    y, state = Offset(np.array([1, 4], dtype=np.int32)).run(np.array([[4, 1]], dtype=np.int32), {})
    assert y.tolist() == [[1, -2]]
    assert state == {}


@pytest.mark.parametrize("mean", [130.0, 130.3, 130.5, 130.9])
def test_the_mean_of_what_is_above_a_mean_rounded_down_is_near_nothing(mean: float) -> None:
    """Noise about any mean leaves at most a quarter of a step, and on average over means none."""
    rng = np.random.default_rng(5)
    x = np.round(rng.normal(mean, 4.0, (200_000, 1))).astype(np.int32)
    y, _ = Offset(np.array([int(mean)], dtype=np.int32)).run(x, {})
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
    stages = (Ambient(4, n_cols, 4, n_cols, 0), Offset(offsets), head,
              Decision((False, False), 9, 5, 1, 0))  # fmt: skip
    model = Model("light", "light", Sensor("s", 4, n_cols), ("a", "b"), stages)
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    frames = lively_frames(model, 9)
    got = execute(compile_for(tmp_path, core, extra=("-Werror",)), *frames)
    assert compare(reference_records(model, *frames), got) == ""


def test_offsets_that_are_none_or_too_far_away_are_refused() -> None:
    """An array of another dtype is a format error; a difference beyond 32 bits is a risk."""
    with pytest.raises(FormatError, match="offsets"):
        Offset(np.array([1.5]))
    with pytest.raises(OverflowRisk, match="above its offset"):
        Offset(np.array([-(2**31) + 1], dtype=np.int32)).bounds(np.array([0]), np.array([9]))
