"""The device program, executed whole: a scripted day against formula and integer reference."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from firmware_models import random_frames, small_model

from runtime.budget.price.scripted_day import awake_spans, price_day
from runtime.errors import FormatError, ToolError
from runtime.firmware.day.cost import DeviceCost, device_cost, interrupt_cycles
from runtime.firmware.day.run import compile_device, run_day
from runtime.firmware.day.script import BoardTimes, DayScript, Kind, played
from runtime.firmware.emit.device.program import device_text
from runtime.firmware.emit.generate import generate
from runtime.firmware.emit.watch import watch_text
from runtime.firmware.machine.compile import CompiledFirmware
from runtime.firmware.machine.cores import find_core
from runtime.firmware.setting import DeviceSetting, read_setting
from runtime.fixedpoint import INT32_MAX
from runtime.model import Model
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.contract.stage import Counts

MODEL = small_model()
SETTING = DeviceSetting.of(MODEL.sensor)
QUIET = dataclasses.replace(
    MODEL, stages=(*MODEL.stages[:-1], dataclasses.replace(MODEL.closing, threshold=INT32_MAX))
)
"""Its twin that never tells anything, which would keep it awake: only movement does."""
RNG = np.random.default_rng(8)
DARK = RNG.normal(64, 3, (8, 16, 16)).round().astype(np.uint16)
STILL = (RNG.normal(90, 3, (8, 16, 16)).round().astype(np.uint16), DARK)
SLOPE = np.linspace(0.0, 900.0, 16)
MOVING = (np.stack([STILL[0][0] + 300 + SLOPE, STILL[0][1] + 300 + SLOPE[::-1]]), DARK[:2])
SCENES = (STILL, (MOVING[0].astype(np.uint16), MOVING[1]))


def build(model: Model, folder: Path, core: str, setting: DeviceSetting) -> CompiledFirmware:
    folder.mkdir(parents=True, exist_ok=True)
    files = generate(model) | watch_text(model.sensor, setting.watching_rows)
    for name, text in (files | device_text(model, setting)).items():
        (folder / name).write_text(text)
    return compile_device(folder, core, extra=("-Werror",))


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> CompiledFirmware:
    return build(MODEL, tmp_path_factory.mktemp("device"), "cortex-m4", SETTING)


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> CompiledFirmware:
    return build(QUIET, tmp_path_factory.mktemp("quiet"), "cortex-m4", SETTING)


def differences(script: DayScript, compiled: CompiledFirmware) -> dict[str, float]:
    """What is executed less what the formula says, all that is not nothing."""
    found = run_day(compiled, script).tally.against(price_day(script, MODEL))
    return {name: value for name, value in found.items() if abs(value) > 1e-7}


DAYS = {
    "nobody comes": ((), ()),
    "visits and false wakes": (((10.0, 14.0), (30.0, 31.2)), (5.0, 22.0)),
    "between the watching frames": (((10.07, 13.61),), (24.15,)),
    "closer than the hold time": (((10.0, 11.0), (12.4, 13.0)), ()),
    "a false wake within a hold": (((10.0, 11.0),), (12.2,)),
    "a hand that is still there at the end": (((35.0, 40.0),), ()),
}


@pytest.mark.parametrize("day", DAYS)
def test_a_day_is_what_the_formula_says(day: str, quiet: CompiledFirmware) -> None:
    """Frames, wakes, charge, time powered and time asleep are the budget's, to the last one."""
    visits, false_wakes = DAYS[day]
    assert differences(played(40.0, visits, false_wakes, SCENES), quiet) == {}


@pytest.mark.parametrize("core", ["cortex-m0plus", "rv32imc"])
def test_every_core_has_the_same_day(core: str, tmp_path: Path) -> None:
    """Another core counts the same frames."""
    script = played(20.0, ((6.0, 9.0),), (14.0,), SCENES)
    assert differences(script, build(QUIET, tmp_path, core, SETTING)) == {}


def test_the_plain_formula_holds_in_whole_periods() -> None:
    """Of visits apart by more than the hold, seconds awake are hands and a hold for each wake."""
    script = played(60.0, ((10.0, 14.0), (30.0, 31.0)), (20.0,), SCENES)
    spans = awake_spans(script, SETTING, on_grid=False)
    assert spans == ((10.0, 16.0), (20.0, 22.0), (30.0, 33.0))
    assert price_day(script, MODEL) == price_day(script, MODEL, on_grid=False)
    assert price_day(script, MODEL).active_frames == pytest.approx(30 * (4 + 1 + 3 * 2))


