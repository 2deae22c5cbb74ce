"""The page: verdict first, evidence after, no number without an origin."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from runtime.budget.assemble import Budget
from runtime.budget.host import many
from runtime.budget.inputs import Input
from runtime.budget.light import CAUTION, Glance
from runtime.budget.power import FORMULAS, PARTS, STATES
from runtime.budget.uncertainty import Interval
from runtime.errors import UsageError
from runtime.files import write_whole

__all__ = ["render", "write_report"]

MARKS = {
    "measured": ("m", "measured by this program; the hover text says how"),
    "published": ("p", "published: data sheet, paper or standard"),
    "setting": ("s", "a setting that the designer chose"),
    "from memory": ("f", "from memory: not yet looked up in the source named"),
    "invented": ("i", "invented: an assumption to be replaced by your own value"),
    "computed": ("c", "computed from the inputs by the formulas"),
}
_GROUPS = {
    "mcu": "controller", "sensor": "sensor setting", "readout": "sensor readout", "led": "LED",
    "driver": "LED driver", "regulator": "regulator", "sensor_link": "link to the sensor",
    "host_link": "link to the host", "host": "host", "usage": "use", "watching": "watching state",
    "active": "active state",
}  # fmt: skip
"""What the group before the dot of an input's name is called, in the order shown."""
_UNITS = {
    "1": "", "uA": "µA", "uA/MHz": "µA/MHz", "us": "µs", "uW": "µW", "uJ": "µJ",
    "1/h": "per hour", "1/day": "per day",
}  # fmt: skip
"""Units of the parts library as a page writes them, where it writes them otherwise."""
_VIEWING_S = (10.0, 1000.0)
"""Viewing times shown of those screened."""
_N_SENSITIVE, _N_SYMBOLS = 8, 8
_STATES = {
    "crossed": "Crossed: the typical value keeps the limit, a part of its interval does not.",
    "unknown": "Unknown: the model folder does not hold the value, which counts as broken.",
}
_COLOURS = dict(zip(STATES, ("first", "second", "third"), strict=True))


def _mark(kind: str, text: str, origin: str) -> Markup:
    letter, _ = MARKS[kind]
    return Markup('<span class="n" title="{}: {}">{}<sup>{}</sup></span>').format(
        kind, origin, text, letter
    )


def _plain(value: float, digits: int = 3) -> str:
    """Few significant digits, thousands separated, no exponent for what people read."""
    if value == 0:
        return "0"
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.{digits}g}"
    return text.replace("-", "−", 1) if value < 0 else text


def _with_unit(text: str, unit: str) -> str:
    """Put a unit behind a number so that no line ends between them."""
    return f"{text}\u00a0{unit}" if unit else text


def _computed(value: float, unit: str, origin: str) -> Markup:
    return _mark("computed", _with_unit(_plain(value), unit), origin)


def _ranged(
    value: Interval, unit: str, origin: str, kind: str = "computed", digits: int = 3
) -> Markup:
    text = _with_unit(_plain(value.typical, digits), unit)
    if value.low < value.high:
        text += f" ({_plain(value.low, digits)} to {_plain(value.high, digits)})"
    return _mark(kind, text, origin)


def _measured(value: float, unit: str, origin: str) -> Markup:
    return _mark("measured", _with_unit(_plain(value), unit), origin)


def _exact(value: float) -> str:
    """As many digits as a second calculation needs."""
    return f"{value:,.0f}" if value >= 100_000 else f"{value:,.6g}"


def _input(x: Input, words: str | None = None, factor: float = 1.0) -> Markup:
    """Show an input with its range; `words` say its unit in a sentence."""
    text = _exact(factor * x.typical)
    if x.varies:
        text += f" ({_exact(factor * x.low)} to {_exact(factor * x.high)})"
    unit = _UNITS.get(x.unit, x.unit) if words is None else words
    return _mark(x.kind, _with_unit(text, unit), x.source)


def _percent_input(x: Input) -> Markup:
    """An input that is a share of 1, in per cent."""
    return _input(x, "%", 100.0)


def _lasting(hours: float, origin: str) -> Markup:
    """Show a time in the unit that leaves it a number people can picture."""
    value, unit = hours, "h"
    for larger in ("min", "s"):
        if value >= 1.0:
            break
        value, unit = 60.0 * value, larger
    return _computed(value, unit, origin)


def _origin(x: Input) -> str:
    """Say where an input comes from, its kind first where the source alone does not tell."""
    named = x.kind in ("published", "measured") or x.source.startswith(x.kind)
    return x.source if named else f"{x.kind}: {x.source}"


