"""Frames from arrays and tables: lit and dark exposures put in pairs, whatever they came as."""

from __future__ import annotations

import contextlib
import itertools
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from capture.bring.archives import (
    Member,
    array_names,
    load_archive,
    open_arrays,
    unreadable,
)
from capture.bring.columns import check_pixel_names
from runtime.errors import FormatError, UsageError
from runtime.files import open_parquet
from runtime.sensor import Sensor

__all__ = ["ORDERS", "Frames", "Order", "read_frames"]

Order = Literal["interleaved", "dark-first", "two-arrays"]
ORDERS: tuple[Order, ...] = get_args(Order)
"""How lit and dark exposures lie: one after the other, lit or dark first, or apart."""

BLOCK_FRAMES = 256
"""Read at once: of 32 by 32 pixels, both exposures are 1 MB, whatever the file's length."""
_TIMES = ("sequence", "time_us", "dark_time_us")
_LIT = "lit"


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Some frame pairs in a row, as they were found.

    Parameters
    ----------
    lit, dark : array, shape (n_frames, n_rows, n_cols)
        Any numbers; not yet checked.
    sequence, time_us, dark_time_us : array, shape (n_frames,), or None
        Where the source says them.
    """

    lit: NDArray[Any]
    dark: NDArray[Any]
    sequence: NDArray[Any] | None = None
    time_us: NDArray[Any] | None = None
    dark_time_us: NDArray[Any] | None = None


def read_frames(
    path: Path, dark_path: Path | None, order: Order, sensor: Sensor
) -> Iterator[Frames]:
    """Yield the frame pairs of a file, in blocks.

    Parameters
    ----------
    path : Path
        ``.npy``, ``.npz``, ``.csv``, ``.tsv`` or ``.parquet``.
    dark_path : Path or None
        The dark exposures' own file; only of ``.npy`` in two arrays.
    order : str
        One of :data:`ORDERS`.
    sensor : Sensor
        Says how many rows and columns a frame has.

    Raises
    ------
    UsageError
        The file cannot be read or its ending is another, or the dark file is missing or too many.
    FormatError
        It is damaged, or its shape is not that of frames of this sensor.
    """
    kind = path.suffix.lower()
    if (dark_path is not None) != (kind == ".npy" and order == "two-arrays"):
        raise UsageError(
            str(path), "dark_file", "missing" if dark_path is None else str(dark_path),
            "given for .npy with --lit-dark two-arrays, and only then",
        )  # fmt: skip
    if kind == ".npy":
        return _pairs([path] if dark_path is None else [path, dark_path], order, sensor)
    if kind == ".npz":
        return _npz(path, order, sensor)
    if kind in (".csv", ".tsv"):
        return _rows(path, _text_blocks(path, "," if kind == ".csv" else "\t"), order, sensor)
    if kind == ".parquet":
        return _rows(path, _parquet_blocks(path), order, sensor)
    raise UsageError(
        str(path), "the file's ending", kind or "none", ".npy, .npz, .csv, .tsv, .parquet or .mcap"
    )


def _pairs(paths: Sequence[Path], order: Order, sensor: Sensor) -> Iterator[Frames]:
    arrays = open_arrays(paths)
    yield from _in_blocks(paths[0], arrays, order, sensor, {})


def _npz(path: Path, order: Order, sensor: Sensor) -> Iterator[Frames]:
    names = ("lit", "dark") if order == "two-arrays" else ("frames",)
    times = load_archive(path, _TIMES)
    with contextlib.ExitStack() as stack:
        try:
            archive = stack.enter_context(zipfile.ZipFile(path))
            there = {entry.filename: entry for entry in archive.infolist()}
        except Exception as error:  # zipfile has errors of its own
            raise unreadable(path, error) from None
        for name in names:
            if f"{name}.npy" not in there:
                raise FormatError(
                    str(path), f"array {name}", f"missing (there is {array_names(path)})",
                    "lit and dark with --lit-dark two-arrays, else frames one after the other",
                )  # fmt: skip
        members = [Member(path, archive, there[f"{name}.npy"], stack) for name in names]
        yield from _in_blocks(path, members, order, sensor, times)


def _in_blocks(
    path: Path,
    arrays: Sequence[NDArray[Any] | Member],
    order: Order,
    sensor: Sensor,
    times: dict[str, NDArray[Any]],
) -> Iterator[Frames]:
    frame = (sensor.n_rows, sensor.n_cols)
    for array in arrays:
        if array.ndim == 2 and array.shape[1] == sensor.n_pixels:
            continue  # a frame as one row is as good
        if array.ndim != 3 or array.shape[1:] != frame:
            raise FormatError(
                str(path), "shape of an array", array.shape,
                f"(number of frames, {frame[0]}, {frame[1]}), rows and columns of the sensor file",
            )  # fmt: skip
    if len({len(array) for array in arrays}) > 1:
        raise FormatError(
            str(path), "number of dark exposures", len(arrays[1]), f"{len(arrays[0])} as lit"
        )
    step = 1 if order == "two-arrays" else 2
    if len(arrays[0]) % step:
        raise FormatError(
            str(path), "number of exposures", len(arrays[0]), "even: one dark for each lit"
        )
    n_frames = len(arrays[0]) // step
    for name, values in times.items():
        if values.shape != (n_frames,):
            raise FormatError(f"{path} array {name}", "shape", values.shape, f"({n_frames},)")
    for first in range(0, n_frames, BLOCK_FRAMES):
        rows = slice(step * first, step * (first + BLOCK_FRAMES))
        parts = [np.asarray(array[rows]).reshape(-1, *frame) for array in arrays]
        if step == 2:
            parts = [parts[0][0::2], parts[0][1::2]]
        if order == "dark-first":
            parts.reverse()
        some = {name: values[first : first + BLOCK_FRAMES] for name, values in times.items()}
        yield Frames(parts[0], parts[1], **some)


def _text_blocks(path: Path, delimiter: str) -> Iterator[list[str] | NDArray[np.float64]]:
    """Yield the header, then numbers of some rows at a time."""
    try:
        with path.open(encoding="utf-8-sig", newline=None) as file:
            yield [name.strip() for name in file.readline(1 << 20).split(delimiter)]
            number = 1
            while lines := list(itertools.islice(file, 2 * BLOCK_FRAMES)):
                try:
                    block = _numbers(lines, delimiter)
                except ValueError as error:
                    raise FormatError(
                        f"{path} rows {number + 1} to {number + len(lines)}", "a value",
                        f"no number, or a row is too short ({str(error)[:80]})", "counts",
                    ) from None  # fmt: skip
                number += len(lines)
                yield block
    except UnicodeDecodeError as error:
        raise FormatError(str(path), "the text", f"not UTF-8 ({error.reason})") from None
    except OSError as error:
        raise UsageError(str(path), "the file", f"unreadable ({error.strerror})") from None


def _numbers(lines: list[str], delimiter: str) -> NDArray[np.float64]:
    filled = [line for line in lines if line.strip()]
    if not filled:
        return np.zeros((0, 0))
    return np.loadtxt(filled, delimiter=delimiter, ndmin=2, comments=None)


def _parquet_blocks(path: Path) -> Iterator[list[str] | NDArray[np.float64]]:
    file = open_parquet(path)
    yield [str(name) for name in file.schema_arrow.names]
    try:
        for batch in file.iter_batches(batch_size=2 * BLOCK_FRAMES):
            columns = [np.asarray(column, dtype=np.float64) for column in batch.columns]
            yield np.stack(columns, axis=1)
    except Exception as error:  # pyarrow's own tree, and a text where a number should be
        raise unreadable(path, error) from None


def _rows(
    path: Path,
    blocks: Iterator[list[str] | NDArray[np.float64]],
    order: Order,
    sensor: Sensor,
) -> Iterator[Frames]:
    """Yield the frames of a table with one exposure a row, or one frame pair a row.

    Columns named ``sequence``, ``time_us``, ``dark_time_us`` and ``lit`` say these; all others are
    pixels, row by row of the sensor: of one exposure, or of the lit and then of the dark one.
    """
    header = [str(name) for name in next(blocks)]
    step = 1 if order == "two-arrays" else 2
    said = {name: header.index(name) for name in (*_TIMES, _LIT) if name in header}
    pixels = [index for index in range(len(header)) if index not in said.values()]
    expected = sensor.n_pixels * (3 - step)
    if len(pixels) != expected or (step == 1 and _LIT in said):
        raise FormatError(
            f"{path} row 1", "number of pixel columns", len(pixels), expected,
            "name other columns sequence, time_us, dark_time_us or lit (one exposure a row)",
        )  # fmt: skip
    for first in range(0, expected, sensor.n_pixels):
        some = pixels[first : first + sensor.n_pixels]
        check_pixel_names(path, [header[index] for index in some])
    left = np.zeros((0, len(header)))
    row = 2
    for block in blocks:
        if not len(block):
            continue
        if np.shape(block)[1:] != (len(header),):
            raise FormatError(
                f"{path} from row {row}", "number of values", np.shape(block)[1], len(header)
            )
        values = np.concatenate([left, np.asarray(block, dtype=np.float64)])
        n_pairs = len(values) // step
        values, left = values[: n_pairs * step], values[n_pairs * step :]
        if n_pairs:
            yield _from_rows(f"{path} from row {row}", values, (said, pixels), order, sensor)
        row += len(values)
    if len(left):
        raise FormatError(str(path), "number of exposures", "odd", "one dark for each lit")


def _from_rows(
    where: str,
    values: NDArray[np.float64],
    columns: tuple[dict[str, int], list[int]],
    order: Order,
    sensor: Sensor,
) -> Frames:
    said, pixels = columns
    frame = (-1, sensor.n_rows, sensor.n_cols)
    if order == "two-arrays":
        n = sensor.n_pixels
        lit_rows = dark_rows = values
        lit, dark = values[:, pixels[:n]], values[:, pixels[n:]]
    else:
        first, second = values[0::2], values[1::2]
        lit_rows, dark_rows = (second, first) if order == "dark-first" else (first, second)
        lit, dark = lit_rows[:, pixels], dark_rows[:, pixels]
        if _LIT in said:
            column = said[_LIT]
            if (lit_rows[:, column] != 1).any() or (dark_rows[:, column] != 0).any():
                raise FormatError(
                    where, "column lit", "another order", f"1 and 0 in turn, {order}",
                    "choose another --lit-dark, or bring the missing exposures' rows",
                )  # fmt: skip
    times = {name: lit_rows[:, said[name]] for name in _TIMES[:2] if name in said}
    if order != "two-arrays" and "time_us" in said:
        times["dark_time_us"] = dark_rows[:, said["time_us"]]
    elif "dark_time_us" in said:
        times["dark_time_us"] = dark_rows[:, said["dark_time_us"]]
    return Frames(lit.reshape(frame), dark.reshape(frame), **times)
