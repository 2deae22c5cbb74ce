"""The tables of a data set, and the lock under which they are changed."""

from __future__ import annotations

import csv
import io
import os
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from runtime.errors import FormatError
from runtime.files import read_limited, write_whole

__all__ = ["alone_in", "read_table", "write_table"]

_MISSING = "n/a"  # how a BIDS table writes a value that is not known

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
    write_whole(path, text.getvalue().encode("utf-8"))
