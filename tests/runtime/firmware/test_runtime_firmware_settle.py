"""A model that is woken before a hand: its first frame stands for what was before."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from firmware_models import dense, random_frames

from runtime.firmware.emit.generate import generate
from runtime.firmware.machine.compile import compile_for
from runtime.firmware.machine.execute import Machine
from runtime.model import Model, settled_state
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Stage
from runtime.stages.lamps.steady import Steady
from runtime.stages.motion import Motion
from runtime.stages.skip import Skip
from runtime.stages.swing import Swing
from runtime.stages.window import Window

REMEMBERING = [
    Steady(4, (3, -1, 2, 5), 2), Window(4, 3, 2, 1, 16), Swing(4, 2, 3, 16), Motion(4, 1, 16),
]  # fmt: skip


@pytest.mark.parametrize("stage", REMEMBERING, ids=lambda stage: stage.kind)
def test_a_settled_stage_has_seen_nothing_else(stage: Stage) -> None:
    """From the settled state a stage gives what it would after many frames like the first."""
    x = np.random.default_rng(3).integers(-500, 500, (6, 4)).astype(np.int32)
    settled, _ = stage.run(x, stage.settled_state(x[0]))
    long_before = np.vstack([np.repeat(x[:1], 40, axis=0), x])
    after, _ = stage.run(long_before, stage.initial_state())
    np.testing.assert_array_equal(settled, after[40:])
    fresh, _ = stage.run(x, stage.initial_state())
    assert not np.array_equal(settled, fresh)


def _remembering_model() -> Model:
    rng = np.random.default_rng(1)
    stages: tuple[Stage, ...] = (
        Bins(16, 16, 2, 2), Steady(4, (1, 1, 1), 2), Motion(4, 2, 16),
        Swing(5, 1, 2, 16), Window(5, 3, 2, 1, 16), Skip(15, 2),
        dense(rng.integers(-127, 128, (4, 15)).astype(np.int8), 32),
        Decision((False, False, False, True), 300, 100, 2, 3),
    )  # fmt: skip
    return Model("remembering", "t", Sensor("test", 16, 16), tuple("abcd"), stages)


def test_the_board_settles_as_the_reference_does(tmp_path: Path) -> None:
    """After pw_settle the scores of every frame are the reference's from its settled state.

    Without it they are those from the beginning, and pw_init takes back what was asked for.
    """
    model = _remembering_model()
    for name, text in generate(model).items():
        (tmp_path / name).write_text(text)
    machine = Machine(compile_for(tmp_path, "cortex-m0plus", extra=("-Werror",)))
    state = machine.image.symbol("harness_state").address
    lit, dark = (exposure[3:] for exposure in random_frames(model, 12))

    def scores() -> list[list[int]]:
        told = []
        for pair in zip(lit, dark, strict=True):
            machine.call("pw_step", state, *machine.write_exposures(*pair))
            at = machine.call("pw_scores", state)
            told.append(np.frombuffer(machine.read(at, 16), "<i4").tolist())
        return told

    first = settled_state(model, lit, dark)
    wanted = model.run(lit, dark, first).evidence
    fresh = model.run(lit, dark).evidence
    assert not np.array_equal(wanted[:6], fresh[:6])
    machine.call("pw_init", state)
    machine.call("pw_settle", state)
    assert scores() == wanted.tolist()
    machine.call("pw_settle", state)
    machine.call("pw_init", state)
    assert scores() == fresh.tolist()


def test_a_scene_that_stands_still_is_no_movement() -> None:
    """From the settled state a scene that does not change gives the same scores on every frame."""
    model = _remembering_model()
    lit, dark = (np.repeat(exposure[3:4], 9, axis=0) for exposure in random_frames(model, 4))
    evidence = model.run(lit, dark, settled_state(model, lit, dark)).evidence
    assert (evidence == evidence[0]).all()
    assert not (model.run(lit, dark).evidence == evidence[0]).all()
