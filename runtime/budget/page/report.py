"""The page: verdict first, evidence after, no number without an origin."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from runtime.budget.inputs.evaluation import Figure, OccupancyEvaluation
from runtime.budget.inputs.values import Input
from runtime.budget.page.first_screen import (
    error_words,
    facts,
    headline,
    headline_of_all,
)
from runtime.budget.page.marked_numbers import (
    MARKS,
    computed,
    counted,
    lasting,
    mark,
    of_input,
    origin_of_input,
    percent_input,
    plain,
    ranged,
    sessions_a_side,
    share,
)
from runtime.budget.page.side_by_side import (
    COLOURS,
    amount_text,
    in_use,
    names_apart,
    power_beside,
    side_by_side,
)
from runtime.budget.price.light import CAUTION, CLOSEST_MM, Glance
from runtime.budget.price.power import PARTS, STATES, formulas_of
from runtime.budget.result import Budget
from runtime.budget.verdict.planning import many
from runtime.errors import UsageError
from runtime.files import refresh_fingerprint, write_whole

__all__ = ["budget_page", "page_style", "write_report"]

_GROUPS = {
    "mcu": "controller", "sensor": "sensor setting", "readout": "sensor readout", "led": "LED",
    "driver": "LED driver", "regulator": "regulator", "sensor_link": "link to the sensor",
    "host_link": "link to the host", "host": "host", "usage": "use", "watching": "watching state",
    "active": "active state",
}  # fmt: skip
"""What the group before the dot of an input's name is called, in the order shown."""
_VIEWING_S = (10.0, 1000.0)
"""Viewing times shown of those screened."""
_N_SENSITIVE, _N_SYMBOLS = 8, 8
_STATES = {
    "crossed": "Crossed: the value keeps the limit, a part of its interval does not.",
    "unknown": "Unknown: the model folder does not hold the value, or too little of a group that "
    "the limit is about, which counts as broken.",
}


def _accuracies(result: Budget) -> list[dict[str, Any]]:
    """Rows of the accuracy figure."""
    found = result.evaluation
    if found is not None and found.occupancy is not None:
        return _presences(found.occupancy)
    if found is None or found.fixed is None:
        return []
    rows = [("fixed point, locked people", found.fixed.accuracy, "first")]
    if found.float_model is not None:
        rows.insert(0, ("floating point, locked people", found.float_model.accuracy, "first"))
    if found.four_quadrant is not None:
        rows.append(("four quadrants, locked people", found.four_quadrant.accuracy, "third"))
    in_turn = (
        ("this model, everybody in turn", found.everybody, "first"),
        ("four quadrants, everybody in turn", found.everybody_four_quadrant, "third"),
    )
    rows = [(name, each.accuracy, colour) for name, each, colour in in_turn if each] + rows
    return [_row(*each) for each in rows]


def _presences(found: OccupancyEvaluation) -> list[dict[str, Any]]:
    """Rows of how well presence was told in places never seen."""
    rows = [_row("this model, fixed point", found.fixed.balanced_accuracy, "first")]
    if found.four_quadrant is not None:
        rows.append(_row("four quadrants", found.four_quadrant.balanced_accuracy, "third"))
    return rows


def _row(name: str, x: Figure, colour: str) -> dict[str, Any]:
    return {
        "name": name, "value": x.value, "low": x.low, "high": x.high, "colour": colour,
        "n": x.n_participants,
    }  # fmt: skip


def _power_bars(result: Budget) -> list[dict[str, Any]]:
    """Average power by part, split by state, largest first."""
    totals = {p: sum(result.terms[p, s] for s in STATES) for p in PARTS}
    longest = max(totals.values())
    return [
        {
            "name": p,
            "pieces": [(COLOURS[s], 100 * result.terms[p, s] / longest) for s in STATES],
            "text": amount_text(totals[p]),
        }
        for p in sorted(PARTS, key=lambda p: -totals[p])
        if totals[p] > 0
    ]


def _bars_caption(result: Budget) -> str:
    """Say what the bars add up to, and why that is not the headline."""
    total, median = (plain(x) for x in (result.average_uw.typical, result.average_uw.median))
    return (
        f"Average over the day by part, at typical inputs, where the parts add up to {total} µW "
        f"(the median over all ranges is {median} µW). Computed (c)."
    )


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


def _view(result: Budget, number: int, name: str) -> dict[str, Any]:
    """Gather what one model's part of the page shows."""
    errors = _errors(result)
    return {
        "b": result,
        "id": f"m{number}",
        "name": name,
        "power": _power_bars(result),
        "sensitivity": _sensitivity_bars(result),
        "accuracies": _accuracies(result),
        "errors": errors,
        "headline": headline(result.verdict),
        "facts": facts(result),
        "bars_caption": _bars_caption(result),
        "origin_words": _origin_words(result),
        "states": _states(result),
        "broken": [c.what for c in result.checks if not c.keeps()],
        "dominant": result.dominant,
        "gestures": result.inputs["usage.gestures"].typical
        * result.inputs["usage.hand_present"].typical
        / 60.0,
        "firmware": {
            "on disk": "the C in the model folder",
            "on disk, changed": "the changed C in the model folder",
            "on disk, set otherwise": "the C in the model folder, set otherwise,",
            "generated": "the generated C",
        }[result.profiles.firmware],
        "classes": [(name, n) for name, n in result.core.by_class.items() if n > 0],
        "symbols": _symbols(result),
        "groups": _groups(result),
        "source_numbers": _source_numbers(result),
        **_light(result),
    }


