"""What `palmwatt live` refuses, in one line and before it touches port or log."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_sensor import SENSOR, BenchSensor
from live_models import (
    call,
    export,
    one_line,
    side_model,
)

from runtime.model import save_model
from runtime.sensor import Aperture, Sensor
from runtime.verification.engines import ENGINES


def test_wrong_port_is_one_line(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A port that is not there gives one line and exit code 2."""
    assert call("--port", "/dev/no-such-sensor", "--model", folder) == 2
    assert "/dev/no-such-sensor: the port is not open" in one_line(capsys)


@pytest.mark.parametrize(
    ("sensor", "named"),
    [
        (Sensor("other", 4, 6), "4 by 6 pixels of 12"),
        (Sensor("deep", 4, 5, 16), "of 16 bits"),
        (
            Sensor(
                "pair", 4, 5, apertures=(Aperture(0, 0, 0, 4, 0, 2), Aperture(1.5, 0, 0, 4, 2, 3))
            ),
            "apertures at (0, 0) mm on rows 0 to 3, columns 0 to 1 and (1.5, 0) mm on rows 0 to 3",
        ),
    ],
)
def test_model_of_another_sensor_is_one_line(
    bench_sensor: BenchSensor,
    sensor: Sensor,
    named: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Other rows, columns, bits or apertures than the model has are refused; no log is left."""
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


@pytest.mark.parametrize(
    ("evaluation", "cautioned"),
    [
        ('{"source": {"calibration": {"unit": "unit-z"}}}', True),
        ('{"source": {"calibration": {"unit": "unit-1"}}}', False),
        ('{"source": {"calibration": {"unit": 3}}}', False),
        ('{"source": {"calibration": 3}}', False),
        ("{}", False),
        ("no JSON", False),
    ],
)
def test_a_unit_that_was_not_calibrated_is_a_caution(
    bench_sensor: BenchSensor,
    evaluation: str,
    cautioned: bool,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A model that is calibrated for one unit says so before another; any other says nothing."""
    save_model(side_model(Sensor("lensless", 4, 5)), tmp_path)
    (tmp_path / "evaluation.json").write_text(evaluation, "utf-8")
    assert call("--port", bench_sensor.url, "--model", tmp_path, "--seconds", 0.2) == 0
    told = "this is unit unit-1, but the model is calibrated for unit unit-z alone"
    assert (told in capsys.readouterr().err) == cautioned


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
