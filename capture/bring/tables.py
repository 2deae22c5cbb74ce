"""Tables that come from elsewhere: comma or tab separated text, or Parquet where pyarrow is there.

What they say is untrusted. Empty cells and ``n/a`` are values that are not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from capture.tsv_tables import Row, delimited_rows
from runtime.errors import FormatError, UsageError
from runtime.files import damaged_parquet, open_parquet

__all__ = ["read_any_table"]

_UNKNOWN = ("", "n/a")
_MAX_ROWS = 1_000_000
_DELIMITERS = {".csv": ",", ".tsv": "\t"}
_SEPARATED = {".csv": "columns by commas", ".tsv": "columns by tabs"}


def read_any_table(path: Path, required: Sequence[str]) -> list[tuple[int, Row]]:
    """Read a small table by the ending of its name: ``.csv``, ``.tsv`` or ``.parquet``.

    Parameters
    ----------
    path : Path
        At most 16 MiB of text.
    required : sequence of str
        Columns that it must have.

    Returns
    -------
    list of (int, Row)
        Each row with its number in the file; the header is row 1.

    Raises
    ------
    UsageError
        It cannot be read, or its name ends otherwise; or it is Parquet and pyarrow is missing.
    FormatError
        It is not what its name says, lacks a column or names one twice.
    """
    kind = path.suffix.lower()
    if kind == ".parquet":
        rows = _parquet_rows(path)
    elif kind in _DELIMITERS:
        rows = delimited_rows(path, _DELIMITERS[kind])
    else:
        raise UsageError(str(path), "the table's ending", kind or "none", ".csv, .tsv or .parquet")
    header = next(rows)[1]
    for column in (*required, *header):
        if header.count(column) != 1:
            there = ", ".join(header)[:120]
            separate = "" if len(header) > 1 else f"; separate {_SEPARATED.get(kind, 'them')}"
            raise FormatError(
                f"{path} row 1", f"number of columns named {column[:40]}", header.count(column), 1,
                f"the first line must name the columns, and says {there!r}{separate}",
            )  # fmt: skip
    found = []
    for number, values in rows:
        if len(values) != len(header):
            raise FormatError(f"{path} row {number}", "number of values", len(values), len(header))
        known = (None if value in _UNKNOWN else value for value in values)
        found.append((number, dict(zip(header, known, strict=True))))
    return found


def _parquet_rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    file = open_parquet(path)
    if file.metadata.num_rows > _MAX_ROWS:
        raise FormatError(
            str(path), "number of rows", file.metadata.num_rows, f"at most {_MAX_ROWS}"
        )
    yield 1, [str(name) for name in file.schema_arrow.names]
    number = 1
    try:
        for batch in file.iter_batches():
            for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                number += 1
                yield number, [_as_text(value) for value in row]
    except Exception as error:  # pyarrow's own tree, and what its decoders raise
        raise damaged_parquet(path, error) from None


def _as_text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)
