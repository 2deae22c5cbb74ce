"""Programs that are asked to end, or whose terminal closes, while a sensor's light is on."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import BenchSensor

from capture.store.dataset import open_dataset
from capture.store.session import read_session
from capture.wire.codec import CommandKind

LONG_SCRIPT = """
name = "long"
lead_in_s = 2.0
[[cue]]
trial_type = "push"
repetitions = 500
duration_s = 2.0
"""


def start(*words: str | Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", "from trainer.cli import main; main()", *map(str, words)],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def await_start(sensor: BenchSensor) -> None:
    deadline = time.monotonic() + 10.0
    while CommandKind.START not in {command.kind for command in sensor.commands}:
        assert time.monotonic() < deadline
        time.sleep(0.02)


@pytest.mark.parametrize("asked", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_recording_that_is_asked_to_end_ends_as_by_ctrl_c(
    bench_sensor: BenchSensor, tmp_path: Path, asked: signal.Signals
) -> None:
    """The session is finished and labelled, and the sensor, whose LED is on, is told to stop."""
    script = tmp_path / "long.toml"
    script.write_text(LONG_SCRIPT)
    recorder = start(
        "record", "--port", bench_sensor.url, "--participant", "P01", "--script", script,
        "--out", tmp_path / "set", "--consent", "--json",
    )  # fmt: skip
    await_start(bench_sensor)
    time.sleep(0.5)
    recorder.send_signal(asked)
    told, said = recorder.communicate(timeout=60.0)
    assert (recorder.returncode, said) == (0, "")
    figures = json.loads(told)
    assert figures["stopped_early"]
    (info,) = open_dataset(tmp_path / "set").sessions
    session = read_session(info.path)
    assert len(session.frames()) == figures["n_pairs"] > 0
    assert np.array_equal(session.frames().sequence, np.arange(figures["n_pairs"]))
    assert bench_sensor.commands[-1].kind == CommandKind.STOP


@pytest.mark.parametrize("asked", [signal.SIGTERM, signal.SIGHUP])
def test_live_that_is_asked_to_end_stops_the_sensor(
    bench_sensor: BenchSensor, folder: Path, asked: signal.Signals
) -> None:
    """What shows a model's answers leaves no LED on either."""
    shown = start("live", "--port", bench_sensor.url, "--model", folder)
    await_start(bench_sensor)
    time.sleep(0.5)
    shown.send_signal(asked)
    _, said = shown.communicate(timeout=60.0)
    assert (shown.returncode, said) == (0, "")
    assert bench_sensor.commands[-1].kind == CommandKind.STOP
