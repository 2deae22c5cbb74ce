"""What is read first: the verdict in a line, and the figures that a decision hangs on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from runtime.budget.inputs.evaluation import ErrorFigure, Evaluation, Figure
from runtime.budget.page.marked_numbers import mark, plain, ranged, share
from runtime.budget.result import Budget
from runtime.budget.verdict.host import Verdict

__all__ = ["error_words", "facts", "headline", "headline_of_all", "recognised"]

_LESS = {"hidden": "less", "visible": "more", "undecided": "perhaps less, perhaps more"}
_MARGIN = {
    "%/day": "It takes {less} than {value:g} % of the battery a day.",
    "min/charge": "A charge lasts {less} than {value:g} min shorter.",
    "mW": "It draws {less} than {value:g} mW.",
}


def headline(verdict: Verdict) -> str:
    """Return what the word means, with the margin in it."""
    text = _MARGIN[verdict.margin.unit]
    return text.format(less=_LESS[verdict.word], value=verdict.margin.value)


def headline_of_all(results: Sequence[Budget], names: Sequence[str]) -> str:
    """Return the verdicts of several models in one line."""
    words = [r.verdict.word for r in results]
    margins = {r.verdict.margin for r in results}
    if len(set(words)) > 1 or len(margins) > 1:
        return "; ".join(f"{name} {word}" for name, word in zip(names, words, strict=True)) + "."
    each = "Both" if len(words) == 2 else "All"
    text = headline(results[0].verdict).replace("It ", "each ").replace("A charge", "a charge")
    return f"{each} {words[0]}: {text}"


def _figure(x: Figure, origin: str) -> Markup:
    return share(x.value, x.low, x.high, origin)


def _people(x: Figure | ErrorFigure) -> str:
    n = x.n_participants
    return "" if n is None else f", {n} {'person' if n == 1 else 'people'}"


def error_words(error: ErrorFigure, unit: str) -> str:
    """Return an error in words; a bound that one person alone leaves open is a question mark.

    Of a rig's lights there is no interval over people.
    """
    if error.n_participants is None and error.low is None and error.high is None:
        return f"{error.value:.3g} {unit}"
    low, high = ("?" if end is None else f"{end:.3g}" for end in (error.low, error.high))
    return f"{error.value:.3g} {unit} ({low} to {high})"


def recognised(found: Evaluation | None) -> list[tuple[str, Markup | str]]:
    """Return how well it was recognised: everybody in turn first, then the locked people alone."""
    if found is None:
        return []
    if found.quantity is not None:
        error = found.quantity.fixed.rmse
        on, name = "participants never trained on", "locked ones alone"
        if not found.quantity.of_people:
            on, name = "locked recordings of a rig", found.quantity.name.replace("_", " ")
        words = mark("counted", error_words(error, found.quantity.unit), on)
        return [(f"{name}{_people(error)}", words)]
    if found.occupancy is not None:
        told = found.occupancy.fixed.balanced_accuracy
        return [("places never seen", _figure(told, "balanced over frames with and without"))]
    rows: list[tuple[str, Markup | str]] = []
    if found.everybody is not None:
        x = found.everybody.accuracy
        rows.append(
            (f"everybody in turn{_people(x)}", _figure(x, "each asked by a model without them"))
        )
    if found.fixed is not None:
        x = found.fixed.accuracy
        rows.append(
            (
                f"locked ones alone{_people(x)}",
                _figure(x, "the finished model on people it never saw"),
            )
        )
    return rows


def false_events(found: Evaluation | None) -> tuple[Markup | str, str]:
    """Return the rate with its bound, and what was counted in how much time."""
    events = None if found is None else found.false_events
    if found is None or events is None:
        return "not counted", ""
    text = f"{plain(events.median)} an hour, at most {plain(events.high)}"
    origin = "streams of participants never trained on; one-sided 95 % bound"
    return mark("counted", text, origin), found.false_events_counted


def origins(result: Budget) -> tuple[Markup | str, str]:
    """Return how many inputs are measured, and where the others come from."""
    kinds = result.kinds
    n, measured = len(result.inputs), kinds.get("measured", 0)
    order = ("counted", "published", "setting", "from memory", "invented")
    others = ", ".join(f"{kinds[kind]} {kind}" for kind in order if kind in kinds)
    return f"{measured} of {n} measured", others


def _charge(result: Budget) -> str:
    """Say how long a charge lasts, at typical values, as the measure of what it loses."""
    x = result.inputs
    hours = 1e3 * x["host.battery_energy"].typical / x["host.baseline_power"].typical
    return f"of a charge that lasts {plain(hours)} h"


def facts(result: Budget) -> list[tuple[str, Any, str | Markup]]:
    """Return the figures of the first screen: name, figure, and what stands below it in small."""
    use, found = result.verdict, result.evaluation
    rows: list[tuple[str, Any, str | Markup]] = [
        (
            "a charge is shorter by",
            ranged(use.minutes_lost, "min", "battery energy / baseline, with and without it"),
            _charge(result),
        ),
        (
            "of the battery, each day",
            ranged(use.percent_per_day, "%", "average power x 24 h / battery energy"),
            f"margin: {use.margin_words}",
        ),
        (
            "average power over a day",
            ranged(
                result.average_uw, "µW",
                "sum of all parts over the day; median and 5th to 95th percentile of "
                f"{result.n_draws} draws, seed {result.seed}",
            ),
            f"{plain(result.average_uw.typical)} µW at typical inputs; C by {result.compiled_by}",
        ),
    ]  # fmt: skip
    people = recognised(found)
    what = "root mean square error" if found and found.quantity else "recognised correctly"
    what = "presence told right" if found and found.occupancy else what
    if found is not None and found.emulated:
        plainly = found.kind_words.startswith("an emulated sensor")
        what += ", emulated sensor" if plainly else f", {found.kind_words}"
    if people:
        below = [Markup("{}").format(people[0][0])]
        below += [Markup("{}: {}").format(name, figure) for name, figure in people[1:]]
        rows.append((what, people[0][1], Markup("; ").join(below)))
    else:
        rows.append((what, "not evaluated", ""))
    rate, counted = false_events(found)
    rows.append(("false events", rate, counted))
    figure, others = origins(result)
    rows.append(("inputs of this budget", figure, others))
    return rows
