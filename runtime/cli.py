"""Commands of the ground floor: verify, budget. Heavy imports wait inside the commands."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runtime.drain import drain

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
    from runtime.firmware.machine.compile import cores_of
    from runtime.firmware.machine.cores import find_core
    from runtime.verification.verify import verify as run

    for core in cores:
        find_core(core)
    report = run(model, cores or cores_of(compiler), frames, compiler=compiler)
    if as_json:
        click.echo(json.dumps(report.to_json(), indent=1, sort_keys=True))
    else:
        for line in report.lines():
            click.echo(line)
    if not report.ok:
        raise SystemExit(1)


@click.command(
    epilog="Example: palmwatt budget models/dynamic --limits limits.toml --host watch --strict"
)
@click.argument("models", nargs=-1, required=True, type=_FOLDER)
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
    type=click.FloatRange(1.0, 10_000.0),
    help="Distance of the eye from the LED in mm; repeat. Default: 50, 100 and 200.",
)
@_COMPILER
@click.option("--strict", is_flag=True, help="An interval that crosses a limit breaks it.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--junit", type=click.Path(path_type=Path, dir_okay=False), help="JUnit XML file.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Page to write. Default: budget.html in the first model's folder.",
)
def budget(
    models: tuple[Path, ...],
    limits_file: Path | None,
    parts: Path | None,
    eye_mm: tuple[float, ...],
    compiler: str,
    **more: Any,
) -> None:
    """Price models in cycles, bytes and microwatts, and judge them against a host.

    Writes budget.json into each model's folder and one page. Exit code 1: a limit is broken.
    """
    from runtime.budget import Choice, Computation, load_limits, write_budget
    from runtime.budget import budget as price

    answer = _Reporting(**{field.name: more.pop(field.name) for field in fields(_Reporting)})
    limits = load_limits(limits_file) if limits_file else None
    choice = Choice(**{key: name for key, name in more.items() if name is not None})
    computation = Computation(eye_distances_mm=eye_mm) if eye_mm else Computation()
    results = [
        price(
            model,
            choice=choice,
            parts=parts,
            limits=limits,
            compiler=compiler,
            computation=computation,
        )
        for model in models
    ]
    for result, folder in zip(results, models, strict=True):
        write_budget(result, folder)
    _give(results, models[0], answer)
    if not all(r.keeps(answer.strict) for r in results):
        raise SystemExit(1)


@dataclass(frozen=True, slots=True)
class _Reporting:
    """The options of `budget` that say how it answers, and nothing about the price."""

    strict: bool
    as_json: bool
    junit: Path | None
    out: Path | None


def _give(results: Sequence[Budget], first: Path, answer: _Reporting) -> None:
    """Write the page and, where wanted, the checks; print the rest."""
    from runtime.budget import junit_xml, names_apart, write_report
    from runtime.files import write_whole

    page = write_report(results, answer.out or first / "budget.html")
    if answer.junit is not None:
        suites = zip(names_apart(results), (r.checks for r in results), strict=True)
        write_whole(answer.junit, junit_xml(list(suites), answer.strict))
    if answer.as_json:
        click.echo(json.dumps([r.to_json() for r in results], indent=1, sort_keys=True))
        return
    for result in results:
        for line in _summary(result):
            click.echo(line)
    click.echo(f"page: {page}")


def _summary(result: Budget) -> list[str]:
    """Lines for people: verdict, average, light, parts, limits."""
    from runtime.budget import LIGHT_CAUTION

    average, use, light = result.average_uw, result.verdict, result.light
    part, share = result.dominant
    lines = [
        f"{result.model.name} on {result.titles['mcu']} in {result.titles['host']}",
        f"  {use.sentence}",
        f"  average {average.typical:.1f} µW ({average.low:.1f} to {average.high:.1f}), "
        f"{part} {share:.0%} of it; while active {result.while_active_uw.typical:.0f} µW",
        f"  {use.mah_per_day.typical:.3f} mAh and {use.percent_per_day.typical:.3f} % of the "
        f"battery a day",
        f"  light: {_light(light.margin)} from "
        f"{min(g.distance_mm for g in light.glances):g} mm on. {LIGHT_CAUTION}",
        f"  {result.n_unverified} of {len(result.inputs)} inputs are from memory or invented, "
        f"{'the host itself among them; ' if result.host_unverified else ''}the page marks them",
    ]
    lines += [f"  caution: {sentence}" for sentence in result.cautions]
    return lines + [f"  {c.line}" for c in result.checks]


def _light(margin: float) -> str:
    """Say how the light compares with the strictest limit."""
    if margin >= 1.0:
        return f"{margin:.3g} times below the limits for the eye"
    return f"{1.0 / margin:.3g} times what a limit for the eye allows"


commands: tuple[click.Command, ...] = (verify, budget, drain)
