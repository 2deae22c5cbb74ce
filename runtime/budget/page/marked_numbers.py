"""Numbers as the page shows them: each with a mark, and its origin where one hovers over it."""

from __future__ import annotations

from markupsafe import Markup

from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.inputs.values import Input
from runtime.budget.verdict.planning import many

__all__ = [
    "MARKS",
    "computed",
    "counted",
    "lasting",
    "mark",
    "of_input",
    "origin_of_input",
    "percent_input",
    "plain",
    "ranged",
    "sessions_a_side",
    "share",
]

MARKS = {
    "measured": ("m", "measured on a bench; hover says with what"),
    "counted": ("n", "counted by this program: executed on an emulated core, or over recordings"),
    "published": ("p", "published: data sheet, paper or standard"),
    "setting": ("s", "a setting that the designer chose"),
    "from memory": ("f", "from memory: not yet looked up in the source named"),
    "invented": ("i", "invented: an assumption to be replaced by your own value"),
    "computed": ("c", "computed from the inputs by the formulas"),
}
_UNITS = {
    "1": "", "uA": "µA", "uA/MHz": "µA/MHz", "us": "µs", "uW": "µW", "uJ": "µJ",
    "1/h": "per hour", "1/day": "per day", "degC": "°C",
}  # fmt: skip
"""Units of the parts library as a page writes them, where it writes them otherwise."""


def mark(kind: str, text: str, origin: str) -> Markup:
    """Put the letter of a kind behind a text, and kind and origin where one hovers over it."""
    letter, _ = MARKS[kind]
    return Markup('<span class="n" title="{}: {}">{}<sup>{}</sup></span>').format(
        kind, origin, text, letter
    )


def plain(value: float, digits: int = 3) -> str:
    """Few significant digits, thousands separated, no exponent for what people read."""
    if value == 0:
        return "0"
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.{digits}g}"
    return text.replace("-", "−", 1) if value < 0 else text


def _with_unit(text: str, unit: str) -> str:
    """Put a unit behind a number so that no line ends between them."""
    return f"{text}\u00a0{unit}" if unit else text


def computed(value: float, unit: str, origin: str) -> Markup:
    """Show a number that follows from the inputs."""
    return mark("computed", _with_unit(plain(value), unit), origin)


def ranged(
    value: Interval, unit: str, origin: str, kind: str = "computed", digits: int = 3
) -> Markup:
    """Show a median (of what was counted: the value) with its interval, where it has one."""
    text = _with_unit(plain(value.median, digits), unit)
    if value.low < value.high:
        text += f" ({plain(value.low, digits)} to {plain(value.high, digits)})"
    return mark(kind, text, origin)


def counted(value: float, unit: str, origin: str) -> Markup:
    """Show a number that was executed or counted."""
    return mark("counted", _with_unit(plain(value), unit), origin)


def _exact(value: float) -> str:
    """As many digits as a second calculation needs."""
    return f"{value:,.0f}" if value >= 100_000 else f"{value:,.6g}"


def of_input(x: Input, words: str | None = None, factor: float = 1.0) -> Markup:
    """Show an input and its range, every digit; few where `words` say its unit in a sentence."""
    written = _exact if words is None else plain
    text = written(factor * x.typical)
    if x.varies:
        text += f" ({written(factor * x.low)} to {written(factor * x.high)})"
    unit = _UNITS.get(x.unit, x.unit) if words is None else words
    return mark(x.kind, _with_unit(text, unit), x.source)


def percent_input(x: Input) -> Markup:
    """An input that is a share of 1, in per cent."""
    return of_input(x, "%", 100.0)


def lasting(hours: float, origin: str) -> Markup:
    """Show a time in the unit that leaves it a number people can picture."""
    value, unit = hours, "h"
    for larger in ("min", "s"):
        if value >= 1.0:
            break
        value, unit = 60.0 * value, larger
    return computed(value, unit, origin)


def origin_of_input(x: Input) -> str:
    """Say where an input comes from, its kind first where the source alone does not tell."""
    named = x.kind in ("published", "measured", "counted") or x.source.startswith(x.kind)
    return x.source if named else f"{x.kind}: {x.source}"


def sessions_a_side(sessions: Interval) -> Markup:
    """Say a number of sessions with its interval."""
    text = many(sessions.median)
    if many(sessions.low) != many(sessions.high):
        text += f" ({many(sessions.low)} to {many(sessions.high)})"
    return mark("computed", text, "two-sample t test, 5 % two-sided, 80 % power, sessions a side")


def share(value: float, low: float, high: float, origin: str) -> Markup:
    """Show a counted share in per cent with its interval."""
    return mark(
        "counted", f"{100 * value:.1f}\u00a0% ({100 * low:.1f} to {100 * high:.1f})", origin
    )
