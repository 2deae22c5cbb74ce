"""Models for the sensor on the bench, and how the tests of `palmwatt live` call it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_sensor import SENSOR

from runtime.firmware.emit.folder import write_firmware
from runtime.model import Model, save_model
from runtime.onnx.graph import save_step_graph
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.window import Window
from trainer.cli import main


def side_model(sensor: Sensor, persist: int = 2) -> Model:
    """Tell towards which side the light of two frames leans; it remembers frames and events."""
    entry = Bins(sensor.n_rows, sensor.n_cols, 2, sensor.n_cols)
    first: tuple[Stage, ...] = (entry, Level(entry.n_out, 8, 8, 64, 3, 0))
    n_values = entry.n_out + 1
    window = Window(n_values, 2, 2, 0, 8)
    half = sensor.n_cols // 2
    row = np.r_[np.ones(half), np.zeros(sensor.n_cols - 2 * half), -np.ones(half)]
    left = np.tile(np.r_[np.tile(row, 2), np.zeros(n_values - entry.n_out)], 2)
    weights = np.stack([left, -left, np.zeros_like(left)]).astype(np.int8)
    bias = np.array([0, 0, 3], dtype=np.int32)
    head = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    decision = Decision((False, False, True), 4, 2, persist, 5)
    classes = ("left", "right", "middle")
    return Model("side", "side", sensor, classes, (*first, window, head, decision))


def export(model: Model, folder: Path) -> Path:
    save_model(model, folder)
    save_step_graph(model, folder / "fixed.onnx")
    write_firmware(model, folder / "firmware")
    return folder


def learning_model(unlike: int = 2**31 - 1, near: int = 0, rival: int = 2**31 - 1) -> Model:
    """The same model, which can learn its owner from takes that are hardly ever refused."""
    model = side_model(SENSOR)
    head = model.stages[-2]
    assert isinstance(head, Dense)
    n = head.n_in
    keep = Dense(
        np.eye(n, dtype=np.int8), np.zeros(n, np.int32), 1, 0, False, 8, np.eye(n), np.zeros(n)
    )
    learns = Enrol(
        head=head, directions=keep, means=np.zeros((3, n), np.int8),
        anchors=np.zeros((0, n), np.int8), anchor_classes=np.zeros(0, np.int32),
        near=np.full(3, near, np.int32), learnable=(True, True, False), n_own=1, n_takes=2,
        moves=False, least_frames=4, unlike=unlike, apart=2**31 - 1, rival=rival, favour=0,
        guard=0, reach=1 << 24, limit=1 << 16, multiplier=1, shift=8,
    )  # fmt: skip
    decision = Decision((False, False, True, False), 4, 2, 2, 5)
    classes = ("left", "right", "middle", "own_1")
    return Model("side", "side", SENSOR, classes, (*model.stages[:-2], learns, decision))


def measuring_model() -> Model:
    """Measure how far the light leans to the left, guarded by a number that is always there."""
    model = side_model(SENSOR)
    head = model.stages[-2]
    assert isinstance(head, Dense)
    weights = np.vstack([head.weights[0], np.zeros_like(head.weights[0])])
    bias = np.zeros(2, dtype=np.int32)
    two = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    quantity = Quantity(
        names=("lean",), units=("mm",), numerators=(1,), denominators=(4,), half_widths=(2,),
        low=(-4, 0), high=(1000, 0), settle=2,
    )  # fmt: skip
    return Model("lean", "lean", SENSOR, (), (*model.stages[:-2], two, quantity))


def counting_model() -> Model:
    """Count up to two by how far the light leans."""
    model = side_model(SENSOR)
    head = model.stages[-2]
    assert isinstance(head, Dense)
    weights, bias = head.weights[:1], np.zeros(1, dtype=np.int32)
    one = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    presence = Presence("hands", (1, 6), 0, 1)
    return Model("count", "count", SENSOR, (), (*model.stages[:-2], one, presence))


def call(*words: object) -> int:
    """Run the command as the front door does; returns its exit code."""
    with pytest.raises(SystemExit) as end:
        main(["live", *map(str, words)])
    assert isinstance(end.value.code, int)
    return end.value.code


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """Return the error, which must be the only line on stderr."""
    text = capsys.readouterr().err
    assert text.startswith("palmwatt: ")
    assert text.count("\n") == 1
    return text


def logged(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def without_latency(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{k: v for k, v in event.items() if k != "latency_ms"} for event in events]
