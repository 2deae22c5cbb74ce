"""Traces in tables: CSV with a header, or Parquet where pyarrow is there; a row a sample.

Columns are named in the TOML file beside the table and may come in any order, others among them.
Cells of CSV are parted by commas, decimals by points; every line ends, the last one too. A marker
is high above 0.5.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError
from runtime.files import damaged_parquet, open_parquet
from runtime.trace.reading.bench_file import BenchFile
from runtime.trace.reading.samples import BLOCK, Clock, SampleBlock, Trace

__all__ = ["block_of", "open_table"]

_CURRENT_UA = {"A": 1e6, "mA": 1e3, "uA": 1.0, "nA": 1e-3}
_TIME_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_VOLTAGE_V = {"V": 1.0, "mV": 1e-3}
_MOST_UA, _MOST_V = 1e12, 1e6
_LONGEST_HEADER = 1 << 16


def open_table(path: Path, bench: BenchFile) -> Trace:
    """Open a trace in a table; nothing but its header is read yet.

    Raises
    ------
    FormatError, UsageError
        It cannot be read, a channel has no column, or neither time nor rate is known.
    """
    if bench.time.channel is None and bench.time.rate_hz is None:
        raise FormatError(
            str(path), "time.channel", "missing", "the column of time, or time.rate_hz"
        )
    wanted = _channels(bench)
    parquet = path.suffix.lower() == ".parquet"
    named = [str(n) for n in open_parquet(path).schema_arrow.names] if parquet else _header(path)
    for key, channel in wanted.items():
        if named.count(channel) != 1:
            raise FormatError(
                str(path), f"number of columns named {channel[:40]!r} ({key})",
                named.count(channel), 1,
            )  # fmt: skip
    rows = _parquet_rows if parquet else _csv_rows
    last: list[Clock] = []

    def blocks() -> Iterator[SampleBlock]:
        clock = Clock(str(path), _TIME_S[bench.time.unit])
        last[:] = [clock]
        done = 0
        for columns in rows(path, list(dict.fromkeys(wanted.values()))):
            if bench.time.channel is not None:
                clock.take(_numbers(path, bench.time.channel, columns, done))
            yield block_of(str(path), bench, {k: _numbers(path, k, columns, done) for k in columns})
            done += len(next(iter(columns.values())))

    def rate_hz() -> float:
        if bench.time.rate_hz is not None:
            return bench.time.rate_hz
        return 1.0 / last[0].step_s if last and last[0].step_s > 0.0 else 0.0

    return Trace(path, blocks, rate_hz)


def block_of(where: str, bench: BenchFile, channels: Mapping[str, NDArray[Any]]) -> SampleBlock:
    """Return a block in this house's units from channels in the file's.

    Parameters
    ----------
    channels : mapping of str to array (n,)
        By their names in the file; a marker is high above half of one.

    Raises
    ------
    FormatError
        A current or a voltage is beyond what any bench has: its unit is another.
    """
    voltage = None
    if bench.voltage.channel is not None:
        voltage = _VOLTAGE_V[bench.voltage.unit] * channels[bench.voltage.channel]
    current = _CURRENT_UA[bench.current.unit] * channels[bench.current.channel]
    for key, values, most in (("current uA", current, _MOST_UA), ("voltage V", voltage, _MOST_V)):
        if values is not None and len(values) and not float(np.abs(values).max()) <= most:
            raise FormatError(
                where, key, f"up to {float(np.abs(values).max()):.3g}", f"at most {most:.0e}",
                f"check {key.split()[0]}.unit",
            )  # fmt: skip
    return SampleBlock(
        current - bench.current.offset_ua,
        voltage,
        {phase: channels[name] > 0.5 for phase, name in bench.markers.wired().items()},
    )


def _channels(bench: BenchFile) -> dict[str, str]:
    """Columns to read, by the key that names each."""
    found = {"current.channel": bench.current.channel}
    if bench.time.channel is not None:
        found["time.channel"] = bench.time.channel
    if bench.voltage.channel is not None:
        found["voltage.channel"] = bench.voltage.channel
    return found | {f"markers.{k}": v for k, v in bench.markers.wired().items()}


def _header(path: Path) -> list[str]:
    """Return the names of a CSV's columns; a file that ends within a line was cut off."""
    try:
        with path.open("rb") as file:
            first, second = file.readline(_LONGEST_HEADER), file.readline(_LONGEST_HEADER)
            file.seek(0, 2)
            size = file.tell()
            file.seek(max(0, size - 1))
            ended = file.read(1) == b"\n"
    except OSError as error:
        raise UsageError(str(path), "the file", f"unreadable ({error.strerror})") from None
    if not first.strip():
        raise FormatError(str(path), "the first line", "empty", "the names of the columns")
    if not ended:
        raise FormatError(
            str(path), "the last line", "cut off", "a line break at its end",
            "record again, or end the file with a whole line",
        )  # fmt: skip
    try:
        text = first.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise FormatError(str(path), "the header", "not UTF-8 text") from None
    names = [name.strip().strip('"') for name in text.rstrip("\r\n").split(",")]
    n_cells = second.count(b",") + 1
    if second.strip() and n_cells != len(names):
        raise FormatError(
            f"{path}, row 2", "number of cells", n_cells, len(names),
            "separate cells by commas, and decimals by points",
        )  # fmt: skip
    return names


def _csv_rows(path: Path, names: list[str]) -> Iterator[dict[str, NDArray[Any]]]:
    import pandas

    header = _header(path)
    at = [header.index(name) for name in names]
    try:
        with pandas.read_csv(
            path, header=None, skiprows=1, names=range(len(header)),
            index_col=False, chunksize=BLOCK, engine="c", skipinitialspace=True, encoding="utf-8",
            on_bad_lines="error",
        ) as chunks:  # fmt: skip
            for chunk in chunks:
                yield {name: chunk[i].to_numpy() for name, i in zip(names, at, strict=True)}
    except pandas.errors.EmptyDataError:
        return
    except (ValueError, OverflowError, pandas.errors.ParserError) as error:
        raise FormatError(str(path), "the table", f"damaged ({error})") from None


def _parquet_rows(path: Path, names: list[str]) -> Iterator[dict[str, NDArray[Any]]]:
    file = open_parquet(path)
    batches = file.iter_batches(batch_size=BLOCK, columns=names)
    while True:
        try:
            batch = next(batches, None)
            if batch is None:
                return
            found = {
                name: batch.column(name).to_numpy(zero_copy_only=False)
                for name in names
            }  # fmt: skip
        except Exception as error:  # pyarrow's own tree, and what its decoders raise
            raise damaged_parquet(path, error) from None
        yield found


def _numbers(
    path: Path, name: str, columns: Mapping[str, NDArray[Any]], done: int
) -> NDArray[np.float64]:
    """Return a column as finite numbers, or name the first row that is none."""
    try:
        values = np.asarray(columns[name], dtype=np.float64)
    except (ValueError, TypeError):
        values = np.array([_number(cell) for cell in columns[name]])
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        row = int(bad[0])
        raise FormatError(
            f"{path}, row {done + row + 2}", name, str(columns[name][row])[:40], "a number"
        )
    return values


def _number(cell: object) -> float:
    try:
        return float(cell)  # type: ignore[arg-type]
    except (ValueError, TypeError):
        return float("nan")
