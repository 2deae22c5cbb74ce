"""The file that a sensor's setting goes round in."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from runtime.errors import FormatError
from runtime.firmware.sensor_file import SensorFile, read_sensor_file
from runtime.firmware.setting import DeviceSetting
from runtime.sensor import Aperture, Sensor

SENSOR = Sensor("bench", 12, 16, frame_rate_hz=15.0, led_current_ma=25.5, exposure_us=150.0)
DEVICE = dataclasses.replace(
    DeviceSetting.of(SENSOR), watching_rate_hz=2.0, watching_rows=6, watching_led_current_ma=5.0,
    watching_exposure_us=20.0,
)  # fmt: skip


PAIR = (Aperture(-0.93, 0.0, 0, 12, 0, 8), Aperture(0.93, 0.25, 0, 12, 8, 8))


@pytest.mark.parametrize("apertures", [(), PAIR])
def test_a_setting_is_read_as_it_was_written(
    tmp_path: Path, apertures: tuple[Aperture, ...]
) -> None:
    """Sensor, first row and watching come back equal from their text."""
    file = SensorFile(dataclasses.replace(SENSOR, apertures=apertures), 2, DEVICE)
    path = tmp_path / "sensor.toml"
    path.write_text(file.to_toml(), "utf-8")
    assert read_sensor_file(path) == file


def test_a_plain_sensor_file_watches_as_usual(tmp_path: Path) -> None:
    """A file with a sensor's fields alone reads every row and watches in the usual way."""
    path = tmp_path / "sensor.toml"
    path.write_text('name = "bench"\nn_rows = 12\nn_cols = 16\n', "utf-8")
    found = read_sensor_file(path)
    assert found.first_row == 0
    assert found.device == DeviceSetting.of(found.sensor)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ('first_row = "two"\n', "first_row is 'two', expected 0 to 255"),
        ("first_row = 300\n", "first_row is 300"),
        ("lamp = 1\n", "sensor key is lamp"),
        ("watching = 3\n", "watching is int, expected a table"),
        ("[watching]\nlamp = 1\n", "key is lamp, expected one of rate_hz, rows"),
        ("[watching]\nrate_hz = -1.0\n", "watching_rate_hz is -1.0"),
        ("[watching]\nrows = 1.5\n", "watching_rows is 1.5, expected a whole number"),
        ("led_current_ma = nan\n", "led_current_ma is nan"),
    ],
)
def test_a_faulty_file_is_told_by_its_key(tmp_path: Path, change: str, message: str) -> None:
    """What cannot be a setting is refused in one line with file and key."""
    path = tmp_path / "sensor.toml"
    path.write_text('name = "bench"\nn_rows = 12\nn_cols = 16\n' + change, "utf-8")
    with pytest.raises(FormatError) as caught:
        read_sensor_file(path)
    assert message in str(caught.value)
    assert "sensor.toml" in str(caught.value)


def test_sensor_and_device_have_one_light() -> None:
    """A device of another current than its sensor is refused."""
    other = dataclasses.replace(DEVICE, led_current_ma=30.0)
    with pytest.raises(FormatError, match=r"led_current_ma of the device is 30\.0"):
        SensorFile(SENSOR, 0, other)