def test_nothing_is_seen_while_it_warms_up() -> None:
    """What happens before the mean of changes is full wakes nobody, by the formula either."""
    script = played(20.0, (), (0.6, 1.4, 1.8, 2.4), SCENES)
    assert len(awake_spans(script, SETTING)) == 1


def test_it_tells_what_the_reference_decides(compiled: CompiledFirmware) -> None:
    """From its initial state at each wake, its events are those of the integer reference."""
    frames = random_frames(MODEL, 60, 3)
    shown: list[list[int]] = []
    still = played(40.0, ((6.0, 9.0), (20.0, 22.0)), (), SCENES)
    last = -1.0

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        nonlocal last
        if kind == "watching":
            return still.readout(t_s, kind)
        if not shown or t_s > last + 1.0:
            shown.append([])
        last = t_s
        at = sum(map(len, shown)) % 60
        shown[-1].append(at)
        return frames[0][at], frames[1][at]

    run = run_day(compiled, dataclasses.replace(still, readout=readout))
    assert all(len(wake) >= n for wake, n in zip(shown, (150, 120), strict=True))
    wanted = [MODEL.run(frames[0][at], frames[1][at]).events for at in shown]
    told = [int(event) for event in np.concatenate(wanted) if event != -1]
    assert len(told) > 3
    assert [event for _, event in run.events] == told
    assert run.told == len(told)


@pytest.mark.parametrize("fault", ["twice", "skipped", "counts", "silent", "short"])
def test_a_frame_with_a_fault_tells_nothing_and_is_counted(
    fault: str, compiled: CompiledFirmware
) -> None:
    """Rows twice, missing or silent, and status bits: no decision, a count, and the day goes on."""
    script = played(30.0, ((6.0, 9.0),), (), SCENES)
    faulty = dataclasses.replace(script, faults=((4.0, fault), (7.01, fault), (20.0, fault)))
    run = run_day(compiled, faulty)
    n_counts = 3 if fault == "counts" else 0
    assert (run.dropped_rows, run.dropped_counts) == (3 - n_counts, n_counts)
    assert run.tally.watching_frames == 150
    assert run.tally.active_frames == 150
    assert run.tally.wakes == 1
    assert run.fed == 150 + run.tally.active_frames - 3
    assert run.state == 1


def test_a_silent_sensor_lets_the_watchdog_starve(compiled: CompiledFirmware) -> None:
    """While no frame comes whole nobody feeds it; each is given up in time."""
    script = played(10.0, (), (), SCENES)
    silent = tuple((t / 5.0 + 2.0, "silent") for t in range(40))
    run = run_day(compiled, dataclasses.replace(script, faults=silent))
    assert run.fed == 10
    assert run.tally.watching_frames == 50
    assert run.dropped_rows == 50 - 10
    assert run.tally.sensor_s == pytest.approx(40 / 30, abs=0.02)


def test_movement_without_an_end_becomes_the_rest(tmp_path: Path) -> None:
    """Light that grew noisy for good keeps it awake for twice the rest time at most."""
    setting = dataclasses.replace(SETTING, rest_time_s=6.0)
    compiled = build(MODEL, tmp_path, "cortex-m4", setting)
    run = run_day(compiled, played(60.0, ((10.0, 60.0),), (), SCENES))
    assert run.tally.wakes == 1
    assert 30 * 6.0 < run.tally.active_frames <= 30 * (12.0 + setting.hold_time_s + 0.4)
    assert run.state == 1


def test_what_the_model_sees_keeps_it_awake(tmp_path: Path) -> None:
    """A model that counts what is there is kept awake by what lies still, and until it is gone."""
    bins = MODEL.stages[0]
    level = MODEL.stages[3]
    presence = Presence("hands", (1,), 0, 2)
    weights = np.zeros((1, level.n_in), dtype=np.int8)
    stages = (*MODEL.stages[:3], dataclasses.replace(
        level, weights=weights, bias=np.array([5], np.int32),
        real_weights=weights.astype(float), real_bias=np.array([5.0]),
    ), presence)  # fmt: skip
    assert stages[0] is bins
    model = Model("presence", "presence", MODEL.sensor, (), stages, {})
    compiled = build(model, tmp_path, "cortex-m4", SETTING)
    run = run_day(compiled, played(20.0, (), (6.0,), SCENES))
    assert [event for _, event in run.events] == [1]
    assert run.tally.active_frames == 30 * 14
    assert run.state in (2, 3)


