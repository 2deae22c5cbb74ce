"""Events from a running sensor, by each execution of a model."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from bench_sensor import SENSOR, BenchSensor, cable_changed, counts
from live_models import (
    call,
    counting_model,
    export,
    logged,
    measuring_model,
    side_model,
    without_latency,
)

from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.device import DeviceSettings, running_device
from capture.lead.live import _QUIET_S, Watch
from capture.wire.link import SerialLink
from runtime.model import Model, load_model
from runtime.verification.engines import ENGINES, reference

LATENCY = re.compile(r"latency median (\d+\.\d\d) ms, 95th percentile (\d+\.\d\d) ms")


def test_engines_log_the_same_events_of_an_emulated_sensor(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Reference, ONNX Runtime and C, each over a pseudo-terminal, log the same events."""
    model = export(side_model(SENSORS["lensless32"]), tmp_path / "model")
    logs = []
    with running_device(DeviceSettings(speed=0.0, transport="pty")) as url:
        for engine in ENGINES:
            log = tmp_path / f"{engine}.jsonl"
            words = ("--engine", engine, "--log", log, "--seconds", 6)
            assert call("--port", url, "--model", model, *words) == 0
            shown = capsys.readouterr()
            assert shown.err == ""
            assert "180 frame pairs" in shown.out
            assert ", 0 pairs missing in 0 gaps, " in shown.out
            assert shown.out.count(" ms)\n") == len(logged(log))
            logs.append(logged(log))
    first = without_latency(logs[0])
    assert len(first) >= 3
    assert {event["event"] for event in first} == {"left", "right"}
    for log in logs[1:]:
        assert without_latency(log) == first


def test_events_are_those_of_the_model_on_the_frames_sent(
    bench_sensor: BenchSensor, folder: Path, tmp_path: Path
) -> None:
    """Sequence, sensor's time, class and scores are what the model gives on those readouts."""
    log = tmp_path / "events.jsonl"
    assert call("--port", bench_sensor.url, "--model", folder, "--seconds", 5, "--log", log) == 0
    exposures = (np.stack([counts(k, lit) for k in range(150)]) for lit in (True, False))
    run = load_model(folder).run(*exposures)
    (frames,) = np.nonzero(run.events >= 0)
    expected = [
        {
            "sequence": int(k),
            "time_us": round(k * SENSOR.frame_period_us),
            "event": ("left", "right")[run.events[k]],
            "scores": run.evidence[k].tolist(),
        }
        for k in frames
    ]
    assert len(expected) > 3
    events = logged(log)
    assert without_latency(events) == expected
    assert all(0.0 < event["latency_ms"] < 60_000.0 for event in events)


