"""The device program against the reference: what a device that is woken has to tell."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from firmware_models import dense

from runtime.firmware.setting import DeviceSetting
from runtime.model import Model, settled_state
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.motion import Motion
from runtime.verification.device import _difference


def test_a_woken_device_tells_what_a_settled_model_decides() -> None:
    """Its first frame stands for those before: events out of the beginning's darkness are none."""
    weights = np.random.default_rng(1).integers(-127, 128, (4, 5)).astype(np.int8)
    stages = (
        Bins(16, 16, 2, 2), Motion(4, 2, 16), dense(weights, 32),
        Decision((False, False, False, True), 0, 0, 1, 0),
    )  # fmt: skip
    model = Model("woken", "t", Sensor("test", 16, 16), tuple("abcd"), stages)
    lit = np.random.default_rng(4).integers(0, 1000, (12, 16, 16)).astype(np.uint16)
    dark = np.zeros_like(lit)
    settled = model.run(lit, dark, settled_state(model, lit[:1], dark[:1])).events.tolist()
    fresh = model.run(lit, dark).events.tolist()
    assert settled != fresh
    setting = DeviceSetting.of(model.sensor)
    script: Any = SimpleNamespace(seconds=10.0 / setting.watching_rate_hz)
    tally = SimpleNamespace(watching_frames=10.0, wakes=1, active_frames=12)

    def told(events: list[int]) -> str:
        run: Any = SimpleNamespace(
            tally=tally, dropped_rows=0, dropped_counts=0, events=list(enumerate(events))
        )
        return _difference(model, setting, run, script, (lit, dark))

    assert told(settled) == ""
    assert told(fresh).startswith("it told 2, 0 where the reference decides 0")
