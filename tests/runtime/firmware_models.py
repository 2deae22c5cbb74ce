"""Small models that the firmware's tests share; every draw takes an explicit generator."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from runtime.files import write_fingerprints
from runtime.firmware.machine.execute import executable_cores
from runtime.front.model_folder import write_executions
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Counts
from runtime.stages.dense import Dense
from runtime.stages.level import Level

EXECUTED = executable_cores("zig")[0]
"""Cores that can be executed here; that none is missing on CI is a test of its own."""
_ALIKE = {"cortex-m85": "cortex-m55", "cortex-m23": "cortex-m0plus", "rv32emc": "rv32imc"}
EXECUTED_ONCE = tuple(core for core in EXECUTED if core not in _ALIKE)
"""The same without those that compile the same form of the text as another core."""


def dense(
    weights: NDArray[np.int8], out_bits: int, multiplier: int = 1, shift: int = 0, bias: int = 0
) -> Dense:
    """A dense stage whose real-valued twin has the same weights."""
    biases = np.full(len(weights), bias, dtype=np.int32)
    return Dense(
        weights, biases, multiplier, shift, out_bits == 8, out_bits,
        weights.astype(np.float64), biases.astype(np.float64),
    )  # fmt: skip


def small_model(seed: int = 0, n: int = 16, name: str = "small") -> Model:
    """Bins, level, two dense layers and a decision over `n` by `n` pixels of 12 bits."""
    rng = np.random.default_rng(seed)
    hidden = rng.integers(-127, 128, (6, 17)).astype(np.int8)
    head = rng.integers(-127, 128, (4, 6)).astype(np.int8)
    stages = (
        Bins(n, n, 4, 4),
        Level(16, 8, 8, 64, 3, 0),
        dense(hidden, 8, 77, 15, bias=100),
        dense(head, 32),
        Decision((False, False, False, True), 300, 100, 2, 3),
    )
    classes = ("swipe_left", "swipe_right", "push", "idle")
    return Model(name, "dynamic", Sensor("test", n, n), classes, stages, {"seed": seed})


def random_frames(model: Model, n_frames: int, seed: int = 1) -> tuple[Counts, Counts]:
    """Frames between dim and saturated, extremes among them."""
    rng = np.random.default_rng(seed)
    shape = (n_frames, model.sensor.n_rows, model.sensor.n_cols)
    most = model.sensor.max_counts
    lit = rng.integers(0, most + 1, shape)
    dark = lit // rng.integers(1, 9, (n_frames, 1, 1))
    lit[0], dark[0] = most, 0
    lit[1], dark[1] = 0, most
    lit[2], dark[2] = 0, 0
    return lit.astype(np.uint16), dark.astype(np.uint16)


def save_folder(model: Model, folder: Path, n_frames: int = 40) -> Path:
    """Write all that `verify` reads: model, graph, firmware, frames."""
    folder.mkdir(parents=True, exist_ok=True)
    write_executions(model, folder)
    lit, dark = random_frames(model, n_frames)
    np.savez_compressed(folder / "test_frames.npz", lit=lit, dark=dark)
    write_fingerprints(folder)
    return folder