def test_what_it_tells_keeps_it_awake(compiled: CompiledFirmware) -> None:
    """After a single wake it sleeps when for the hold time it has told nothing, to the frame."""
    still = played(24.0, (), (6.0,), SCENES)
    frames = random_frames(MODEL, 60, 3)

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        if kind == "watching" or t_s > 12.0:
            return still.readout(t_s, kind)
        at = round(30.0 * t_s) % 45
        return frames[0][at], frames[1][at]

    run = run_day(compiled, dataclasses.replace(still, readout=readout))
    last_s = run.events[-1][0]
    assert run.tally.wakes == 1
    assert 10.0 < last_s < 13.0
    n_frames = (last_s + SETTING.hold_time_s - 6.0) * SETTING.frame_rate_hz
    assert run.tally.active_frames == pytest.approx(n_frames, abs=1.5)


def test_its_cost_is_counted_by_kind_of_frame(compiled: CompiledFirmware) -> None:
    """Interrupts are one for eight rows and three more; its own share is a part of all."""
    lit, dark = random_frames(MODEL, 20)
    cost = device_cost(compiled, lit, dark, SETTING)
    assert cost.active.n_frames == 20
    assert cost.watching.interrupts == cost.active.interrupts == 16 / 8 + 3
    for frame in (cost.watching, cost.active):
        assert 0 < frame.own_instructions < frame.instructions
        low, typical, high = frame.cycles
        assert low < typical < high
        entering = interrupt_cycles(find_core("cortex-m4"))
        assert low > frame.interrupts * entering[0]
    assert cost.active.instructions != cost.watching.instructions
    assert DeviceCost.from_json(cost.to_json()) == cost
    endless = [
        cost.to_json() | {"active": cost.to_json()["active"] | {name: value}}
        for name, value in (("cycles", [1.0, math.nan, 2.0]), ("instructions", math.inf))
    ]
    for damage in ({}, [], None, cost.to_json() | {"active": {"cycles": [1]}}, *endless):
        with pytest.raises(FormatError, match="device cost"):
            DeviceCost.from_json(damage)


def test_one_photodiode_is_priced_like_any_sensor(tmp_path: Path) -> None:
    """Its watching stage has one bin to learn noise from, and is woken by light that stays."""
    weights = np.array([[1], [-1]], dtype=np.int8)
    layer = dataclasses.replace(
        MODEL.stages[3], weights=weights, bias=np.zeros(2, np.int32),
        real_weights=weights.astype(float), real_bias=np.zeros(2),
    )  # fmt: skip
    stages = (Bins(1, 1, 1, 1), layer, Decision((False, True), 300, 100, 2, 3))
    sensor = dataclasses.replace(MODEL.sensor, n_rows=1, n_cols=1)
    model = Model("one", "dynamic", sensor, ("push", "idle"), stages, {})
    setting = DeviceSetting.of(sensor)
    cost = device_cost(
        build(model, tmp_path, "cortex-m4", setting), *random_frames(model, 5), setting
    )
    assert cost.active.n_frames == 5


def test_its_constants_are_those_of_the_setting() -> None:
    """Rates, currents, exposure, rows and hold stand in the header, in whole units."""
    setting = DeviceSetting(
        30.0, 12.5, 50.5, watching_rate_hz=3.0, watching_rows=4, watching_led_current_ma=7.25,
        watching_exposure_us=10.25,
    )  # fmt: skip
    header = device_text(MODEL, setting)["pw_device.h"]
    for line in (
        "PW_ACTIVE_PERIOD_US 33333u", "PW_ACTIVE_PERIOD_PART 21845u", "PW_ACTIVE_LED_UA 12500u",
        "PW_ACTIVE_EXPOSURE_NS 50500u", "PW_WATCHING_EXPOSURE_NS 10250u",
        "PW_WATCHING_LED_UA 7250u", "PW_WATCHING_FIRST_ROW 6u",
        "PW_WATCHING_LAST_ROW 9u", "PW_WATCHING_PERIOD_US 333333u", "PW_HOLD_US 2000000u",
        "PW_ACTIVE_FIRST_ROW 0u", "PW_ACTIVE_LAST_ROW 15u", "PW_REST_FRAMES 180u",
    ):  # fmt: skip
        assert f"#define {line}\n" in header


