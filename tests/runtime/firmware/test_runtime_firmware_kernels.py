"""Kernels at their limits: largest weights against largest inputs, every remainder, every core."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from firmware_models import EXECUTED_ONCE, dense, random_frames
from numpy.typing import NDArray

from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import execute
from runtime.fixedpoint import choose_multiplier
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.chain import run_stages
from runtime.stages.contract.stage import Stage
from runtime.stages.level import Level
from runtime.stages.pixels import Pixels
from runtime.verification.verify import compare, reference_records


def mixed_frames(model: Model, n_frames: int) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Frames with as much dark above lit as below, so that differences have both signs."""
    lit, dark = random_frames(model, n_frames)
    dark[3:] = np.random.default_rng(2).permutation(lit[3:].ravel()).reshape(lit[3:].shape)
    return lit, dark


def same_everywhere(model: Model, folder: Path, n_frames: int = 8) -> None:
    """Generate, compile and execute on the host and every core; demand the reference's bits."""
    for name, text in generate(model).items():
        (folder / name).write_text(text)
    lit, dark = mixed_frames(model, n_frames)
    reference = reference_records(model, lit, dark)
    for core in ("host", *EXECUTED_ONCE):
        got = execute(compile_for(folder, core), lit, dark)
        assert compare(reference, got) == "", core


def layers(weights: NDArray[np.int8], bound: int) -> tuple[Stage, ...]:
    """A scaled layer, its raw scores, and a decision."""
    n_out, n_in = weights.shape
    worst = n_in * 127 * bound
    multiplier, shift = choose_multiplier(127 / worst, worst)
    head = np.where(np.arange(3 * n_out).reshape(3, n_out) % 2, -127, 127).astype(np.int8)
    return (
        dense(weights, 8, multiplier, shift),
        dense(head, 32),
        Decision((False, False, True), 1, 0, 1, 0),
    )


@pytest.mark.parametrize("n_values", [4, 8, 9, 16])
def test_largest_eight_bit_products(tmp_path: Path, n_values: int) -> None:
    """Inputs of plus and minus 127 against weights of plus and minus 127, for every remainder."""
    rng = np.random.default_rng(n_values)
    weights = rng.choice(np.array([-127, 127], dtype=np.int8), (9, n_values + 1))
    entry = Bins(6, 2 * n_values, 1, n_values)
    level = Level(n_values, 8, 12, 4, 3, 0)
    stages = (entry, level, *layers(weights, 127))
    model = Model("extreme", "t", Sensor("t", 6, 2 * n_values), ("a", "b", "c"), stages)
    x, _ = run_stages(stages[:2], *mixed_frames(model, 8))
    assert x.min() == -127
    assert x.max() == 127
    same_everywhere(model, tmp_path)


@pytest.mark.parametrize("n_pixels", [1, 3, 7, 12])
def test_largest_sixteen_bit_products(tmp_path: Path, n_pixels: int) -> None:
    """Inputs of sixteen bits meet the other dual kernel, with every remainder of rows."""
    rng = np.random.default_rng(n_pixels)
    weights = rng.choice(np.array([-127, 127], dtype=np.int8), (6, n_pixels))
    entry = Pixels(4, 4, np.arange(n_pixels, dtype=np.int32))
    stages = (entry, *layers(weights, 4095))
    model = Model("wide", "t", Sensor("t", 4, 4), ("a", "b", "c"), stages)
    same_everywhere(model, tmp_path)


@pytest.mark.parametrize("bit_depth", [8, 12, 16])
@pytest.mark.parametrize("shape", [(8, 8), (16, 2), (3, 6), (2, 16), (1, 1)])
def test_saturated_bins(tmp_path: Path, bit_depth: int, shape: tuple[int, int]) -> None:
    """Bins filled to the last count do not overflow a packed half, at any depth and shape."""
    height, width = shape
    entry = Bins(2 * height + 1, 4 * width, 2, 4, 1, 2 * height + 1)
    weights = np.eye(3, 8, dtype=np.int8)
    stages = (entry, dense(weights, 32), Decision((False, False, True), 1, 0, 1, 0))
    sensor = Sensor("t", 2 * height + 1, 4 * width, bit_depth)
    model = Model("full", "t", sensor, ("a", "b", "c"), stages)
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    lit, dark = random_frames(model, 6)
    reference = reference_records(model, lit, dark)
    for core in ("cortex-m0plus", "cortex-m4"):
        assert compare(reference, execute(compile_for(tmp_path, core), lit, dark)) == "", core


def test_ternary_weights_are_not_multiplied(tmp_path: Path) -> None:
    """Weights of -1, 0 and 1 give code without a multiplication, and the same bits."""
    rng = np.random.default_rng(5)
    weights = rng.integers(-1, 2, (5, 16)).astype(np.int8)
    weights[2] = 0
    stages = (Bins(8, 8, 4, 4), dense(weights, 32), Decision((False,) * 5, 1, 0, 1, 0))
    model = Model("ternary", "t", Sensor("t", 8, 8), tuple("abcde"), stages)
    text = generate(model)["pw_model.c"]
    kernel = text[text.index("void s1_run") : text.index("/* Stage s2")]
    assert "counts[(2u * row)" in kernel
    assert "*" not in kernel.replace("*at", "").replace("2u * row", "").split("{", 1)[1]
    same_everywhere(model, tmp_path)
