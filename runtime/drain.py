"""Commands for battery runs: plan them, judge them. Heavy imports wait inside the commands."""

from __future__ import annotations

import json
from pathlib import Path

import click

from runtime.front.finite_number import FiniteNumber

__all__ = ["drain"]


@click.group(epilog="Example: palmwatt drain judge runs.csv --margin 25mW")
def drain() -> None:
    """Plan and judge battery runs of a host with and without the feature."""


def _spread(text: str, baseline_mw: float | None, where: str) -> float:
    """Read a spread such as 12mW or 4.8% (of the host's draw)."""
    from runtime.errors import UsageError

    number, unit = text.strip(), ""
    for unit in ("mW", "%"):
        if number.endswith(unit):
            number = number.removesuffix(unit)
            break
    else:
        raise UsageError(where, "the spread", repr(text), "a number with mW or %")
    try:
        value = float(number)
    except ValueError:
        raise UsageError(where, "the spread", repr(text), "a number with mW or %") from None
    if unit == "mW":
        return value
    if baseline_mw is None:
        raise UsageError(where, "draw of the host for per cent", None, "--baseline in mW")
    return value / 100.0 * baseline_mw


_BATTERY = click.option(
    "--battery", "battery_wh", type=FiniteNumber(0.0, min_open=True), metavar="WH",
    help="Energy of the host's full battery in Wh; needed unless the margin is in mW.",
)  # fmt: skip
_BASELINE = click.option(
    "--baseline", "baseline_mw", type=FiniteNumber(0.0, min_open=True), metavar="MW",
    help="Draw of the host alone in mW.",
)  # fmt: skip
_MARGIN = click.option(
    "--margin", "margin_text", metavar="AMOUNT",
    help="Added draw that does not matter, such as 0.1%/day, 5min/charge or 25mW. "
    "Default: 0.1%/day.",
)  # fmt: skip


@drain.command(
    epilog="Example: palmwatt drain plan --host phone-a --scenario idle --margin 25mW "
    "--expected 1 --between 12mW --within 17mW --out sheet.csv"
)
@click.option("--host", "hosts", multiple=True, required=True, help="A device; repeat.")
@click.option("--scenario", "scenarios", multiple=True, required=True, help="A use; repeat.")
@_MARGIN
@click.option(
    "--expected", "expected_mw", required=True, type=float, help="Added draw expected, mW."
)
@click.option(
    "--between", required=True,
    help="Deviation between sessions that does not cancel within one, such as 12mW or 2%.",
)  # fmt: skip
@click.option("--within", required=True, help="Deviation between runs of a session, likewise.")
@click.option("--runs", "runs_each", default=3, show_default=True, help="Runs of each a session.")
@_BATTERY
@_BASELINE
@click.option("--seed", default=1, show_default=True, help="Of the drawn order.")
@click.option(
    "--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="Sheet (CSV)."
)
def plan(
    hosts: tuple[str, ...],
    scenarios: tuple[str, ...],
    margin_text: str | None,
    out: Path,
    seed: int,
    **figures: float | str | None,
) -> None:
    """Say how many sessions a verdict takes, and write the sheet to fill in.

    Sessions are counted for 80 % chance that both one-sided tests at 5 % reject. Each session has
    runs with and without in a mirrored order; which comes first is drawn, half and half.
    """
    from runtime.budget.runs.plan import plan_runs, plan_sheet
    from runtime.budget.verdict.margin import DEFAULT_MARGIN, parse_margin
    from runtime.errors import UsageError
    from runtime.files import write_whole

    if out.exists():
        raise UsageError(str(out), "the sheet", "there already", "a new file", "name another")
    margin = DEFAULT_MARGIN if margin_text is None else parse_margin(margin_text)
    baseline = _number(figures["baseline_mw"])
    found = plan_runs(
        hosts, scenarios, margin.in_mw(_number(figures["battery_wh"]), baseline),
        float(figures["expected_mw"] or 0.0),
        (
            _spread(str(figures["between"]), baseline, "--between"),
            _spread(str(figures["within"]), baseline, "--within"),
        ),
        int(figures["runs_each"] or 0),
    )  # fmt: skip
    write_whole(out, plan_sheet(found, seed).encode())
    n_runs = 2 * found.runs_each * found.n_sessions
    default = "" if margin_text else " (the default)"
    click.echo(
        f"margin {margin}{default}: {found.margin_mw:.3g} mW; {found.n_sessions} sessions of "
        f"{2 * found.runs_each} runs for each host and scenario, {n_runs} runs, give "
        f"{found.power:.0%} chance to show {found.expected_mw:g} mW to be hidden"
    )
    click.echo(f"sheet: {out}")


@drain.command(
    epilog="Example: palmwatt drain judge runs.csv --with gesture --without plain --margin 25mW"
)
@click.argument("table", metavar="RUNS.csv", type=click.Path(path_type=Path))
@click.option("--with", "with_it", default="with", show_default=True, help="Condition.")
@click.option("--without", default="without", show_default=True, help="Condition.")
@_MARGIN
@_BATTERY
@_BASELINE
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False),
    help="Page to write. Default: the table's name with .html.",
)  # fmt: skip
def judge(
    table: Path,
    margin_text: str | None,
    battery_wh: float | None,
    baseline_mw: float | None,
    as_json: bool,
    out: Path | None,
    **conditions: str,
) -> None:
    """Judge measured runs against a margin: hidden, visible or undecided.

    Exit code 0: hidden in every scenario; 1: not. Runs are compared by session; the page draws
    every run.
    """
    import numpy as np

    from runtime.budget.runs.comparison import compare_runs
    from runtime.budget.runs.page import comparison_json, comparison_page, comparison_sentence
    from runtime.budget.runs.run_table import read_runs
    from runtime.budget.verdict.margin import DEFAULT_MARGIN, parse_margin
    from runtime.files import write_whole

    margin = DEFAULT_MARGIN if margin_text is None else parse_margin(margin_text)
    runs = read_runs(table)
    with_it, without = conditions["with_it"], conditions["without"]
    alone = [run.mean_mw for run in runs if run.condition == without]
    if baseline_mw is None and alone:
        baseline_mw = float(np.mean(alone))
    found = compare_runs(runs, with_it, without, margin.in_mw(battery_wh, baseline_mw))
    page = out or table.with_suffix(".html")
    write_whole(page, comparison_page(found, margin, table.name).encode())
    if as_json:
        shown = [comparison_json(each) for each in found]
        click.echo(json.dumps({"margin": str(margin), "scenarios": shown}, indent=1))
    else:
        for each in found:
            click.echo(comparison_sentence(each))
        click.echo(f"page: {page}")
    if any(each.word != "hidden" for each in found):
        raise SystemExit(1)


def _number(value: float | str | None) -> float | None:
    return None if value is None else float(value)