def _runs(runs: Interval) -> Markup:
    """Say a number of runs with its interval."""
    text = many(runs.typical)
    if many(runs.low) != many(runs.high):
        text += f" ({many(runs.low)} to {many(runs.high)})"
    return _mark("computed", text, "two-sample t test, 5 % two-sided, 80 % power, runs a side")


def _share(value: float, low: float, high: float, origin: str) -> Markup:
    return _mark(
        "measured", f"{100 * value:.1f}\u00a0% ({100 * low:.1f} to {100 * high:.1f})", origin
    )


def _accuracies(result: Budget) -> list[dict[str, Any]]:
    """Rows of the accuracy figure."""
    found = result.evaluation
    if found is None:
        return []
    rows = [("this model, fixed point", found.fixed.accuracy, "first")]
    if found.float_model is not None:
        rows.insert(0, ("this model, floating point", found.float_model.accuracy, "first"))
    if found.four_quadrant is not None:
        rows.append(("four-quadrant baseline", found.four_quadrant.accuracy, "third"))
    return [
        {"name": name, "value": x.value, "low": x.low, "high": x.high, "colour": colour}
        for name, x, colour in rows
    ]


def _amount(value: float) -> str:
    """Microwatts of a bar, where the third digit of a small one is of no use."""
    return "under 0.01 µW" if value < 0.01 else f"{value:.3g} µW"


def _power_bars(result: Budget) -> list[dict[str, Any]]:
    """Average power by part, split by state, largest first."""
    totals = {p: sum(result.terms[p, s] for s in STATES) for p in PARTS}
    longest = max(totals.values())
    return [
        {
            "name": p,
            "pieces": [(_COLOURS[s], 100 * result.terms[p, s] / longest) for s in STATES],
            "text": _amount(totals[p]),
        }
        for p in sorted(PARTS, key=lambda p: -totals[p])
        if totals[p] > 0
    ]


def _name(key: str) -> str:
    """Say an input's name in words."""
    group, _, value = key.partition(".")
    return f"{_GROUPS[group]}: {value.replace('_', ' ')}"


def _sensitivity_bars(result: Budget) -> list[dict[str, Any]]:
    """Inputs by the share of variance that they take part in."""
    rows = result.sensitivity[:_N_SENSITIVE]
    longest = max((row.total for row in rows), default=1.0) or 1.0
    return [
        {
            "name": _name(row.name),
            "pieces": [("first", 100 * row.total / longest)],
            "text": f"{100 * row.total:.0f} %",
        }
        for row in rows
    ]


def _groups(result: Budget) -> list[tuple[str, list[Input]]]:
    """Inputs by part, each part under its title."""
    found = []
    for group, words in _GROUPS.items():
        inputs = [x for name, x in result.inputs.items() if name.split(".")[0] == group]
        title = result.titles.get(group)
        found.append((f"{words}: {title}" if title else words, inputs))
    return found


def _glances(result: Budget, seconds: float) -> list[Glance]:
    """Screenings of one viewing time, by distance."""
    return [g for g in result.light.glances if g.seconds == seconds]


def _names(results: Sequence[Budget]) -> list[str]:
    """Names of the models, numbered where one name stands for several."""
    names = [r.model.name for r in results]
    return [f"{name} ({i + 1})" if names.count(name) > 1 else name for i, name in enumerate(names)]


def _view(result: Budget, number: int, name: str) -> dict[str, Any]:
    """Gather what one model's part of the page shows."""
    cited = [x for x in result.inputs.values() if x.kind not in ("invented", "setting")]
    sources = dict.fromkeys(_origin(x) for x in cited)
    symbols = sorted(result.core.by_symbol.items(), key=lambda item: (-item[1], item[0]))
    rest = sum(n for _, n in symbols[_N_SYMBOLS:])
    found = result.evaluation
    events = None if found is None else found.false_events
    assumed = "assumed, not measured yet"
    if found is not None and found.wake_up is not None:
        assumed = "assumed: measured too briefly, or at another setting"
    return {
        "b": result,
        "id": f"m{number}",
        "name": name,
        "power": _power_bars(result),
        "sensitivity": _sensitivity_bars(result),
        "accuracies": _accuracies(result),
        "told": {
            name: "measured" if x.kind == "measured" else assumed
            for name, x in result.inputs.items()
        },
        "states": [
            text for state, text in _STATES.items() if any(c.state == state for c in result.checks)
        ],
        "broken": [c.what for c in result.checks if not c.keeps()],
        "dominant": result.dominant,
        "gestures": result.inputs["usage.gestures"].typical
        * result.inputs["usage.hand_present"].typical
        / 60.0,
        "false_events": None
        if events is None
        else _ranged(events, "an hour", "streams of participants never trained on", "measured"),
        "false_events_counted": "" if found is None else found.false_events_counted,
        "firmware": {
            "on disk": "the C in the model folder",
            "on disk, changed": "the changed C in the model folder",
            "generated": "the generated C",
        }[result.profiles.firmware],
        "classes": [(name, n) for name, n in result.core.by_class.items() if n > 0],
        "symbols": symbols[:_N_SYMBOLS] + ([("all others", rest)] if rest else []),
        "groups": _groups(result),
        "source_numbers": {source: i + 1 for i, source in enumerate(sources)},
        "glances": list(zip(*(_glances(result, time) for time in _VIEWING_S), strict=True)),
        "longest": max(result.light.glances, key=lambda g: (g.seconds, g.blue_radiance_w_m2_sr)),
        "distances": " and ".join(
            f"{mm:g} mm" for mm in dict.fromkeys(g.distance_mm for g in result.light.glances)
        ),
    }


