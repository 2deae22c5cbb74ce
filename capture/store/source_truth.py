"""Where sources of light were, in ``*_truth.csv`` beside a session's events.

A rig that moves lights in front of a sensor knows where they are; this table says it on the
recording's time line, which is the sensor's clock. One row is one source at one time. Columns,
separated by commas:

- ``time_us``: microseconds of the sensor's clock, whole; rising for each source;
- ``source``: number of the source, 0 to 15;
- ``direction_x_rad``, ``direction_y_rad``: atan(x / z) and atan(y / z), z along the optic's axis, x
  along the columns, y along the rows of the array;
- ``distance_mm``: from the sensor's origin;
- ``brightness``: in a unit of the rig's own, such as mW/sr; 0 says that the source is out.

An empty value is not known. A source's place between two of its rows is on the straight line
between them; a row that says that it is out holds until its next one. Before its first row and
after its last nothing is known of a source. The table must reach over the whole recording: where
there was no source at all, one that is out says so at both ends.

A table that is given may have ``x_mm``, ``y_mm``, ``z_mm`` in the place of directions and distance.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from capture.store.session import READOUTS_SUFFIX, read_session
from capture.tsv_tables import delimited_rows
from runtime.errors import FormatError
from runtime.files import write_whole

__all__ = [
    "MAX_SOURCES",
    "TRUTH_COLUMNS",
    "Truth",
    "checked_truth",
    "keep_truth",
    "read_truth",
    "session_truth",
    "truth_path",
    "write_truth",
]

TRUTH_COLUMNS = (
    "time_us", "source", "direction_x_rad", "direction_y_rad", "distance_mm", "brightness",
)  # fmt: skip
MAX_SOURCES = 16
_PLACE_COLUMNS = ("x_mm", "y_mm", "z_mm")
_FAR_MM = 1e7
_MAX_US = 2**63 - 1
_BRIGHTNESS = 3


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Where sources were, row by row.

    Parameters
    ----------
    time_us : int64 array, shape (n_rows,)
        Rising for each source.
    source : int64 array, shape (n_rows,)
        Number of the source, 0 to 15.
    values : float64 array, shape (n_rows, 4)
        The last four of `TRUTH_COLUMNS`; NaN where not known.
    """

    time_us: npt.NDArray[np.int64]
    source: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]

    @property
    def sources(self) -> tuple[int, ...]:
        """Numbers of the sources, rising."""
        return tuple(int(each) for each in np.unique(self.source))

    def at(self, time_us: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return where each source was at given times.

        Parameters
        ----------
        time_us : int64 array, shape (n_times,)

        Returns
        -------
        float64 array, shape (n_sources, n_times, 4)
            In the order of `sources`; the last four of `TRUTH_COLUMNS`. NaN is not known; of a
            source that is out everything but its brightness, which is 0.
        """
        times = np.asarray(time_us, np.int64)
        found = [self._one_at(each, times) for each in self.sources]
        return np.asarray(np.stack(found))

    def _one_at(self, source: int, times: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        rows = self.source == source
        known_us, values = self.time_us[rows], self.values[rows]
        before = np.searchsorted(known_us, times, side="right") - 1
        inside = (before >= 0) & (times <= known_us[-1])
        before = np.maximum(before, 0)
        after = np.minimum(before + 1, len(known_us) - 1)
        span = np.maximum(known_us[after] - known_us[before], 1)
        share = ((times - known_us[before]) / span)[:, None]
        first, then = values[before], values[after]
        # Where the next row says nothing, what is known holds on.
        found: npt.NDArray[np.float64] = first + share * np.where(np.isnan(then), 0.0, then - first)
        found[:, _BRIGHTNESS] = first[:, _BRIGHTNESS]
        out = first[:, _BRIGHTNESS] == 0.0
        found[out, :_BRIGHTNESS] = np.nan
        found[~inside] = np.nan
        return found

    def require_cover(self, first_us: int, last_us: int, where: str) -> None:
        """Refuse a truth that does not reach over a recording: FormatError."""
        begin, end = int(self.time_us.min()), int(self.time_us.max())
        if begin > first_us or end < last_us:
            raise FormatError(
                where, "the truth's time", f"{begin} to {end} us", f"{first_us} to {last_us} us "
                "or more, as the recording has", "write the rig's table on the sensor's clock",
            )  # fmt: skip

    def to_csv(self) -> str:
        """Return the table: the same bytes each time."""
        lines = [",".join(TRUTH_COLUMNS)]
        rows = zip(self.time_us.tolist(), self.source.tolist(), self.values.tolist(), strict=True)
        for time_us, source, values in rows:
            # A nanoradian, a nanometre: below any rig, so that the file stays small.
            texts = ("" if math.isnan(value) else f"{value:.9g}" for value in values)
            lines.append(",".join([str(time_us), str(source), *texts]))
        return "\n".join(lines) + "\n"


def truth_path(readouts: Path) -> Path:
    """Return where the truth of a session's readouts file is."""
    return readouts.with_name(readouts.name.removesuffix(READOUTS_SUFFIX) + "_truth.csv")


def session_truth(readouts: Path) -> Truth | None:
    """Return the truth beside a session's readouts file; None where there is none.

    Raises
    ------
    FormatError
        It is faulty.
    """
    path = truth_path(readouts)
    return read_truth(path) if path.exists() else None


def checked_truth(readouts: Path, table: Path) -> Truth:
    """Read a rig's table, and see that it reaches over a recording.

    Parameters
    ----------
    readouts : Path
        The session's file.
    table : Path
        What the rig wrote.

    Raises
    ------
    UsageError, FormatError
        The table or the recording cannot be read, is faulty, or the one does not reach over the
        other.
    """
    truth = read_truth(table)
    session = read_session(readouts, with_labels=False)
    times = [each for block in session.blocks() for each in (block.time_us[0], block.time_us[-1])]
    if times:
        truth.require_cover(int(times[0]), int(times[-1]), str(table))
    return truth


def write_truth(readouts: Path, truth: Truth) -> None:
    """Write a truth beside a session's readouts."""
    write_whole(truth_path(readouts), truth.to_csv().encode())


def keep_truth(readouts: Path, table: Path) -> Truth:
    """Write a rig's table beside a recording once it is checked; see `checked_truth`."""
    truth = checked_truth(readouts, table)
    write_truth(readouts, truth)
    return truth


def read_truth(path: Path) -> Truth:
    """Read a table of where sources were.

    Raises
    ------
    UsageError, FormatError
        It cannot be read, lacks a column, or a value is out of range; the message names the row.
    """
    rows = delimited_rows(path, ",")
    header = next(rows)[1]
    as_places = set(_PLACE_COLUMNS) <= set(header)
    wanted = ("time_us", "source", *_PLACE_COLUMNS, "brightness") if as_places else TRUTH_COLUMNS
    for column in (*wanted, *header):
        if header.count(column) != 1:
            what = f"number of columns named {column[:40]}"
            raise FormatError(f"{path} row 1", what, header.count(column), 1)
    place = [header.index(column) for column in wanted]
    read = []
    for number, texts in rows:
        where = f"{path} row {number}"
        if len(texts) != len(header):
            raise FormatError(where, "number of values", len(texts), len(header))
        values = [texts[k] for k in place]
        time_us = _whole(where, "time_us", values[0], _MAX_US)
        source = _whole(where, "source", values[1], MAX_SOURCES - 1)
        numbers = [_number(where, *each) for each in zip(wanted[2:], values[2:], strict=True)]
        read.append((time_us, source, _checked(where, _angles(numbers) if as_places else numbers)))
    return _sorted(path, read)


def _sorted(path: Path, read: Iterable[tuple[int, int, list[float]]]) -> Truth:
    rows = sorted(read, key=lambda row: row[:2])
    if not rows:
        raise FormatError(str(path), "number of rows", 0, "at least 1")
    for row, following in itertools.pairwise(rows):
        if row[:2] == following[:2]:
            raise FormatError(str(path), f"time of source {row[1]}", f"{row[0]} us twice", "once")
    times, sources, values = zip(*rows, strict=True)
    return Truth(np.array(times, np.int64), np.array(sources, np.int64), np.array(values))


def _whole(where: str, name: str, text: str, highest: int) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > 19 or int(text) > highest:
        raise FormatError(where, name, repr(text[:40]), f"a whole number, 0 to {highest}")
    return int(text)


def _number(where: str, name: str, text: str) -> float:
    if text in ("", "n/a"):
        return math.nan
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise FormatError(where, name, repr(text[:40]), "a number, or empty")
    return value


def _angles(values: list[float]) -> list[float]:
    """Return directions and distance of a place; behind the sensor a direction is out of range."""
    x, y, z, brightness = values
    return [math.atan2(x, z), math.atan2(y, z), math.hypot(x, y, z), brightness]


def _checked(where: str, values: list[float]) -> list[float]:
    half = math.pi / 2.0
    ranges = ((-half, half), (-half, half), (0.0, _FAR_MM), (0.0, math.inf))
    for name, value, (low, high) in zip(TRUTH_COLUMNS[2:], values, ranges, strict=True):
        if value < low or value > high or (name == "distance_mm" and value == 0.0):
            raise FormatError(where, name, f"{value:g}", f"{low:.4g} to {high:.4g}, or empty")
    return values
