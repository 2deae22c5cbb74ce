"""Events from a running sensor, by each execution of a model."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_sensor import SENSOR, BenchSensor, counts

from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.device import DeviceSettings, running_device
from capture.lead.live import _QUIET_S, Watch
from capture.wire.link import SerialLink
from runtime.firmware.emit.folder import write_firmware
from runtime.model import Model, load_model, save_model
from runtime.onnx.graph import save_step_graph
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.window import Window
from runtime.verification.engines import ENGINES, reference
from trainer.cli import main

LATENCY = re.compile(r"latency median (\d+\.\d\d) ms, 95th percentile (\d+\.\d\d) ms")


def side_model(sensor: Sensor, persist: int = 2) -> Model:
    """Tell towards which side the light of two frames leans; it remembers frames and events."""
    entry = Bins(sensor.n_rows, sensor.n_cols, 2, sensor.n_cols)
    first: tuple[Stage, ...] = (entry, Level(entry.n_out, 8, 8, 64, 3, 0))
    n_values = entry.n_out + 1
    window = Window(n_values, 2, 2, 0, 8)
    half = sensor.n_cols // 2
    row = np.r_[np.ones(half), np.zeros(sensor.n_cols - 2 * half), -np.ones(half)]
    left = np.tile(np.r_[np.tile(row, 2), np.zeros(n_values - entry.n_out)], 2)
    weights = np.stack([left, -left, np.zeros_like(left)]).astype(np.int8)
    bias = np.array([0, 0, 3], dtype=np.int32)
    head = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    decision = Decision((False, False, True), 4, 2, persist, 5)
    classes = ("left", "right", "middle")
    return Model("side", "side", sensor, classes, (*first, window, head, decision))


def export(model: Model, folder: Path) -> Path:
    save_model(model, folder)
    save_step_graph(model, folder / "fixed.onnx")
    write_firmware(model, folder / "firmware")
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return an exported model of the bench sensor."""
    return export(side_model(SENSOR), tmp_path_factory.mktemp("bench"))


def call(*words: object) -> int:
    """Run the command as the front door does; returns its exit code."""
    with pytest.raises(SystemExit) as end:
        main(["live", *map(str, words)])
    assert isinstance(end.value.code, int)
    return end.value.code


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    """Return the error, which must be the only line on stderr."""
    text = capsys.readouterr().err
    assert text.startswith("palmwatt: ")
    assert text.count("\n") == 1
    return text


def logged(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def without_latency(events: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{k: v for k, v in event.items() if k != "latency_ms"} for event in events]


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
    second: list[BenchSensor] = []

    def change_cables() -> None:
        first.close()
        second.append(BenchSensor())
        second[0].take_the_place_of(name)

    def pull(sequence: int, lit: bool, packet: bytes) -> bytes:
        if (sequence, lit) == (60, True):
            threading.Thread(target=change_cables).start()
        return packet

    first = BenchSensor(pull)
    first.take_the_place_of(name)
    try:
        assert call("--port", name, "--model", folder, "--seconds", 30, "--log", log) == 0
    finally:
        for sensor in second:
            sensor.close()
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


def test_wrong_port_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A port that is not there gives one line and exit code 2."""
    assert call("--port", "/dev/no-such-sensor", "--model", folder) == 2
    assert "/dev/no-such-sensor: the port is not open" in one_line(capsys)


@pytest.mark.parametrize(
    ("sensor", "named"),
    [(Sensor("other", 4, 6), "4 by 6 pixels of 12"), (Sensor("deep", 4, 5, 16), "of 16 bits")],
)
def test_model_of_another_sensor_is_one_line(
    bench_sensor: BenchSensor,
    sensor: Sensor,
    named: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Other rows, columns or bits than the model's are refused; no log is left behind."""
    save_model(side_model(sensor), tmp_path / "model")
    log = tmp_path / "events.jsonl"
    words = ("--port", bench_sensor.url, "--model", tmp_path / "model", "--log", log)
    assert call(*words) == 2
    text = one_line(capsys)
    assert "the sensor is 4 by 5 pixels of 12 bits" in text
    assert named in text
    assert not log.exists()


def test_another_frame_rate_is_a_caution(
    bench_sensor: BenchSensor, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A model that learned at another frame rate runs, but the user is told."""
    save_model(side_model(Sensor("slow", 4, 5, frame_rate_hz=15.0)), tmp_path)
    assert call("--port", bench_sensor.url, "--model", tmp_path, "--seconds", 0.5) == 0
    assert "frame_rate_hz of the sensor is 30, but the model learned at 15" in (
        capsys.readouterr().err
    )


@pytest.mark.parametrize("engine", ENGINES)
def test_folder_without_a_model_is_one_line(
    engine: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A folder that holds no model is refused before the port is touched."""
    assert call("--port", "/dev/no-such-sensor", "--model", tmp_path, "--engine", engine) == 2
    assert "model.json" in one_line(capsys)


@pytest.mark.parametrize(("engine", "named"), [("onnx", "fixed.onnx"), ("c", "firmware")])
def test_missing_damaged_or_foreign_export_is_one_line(
    engine: str, named: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An export that is missing, or of another model, is refused in one line."""
    save_model(side_model(SENSOR), tmp_path)
    words = ("--port", "/dev/no-such-sensor", "--model", tmp_path, "--engine", engine)
    assert call(*words) == 2
    assert named in one_line(capsys)
    export(side_model(SENSOR, persist=3), tmp_path)
    save_model(side_model(SENSOR), tmp_path)
    assert call(*words) == 2
    assert f"{named}: model identity is" in one_line(capsys)


def test_an_old_log_is_never_written_over(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log that exists is refused before the port is touched, and stays as it is."""
    log = tmp_path / "events.jsonl"
    log.write_text("kept\n")
    assert call("--port", "/dev/no-such-sensor", "--model", folder, "--log", log) == 2
    assert "the log is File exists" in one_line(capsys)
    assert log.read_text() == "kept\n"


def measuring_model() -> Model:
    """Measure how far the light leans to the left, guarded by a number that is always there."""
    model = side_model(SENSOR)
    head = model.stages[-2]
    assert isinstance(head, Dense)
    weights = np.vstack([head.weights[0], np.zeros_like(head.weights[0])])
    bias = np.zeros(2, dtype=np.int32)
    two = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    quantity = Quantity(
        names=("lean",), units=("mm",), numerators=(1,), denominators=(4,), half_widths=(2,),
        low=(-4, 0), high=(1000, 0), settle=2,
    )  # fmt: skip
    return Model("lean", "lean", SENSOR, (), (*model.stages[:-2], two, quantity))


def counting_model() -> Model:
    """Count up to two by how far the light leans."""
    model = side_model(SENSOR)
    head = model.stages[-2]
    assert isinstance(head, Dense)
    weights, bias = head.weights[:1], np.zeros(1, dtype=np.int32)
    one = Dense(weights, bias, 1, 0, False, 32, weights.astype(float), bias.astype(float))
    presence = Presence("hands", (1, 6), 0, 1)
    return Model("count", "count", SENSOR, (), (*model.stages[:-2], one, presence))


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
