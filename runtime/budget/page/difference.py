"""Two budgets on one page: the headlines beside each other, every term, and why it changed."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from runtime.budget.explained import Explanation, Term
from runtime.budget.inputs.uncertainty import Interval
from runtime.budget.page.marked_numbers import MARKS, mark, plain, ranged
from runtime.budget.page.report import page_style
from runtime.budget.stored import StoredBudget, StoredInput
from runtime.files import write_whole

__all__ = ["difference_page", "difference_sentence", "labels", "write_difference"]

_N_REASONS = 3


def labels(found: Explanation) -> tuple[str, str]:
    """Return what the two are called, told apart where they have one name."""
    first, second = found.before.title, found.after.title
    return (f"{first} (first)", f"{second} (second)") if first == second else (first, second)


def _signed(value: float) -> str:
    """A change with its sign, in three digits."""
    text = plain(abs(value))
    return "0" if text == "0" else ("+" if value > 0.0 else "\u2212") + text


def difference_sentence(found: Explanation) -> str:
    """Return the whole comparison in one sentence: power, battery, verdict."""
    first, second = labels(found)
    before, after = found.before.average_uw.typical, found.after.average_uw.typical
    if not found.causes or found.change_uw == 0.0:
        power = f"{second} takes what {first} takes, {plain(after, 4)} µW at typical inputs"
    else:
        side, largest = "more" if found.change_uw > 0.0 else "less", found.causes[0]
        power = (
            f"{second} takes {plain(abs(found.change_uw))} µW {side} than {first} at typical "
            f"inputs ({plain(after, 4)} against {plain(before, 4)}), most of all by {largest.name} "
            f"({_signed(largest.total_uw)} µW)"
        )
    battery, by = " and ".join(plain(x) for x in found.percent[::-1]), found.by_percent
    battery = f"of the battery a day that is {battery} %"
    if by is not None:
        battery += f", most of all by {by.name} ({_signed(by.effect_percent)} %)"
    words = found.before.host_verdict.word, found.after.host_verdict.word
    verdict = f"both are {words[0]}" if words[0] == words[1] else f"{words[0]} turns {words[1]}"
    return f"{power}; {battery}; {verdict}."


def _stated(x: StoredInput | None) -> Markup:
    """Show an input as its file has it."""
    if x is None:
        return Markup("none")
    text = f"{x.typical:,.6g}"
    if x.low < x.high:
        text += f" ({x.low:,.6g} to {x.high:,.6g})"
    kind = x.kind if x.kind in MARKS else "invented"
    return mark(kind, f"{text} {'' if x.unit == '1' else x.unit}".rstrip(), x.source)


def _headlines(found: Explanation) -> list[tuple[str, list[Any]]]:
    def interval(x: Interval, unit: str) -> Markup:
        return ranged(x, unit, "5th to 95th percentile of the draws")

    def row(x: StoredBudget) -> dict[str, Any]:
        use = x.host_verdict
        return {
            "verdict": use.word,
            "against a margin of": str(use.margin),
            "a charge is shorter by": interval(use.minutes_lost.interval, "min"),
            "of the battery, each day": interval(use.percent_per_day.interval, "%"),
            "average power": interval(x.average_uw.interval, "µW"),
            "at typical inputs": mark("computed", f"{plain(x.average_uw.typical, 4)} µW", "sum"),
            "latency of one frame": interval(x.latency_ms.interval, "ms"),
            "model": x.model,
            **{f"part: {key.replace('_', ' ')}": title for key, title in x.parts.items()},
        }

    first, second = row(found.before), row(found.after)
    rows = [(what, [first.get(what, "none"), second.get(what, "none")]) for what in first]
    return [r for r in rows if not r[0].startswith("part: ") or r[1][0] != r[1][1]]


def _reasons(term: Term) -> str:
    """Say which inputs changed a term, largest first."""
    if not term.because:
        return ""
    shown = [f"{name} {_signed(effect)}" for name, effect in term.because[:_N_REASONS]]
    rest = sum(effect for _, effect in term.because[_N_REASONS:])
    if len(term.because) > _N_REASONS:
        n = len(term.because) - _N_REASONS
        shown.append(f"{n} other{'s' if n > 1 else ''} {_signed(rest)}")
    return ", ".join(shown)


def difference_page(found: Explanation) -> str:
    """Return the page as HTML text, self-contained, the same bytes each time."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters.update(plain=plain, signed=_signed, stated=_stated)
    template = resources.files("runtime.budget.page").joinpath("difference.html.j2")
    return environment.from_string(template.read_text("utf-8")).render(
        style=Markup(page_style()),  # noqa: S704 - our own file
        e=found,
        marks=MARKS,
        labels=labels(found),
        sentence=difference_sentence(found),
        headlines=_headlines(found),
        terms=[(term, _reasons(term)) for term in found.terms],
    )


def write_difference(found: Explanation, path: Path) -> Path:
    """Write the page; return its path."""
    write_whole(path, difference_page(found).encode())
    return path
