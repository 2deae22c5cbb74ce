"""The device program of a model that learns: it wakes for a take, and stays awake for it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from enrol_models import corner_model
from firmware_models import small_model

from runtime.firmware.day.run import Board, compile_device
from runtime.firmware.day.script import BoardTimes, DayScript, Kind
from runtime.firmware.emit.device.program import device_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import watch_text
from runtime.firmware.setting import DeviceSetting
from runtime.stages.contract.stage import Counts

SECONDS = 8.0
MODEL = corner_model()
SETTING = DeviceSetting.of(MODEL.sensor)


def still(_t_s: float, _kind: Kind) -> tuple[Counts, Counts]:
    """Nothing moves, ever."""
    return np.full((8, 8), 300, np.uint16), np.zeros((8, 8), np.uint16)


def day(folder: Path, asked: int | None) -> tuple[int, float, float]:
    """Let a still day pass, with a take begun at its start; return answer, wakes and frames."""
    files = generate(MODEL) | watch_text(MODEL.sensor, SETTING.watching_rows)
    for name, text in (files | device_text(MODEL, SETTING)).items():
        (folder / name).write_text(text)
    board = Board(
        compile_device(folder, "cortex-m0plus", extra=("-Werror",)),
        DayScript(SECONDS, (), (), still), BoardTimes(),
    )  # fmt: skip
    machine, answer = board.machine, 0
    machine.call("harness_begin")
    if asked is not None:
        device = machine.image.symbol("harness_device").address
        answer = machine.call("pw_device_enrol", device, asked)
    machine.call("harness_day")
    tally = board.result().tally
    return answer, tally.wakes, tally.active_frames


def test_a_take_wakes_the_device_and_keeps_it_awake(tmp_path: Path) -> None:
    """Nothing moves: without a take it never wakes; with one open it is active to the end."""
    assert day(tmp_path, None) == (0, 0, 0)
    answer, wakes, frames = day(tmp_path, 0)
    assert (answer, wakes) == (0, 1)
    assert frames >= (SECONDS - 1.0) * SETTING.frame_rate_hz


def test_a_wrong_class_wakes_it_for_the_hold_time_alone(tmp_path: Path) -> None:
    """No take is open then, and it goes back to watching."""
    answer, wakes, frames = day(tmp_path, 99)
    assert answer - (1 << 32) == -10 and wakes == 1
    assert 0 < frames <= (SETTING.hold_time_s + 1.0) * SETTING.frame_rate_hz < SECONDS * 30


def test_a_model_that_cannot_learn_has_none_of_it() -> None:
    """Neither functions nor words of enrolment stand in other models' firmware."""
    model = small_model()
    files = generate(model) | device_text(model, DeviceSetting.of(model.sensor))
    for name, text in files.items():
        for word in ("enrol", "pw_forget", "pw_restart"):
            assert word not in text.lower(), name
