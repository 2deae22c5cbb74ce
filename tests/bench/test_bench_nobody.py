"""The benchmark of places without anybody: it counts what a model tells of them."""

from __future__ import annotations

import math

import pytest
from bench_nobody import Watched, lines, script_of, watch

from capture.emulated.optic.optics import SENSORS
from runtime.model import Model
from runtime.stages.closing.presence import Presence
from runtime.stages.passive.ambient import Ambient
from runtime.stages.window import Window

SENSOR = SENSORS["ambient16"]
SCRIPT = script_of(30.0, 9.0)


def watched(threshold: int) -> Watched:
    """Return what a model tells that is always or never above its threshold."""
    stages = (
        Ambient(16, 16, 1, 1, 64), Window(1, 1, 1, 6, 16), Presence("people", (threshold,), 0, 1)
    )  # fmt: skip
    return watch(Model("alarm", "presence", SENSOR, (), stages, {}), 103, SCRIPT)


@pytest.mark.parametrize(("threshold", "n_false", "seen"), [(-30_000, 2, 1.0), (32_767, 0, 0.0)])
def test_false_presences_are_counted_with_their_bound(
    threshold: int, n_false: int, seen: float
) -> None:
    """A model that always tells does so in every stretch, one that never does bounds the rate."""
    found = watched(threshold)
    counted = found.counted
    assert counted.place == "stop 103"
    assert counted.n_false == n_false
    assert counted.empty_hours == pytest.approx(2 * 27.0 / 3600, abs=1.1 / 3600)
    assert found.seen == seen * found.with_people and found.with_people == 12
    *_, rate, people = lines([found])
    assert f"{n_false} in {counted.empty_hours:.2f} h" in rate
    if not n_false:
        assert f"at most {-math.log(0.05) / counted.empty_hours:.2f} (one-sided 95 %)" in rate
    assert people.startswith(f"somebody told of on {100 * seen:.2f} % of 12 frames")
