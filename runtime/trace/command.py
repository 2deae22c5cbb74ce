"""The command `palmwatt measure`. Heavy imports wait inside it."""

from __future__ import annotations

import json
from pathlib import Path

import click

__all__ = ["measure"]

_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(epilog="Example: palmwatt measure bench/run.csv --budget models/dynamic/budget.json")
@click.argument("trace", metavar="TRACE", type=click.Path(path_type=Path))
@click.option(
    "--bench",
    "bench_path",
    type=_FILE,
    help="What was on the bench. Default: TRACE's name with .toml.",
)
@click.option("--budget", "budget_path", type=_FILE, help="A budget.json to hold it against.")
@click.option("--out", type=_FILE, help="Page to write. Default: TRACE's name with .html.")
@click.option(
    "--parts-out", type=_FILE,
    help="Parts file to write, with --budget. Default: TRACE's name with .parts.toml.",
)  # fmt: skip
@click.option("--seed", default=1, show_default=True, help="Of the draws for the intervals.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def measure(
    trace: Path,
    bench_path: Path | None,
    budget_path: Path | None,
    out: Path | None,
    parts_out: Path | None,
    seed: int,
    as_json: bool,
) -> None:
    """Measure a device on a bench: the charge of each phase of a frame, from a current trace.

    TRACE is CSV with a header, Parquet or a sigrok session (.sr); a TOML file beside it says what
    was on the bench. Writes a page and, held against a budget, a parts file of the measured
    values, which palmwatt budget --parts takes.
    """
    import numpy as np

    from runtime.errors import UsageError
    from runtime.files import write_whole
    from runtime.trace.measurement import Expected, measure_trace, open_trace
    from runtime.trace.page import measurement_json, measurement_lines, measurement_page
    from runtime.trace.parts_file import measured_parts, parts_text
    from runtime.trace.predicted import read_prediction
    from runtime.trace.reading.bench_file import read_bench_file

    if parts_out is not None and budget_path is None:
        raise UsageError("--parts-out", "the budget", "missing", "--budget FILE")
    bench = read_bench_file(bench_path or trace.with_suffix(".toml"))
    predicted = None if budget_path is None else read_prediction(budget_path, bench.state)
    expected = Expected(
        bench.led_pulse_us or (predicted.pulse_us if predicted else None),
        bench.frame_period_ms / 1e3
        if bench.frame_period_ms is not None
        else (predicted.period_us / 1e6 if predicted else None),
    )
    found = measure_trace(open_trace(trace, bench), bench, expected, np.random.default_rng(seed))
    parts = None if predicted is None else measured_parts(found, predicted)
    page = out or trace.with_suffix(".html")
    write_whole(page, measurement_page(found, predicted, parts).encode())
    written = [f"page: {page}"]
    if parts is not None:
        path = parts_out or trace.with_suffix(".parts.toml")
        write_whole(path, parts_text(found, parts).encode())
        written.append(f"parts: {path}")
    if as_json:
        click.echo(json.dumps(measurement_json(found, predicted, parts), indent=1, sort_keys=True))
        return
    for line in (*measurement_lines(found, predicted), *written):
        click.echo(line)