def _side_by_side(results: Sequence[Budget]) -> list[tuple[str, list[Any]]]:
    """Rows of the comparison: what, and one cell a model."""

    def accuracy(r: Budget, quadrants: bool) -> Any:
        found = r.evaluation
        scores = None if found is None else (found.four_quadrant if quadrants else found.fixed)
        if scores is None:
            return "not evaluated"
        x = scores.accuracy
        return _share(x.value, x.low, x.high, "participants never trained on")

    def executed(r: Budget, value: float, unit: str) -> Markup:
        return _measured(value, unit, f"executed on an emulated {r.core.core}")

    rows: dict[str, Any] = {
        "verdict": lambda r: r.verdict.word,
        "controller": lambda r: r.titles["mcu"],
        "average power": lambda r: _ranged(r.average_uw, "µW", "average over the day"),
        "with a hand present": lambda r: _ranged(r.while_active_uw, "µW", "active state all day"),
        "while watching": lambda r: _ranged(r.while_watching_uw, "µW", "watching state all day"),
        "takes most": lambda r: _mark(
            "computed",
            f"{r.dominant[0]}, {100 * r.dominant[1]:.0f} %",
            "largest part / total at typical inputs",
        ),
        "recognised correctly": lambda r: accuracy(r, False),
        "four-quadrant baseline": lambda r: accuracy(r, True),
        "latency of one frame": lambda r: _ranged(r.latency_ms, "ms", "by the formulas"),
        "instructions a frame": lambda r: executed(r, r.core.instructions_per_frame, ""),
        "flash": lambda r: executed(r, r.core.code_bytes + r.core.const_bytes, "bytes"),
        "RAM and stack": lambda r: executed(r, r.core.ram_bytes + r.core.stack_bytes, "bytes"),
    }
    if any(r.checks for r in results):
        rows["limits"] = lambda r: (
            "all kept"
            if r.keeps()
            else f"broken: {', '.join(c.what for c in r.checks if not c.keeps())}"
        )
    return [(what, [cell(r) for r in results]) for what, cell in rows.items()]


def _compared(results: Sequence[Budget]) -> list[dict[str, Any]]:
    """Bars of the models' average power."""
    longest = max(r.average_uw.typical for r in results)
    return [
        {
            "name": name,
            "pieces": [
                (_COLOURS[s], 100 * sum(r.terms[p, s] for p in PARTS) / longest) for s in STATES
            ],
            "text": _amount(r.average_uw.typical),
        }
        for r, name in zip(results, _names(results), strict=True)
    ]


def render(results: Sequence[Budget]) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Raises
    ------
    UsageError
        There is nothing to show.
    """
    if not results:
        raise UsageError("budget page", "models", "none", "at least one")
    names = _names(results)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters.update(plain=_plain)
    environment.globals.update(
        computed=_computed, ranged=_ranged, measured=_measured, of_input=_input, share=_share,
        percent_input=_percent_input, lasting=_lasting, runs=_runs, origin=_origin,
    )  # fmt: skip
    template = resources.files("runtime.budget").joinpath("page.html.j2").read_text("utf-8")
    return (
        environment.from_string(template)
        .render(
            views=[_view(r, i + 1, n) for i, (r, n) in enumerate(zip(results, names, strict=True))],
            compared=_compared(results),
            side_by_side=_side_by_side(results),
            style=Markup(page_style()),  # noqa: S704 - our own file
            marks=MARKS,
            formulas=FORMULAS,
            parts=PARTS,
            caution=CAUTION,
            title=", ".join(names),
        )
        .lstrip()
    )


def page_style() -> str:
    """Return the style of every page that the house writes, to be put between style tags."""
    return resources.files("runtime").joinpath("page.css").read_text("utf-8")


def write_report(results: Sequence[Budget], path: Path) -> Path:
    """Write the page of one model, or of several side by side; return its path."""
    write_whole(path, render(results).encode())
    return path
