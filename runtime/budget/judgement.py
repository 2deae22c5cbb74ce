"""From inputs and their draws to the host verdict, and to what would decide an undecided one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from runtime.budget.inputs.values import Input
from runtime.budget.price.power import average_power, battery_use
from runtime.budget.verdict.equivalence import equivalence_word
from runtime.budget.verdict.host import Verdict, host_verdict
from runtime.budget.verdict.margin import DEFAULT_MARGIN, Margin

__all__ = ["judge_host", "taken"]

Values = Mapping[str, Any]
_MOST_NAMED = 5
"""More inputs than these nobody measures for one answer."""
_SEARCH_DRAWS = 4096
"""Draws with which the search looks for the widest inputs; its answer is checked with all."""


def taken(values: Values, unit: str) -> Any:
    """Return what the device takes from its host in the unit of a margin.

    Parameters
    ----------
    values : mapping of str to float or float64 (n_draws,)
        Inputs by name.
    unit : str
        ``%/day``, ``min/charge`` or ``mW``.
    """
    average = sum(average_power(values).values())
    if unit == "mW":
        return average / 1e3
    use = battery_use(average, values)
    return use["percent_per_day"] if unit == "%/day" else 60.0 * use["hours_lost"]


def judge_host(
    inputs: Mapping[str, Input],
    typical: Mapping[str, float],
    draws: Values,
    margin: Margin | None,
    host: str,
) -> Verdict:
    """Hold the added draw against a margin.

    Parameters
    ----------
    inputs : mapping of str to Input
    typical, draws : mapping
        The same at their typical values, and drawn.
    margin : Margin or None
        None for the default.
    host : str
        The host's name for the sentence.

    Raises
    ------
    UsageError
        The margin is one that no draw reaches: more minutes than a charge lasts.
    """
    average, average_draws = (sum(average_power(v).values()) for v in (typical, draws))
    n_draws = max((np.size(x) for x in draws.values()), default=1)
    use, use_draws = battery_use(average, typical), battery_use(average_draws, draws)
    spread, spread_draws = (v["host.spread"] * v["host.baseline_power"] for v in (typical, draws))
    in_mw = (margin or DEFAULT_MARGIN).in_mw(
        typical["host.battery_energy"], typical["host.baseline_power"]
    )
    verdict = host_verdict(
        (float(average), np.broadcast_to(average_draws, (n_draws,))),
        (spread, np.broadcast_to(spread_draws, (n_draws,))),
        {key: (use[key], use_draws[key]) for key in use},
        margin,
        in_mw,
        host,
    )
    if verdict.word != "undecided":
        return verdict
    said = _would_decide(inputs, typical, draws, verdict)
    return replace(verdict, sentence=f"{verdict.sentence} {said}", would_decide=said)


def _would_decide(
    inputs: Mapping[str, Input], typical: Values, draws: Values, verdict: Verdict
) -> str:
    """Say which inputs, were they known, would decide it, or that none of a few would."""
    margin, bounds = verdict.margin, verdict.bounds

    def word(values: Values) -> str:
        low, high = np.quantile(taken(values, margin.unit), [0.05, 0.95])
        return equivalence_word(float(low), float(high), margin.value)

    known: dict[str, float] = {}
    named: list[str] = []
    few = {name: x[:_SEARCH_DRAWS] if np.ndim(x) else x for name, x in draws.items()}
    found = "undecided"
    while found == "undecided" and len(named) < _MOST_NAMED:
        name = _widest(lambda v: taken(v, margin.unit), inputs, {**few, **known}, typical)
        if name is None:
            break
        known |= _alike(inputs, name, typical)
        named.append(name)
        found = word({**draws, **known})
    at = f"at a margin above {bounds.high:.3g} {margin.unit} it would be hidden"
    if bounds.low > 0.0:
        at += f", below {bounds.low:.3g} visible"
    if found == "undecided":
        return f"No {_MOST_NAMED} of its inputs would decide it, were they known; {at}."
    words = [name.replace(".", " ").replace("_", " ") for name in named]
    listed, value = words[0], "its typical value"
    if len(words) > 1:
        listed, value = f"{', '.join(words[:-1])} and {words[-1]}", "their typical values"
    return f"Measure {listed}: at {value} it would be {found}; {at}."


def _alike(inputs: Mapping[str, Input], name: str, typical: Values) -> dict[str, float]:
    """Return an input at its typical value, and all that are the same quantity."""
    return {x.name: typical[x.name] for x in inputs.values() if name in (x.name, x.drawn_with)}


def _widest(
    formula: Callable[[Values], Any], inputs: Mapping[str, Input], values: Values, typical: Values
) -> str | None:
    """Return the input that, were it known, would narrow the interval most; None if none does."""

    def width(changed: Values) -> float:
        low, high = np.quantile(formula(changed), [0.05, 0.95])
        return float(high - low)

    free = [x.name for x in inputs.values() if np.ndim(values[x.name]) and not x.drawn_with]
    widths = {name: width({**values, **_alike(inputs, name, typical)}) for name in free}
    best = min(free, key=lambda name: widths[name], default=None)
    return best if best is not None and widths[best] < width(values) else None
