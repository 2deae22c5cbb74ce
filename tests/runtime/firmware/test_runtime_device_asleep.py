"""Exposures that are slept through: executed on an emulated core, and worth it on every other."""

from __future__ import annotations

import dataclasses
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from firmware_models import small_model

from runtime.budget.inputs.library import Mcu, load_parts
from runtime.budget.price.scripted_day import price_day
from runtime.firmware.day.run import compile_device, run_day
from runtime.firmware.day.script import BoardTimes, DayScript
from runtime.firmware.emit.device.program import BUILD_FILES, build_text, device_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import watch_text
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.setting import SLEEP_EXPOSURE_US, DeviceSetting
from runtime.model import Model
from runtime.stages.closing.presence import Presence
from runtime.stages.passive.ambient import Ambient
from runtime.stages.window import Window

WATCHING = small_model()
SENSOR = dataclasses.replace(
    WATCHING.sensor, exposure_us=5000.0, frame_rate_hz=2.0, led_current_ma=0.0
)
AMBIENT = Model(
    "light",
    "presence",
    SENSOR,
    (),
    (Ambient(16, 16, 1, 1, 0), Window(1, 1, 2, 0, 16), Presence("people", (9,), 0, 1)),
    {},
)
"""Tells whether there is light: it never watches."""
TIMES = BoardTimes(settle_us=5.0, start_up_us=100.0, pixel_us=1.25)


def built(model: Model, setting: DeviceSetting, folder: Path) -> CompiledFirmware:
    files = generate(model) | watch_text(model.sensor, setting.watching_rows)
    for name, text in (files | device_text(model, setting)).items():
        (folder / name).write_text(text)
    return compile_device(folder, "cortex-m4", extra=("-Werror",))


def day(seconds: float) -> DayScript:
    bright = np.full((16, 16), 100, np.uint16)
    return DayScript(seconds, (), (), lambda t_s, _kind: (bright * (t_s > 5.0), bright * 0))


@pytest.mark.parametrize("exposure_us", [SLEEP_EXPOSURE_US, 5000.0])
def test_a_device_by_ambient_light_sleeps_while_its_sensor_exposes(
    exposure_us: float, tmp_path: Path
) -> None:
    """Its day is the formula's: three wake-ups a frame, and awake for start-up and rows alone."""
    setting = dataclasses.replace(DeviceSetting.of(SENSOR), exposure_us=exposure_us)
    run = run_day(built(AMBIENT, setting, tmp_path), day(20.0), TIMES)
    found, wanted = run.tally, price_day(day(20.0), AMBIENT, setting, TIMES)
    assert found.wake_ups == 3 * 40
    assert found.active_frames == 40 and run.told == 1 and run.dropped_rows == 0
    awake_us = 1e6 * (20.0 - found.sleep_s) / 40
    assert awake_us == pytest.approx(100.0 + 2 * 256 * 1.25, abs=1e-3)
    assert found.against(wanted) == pytest.approx(dict.fromkeys(found.against(wanted), 0.0))


def test_shorter_exposures_are_waited_through(tmp_path: Path) -> None:
    """Just below the limit the program is the one that waits, and wakes once a frame."""
    setting = dataclasses.replace(DeviceSetting.of(SENSOR), exposure_us=SLEEP_EXPOSURE_US - 1.0)
    assert "sleep_until(d->frame_limit_us)" not in device_text(AMBIENT, setting)["pw_device.c"]
    found = run_day(built(AMBIENT, setting, tmp_path), day(10.0), TIMES).tally
    assert found.wake_ups == 20
    assert found.against(price_day(day(10.0), AMBIENT, setting, TIMES)) == pytest.approx(
        dict.fromkeys(found.against(found), 0.0)
    )


def test_a_lit_device_sleeps_in_the_state_whose_exposures_are_long(tmp_path: Path) -> None:
    """Watching for 4 ms and active for 200 us, it sleeps through those of watching, LED and all."""
    setting = dataclasses.replace(
        DeviceSetting.of(WATCHING.sensor), watching_exposure_us=4000.0, watching_led_current_ma=1.0
    )
    found = run_day(built(WATCHING, setting, tmp_path), day(10.0), TIMES).tally
    wanted = price_day(dataclasses.replace(day(10.0), false_wakes=(5.2,)), WATCHING, setting, TIMES)
    assert found.active_frames > 0
    assert found.wake_ups == 3 * found.watching_frames + found.active_frames
    assert found.led_watching_uc == pytest.approx(1.0 * 4005.0 * 50 / 1e3)
    assert found.sleep_s + found.sensor_s == pytest.approx(10.0 + 50 * 2 * 4005e-6, abs=1e-6)
    assert found.led_watching_uc == pytest.approx(wanted.led_watching_uc)


def test_sleeping_through_the_shortest_such_exposure_pays_on_every_controller() -> None:
    """Waking draws less than waiting would have, with each controller of the parts library."""
    library = load_parts()
    for name in library.names("mcu"):
        mcu = library.get(Mcu, name)
        for state in mcu.state.values():
            for through, time in state.wakes.items():
                if "core" in state.runs or "dma" in state.runs:
                    continue
                waits = [s for s in mcu.state.values() if set(s.runs) == {"dma", "link"}]
                least = min(s.current.typical for s in waits)
                saved = (least - state.current.typical) * SLEEP_EXPOSURE_US
                assert saved > time.typical * mcu.state[through].current.typical, name


def test_the_worked_board_times_long_exposures_by_the_clock_that_runs_in_sleep(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Its exposure of 5 ms is 163 ticks of 32,768 Hz; it compiles without a warning."""
    setting = DeviceSetting.of(SENSOR)
    files = generate(AMBIENT) | watch_text(SENSOR, setting.watching_rows)
    files |= device_text(AMBIENT, setting) | build_text(setting)
    for name, text in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
        assert not any("@" in line for line in text.splitlines() if name.endswith((".c", ".h")))
    source = files["example/board_nrf52840.c"]
    scaled = re.search(r"clock_ticks = .*exposure_ns \* (\d+)u\) >> (\d+)\)", source)
    assert scaled is not None
    assert (5_000_000 * int(scaled[1])) >> int(scaled[2]) == 163
    command = (
        need_tool("arm-none-eabi-gcc"), "-std=c99", "-Wall", "-Wextra", "-Werror", "-mthumb",
        "-mcpu=cortex-m4", "-I.", "-Iexample", "-c", "example/board_nrf52840.c", "-o", "board.o",
    )  # fmt: skip
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    awake = build_text(DeviceSetting.of(WATCHING.sensor))
    assert sorted(awake) == sorted(BUILD_FILES)
    assert "clock_ticks" not in awake["example/board_nrf52840.c"]
