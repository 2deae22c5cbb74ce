"""A weaker setting: what it may be, and the sensor at it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from capture.thin.setting import Setting, least_bits, thinned_sensor
from runtime.errors import UsageError
from runtime.sensor import Sensor

SENSOR = Sensor("lensless", 16, 12, black_level_counts=64, led_current_ma=100.0)


def test_nothing_weaker_is_the_same_sensor() -> None:
    """A setting without a word leaves the sensor as it is."""
    assert thinned_sensor(SENSOR, Setting()) == SENSOR
    assert not Setting().weaker_light


def test_the_sensor_at_a_setting_says_so_in_its_own_fields() -> None:
    """Current, exposure, rows, rate, bits and read noise are those of the setting."""
    after = thinned_sensor(
        SENSOR,
        Setting(0.25, 0.5, rows=(4, 10), frame_rate_divisor=3, bit_depth=8, read_noise_e=28.0),
    )
    assert (after.led_current_ma, after.exposure_us) == (25.0, 100.0)
    assert (after.n_rows, after.n_cols) == (6, 12)
    assert after.frame_rate_hz == pytest.approx(10.0)
    # 12 to 8 bits: steps of 16, so that gain and black level are a sixteenth.
    assert (after.bit_depth, after.black_level_counts) == (8, 4)
    assert after.conversion_gain_dn_per_e == pytest.approx(0.25 / 16)
    assert after.read_noise_e == 28.0


def test_steps_too_coarse_to_foretell_are_refused() -> None:
    """Fewer bits are taken while a step is at most three times the read noise, and no further."""
    # 12 bits, 4 electrons a count: at 10 bits a step is 16 electrons, at 8 bits 64.
    for noise_e, fewest in ((1.0, 12), (8.0, 10), (5.4, 10), (5.3, 11), (21.4, 8), (400.0, 4)):
        sensor = replace(SENSOR, read_noise_e=noise_e)
        assert least_bits(sensor) == fewest
        for bits in range(4, 13):
            if bits >= fewest:
                assert thinned_sensor(sensor, Setting(bit_depth=bits)).bit_depth == bits
            else:
                with pytest.raises(UsageError, match=f"bit_depth is {bits}, expected at least"):
                    thinned_sensor(sensor, Setting(bit_depth=bits))


@pytest.mark.parametrize(
    "wrong, message",
    [
        ({"led_current_fraction": 1.01}, "led_current_fraction is 1.01, expected above 0"),
        ({"led_current_fraction": 0.0}, "led_current_fraction is 0.0"),
        ({"exposure_fraction": math.nan}, "exposure_fraction is nan"),
        ({"exposure_fraction": True}, "exposure_fraction is True"),
        ({"frame_rate_divisor": 1.5}, "frame_rate_divisor is 1.5"),
        ({"frame_rate_divisor": 0}, "frame_rate_divisor is 0"),
        ({"bit_depth": 3}, "bit_depth is 3, expected a whole number from 4 to 16"),
        ({"bit_depth": 10.0}, "bit_depth is 10.0, expected a whole number"),
        ({"bit_depth": True}, "bit_depth is True, expected a whole number"),
        ({"read_noise_e": -1.0}, "read_noise_e is -1.0"),
        ({"rows": (4, 4)}, "rows is"),
        ({"rows": (1,)}, "rows is"),
    ],
)
def test_a_setting_that_no_sensor_has_is_refused(wrong: dict[str, object], message: str) -> None:
    """A share above 1, no light, half a frame and bits of no ADC are one line each."""
    with pytest.raises(UsageError, match=message) as caught:
        Setting(**wrong)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "setting, message",
    [
        (Setting(bit_depth=16), "bit_depth is 16, expected at most 12, as recorded"),
        (Setting(rows=(8, 17)), "within the 16 rows recorded"),
        (Setting(read_noise_e=7.9), "read_noise_e is 7.9, expected at least 8"),
        (Setting(exposure_fraction=1e-4), "exposure_us that follows"),
        (Setting(frame_rate_divisor=1000, exposure_fraction=1e-3), "exposure_us that follows|rate"),
    ],
)
def test_more_than_was_recorded_is_refused(setting: Setting, message: str) -> None:
    """More bits, more rows, less noise than the recording holds: one line each."""
    sensor = SENSOR if setting.frame_rate_divisor == 1 else Sensor("slow", 4, 4, frame_rate_hz=0.1)
    with pytest.raises(UsageError, match=message) as caught:
        thinned_sensor(sensor, setting)
    assert "\n" not in str(caught.value)


def test_less_noise_than_recorded_may_be_asked_for_where_the_exposure_is_shorter() -> None:
    """A quarter of the exposure leaves a quarter of the read noise: so much at least."""
    quarter = Setting(exposure_fraction=0.25, read_noise_e=2.0)
    assert thinned_sensor(SENSOR, quarter).read_noise_e == 2.0
