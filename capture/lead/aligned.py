"""A recording's readouts on the clock of the day, to be laid beside those of a camera."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from capture.lead.host_clock import CLOCK_COLUMNS, clock_path
from capture.tsv_tables import Row, read_rows, write_table
from capture.wire.clock import Exchange, fit_clock
from runtime.errors import FormatError, UsageError
from runtime.files import read_limited

__all__ = ["ALIGNED_COLUMNS", "align"]

ALIGNED_COLUMNS = ("sequence", "time_us", "utc_us", "error_us", "arrived_utc_us")
"""Of the table: frame pair, its time in the recording, the same on the host's clock of the day
(UTC, Unix time, microseconds) with the bound of its error, and when it arrived there."""


def align(readouts: Path, out: Path) -> int:
    """Write the table of a session's frame pairs on the host's clock; return how many there are.

    Parameters
    ----------
    readouts : Path
        The session's file, recorded with the host's clock beside it.
    out : Path
        Table to write, columns as in ``ALIGNED_COLUMNS``; ``n/a`` where a segment had too few
        exchanges of time to say. The error is that of the two clocks against each other; how well
        the host's clock of the day was set, nobody here knows.

    Raises
    ------
    UsageError
        The session was recorded without the host's clock.
    FormatError
        The table or the JSON beside it is wrong.
    """
    path = clock_path(readouts)
    if not path.exists():
        raise UsageError(
            str(readouts), "the host's clock beside it", "missing", path.name,
            "record with --host-clock",
        )  # fmt: skip
    zero_us = _utc_at_zero(path.with_suffix(".json"))
    pairs: dict[int, list[tuple[int, int, int]]] = {}
    exchanges: dict[int, list[Exchange]] = {}
    for number, row in _whole_rows(path):
        where = f"{path} row {number}"
        segment, time_us, arrived_us = (
            _whole(row, column, where) for column in ("segment", "time_us", "arrived_us")
        )
        if row["kind"] == "exchange":
            held_us, sent_us = (_whole(row, column, where) for column in ("held_us", "sent_us"))
            exchange = Exchange(sent_us, time_us, held_us, arrived_us)
            exchanges.setdefault(segment, []).append(exchange)
        elif row["kind"] == "pair":
            sequence = _whole(row, "sequence", where)
            pairs.setdefault(segment, []).append((sequence, time_us, arrived_us))
        else:
            raise FormatError(where, "kind", repr(row["kind"]), "pair or exchange")
    rows: list[dict[str, str | None]] = []
    for segment, found in sorted(pairs.items()):
        rows += _segment_rows(found, exchanges.get(segment, []), zero_us)
    write_table(out, ALIGNED_COLUMNS, rows)
    return len(rows)


def _whole_rows(path: Path) -> Iterator[tuple[int, Row]]:
    """Yield the rows; a last one that a killed recorder left torn is passed over."""
    torn = not read_limited(path).endswith(b"\n")
    before: tuple[int, Row | FormatError] | None = None
    for at in read_rows(path, CLOCK_COLUMNS):
        if before is not None:
            yield _sound(*before)
        before = at
    if before is not None and not torn:
        yield _sound(*before)


def _sound(number: int, row: Row | FormatError) -> tuple[int, Row]:
    if isinstance(row, FormatError):
        raise row
    return number, row


def _segment_rows(
    pairs: list[tuple[int, int, int]], exchanges: list[Exchange], zero_us: int
) -> list[dict[str, str | None]]:
    fit = fit_clock(exchanges)
    table = np.array(pairs, np.int64)
    times: list[tuple[str | None, str | None]] = [(None, None)] * len(pairs)
    if fit is not None:
        host_us, error_us = fit.host_us(table[:, 1])
        times = [
            (str(zero_us + round(host)), str(int(np.ceil(error))))
            for host, error in zip(host_us.tolist(), error_us.tolist(), strict=True)
        ]
    return [
        dict(
            zip(
                ALIGNED_COLUMNS,
                (str(sequence), str(time_us), *time, str(zero_us + arrived_us)),
                strict=True,
            )
        )
        for (sequence, time_us, arrived_us), time in zip(pairs, times, strict=True)
    ]


def _utc_at_zero(path: Path) -> int:
    try:
        value = json.loads(read_limited(path))["utc_us_at_zero"]
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise FormatError(str(path), "the file", f"wrong ({type(error).__name__})") from None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**63:
        raise FormatError(str(path), "utc_us_at_zero", repr(value)[:40], "a whole number")
    return value


def _whole(row: Row, column: str, where: str) -> int:
    text = row[column] or "n/a"
    if not (text.isascii() and text.removeprefix("-").isdigit() and len(text) < 19):
        raise FormatError(where, column, repr(text[:40]), "a whole number")
    return int(text)
