"""The device that the everyday benchmark plays is the one that the device program is."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
from everyday_device import awake_spans, exposed_by, told_of, watched_by
from firmware_models import small_model

from capture.cues.script import load_script
from capture.emulated.session import EmulatedSession
from runtime.firmware.day.run import compile_device, run_day
from runtime.firmware.day.script import DayScript, Kind
from runtime.firmware.emit.folder import write_firmware
from runtime.firmware.setting import DeviceSetting
from runtime.firmware.watching import watching_model
from runtime.model import run_stages
from runtime.stages.contract.stage import Counts

SECONDS = 40.0


def test_the_benchmark_wakes_and_sleeps_as_the_device_program_does(tmp_path: Path) -> None:
    """Through 40 s of everyday life both wake as often, and read as many of the model's frames."""
    model = small_model(n=32)
    setting = DeviceSetting.of(model.sensor)
    write_firmware(model, tmp_path, setting)
    weak = dataclasses.replace(model.sensor, led_current_ma=setting.watching_led_current_ma)
    session = EmulatedSession(load_script("everyday_short"), 107, 107, weak)
    time_s = np.arange(int(SECONDS * setting.watching_rate_hz)) / setting.watching_rate_hz
    lit, dark = exposed_by(session.world, session.bench, time_s, np.random.default_rng(1))
    watching = watching_model(model.sensor, setting.watching_rows)

    def told(begin_s: float, end_s: float) -> list[float]:
        period_s = 1.0 / setting.frame_rate_hz
        moments = np.arange(begin_s + period_s / 2.0, end_s - 1e-9, period_s)
        shown = np.rint(moments * setting.watching_rate_hz).astype(int).clip(max=len(time_s) - 1)
        bins, _ = run_stages(model.stages[:1], lit[shown], dark[shown], None)
        return [moment for moment, _ in told_of(moments, bins, model)]

    spans = awake_spans(watched_by(watching, lit, dark, time_s), setting, told)

    def readout(t_s: float, kind: Kind) -> tuple[Counts, Counts]:
        index = min(round(t_s * setting.watching_rate_hz), len(time_s) - 1)
        return lit[index], dark[index]

    run = run_day(compile_device(tmp_path, "cortex-m4"), DayScript(SECONDS, (), (), readout))
    assert run.tally.wakes == len(spans) > 2
    n_frames = sum((end - begin) * setting.frame_rate_hz for begin, end in spans)
    assert abs(run.tally.active_frames - n_frames) <= len(spans) / 2 + 1
    assert 0.0 < sum(end - begin for begin, end in spans) < SECONDS
