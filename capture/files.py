"""Small files, read with a limit and never left half written."""

from __future__ import annotations

import csv
import io
import os
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from runtime.errors import Error, FormatError, UsageError

__all__ = [
    "MAX_TABLE_BYTES",
    "alone_in",
    "read_limited",
    "read_table",
    "replace_file",
    "write_table",
]

MAX_TABLE_BYTES = 16 * 2**20
_MISSING = "n/a"  # how a BIDS table writes a value that is not known


def replace_file(path: Path, data: bytes) -> None:
    """Write a file under a temporary name, bring it to the disk, then give it its name.

    Raises
    ------
    Error
        The disk is full or gone; an older file of the name is left as it was.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}-{threading.get_ident()}.part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise Error(
            str(path), "writing", f"refused ({error.strerror})", do="make room on the disk"
        ) from None
    finally:
        part.unlink(missing_ok=True)


_one_at_a_time = threading.Lock()


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Keep other recorders, threads or processes, from changing the tables of a folder."""
    with _one_at_a_time:
        if sys.platform == "win32":
            yield
            return
        import fcntl

        descriptor = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX)
            yield
        finally:
            os.close(descriptor)


def read_limited(path: Path, limit: int = MAX_TABLE_BYTES) -> bytes:
    """Read a file that may come from anybody.

    Raises
    ------
    UsageError
        It cannot be read.
    FormatError
        It is longer than `limit` bytes.
    """
    try:
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except OSError as error:
        raise UsageError(
            str(path), "the file", f"unreadable ({error.strerror})", "readable"
        ) from None
    if len(data) > limit:
        raise FormatError(str(path), "the file", "too long", f"at most {limit} bytes")
    return data


def read_table(path: Path, required: Sequence[str]) -> list[dict[str, str | None]]:
    """Read a tab-separated table with one header line; ``n/a`` becomes None.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, is not UTF-8, lacks a required column, names one twice, or a row
        has another number of values; the message names file and row (the header is row 1).
    """
    where = str(path)
    try:
        text = read_limited(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FormatError(where, "the text", f"not UTF-8 ({error.reason})") from None
    rows = [line.split("\t") for line in text.splitlines() if line]
    if not rows:
        raise FormatError(where, "the table", "empty", "a header line")
    header = rows[0]
    for column in required:
        if header.count(column) != 1:
            raise FormatError(where, f"number of columns {column!r}", header.count(column), 1)
    table = []
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(header):
            raise FormatError(f"{where} row {number}", "number of values", len(row), len(header))
        table.append(
            {
                key: None if value == _MISSING else value
                for key, value in zip(header, row, strict=True)
            }
        )
    return table


def write_table(
    path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, str | None]]
) -> None:
    """Write a tab-separated table; None becomes ``n/a``.

    Raises
    ------
    FormatError
        A value holds a tab or a line break.
    """
    text = io.StringIO()
    writer = csv.writer(text, delimiter="\t", lineterminator="\n", quoting=csv.QUOTE_NONE)
    writer.writerow(columns)
    for row in rows:
        values = [_MISSING if row[key] is None else str(row[key]) for key in columns]
        for key, value in zip(columns, values, strict=True):
            if len(value.splitlines()) > 1 or set(value) & set('\t\r\n"'):
                raise FormatError(str(path), key, repr(value), "without tab, quote or line break")
        writer.writerow(values)
    replace_file(path, text.getvalue().encode("utf-8"))