def test_another_setting_has_its_own_day(tmp_path: Path) -> None:
    """Slower, fewer rows, weaker light, shorter pulses: the formula of that setting holds."""
    setting = dataclasses.replace(
        SETTING, frame_rate_hz=24.0, watching_rate_hz=4.0, watching_rows=6, hold_time_s=1.5,
        led_current_ma=30.0, watching_led_current_ma=5.0, exposure_us=80.0,
        watching_exposure_us=20.0,
    )  # fmt: skip
    compiled = build(QUIET, tmp_path, "cortex-m4", setting)
    script = played(30.0, ((8.0, 11.0),), (20.0,), SCENES, 0.25)
    times = BoardTimes(settle_us=5.0, start_up_us=100.0, pixel_us=1.25)
    found = run_day(compiled, script, times).tally
    wanted = price_day(script, MODEL, setting, times)
    assert found.against(wanted) == pytest.approx(dict.fromkeys(found.against(wanted), 0.0))
    assert found.led_uc == pytest.approx(25e-6 * 120 * 5e3 + 85e-6 * 24 * 6 * 30e3)


def test_a_setting_is_read_from_the_model_folder(tmp_path: Path) -> None:
    """device.toml stands above the sensor's own; what is no setting is one clear line."""
    assert read_setting(tmp_path, MODEL.sensor) == SETTING
    (tmp_path / "device.toml").write_text("watching_rate_hz = 2\n")
    assert read_setting(tmp_path, MODEL.sensor) == dataclasses.replace(SETTING, watching_rate_hz=2)
    (tmp_path / "device.toml").write_text(SETTING.to_toml())
    assert read_setting(tmp_path, MODEL.sensor) == SETTING
    for text, where in (
        ("rate = 2", "line 1: key is rate"), ("hold_time_s = 0.05", "at least one watching period"),
        ("watching_rows = 2.5", "a whole number"), ("exposure_us = inf", "0.1 to"),
        ("led_current_ma = true", "a number"), ("[", "not TOML"), ("exposure_us = 2e4", "at most"),
        ("watching_exposure_us = 2e5", "watching_exposure_us is 200000.0, expected at most"),
    ):  # fmt: skip
        (tmp_path / "device.toml").write_text(text)
        with pytest.raises(FormatError, match=where):
            read_setting(tmp_path, MODEL.sensor)


def test_a_wrong_script_is_refused(compiled: CompiledFirmware) -> None:
    """Times out of order or of the day, an unknown fault, a readout of another sensor."""
    readout = played(10.0, (), (), SCENES).readout
    for wrong in (
        {"seconds": 0.0}, {"visits": ((3.0, 2.0),)}, {"visits": ((1.0, 4.0), (3.0, 5.0))},
        {"false_wakes": (5.0, 2.0)}, {"faults": ((1.0, "fire"),)}, {"visits": ((9.0, 11.0),)},
    ):  # fmt: skip
        fields = {"seconds": 10.0, "visits": (), "false_wakes": (), "readout": readout} | wrong
        with pytest.raises(FormatError, match="day: "):
            DayScript(**fields)  # type: ignore[arg-type]
    with pytest.raises(FormatError, match="settle_us"):
        BoardTimes(settle_us=-1.0)
    narrow = DayScript(1.0, (), (), lambda *_: (STILL[0][0][:, :8], DARK[0]))
    with pytest.raises(FormatError, match="lit exposure"):
        run_day(compiled, narrow)


def test_a_program_that_hangs_is_told(tmp_path: Path) -> None:
    """Where no time goes by any more, the run ends and says so."""
    build(MODEL, tmp_path, "cortex-m4", SETTING)
    source = tmp_path / "pw_device.c"
    source.write_text(source.read_text().replace("    d->full[from] = 0u;\n", ""))
    with pytest.raises(ToolError, match="stuck"):
        run_day(compile_device(tmp_path, "cortex-m4"), played(5.0, (), (), SCENES))
    (tmp_path / "pw_device.c").unlink()
    with pytest.raises(FormatError, match=r"without pw_device\.c"):
        compile_device(tmp_path, "cortex-m4")
