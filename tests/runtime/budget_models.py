"""A small model folder and full sets of inputs that the budget's tests share."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from firmware_models import dense

from runtime.budget.inputs.library import KINDS, Link, Mcu, load_parts
from runtime.budget.inputs.uncertainty import typical_values
from runtime.budget.inputs.values import Input, setting
from runtime.budget.price.controller_inputs import controller_inputs
from runtime.budget.price.operating_states import states_together
from runtime.budget.price.power import average_power
from runtime.model import Model, save_model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision

CORES = ("cortex-m33",)
PARTS_USED = {
    "mcu": "stm32u575", "led": "ir940-smd", "driver": "switched", "regulator": "buck",
    "readout": "state-of-the-art", "host": "watch", "usage": "everyday",
}  # fmt: skip


def share(value: float) -> dict[str, Any]:
    """Return an accuracy as ``evaluation.json`` holds it."""
    return {"accuracy": {"value": value, "low": value - 0.05, "high": value + 0.04}}


def write_folder(path: Path) -> Path:
    """Write a model folder: 64 bins, a linear head of random weights, 12 random frames."""
    path.mkdir()
    rng = np.random.default_rng(0)
    model = Model(
        name="dynamic",
        task="dynamic",
        sensor=Sensor("emulated 32x32", 32, 32),
        classes=("other", "swipe_left", "swipe_right"),
        stages=(
            Bins(32, 32, 8, 8),
            dense(rng.integers(-127, 128, (3, 64)).astype(np.int8), 32),
            Decision((True, False, False), 1000, 0, 1, 5),
        ),
        provenance={"made by": "a test"},
    )
    save_model(model, path)
    lit = rng.integers(64, 4000, (12, 32, 32)).astype(np.uint16)
    np.savez(path / "test_frames.npz", lit=lit, dark=lit // 8)
    scores = {"float": share(0.93), "fixed": share(0.92), "four_quadrant": share(0.71)}
    (path / "evaluation.json").write_text(json.dumps(scores))
    return path


def library_inputs() -> dict[str, Input]:
    """Return a complete set of inputs from the library and a 32 x 32 sensor."""
    library = load_parts()
    found: dict[str, Input] = {}
    for kind, name in PARTS_USED.items():
        found |= library.get(KINDS[kind], name).inputs(kind)
    for group, name in (("sensor_link", "spi"), ("host_link", "i2c")):
        found |= library.get(KINDS["link"], name).inputs(group)
    mcu, link = library.get(Mcu, PARTS_USED["mcu"]), library.get(Link, "spi")
    for name, value in {
        "sensor.exposure": 200.0, "sensor.bits": 12.0, "active.rate": 30.0, "watching.rate": 5.0,
        "active.led_current": 100.0, "watching.led_current": 20.0, "active.pixels": 1024.0,
        "watching.pixels": 256.0, "active.cycles": 20_000.0, "watching.cycles": 2_000.0,
        "active.flash_bytes": 12_000.0, "watching.flash_bytes": 2_400.0,
        "active.interrupts": 1.0, "watching.interrupts": 1.0,
        "sensor.dark_signal": 500.0, "active.voltage_ratio": 1.0,
        "watching.voltage_ratio": 0.9,
    }.items():  # fmt: skip
        found[name] = setting(name, "1", value, "chosen for the test")
    together = [found | controller_inputs(mcu, s, link) for s in states_together(mcu, link)]
    return min(together, key=lambda each: float(sum(average_power(typical_values(each)).values())))
