"""A sensor that is set to a file before it is recorded."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from capture.emulated.optic.optics import SENSORS
from capture.emulated.port.device import DeviceSettings, running_device
from capture.emulated.port.emulated_device import Device
from capture.lead.asked_setting import set_sensor
from capture.wire.link import SerialLink
from runtime.errors import FormatError, UsageError
from runtime.firmware.sensor_file import SensorFile
from runtime.firmware.setting import DeviceSetting

WEAKER = dataclasses.replace(
    SENSORS["lensless32"], n_rows=16, exposure_us=100.0, led_current_ma=12.5, frame_rate_hz=15.0
)
FILE = SensorFile(WEAKER, 8, DeviceSetting.of(WEAKER))


def test_a_sensor_is_set_to_a_file_and_another_one_is_refused() -> None:
    """Rows, exposure, current and rate are in force afterwards; another sensor is left alone."""
    other = dataclasses.replace(WEAKER, read_noise_e=3.0)
    with running_device(DeviceSettings(speed=0.0)) as url, SerialLink(url) as link:
        set_sensor(link, FILE)
        assert link.describe().sensor == WEAKER
        with pytest.raises(UsageError, match=r"read_noise_e of the sensor is 8\.0, expected 3"):
            set_sensor(link, SensorFile(other, 8, DeviceSetting.of(other)))
        longer = dataclasses.replace(WEAKER, exposure_us=400.0, frame_rate_hz=5.0)
        set_sensor(link, SensorFile(longer, 0, DeviceSetting.of(longer)))
        assert link.describe().sensor == longer


def test_an_emulated_sensor_begins_with_a_file(tmp_path: Path) -> None:
    """An emulated sensor plays the one that a file names, at its setting."""
    path = tmp_path / "sensor.toml"
    fewer_bits = dataclasses.replace(
        WEAKER, bit_depth=10, conversion_gain_dn_per_e=0.0625, black_level_counts=16
    )
    path.write_text(SensorFile(fewer_bits, 8, DeviceSetting.of(fewer_bits)).to_toml(), "utf-8")
    assert Device(DeviceSettings(sensor=str(path))).sensor == fewer_bits
    brighter = Device(DeviceSettings(sensor=str(path), led_current_ma=50.0)).sensor
    assert brighter == dataclasses.replace(fewer_bits, led_current_ma=50.0)


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        ('name = "another"\nn_rows = 8\nn_cols = 32\n', UsageError, "name is another"),
        ('name = "lensless32"\nn_rows = 8\nn_cols = 16\n', UsageError, "n_cols is 16, expected 32"),
        (
            'name = "lensless32"\nn_rows = 32\nn_cols = 32\nfirst_row = 1\n',
            UsageError,
            "rows is 33, expected 32",
        ),
        ('name = "lensless32"\n', FormatError, "without n_rows"),
    ],
)
def test_a_file_that_no_emulated_sensor_fits_is_refused(
    tmp_path: Path, text: str, error: type[Exception], message: str
) -> None:
    """What cannot be played is told before anything starts."""
    path = tmp_path / "sensor.toml"
    path.write_text(text, "utf-8")
    with pytest.raises(error) as caught:
        DeviceSettings(sensor=str(path))
    assert message in str(caught.value)
