"""The description of a sensor: its apertures, baselines, and the names that old files carry."""

from __future__ import annotations

import copy
import dataclasses
from typing import Any

import numpy as np
import pytest

from runtime.errors import FormatError
from runtime.sensor import Aperture, Sensor

PLAIN = Sensor("plain", 8, 12)
LEFT, RIGHT = Aperture(-0.93, 0.0, 0, 8, 0, 6), Aperture(0.93, 0.0, 0, 8, 6, 6)
PAIR = Sensor("pair", 8, 12, apertures=(LEFT, RIGHT))


def test_a_plain_sensor_has_one_aperture_over_everything_it_reads() -> None:
    """Without any stated there is one aperture at the origin, over as many rows as are read."""
    assert PLAIN.apertures == (Aperture(0.0, 0.0, 0, 8, 0, 12),)
    for fewer in (dataclasses.replace(PLAIN, n_rows=3), PLAIN.reading_rows(2, 3)):
        assert fewer.apertures == (Aperture(0.0, 0.0, 0, 3, 0, 12),)
    stated = dataclasses.replace(PLAIN, apertures=PLAIN.apertures)
    assert stated == PLAIN and "apertures" not in stated.to_json()


def test_a_baseline_is_the_distance_of_two_apertures() -> None:
    """The baseline is that of any stereo pair; what looks like one aperture has none."""
    assert PAIR.baseline_mm() == PAIR.baseline_mm(1, 0) == pytest.approx(1.86)
    corner = dataclasses.replace(PAIR, apertures=(LEFT, dataclasses.replace(RIGHT, y_mm=1.0)))
    assert corner.baseline_mm() == pytest.approx((1.86**2 + 1.0) ** 0.5)
    with pytest.raises(FormatError, match="sensor: aperture is 1, expected one of its 1"):
        PLAIN.baseline_mm()


def test_each_aperture_has_its_own_pixels() -> None:
    """The parts of a readout are those that the rectangles say, whatever stands before them."""
    frames = np.arange(3 * 8 * 12).reshape(3, 8, 12)
    np.testing.assert_array_equal(LEFT.of(frames), frames[:, :, :6])
    np.testing.assert_array_equal(RIGHT.of(frames[0]), frames[0, :, 6:])


def test_apertures_are_cut_with_the_rows_that_are_read() -> None:
    """Rows are numbered from the first one read, and an aperture without rows is gone."""
    over = dataclasses.replace(
        PAIR, apertures=(Aperture(0.0, 1.0, 0, 4, 0, 12), Aperture(0.0, -1.0, 4, 4, 0, 12))
    )
    both = over.reading_rows(3, 4)
    assert both.apertures == (Aperture(0.0, 1.0, 0, 1, 0, 12), Aperture(0.0, -1.0, 1, 3, 0, 12))
    assert over.reading_rows(5, 2).apertures == (Aperture(0.0, -1.0, 0, 2, 0, 12),)
    with pytest.raises(FormatError, match="sensor: rows is 4 from 5, expected within the 8"):
        over.reading_rows(5, 4)


@pytest.mark.parametrize("sensor", [PLAIN, PAIR])
def test_a_sensor_comes_back_from_json_and_as_a_copy(sensor: Sensor) -> None:
    """JSON and a copy give back the same sensor, which still can read fewer rows."""
    for again in (Sensor.from_json(sensor.to_json()), copy.deepcopy(sensor)):
        assert again == sensor
        assert again.reading_rows(0, 2) == sensor.reading_rows(0, 2)


def test_old_files_say_baseline_for_the_place_of_the_led() -> None:
    """The old key is read as LED to origin and never written; with both, it is a wrong key."""
    old = {"name": "old", "n_rows": 4, "n_cols": 4, "baseline_mm": 1.86}
    sensor = Sensor.from_json(old)
    assert sensor.led_offset_mm == 1.86
    assert "baseline_mm" not in sensor.to_json()
    with pytest.raises(FormatError, match="sensor key is baseline_mm"):
        Sensor.from_json({**old, "led_offset_mm": 2.0})


def _changed(**changes: Any) -> Aperture:
    return dataclasses.replace(RIGHT, **changes)


@pytest.mark.parametrize(
    ("apertures", "message"),
    [
        ((LEFT, _changed(first_row=1)), "aperture 1 is .* expected within 8 rows"),
        ((LEFT, _changed(n_cols=7)), "aperture 1 is .* expected within 8 rows and 12 columns"),
        ((LEFT, _changed(first_col=5)), "aperture 1 is .* on no pixel of aperture 0"),
        ((LEFT, _changed(x_mm=-0.93)), "aperture 1 is .* another place than aperture 0's"),
        (tuple(Aperture(k, 0, k, 1, 0, 1) for k in range(5)), "apertures is 5, expected 1 to 4"),
        ([LEFT, RIGHT], "apertures is list"),
        ((LEFT, "right"), "apertures is tuple"),
    ],
)
def test_apertures_that_cannot_be_are_refused(apertures: Any, message: str) -> None:
    """Rectangles lie inside the array and apart, optics at places of their own, four at most."""
    with pytest.raises(FormatError, match=message):
        Sensor("pair", 8, 12, apertures=apertures)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"x_mm": float("nan")}, "aperture: x_mm is nan"),
        ({"y_mm": 1000.5}, r"y_mm is 1000.5, expected -1000 to 1000"),
        ({"x_mm": True}, "x_mm is True, expected a number"),
        ({"first_row": -1}, "first_row is -1, expected 0 to 256"),
        ({"n_rows": 0}, "n_rows is 0, expected 1 to 256"),
        ({"n_cols": 2.0}, "n_cols is 2.0, expected a whole number"),
    ],
)
def test_an_aperture_out_of_range_is_told_by_its_field(
    changes: dict[str, Any], message: str
) -> None:
    """A place that no optic has is refused by its name."""
    with pytest.raises(FormatError, match=message):
        _changed(**changes)


@pytest.mark.parametrize(
    ("apertures", "message"),
    [
        (3, "apertures is int, expected a list"),
        ([3], "aperture is int, expected an object"),
        ([{"x_mm": 0.0}], "aperture key is without y_mm"),
        ([dataclasses.asdict(LEFT) | {"lens": 1}], "aperture key is lens"),
        ([], None),
    ],
)
def test_apertures_are_read_from_what_nobody_vouches_for(
    apertures: Any, message: str | None
) -> None:
    """What is no list of apertures is refused with the file's name; none is the usual one."""
    content = {"name": "a", "n_rows": 8, "n_cols": 12, "apertures": apertures}
    if message is None:
        assert Sensor.from_json(content).apertures == PLAIN.apertures
        return
    with pytest.raises(FormatError, match=f"there.json: {message}"):
        Sensor.from_json(content, "there.json")
