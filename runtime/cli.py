"""Commands of the ground floor: verify, budget. Heavy imports wait inside the commands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runtime.drain import drain
from runtime.front.finite_number import FiniteNumber
from runtime.trace.command import measure

if TYPE_CHECKING:
    from runtime.budget import Budget

__all__ = ["commands"]

_FOLDER = click.Path(path_type=Path, exists=True, file_okay=False)
_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)
_COMPILER = click.option(
    "--compiler",
    default="zig",
    show_default=True,
    help="Compiler for the cores: zig, or a GCC on the path such as arm-none-eabi-gcc.",
)


@click.command(
    epilog="Example: palmwatt verify models/dynamic --core cortex-m4 --core rv32imc --frames 500"
)
@click.argument("model", type=_FOLDER)
@click.option("--core", "cores", multiple=True, help="Core to execute on; repeat. Default: all.")
@click.option("--frames", default=500, show_default=True, type=click.IntRange(1), help="Frames.")
@_COMPILER
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def verify(model: Path, cores: tuple[str, ...], frames: int, compiler: str, as_json: bool) -> None:
    """Hold integer reference, ONNX, C on this host and C on emulated cores against each other.

    Files that the model makes are made again and compared, others held to fingerprints.json.

    Exit code 0: identical on every frame; 1: not identical; 2: a file is missing or damaged.
    """
    from runtime.firmware.machine.cores import find_core
    from runtime.verification.verify import verify as run

    for core in cores:
        find_core(core)
    report = run(model, cores or _executable(compiler), frames, compiler=compiler)
    if as_json:
        click.echo(json.dumps(report.to_json(), indent=1, sort_keys=True))
    else:
        for line in report.lines():
            click.echo(line)
    if not report.ok:
        raise SystemExit(1)


def _executable(compiler: str) -> tuple[str, ...]:
    """Return the cores that can be executed here; says which cannot, and why."""
    from runtime.firmware.machine.execute import executable_cores

    found, left_out = executable_cores(compiler)
    for line in left_out:
        click.echo(line, err=True)
    return found


@click.command(
    epilog="Example: palmwatt budget models/dynamic --host watch --margin 1%/day "
    "--limits limits.toml --strict --out on-a-watch"
)
@click.argument("models", nargs=-1, type=_FOLDER)
@click.option(
    "--margin", "margin_text", metavar="AMOUNT",
    help="What of the battery does not matter: 0.1%/day, 5min/charge or 2mW. Default: 0.1%/day.",
)  # fmt: skip
@click.option("--limits", "limits_file", type=_FILE, help="Limits to hold the result against.")
@click.option("--host", help="Host device of the parts library.")
@click.option("--mcu", help="Controller of the parts library.")
@click.option("--led", help="LED of the parts library.")
@click.option("--usage", help="Usage profile of the parts library.")
@click.option("--readout", help="Class of sensor readout of the parts library.")
@click.option("--driver", help="LED driver of the parts library.")
@click.option("--regulator", help="Regulator of the parts library.")
@click.option("--sensor-link", help="Link from the sensor of the parts library.")
@click.option("--host-link", help="Link to the host of the parts library.")
@click.option("--parts", type=_FILE, help="Your own parts, laid over the library.")
@click.option(
    "--eye-distance",
    "eye_mm",
    multiple=True,
    type=FiniteNumber(1.0, 10_000.0),
    help="Distance of the eye from the LED in mm; repeat. Default: 50, 100 and 200.",
)
@_COMPILER
@click.option(
    "--compilers", is_flag=True,
    help="Price by every compiler on the path beside it; a what-if, as is another --compiler.",
)  # fmt: skip
@click.option(
    "--cheapest", is_flag=True,
    help="Say which controller, LED driver, regulator and sensor link would draw least; a what-if.",
)  # fmt: skip
@click.option("--strict", is_flag=True, help="An interval that crosses a limit breaks it.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--junit", type=click.Path(path_type=Path, dir_okay=False), help="JUnit XML file.")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), metavar="FOLDER",
    help="Folder for all that is written; the models' own are then not touched.",
)  # fmt: skip
@click.option("--name", help="Name of this scenario, and of its files.")
@click.option(
    "--compare", nargs=2, type=_FILE, metavar="A.json B.json",
    help="In place of models: two budgets, term by term, what changed and why.",
)  # fmt: skip
def budget(
    models: tuple[Path, ...],
    margin_text: str | None,
    limits_file: Path | None,
    eye_mm: tuple[float, ...],
    compare: tuple[Path, Path] | None,
    compilers: bool,
    cheapest: bool,
    **more: Any,
) -> None:
    """Price models in cycles, bytes and microwatts, and judge them against a host.

    Writes budget.json into each model's folder, and one page. With other parts, another compiler,
    or under a name, it is a what-if, which never touches a model's folder: it is written where
    --out says, or under its name into this folder, else only printed. Exit code 1: a limit is
    broken.
    """
    from runtime.budget import (
        Choice,
        Computation,
        load_limits,
        with_cheapest_parts,
        with_other_compilers,
    )
    from runtime.budget import budget as price
    from runtime.budget.page.placed import check_place
    from runtime.budget.price.light import DISTANCES_MM
    from runtime.budget.verdict.margin import parse_margin
    from runtime.errors import UsageError

    answer = _Reporting(**{field.name: more.pop(field.name) for field in fields(_Reporting)})
    if bool(compare) == bool(models):
        got = "both" if models else "neither"
        raise UsageError("budget", "of models and --compare", got, "the one or the other")
    check_place(answer.out, answer.name)
    if compare:
        _compare(compare, answer)
        return
    parts, compiler = more.pop("parts"), more.pop("compiler")
    limits = load_limits(limits_file) if limits_file else None
    chosen = {key: name for key, name in more.items() if name is not None}
    choice = Choice(**chosen)
    asked = bool(parts or answer.name or compilers or cheapest)
    what_if = choice != Choice() or asked or compiler != "zig"
    computation = Computation(
        margin=None if margin_text is None else parse_margin(margin_text),
        scenario=answer.name or "",
        keep_profiles=not (what_if or answer.out),
        eye_distances_mm=eye_mm or DISTANCES_MM,
    )
    cores = () if cheapest else _executable(compiler)
    results = [
        price(
            model,
            choice=choice,
            parts=parts,
            limits=limits,
            cores=cores,
            compiler=compiler,
            computation=computation,
        )
        for model in models
    ]
    if compilers:
        results = [
            with_other_compilers(result, model, parts, computation)
            for result, model in zip(results, models, strict=True)
        ]
    if cheapest:
        results = [
            with_cheapest_parts(result, model, parts, compiler, computation)
            for result, model in zip(results, models, strict=True)
        ]
    _give(results, models, answer, what_if)
    if not all(r.keeps(answer.strict) for r in results):
        raise SystemExit(1)


@dataclass(frozen=True, slots=True)
class _Reporting:
    """The options of `budget` that say how it answers, and nothing about the price."""

    strict: bool
    as_json: bool
    junit: Path | None
    out: Path | None
    name: str | None


def _give(
    results: Sequence[Budget], folders: Sequence[Path], answer: _Reporting, what_if: bool
) -> None:
    """Write files and page where they belong and, where wanted, the checks; print the rest."""
    from runtime.budget import junit_xml, names_apart
    from runtime.budget.page.placed import write_results
    from runtime.files import write_whole

    out, page = answer.out, None
    if out is None and answer.name:
        out = Path()
    if out is not None or not what_if:
        page = write_results(results, folders, out, answer.name or "budget")
    if answer.junit is not None:
        suites = zip(names_apart(results), (r.checks for r in results), strict=True)
        write_whole(answer.junit, junit_xml(list(suites), answer.strict))
    if answer.as_json:
        click.echo(json.dumps([r.to_json() for r in results], indent=1, sort_keys=True))
        return
    for result in results:
        for line in _summary(result):
            click.echo(line)
    click.echo(f"page: {page}" if page else "a what-if, written nowhere: give --out FOLDER")


def _compare(pair: tuple[Path, Path], answer: _Reporting) -> None:
    """Print and write what changed between two budgets, and why."""
    from runtime.budget.explained import explain
    from runtime.budget.page.difference import difference_sentence, write_difference
    from runtime.budget.page.placed import new_folder, refuse_foreign
    from runtime.budget.stored import read_stored

    before, after = (read_stored(path) for path in pair)
    found = explain(before, after)
    path = (answer.out or Path()) / f"{answer.name or 'comparison'}.html"
    refuse_foreign(path)
    new_folder(path.parent)
    page = write_difference(found, path)
    if answer.as_json:
        click.echo(json.dumps(found.to_json(), indent=1, sort_keys=True))
        return
    click.echo(difference_sentence(found))
    for term in found.terms:
        if term.change_uw:
            why = ", ".join(f"{name} {effect:+.3g}" for name, effect in term.because)
            click.echo(f"  {term.part}: {term.change_uw:+.3g} µW ({why})")
    click.echo(f"page: {page}")


def _summary(result: Budget) -> list[str]:
    """Lines for people: verdict, average, light, parts, limits."""
    from runtime.budget import LIGHT_CAUTION
    from runtime.budget.page.marked_numbers import plain
    from runtime.budget.verdict.host import amount

    use, light = result.verdict, result.light
    part, share = result.dominant
    kinds = ", ".join(f"{n} {kind}" for kind, n in sorted(result.kinds.items()))
    title = f"{result.model.name}{f' ({result.scenario})' if result.scenario else ''}"
    lines = [
        f"{title} on {result.titles['mcu']} in {result.titles['host']}",
        f"  {use.sentence}",
        f"  a charge is {amount(use.minutes_lost)} min shorter; "
        f"{amount(use.percent_per_day)} % of the battery and {amount(use.mah_per_day)} mAh a day",
        f"  average {amount(result.average_uw, 4)} µW (median and 90 % interval; "
        f"{plain(result.average_uw.typical)} at typical inputs), {part} {share:.0%} of it; "
        f"while active {amount(result.while_active_uw)} µW",
        f"  light: {_light(light.margin)} from "
        f"{min(g.distance_mm for g in light.glances):g} mm on. {LIGHT_CAUTION}"
        if result.part_uw["LED"].high > 0.0
        else "  light: none, there is no LED",
        f"  of {len(result.inputs)} inputs {kinds}; "
        f"{'the host itself is not all measured; ' if result.host_unverified else ''}"
        "the page marks them",
    ]
    lines += _by_compiler(result) + _by_parts(result)
    lines += [f"  caution: {sentence}" for sentence in result.cautions]
    return lines + [f"  {c.line}" for c in result.checks]


def _by_compiler(result: Budget) -> list[str]:
    """Say by which compiler the price is, and those by others where they were asked for."""
    from runtime.budget.verdict.host import amount

    own = result.own_price
    if not result.other_compilers:
        return [f"  compiled by {result.compiled_by}; --compilers prices others on the path"]
    return [f"  on {result.core.core} by compiler:"] + [
        f"    {p.compiler}: {p.instructions_per_frame:,.0f} instructions "
        f"({p.instructions_per_frame / own.instructions_per_frame - 1:+.1%}) and "
        f"{p.cycles_per_frame[1]:,.0f} cycles a frame, {p.flash_bytes:,} bytes of flash, "
        f"{amount(p.average_uw, 4)} µW"
        for p in (own, *result.other_compilers)
    ]


_CHEAPEST_SHOWN = 6
"""Controllers; all stand in the JSON."""


def _by_parts(result: Budget) -> list[str]:
    """Say which other electronics would draw least, where that was asked for."""
    from runtime.budget.verdict.host import amount

    rows = result.cheapest_parts
    if not rows:
        return []
    head = f"  cheapest electronics at the same light, best of each of {len(rows)} controllers:"
    return [head] + [
        f"    {amount(row.average_uw, 4)} µW: " + ", ".join(
            f"{kind.replace('_', '-')} {name}" for kind, name in row.names.items()
        )
        for row in rows[:_CHEAPEST_SHOWN]
    ]  # fmt: skip


def _light(margin: float) -> str:
    """Say how the light compares with the strictest limit."""
    if margin >= 1.0:
        return f"{margin:.3g} times below the limits for the eye"
    return f"{1.0 / margin:.3g} times what a limit for the eye allows"


commands: tuple[click.Command, ...] = (verify, budget, measure, drain)