def _origin_words(result: Budget) -> dict[str, str]:
    """Say of every input whether it was measured, and if not, whether it could have been."""
    found = result.evaluation
    assumed = "assumed, not measured yet"
    if found is not None and found.wake_up is not None:
        assumed = "assumed: measured too briefly, or at another setting"
    return {
        name: x.kind if x.kind in ("measured", "counted") else assumed
        for name, x in result.inputs.items()
    }


def _states(result: Budget) -> list[str]:
    """Say in which states limits are, each once."""
    found = {check.state for check in result.checks}
    return [text for state, text in _STATES.items() if state in found]


def _symbols(result: Budget) -> list[tuple[str, int]]:
    """List the largest symbols, and what all others take together."""
    symbols = sorted(result.core.by_symbol.items(), key=lambda item: (-item[1], item[0]))
    rest = sum(n for _, n in symbols[_N_SYMBOLS:])
    return symbols[:_N_SYMBOLS] + ([("all others", rest)] if rest else [])


def _source_numbers(result: Budget) -> dict[str, int]:
    """Number the documents that inputs come from, in the order of the inputs."""
    cited = [x for x in result.inputs.values() if x.kind not in ("invented", "setting")]
    return {x: i + 1 for i, x in enumerate(dict.fromkeys(origin_of_input(x) for x in cited))}


def _light(result: Budget) -> dict[str, Any]:
    """Gather what the page shows of the light that an eye meets."""
    glances = result.light.glances
    return {
        "glances": list(zip(*(_glances(result, time) for time in _VIEWING_S), strict=True)),
        "longest": max(glances, key=lambda g: (g.seconds, g.blue_radiance_w_m2_sr)),
        "distances": " and ".join(
            f"{mm:g} mm" for mm in dict.fromkeys(g.distance_mm for g in glances)
        ),
    }


def _errors(result: Budget) -> list[tuple[str, str]]:
    """Rows of a quantity's root mean square error, with the interval over participants."""
    found = None if result.evaluation is None else result.evaluation.quantity
    if found is None:
        return []
    asked = "locked people" if found.of_people else "locked recordings"
    variants = (
        (f"floating point, {asked}", found.float_model),
        ("this model, fixed point", found.fixed),
        (f"four quadrants, {asked}", found.four_quadrant),
    )
    return [
        (name, error_words(variant.rmse, found.unit))
        for name, variant in variants
        if variant is not None
    ]


def budget_page(results: Sequence[Budget], notes: Sequence[str] = ()) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time.

    Parameters
    ----------
    results : sequence of Budget
        One model, or several side by side.
    notes : sequence of str
        What is to be known of several together; they stand above their table.

    Raises
    ------
    UsageError
        There is nothing to show.
    """
    if not results:
        raise UsageError("budget page", "models", "none", "at least one")
    names = names_apart(results)
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters.update(plain=plain)
    environment.globals.update(
        computed=computed, ranged=ranged, counted=counted, of_input=of_input, share=share,
        percent_input=percent_input, lasting=lasting, sessions=sessions_a_side,
        origin=origin_of_input, computed_text=partial(mark, "computed"), many_of=many,
    )  # fmt: skip
    template = resources.files("runtime.budget.page").joinpath("page.html.j2").read_text("utf-8")
    return (
        environment.from_string(template)
        .render(
            views=[_view(r, i + 1, n) for i, (r, n) in enumerate(zip(results, names, strict=True))],
            compared=power_beside(results),
            emulated=[
                f"{name} ({r.evaluation.kind_words})"
                for r, name in zip(results, names, strict=True)
                if r.evaluation is not None and r.evaluation.emulated
            ],
            side_by_side=side_by_side(results),
            notes=notes,
            in_use=in_use(results),
            headline=headline_of_all(results, names),
            style=Markup(page_style()),  # noqa: S704 - our own file
            marks=MARKS,
            formulas=formulas_of({name for r in results for name in r.inputs}),
            parts=PARTS,
            caution=CAUTION,
            closest_mm=CLOSEST_MM,
            title=", ".join(names),
        )
        .lstrip()
    )


def page_style() -> str:
    """Return the style of every page that the house writes, to be put between style tags."""
    return resources.files("runtime").joinpath("page.css").read_text("utf-8")


def write_report(results: Sequence[Budget], path: Path, notes: Sequence[str] = ()) -> Path:
    """Write the page of one model, or of several side by side; return its path."""
    write_whole(path, budget_page(results, notes).encode())
    refresh_fingerprint(path)
    return path
