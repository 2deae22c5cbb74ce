"""Where sources were: the table of a rig, read, checked and asked for any time."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from capture.store.source_truth import read_truth
from runtime.errors import Error, FormatError

HEADER = "time_us,source,direction_x_rad,direction_y_rad,distance_mm,brightness"


def table(tmp_path: Path, *rows: str, header: str = HEADER) -> Path:
    path = tmp_path / "rig.csv"
    path.write_text("\n".join([header, *rows]) + "\n", "utf-8")
    return path


def test_a_source_is_on_the_line_between_its_rows(tmp_path: Path) -> None:
    """Between rows places go straight, brightness stands, and outside of them nothing is known."""
    path = table(
        tmp_path, "1000,0,0.1,0,200,5", "2000,0,0.3,-0.2,100,7", "3000,0,,,,0", "9000,0,,,,0",
    )  # fmt: skip
    truth = read_truth(path)
    (found,) = truth.at(np.array([1000, 1500, 2000, 2500, 3000, 5000, 9000]))
    np.testing.assert_allclose(found[0], [0.1, 0.0, 200.0, 5.0])
    np.testing.assert_allclose(found[1], [0.2, -0.1, 150.0, 5.0])
    np.testing.assert_allclose(found[2:4], [[0.3, -0.2, 100.0, 7.0]] * 2)
    assert np.isnan(found[4:, :3]).all() and not found[4:, 3].any()
    assert np.isnan(truth.at(np.array([999, 9001]))).all()


def test_what_is_empty_is_not_known(tmp_path: Path) -> None:
    """A rig that knows directions alone leaves distance and brightness empty: they are NaN."""
    (found,) = read_truth(table(tmp_path, "0,3,0.1,0.2,,", "10,3,0.1,0.2,n/a,")).at(np.array([5]))
    np.testing.assert_allclose(found[0, :2], [0.1, 0.2])
    assert np.isnan(found[0, 2:]).all()


def test_places_are_turned_into_directions(tmp_path: Path) -> None:
    """A table of x, y, z gives atan(x / z), atan(y / z) and the distance (geometry)."""
    header = "z_mm,time_us,source,x_mm,y_mm,brightness,note"
    truth = read_truth(table(tmp_path, "120,0,1,-50,0,2,a", "120,9,1,0,90,2,b", header=header))
    np.testing.assert_allclose(
        truth.values,
        [[math.atan(-50 / 120), 0.0, 130.0, 2.0], [0.0, math.atan(90 / 120), 150.0, 2.0]],
    )


def test_rows_may_come_in_any_order_and_come_back_the_same(tmp_path: Path) -> None:
    """Sources are told apart by number, rows sorted by time, and a written table reads the same."""
    rows = ["20,1,0.1,0.2,30,4", "10,0,0.5,0.6,70,8", "10,1,,,,0", "30,0,0.123456789,0,1e3,0.5"]
    truth = read_truth(table(tmp_path, *rows))
    assert truth.sources == (0, 1)
    assert truth.time_us.tolist() == [10, 10, 20, 30]
    again = tmp_path / "again.csv"
    again.write_text(truth.to_csv(), "utf-8")
    same = read_truth(again)
    np.testing.assert_array_equal(same.values, truth.values)
    assert same.to_csv() == truth.to_csv()


def test_a_truth_must_reach_over_the_recording(tmp_path: Path) -> None:
    """One that begins later or ends earlier is refused, with both times."""
    truth = read_truth(table(tmp_path, "100,0,0,0,50,1", "200,0,0,0,50,1"))
    truth.require_cover(100, 200, "rig.csv")
    for first, last in ((99, 150), (150, 201)):
        with pytest.raises(FormatError, match=f"100 to 200 us, expected {first} to {last} us"):
            truth.require_cover(first, last, "rig.csv")


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("1,0,0,0,50", "row 2: number of values is 5, expected 6"),
        ("1.5,0,0,0,50,1", "row 2: time_us is '1.5', expected a whole number"),
        ("-1,0,0,0,50,1", "time_us is '-1'"),
        ("99999999999999999999,0,0,0,50,1", "time_us is '9999"),
        ("\u0661,0,0,0,50,1", "time_us is"),
        ("1,16,0,0,50,1", "source is '16', expected a whole number, 0 to 15"),
        ("1,0,left,0,50,1", "direction_x_rad is 'left', expected a number, or empty"),
        ("1,0,0,nan,50,1", "direction_y_rad is 'nan'"),
        ("1,0,1.6,0,50,1", "direction_x_rad is 1.6, expected -1.571 to 1.571, or empty"),
        ("1,0,0,0,0,1", "distance_mm is 0"),
        ("1,0,0,0,2e7,1", r"distance_mm is 2e\+07"),
        ("1,0,0,0,50,-1", "brightness is -1"),
        ("1,0,0,0,50,inf", "brightness is 'inf'"),
        ('1,0,0,0,50,"1', "damaged"),
    ],
)
def test_a_faulty_row_is_told_by_its_number(tmp_path: Path, row: str, message: str) -> None:
    """What no rig can mean is refused in one line with the file, the row and the column."""
    with pytest.raises(Error, match=message) as caught:
        read_truth(table(tmp_path, row))
    assert "rig.csv" in str(caught.value) and "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("header", "rows", "message"),
    [
        (HEADER, (), "number of rows is 0"),
        (HEADER.replace("source", "lamp"), ("1,0,0,0,50,1",), "columns named source is 0"),
        (HEADER + ",source", ("1,0,0,0,50,1,0",), "columns named source is 2"),
        (HEADER, ("1,0,0,0,50,1", "1,0,0,0,51,1"), "time of source 0 is 1 us twice"),
        ("time_us,source,x_mm,y_mm,z_mm", ("1,0,0,0,50",), "columns named brightness is 0"),
        ("time_us,source,x_mm,y_mm,z_mm,brightness", ("1,0,9,0,-50,1",), "direction_x_rad is"),
    ],
)
def test_a_faulty_table_is_refused(
    tmp_path: Path, header: str, rows: tuple[str, ...], message: str
) -> None:
    """Missing columns, nothing in it, a time twice, a place behind the sensor: one line each."""
    with pytest.raises(FormatError, match=message):
        read_truth(table(tmp_path, *rows, header=header))