def test_gaps_are_counted_and_said(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Frame pairs that never came whole are told, and every engine goes on behind them alike."""

    def damage(sequence: int, lit: bool, packet: bytes) -> bytes:
        return b"" if sequence in (20, 21) or (sequence, lit) == (50, False) else packet

    logs = []
    for engine in ENGINES:
        sensor = BenchSensor(damage)
        log = tmp_path / f"{engine}.jsonl"
        words = ("--engine", engine, "--log", log, "--seconds", 4)
        try:
            assert call("--port", sensor.url, "--model", folder, *words) == 0
        finally:
            sensor.close()
        shown = " ".join(capsys.readouterr().out.split())
        assert "117 frame pairs" in shown
        assert "3 pairs missing in 2 gaps" in shown
        logs.append(without_latency(logged(log)))
    assert logs[0]
    assert logs[1:] == logs[:1] * 2


def test_a_pulled_cable_is_waited_for(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Unplugged and plugged in again, it goes on: numbers and times rise, the gap is counted."""
    name, log = tmp_path / "port", tmp_path / "events.jsonl"
    with cable_changed(name):
        assert call("--port", name, "--model", folder, "--seconds", 30, "--log", log) == 0
    shown = capsys.readouterr()
    assert shown.err.splitlines() == [
        "the sensor is gone: plug it in again; it is waited for",
        "the sensor is back",
    ]
    assert "missing in 1 gaps" in " ".join(shown.out.split())
    events = logged(log)
    for key in ("sequence", "time_us"):
        values = [event[key] for event in events]
        assert values == sorted(set(values))
    assert events[0]["sequence"] < 61 <= events[-1]["sequence"]
    assert events[-1]["time_us"] < 30e6


def test_silence_is_told_before_it_ends_the_watch(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sensor that stops sending is told of within two seconds, once, whatever comes of it."""
    assert _QUIET_S < 2.0
    monkeypatch.setattr("capture.lead.live._QUIET_S", 0.2)
    monkeypatch.setattr("capture.lead.live._STALL_S", 1.0)
    sensor = BenchSensor(lambda sequence, lit, packet: packet if sequence < 60 else b"")
    try:
        assert call("--port", sensor.url, "--model", folder) == 2
    finally:
        sensor.close()
    told = capsys.readouterr().err.splitlines()
    assert told[0] == "no frame pair for 0.2 s: is the sensor plugged in?"
    assert len(told) == 2  # and the error at the end


def test_ctrl_c_ends_it_with_a_summary(
    bench_sensor: BenchSensor, folder: Path, tmp_path: Path
) -> None:
    """Ctrl-C stops the sensor, prints the summary and leaves whole lines; exit code 0."""
    log = tmp_path / "events.jsonl"
    # A shell's background job starts with Ctrl-C ignored; somebody's own shell does not.
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler);"
        "from trainer.cli import main; main(sys.argv[1:])"
    )
    words = ["live", "--port", bench_sensor.url, "--model", str(folder), "--log", str(log)]
    process = subprocess.Popen(
        [sys.executable, "-c", code, *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert re.match(r" +\d+\.\d{3} s  (left|right)  \(\d+\.\d\d ms\)$", process.stdout.readline())
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, "")
    found = LATENCY.search(out.splitlines()[-1])
    assert found is not None
    assert 0.0 < float(found[1]) <= float(found[2])
    assert logged(log)
    assert bench_sensor.commands[-1].kind.name == "STOP"


def test_a_sensor_that_falls_silent_is_said_and_its_events_are_kept(
    folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Silence ends it with the summary, one line on stderr and exit code 2; the log stays."""
    monkeypatch.setattr("capture.lead.live._STALL_S", 0.3)
    sensor = BenchSensor(lambda sequence, lit, packet: packet if sequence < 60 else b"")
    log = tmp_path / "events.jsonl"
    try:
        assert call("--port", sensor.url, "--model", folder, "--log", log) == 2
    finally:
        sensor.close()
    shown = capsys.readouterr()
    assert re.fullmatch(r"palmwatt: \S+: the sensor is silent for 0.3 s, .*\n", shown.err)
    assert "60 frame pairs" in shown.out
    assert logged(log)


@pytest.mark.parametrize("make", [measuring_model, counting_model])
def test_values_and_counts_are_told_as_they_come(
    make: Callable[[], Model], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A value is told with its interval and unit, a count when it changes, by all engines alike."""
    model = make()
    folder = export(model, tmp_path / "model")
    exposures = (np.stack([counts(k, lit) for k in range(90)]) for lit in (True, False))
    run = model.run(*exposures)
    (frames,) = np.nonzero(run.events >= 0)
    assert len(frames) > 3
    told = [model.closing.tell(run.outputs[k], run.evidence[k], ()) for k in frames]
    logs = []
    for engine in ENGINES:
        sensor = BenchSensor()
        log = tmp_path / f"{engine}.jsonl"
        words = ("--engine", engine, "--log", log, "--seconds", 3)
        try:
            assert call("--port", sensor.url, "--model", folder, *words) == 0
        finally:
            sensor.close()
        shown = capsys.readouterr().out
        for one in told:
            assert one.now in shown
        logs.append(without_latency(logged(log)))
    assert [event["event"] for event in logs[0]] == [one.event for one in told]
    for event, one in zip(logs[0], told, strict=True):
        assert {key: event[key] for key in one.values} == one.values
    assert logs[1:] == logs[:1] * 2


def test_what_holds_now_stands_in_the_status_line(
    bench_sensor: BenchSensor, tmp_path: Path
) -> None:
    """Between events the status line shows the newest value with its interval."""
    model = measuring_model()
    seen: list[str] = []
    with SerialLink(bench_sensor.url) as link:
        watch = Watch(link, link.describe(), model, reference(model))
        watch.run(lambda _: None, 2.0, lambda now: seen.append(now.status()))
        assert watch.status().startswith(f"{watch.now}  ")
    exposures = (np.stack([counts(k, lit) for k in range(60)]) for lit in (True, False))
    run = model.run(*exposures)
    assert watch.now == model.closing.tell(run.outputs[-1], run.evidence[-1], ()).now
