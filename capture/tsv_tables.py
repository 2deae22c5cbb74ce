"""The tables of a data set, and the lock under which they are changed."""

from __future__ import annotations

import csv
import io
import os
import re
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from runtime.errors import FormatError
from runtime.files import read_limited, write_whole

__all__ = ["Row", "alone_in", "delimited_rows", "read_rows", "read_table", "rows_of",
           "write_table"]  # fmt: skip

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


# What ends a line for `str.splitlines`, a value, or a quotation.
_ENDING = re.compile('[\t\n\r"\v\f\x1c-\x1e\x85\u2028\u2029]')
Row = dict[str, str | None]
"""One row of a table by column; None where the table says ``n/a``."""


def read_rows(path: Path, required: Sequence[str]) -> Iterator[tuple[int, Row | FormatError]]:
    """Yield the rows of a tab-separated table with their numbers in the file; the header is row 1.

    A row with another number of values than the header comes as the error that it is; empty lines
    are passed over.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, is not UTF-8, lacks a required column or names one twice.
    """
    return rows_of(read_limited(path), str(path), required)


def rows_of(
    content: bytes, where: str, required: Sequence[str]
) -> Iterator[tuple[int, Row | FormatError]]:
    """Yield the rows of a table that was read from `where`, as `read_rows`."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FormatError(
            where, "the text", f"not UTF-8 ({error.reason})", do="save it as UTF-8"
        ) from None
    lines = [line.split("\t") for line in re.split(r"\r\n|\r|\n", text)]
    header = lines[0]
    if header == [""]:
        raise FormatError(where, "the first line", "empty", "the names of the columns")
    for column in required:
        if header.count(column) != 1:
            raise FormatError(
                f"{where} row 1",
                f"number of columns named {column}",
                header.count(column),
                1,
                "" if len(header) > 1 else "separate the columns by tabs",
            )
    for number, values in enumerate(lines[1:], start=2):
        if values == [""]:
            continue
        if len(values) == len(header):
            known = [None if value == _MISSING else value for value in values]
            yield number, dict(zip(header, known, strict=True))
        else:
            at = f"{where} row {number}"
            yield number, FormatError(at, "number of values", len(values), len(header))


def read_table(path: Path, required: Sequence[str]) -> list[tuple[int, Row]]:
    """Return the rows of a table with their numbers, as `read_rows`; the first wrong row raises."""
    rows = []
    for number, row in read_rows(path, required):
        if isinstance(row, FormatError):
            raise row
        rows.append((number, row))
    return rows


def write_table(
    path: Path, columns: Sequence[str], rows: Iterable[Mapping[str, str | None]]
) -> None:
    """Write a tab-separated table; None becomes ``n/a``.

    Raises
    ------
    FormatError
        A column's name or a value holds a tab, a quote or a line break.
    """
    text = io.StringIO()
    writer = csv.writer(text, delimiter="\t", lineterminator="\n", quoting=csv.QUOTE_NONE)
    lines = [
        columns,
        *([_MISSING if row[key] is None else str(row[key]) for key in columns] for row in rows),
    ]
    for line in lines:
        doubtful = zip(columns, line, strict=True) if _ENDING.search("".join(line)) else ()
        for key, value in doubtful:
            if len(value.splitlines()) > 1 or set(value) & set('\t\r\n"'):
                raise FormatError(str(path), key, repr(value), "without tab, quote or line break")
        writer.writerow(line)
    write_whole(path, text.getvalue().encode("utf-8"))


def delimited_rows(path: Path, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows of a table that comes from elsewhere, the header first, with their numbers.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, is not UTF-8, is empty, or a quote in it is not closed.
    """
    try:
        text = read_limited(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FormatError(
            str(path), "the text", f"not UTF-8 ({error.reason})", do="save it as UTF-8"
        ) from None
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    empty = True
    try:
        for values in reader:
            if values:
                empty = False
                yield reader.line_num, [value.strip() for value in values]
    except csv.Error as error:
        at = f"{path} row {reader.line_num}"
        raise FormatError(at, "the row", f"damaged ({error})") from None
    if empty:
        raise FormatError(str(path), "the first line", "empty", "the names of the columns")
