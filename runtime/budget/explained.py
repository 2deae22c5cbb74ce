"""Two budgets, term by term: what changed, and which of the inputs made it change.

Each input that differs is moved from its value in the first budget to that in the second, one after
the other, and what every move does to every part is noted. Where inputs work together (a current at
a voltage) the order matters: the mean of the order of the names and of its reverse is told, which
for two inputs is the Shapley value. In either order the moves add up to the whole difference, and
so does their mean. (Shapley, A value for n-person games, 1953.)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runtime.budget.price.power import PARTS, STATES, average_power, battery_use
from runtime.budget.stored import StoredBudget, StoredInput

__all__ = ["Cause", "Explanation", "Term", "explain"]


@dataclass(frozen=True, slots=True)
class Cause:
    """One input that differs, and what that alone changes.

    Parameters
    ----------
    name : str
    before, after : StoredInput or None
        None where a budget does not have it.
    effect_uw : dict of str to float
        By part; their sum is the effect on the total.
    effect_percent : float
        On the per cent of the battery that a day takes, to which the host's battery counts too.
    """

    name: str
    before: StoredInput | None
    after: StoredInput | None
    effect_uw: dict[str, float]
    effect_percent: float = 0.0

    @property
    def total_uw(self) -> float:
        """Effect on the average power."""
        return sum(self.effect_uw.values())


@dataclass(frozen=True, slots=True)
class Term:
    """One part of the sum in both budgets, at typical inputs, and what made it differ."""

    part: str
    before_uw: float
    after_uw: float
    because: tuple[tuple[str, float], ...]

    @property
    def change_uw(self) -> float:
        """After less before."""
        return self.after_uw - self.before_uw


@dataclass(frozen=True, slots=True)
class Explanation:
    """Two budgets compared.

    Parameters
    ----------
    before, after : StoredBudget
    terms : tuple of Term
        Largest change first.
    causes : tuple of Cause
        Inputs whose typical value differs, largest effect first.
    restated : tuple of Cause
        Inputs that differ in range or origin alone; they move intervals, not the typical value.
    percent : tuple of float
        Of the battery a day, before and after, at typical inputs.
    """

    before: StoredBudget
    after: StoredBudget
    terms: tuple[Term, ...]
    causes: tuple[Cause, ...]
    restated: tuple[Cause, ...]
    percent: tuple[float, float]

    @property
    def by_percent(self) -> Cause | None:
        """What moves the per cent of the battery most; None where nothing does."""
        best = max(self.causes, key=lambda c: abs(c.effect_percent), default=None)
        return best if best is not None and best.effect_percent else None

    @property
    def change_uw(self) -> float:
        """Difference of the averages at typical inputs."""
        return self.after.average_uw.typical - self.before.average_uw.typical

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values."""

        def stated(x: StoredInput | None) -> dict[str, Any] | None:
            return None if x is None else x.model_dump()

        def listed(causes: Sequence[Cause]) -> list[dict[str, Any]]:
            return [
                {
                    "input": c.name,
                    "before": stated(c.before),
                    "after": stated(c.after),
                    "effect_uw": c.total_uw,
                    "effect_percent_per_day": c.effect_percent,
                    "effect_uw_by_part": {p: x for p, x in c.effect_uw.items() if x},
                }
                for c in causes
            ]

        both = (("before", self.before), ("after", self.after))
        return {
            **{
                key: {
                    "title": x.title,
                    "model": x.model,
                    "model_hash": x.model_hash,
                    "average_uw": x.average_uw.interval.to_json(),
                    "verdict": x.host_verdict.word,
                    "margin": str(x.host_verdict.margin),
                }
                for key, x in both
            },
            "change_uw_at_typical_inputs": self.change_uw,
            "percent_per_day_at_typical_inputs": list(self.percent),
            "terms": [
                {
                    "part": t.part,
                    "before_uw": t.before_uw,
                    "after_uw": t.after_uw,
                    "change_uw": t.change_uw,
                    "because": dict(t.because),
                }
                for t in self.terms
            ],
            "inputs_changed": listed(self.causes),
            "inputs_restated": listed(self.restated),
        }


_PERCENT = "% of the battery a day"


def _moved(values: Mapping[str, float]) -> dict[str, float]:
    """Return what is explained: each part in uW, and the per cent of the battery a day."""
    power = average_power(values)
    found = {p: float(sum(power[p, s] for s in STATES)) for p in PARTS}
    found[_PERCENT] = float(battery_use(sum(power.values()), values)["percent_per_day"])
    return found


def explain(before: StoredBudget, after: StoredBudget) -> Explanation:
    """Explain the difference of two budgets at typical inputs, part by part and input by input.

    Notes
    -----
    An input that only one budget has counts as having the same value in the other.
    """
    first = {**after.values, **before.values}
    last = {**before.values, **after.values}
    changed = sorted(name for name in first if first[name] != last[name])
    start, end = _moved(first), _moved(last)
    effects = {name: dict.fromkeys(start, 0.0) for name in changed}
    for order in (changed, changed[::-1]):
        values = dict(first)
        now = start
        for name in order:
            values[name] = last[name]
            then = _moved(values)
            for what in start:
                effects[name][what] += 0.5 * (then[what] - now[what])
            now = then
    causes = [
        Cause(
            name,
            before.inputs.get(name),
            after.inputs.get(name),
            {part: effects[name][part] for part in PARTS},
            effects[name][_PERCENT],
        )
        for name in changed
    ]
    restated = [
        Cause(name, before.inputs.get(name), after.inputs.get(name), {})
        for name in sorted(first)
        if name not in effects and before.inputs.get(name) != after.inputs.get(name)
    ]
    terms = [
        Term(part, start[part], end[part], _because(effects, part))
        for part in PARTS
        if start[part] or end[part]
    ]
    return Explanation(
        before,
        after,
        tuple(sorted(terms, key=lambda t: -abs(t.change_uw))),
        tuple(sorted(causes, key=lambda c: (-abs(c.total_uw), -abs(c.effect_percent), c.name))),
        tuple(restated),
        (start[_PERCENT], end[_PERCENT]),
    )


def _because(
    effects: Mapping[str, Mapping[str, float]], part: str
) -> tuple[tuple[str, float], ...]:
    found = [(name, by_part[part]) for name, by_part in effects.items() if by_part[part] != 0.0]
    return tuple(sorted(found, key=lambda row: (-abs(row[1]), row[0])))
