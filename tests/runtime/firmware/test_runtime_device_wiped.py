"""The device program between frames: no row of either exposure, and nothing that was worked out."""

from __future__ import annotations

import struct
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from enrol_models import corner_model, corners
from firmware_models import small_model

from runtime.firmware.day.run import Board, compile_device
from runtime.firmware.day.script import BoardTimes, DayScript, Kind, played
from runtime.firmware.emit.device.program import device_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import watch_text
from runtime.firmware.setting import DeviceSetting
from runtime.model import Model
from runtime.stages.contract.stage import Counts

RNG = np.random.default_rng(3)
DARK = RNG.normal(64, 3, (4, 16, 16)).round().astype(np.uint16)
STILL = (RNG.normal(90, 3, (4, 16, 16)).round().astype(np.uint16), DARK)
SLOPE = np.linspace(0.0, 900.0, 16)
MOVING = (np.stack([STILL[0][0] + SLOPE, STILL[0][1] + SLOPE[::-1]]).astype(np.uint16), DARK[:2])
SCRIPT = played(12.0, ((4.0, 8.0),), (), (STILL, MOVING))
FAULTS = ((3.0, "silent"), (5.0, "counts"), (6.0, "short"), (7.0, "silent"), (7.5, "skipped"))

PLACES = """
#include <stddef.h>

/* Room and rows: from where to where. */
const uint32_t harness_wiped[6] = {
    offsetof(pw_device, watch) + offsetof(pw_watch_state, even),
    offsetof(pw_device, watch) + offsetof(pw_watch_state, settling),
    offsetof(pw_device, model) + offsetof(pw_state, even),
    offsetof(pw_device, model) + offsetof(pw_state, settling),
    offsetof(pw_device, lit),
    offsetof(pw_device, counts),
};
const uint32_t harness_field[3] = {
    offsetof(pw_device, watch_due_us), offsetof(pw_device, phase), offsetof(pw_device, taken),
};
"""


@dataclass(frozen=True)
class Device:
    """A board whose memory is looked at."""

    board: Board

    def words(self, name: str) -> tuple[int, ...]:
        symbol = self.board.machine.image.symbol(name)
        data = self.board.machine.read(symbol.address, symbol.size)
        return struct.unpack(f"<{symbol.size // 4}I", data)

    def memory(self) -> bytes:
        symbol = self.board.machine.image.symbol("harness_device")
        return self.board.machine.read(symbol.address, symbol.size)

    def call(self, name: str) -> None:
        address = self.board.machine.image.symbol("harness_device").address
        self.board.machine.call(name, address)


def device(model: Model, script: DayScript, folder: Path, core: str, *flags: str) -> Device:
    setting = DeviceSetting.of(model.sensor)
    files = generate(model) | watch_text(model.sensor, setting.watching_rows)
    files |= device_text(model, setting)
    files["pw_device.c"] += PLACES
    for name, text in files.items():
        (folder / name).write_text(text)
    compiled = compile_device(folder, core, extra=("-Werror", *flags))
    return Device(Board(compiled, script, BoardTimes()))


@pytest.mark.parametrize("core", ["cortex-m0plus", "cortex-m4", "rv32imc"])
@pytest.mark.parametrize("flags", [(), ("-DPW_TRUST_ROWS",)])
def test_whenever_it_sleeps_rows_and_room_are_wiped(
    core: str, flags: tuple[str, ...], tmp_path: Path
) -> None:
    """After frames of both kinds, whole ones, refused ones and those that were given up."""
    faults = tuple(fault for fault in FAULTS if not flags or fault[1] == "silent")
    one = device(small_model(), replace(SCRIPT, faults=faults), tmp_path, core, *flags)
    places = one.words("harness_wiped")
    left: list[bytes] = []

    def asleep() -> None:
        memory = one.memory()
        left.extend(
            memory[start:stop] for start, stop in zip(places[::2], places[1::2], strict=True)
        )

    one.board.machine.at("pw_board_sleep_until", asleep)
    one.board.run()
    result = one.board.result()
    assert len(left) > 300 and not any(map(any, left))
    assert result.dropped_rows + result.dropped_counts == len(faults)
    assert result.tally.active_frames > 60 and result.tally.wakes == 1


def still(_t_s: float, _kind: Kind) -> tuple[Counts, Counts]:
    """The same light on the left, ever."""
    lit, dark = corners("left", 1)
    return lit[0], dark[0]


@pytest.mark.parametrize("flags", [(), ("-DPW_TRUST_ROWS",)])
def test_told_to_forget_within_a_frame_it_is_as_after_a_start(
    flags: tuple[str, ...], tmp_path: Path
) -> None:
    """Every byte but the hour of the next frame; and that frame is whole, nothing was dropped."""
    one = device(corner_model(), DayScript(6.0, (), (), still), tmp_path, "cortex-m4", *flags)
    due, phase, taken = one.words("harness_field")
    one.board.machine.call("harness_begin")
    begun = one.memory()
    for _ in range(200):
        one.call("pw_device_run")
        memory = one.memory()
        if memory[phase] == 4 and memory[taken] == 3:
            break
    start, stop = one.words("harness_wiped")[4:]
    assert any(memory[start:stop])
    one.call("pw_device_forget")
    found = bytearray(one.memory())
    found[due : due + 4] = begun[due : due + 4]
    assert bytes(found) == begun
    one.board.machine.call("harness_day")
    result = one.board.result()
    assert result.dropped_rows == result.dropped_counts == 0
    assert result.tally.watching_frames == result.fed > 10


@pytest.mark.parametrize("flags", [(), ("-DPW_TRUST_ROWS",)])
def test_a_frame_whose_rows_stop_coming_is_wiped_when_it_is_given_up(
    flags: tuple[str, ...], tmp_path: Path
) -> None:
    """Half of its rows were worked on, and are neither in the buffers nor in the sums."""
    one = device(small_model(), SCRIPT, tmp_path, "cortex-m0plus", *flags)
    _, phase, taken = one.words("harness_field")
    places = one.words("harness_wiped")
    one.board.machine.call("harness_begin")
    held, begun = [False], [False]
    for _ in range(200):
        one.call("pw_device_run")
        memory = one.memory()
        held = [any(memory[a:b]) for a, b in zip(places[::2], places[1::2], strict=True)]
        if memory[phase] == 4 and memory[taken] == 3:
            one.board.machine.call("pw_board_sensor_off")
        elif memory[phase] == 0 and any(begun):
            break
        begun = held
    assert begun == [True, False, True]
    assert held == [False, False, False]
