"""Which point of the front is asked for: ``uw<50``, ``f1>0.97``, or both with ``and`` between.

    wish      = condition { "and" condition }
    condition = quantity comparison number
    quantity  = "uw"
              | "f1" | "accuracy" | "misses"         of gestures
              | "accuracy" | "hz"                    of presence
              | "accuracy" | "hz" | "exact" | "within_one"    of count
              | "error" | "valid" | "hz" | "mm"      of range
              | "error" | "valid" | "hz" | "mrad"    of direction
    comparison = "<" | "<=" | ">" | ">="

Capitals are as good as small letters. Read by this grammar and by nothing else: a wish is no
program.
"""

from __future__ import annotations

import math
import operator
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runtime.errors import UsageError

__all__ = ["GESTURES", "QUANTITIES", "Condition", "Wish", "parse_wish", "pick"]

GESTURES = ("uw", "f1", "accuracy", "misses")
"""Quantities of a front of gestures."""
MAX_LENGTH = 200
QUANTITIES = {
    "uw": "microwatts, median over a day",
    "f1": "event F1, people held out in turn",
    "accuracy": "share of takes (or of frames of places) that are right, held out in turn",
    "misses": "share of arrivals that the watching state misses",
    "exact": "share of frames whose count is right, places held out in turn",
    "within_one": "share of frames whose count is at most one off",
    "error": "root mean square error, sessions held out: of range as a share of it, else mrad",
    "mm": "the same of range, millimetres",
    "mrad": "the same of direction, milliradians",
    "valid": "share of frames whose values are valid",
    "hz": "values a second",
}
SHARES = ("f1", "accuracy", "misses", "exact", "within_one", "valid")
"""Quantities of at most 1: 97 in the place of 0.97 would be found out after the whole search."""
COMPARISONS: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
}
_CONDITION = re.compile(r"\s*([a-z0-9_]+)\s*(<=|>=|<|>)\s*(\d+(?:\.\d*)?|\.\d+)\s*", re.ASCII)
_AND = re.compile(r"\s+and\s+|\s*,\s*", re.ASCII | re.IGNORECASE)
_EXAMPLE = 'such as "uw<50" or "f1>0.97 and uw<80"'


@dataclass(frozen=True, slots=True)
class Condition:
    """One quantity held against a number.

    Parameters
    ----------
    quantity : str
        A key of :data:`QUANTITIES`.
    comparison : str
        A key of :data:`COMPARISONS`.
    number : float
    """

    quantity: str
    comparison: str
    number: float

    def holds(self, values: Mapping[str, float | None]) -> bool:
        """Tell whether a point keeps it; one that does not have the quantity does not."""
        value = values.get(self.quantity)
        return value is not None and COMPARISONS[self.comparison](value, self.number)


@dataclass(frozen=True, slots=True)
class Wish:
    """Conditions that all have to hold.

    Parameters
    ----------
    text : str
        As it was written.
    conditions : tuple of Condition
    """

    text: str
    conditions: tuple[Condition, ...]

    @property
    def bounds_power(self) -> bool:
        """Whether power has a ceiling: then the best score is wanted below it."""
        return any(c.quantity == "uw" and c.comparison[0] == "<" for c in self.conditions)


def parse_wish(text: str, known: Sequence[str] = tuple(QUANTITIES)) -> Wish:
    """Read a wish.

    Parameters
    ----------
    text : str
    known : sequence of str
        Keys of :data:`QUANTITIES` that the task has; all by default.

    Raises
    ------
    UsageError
        It is not one; the message says at which part.
    """
    if len(text) > MAX_LENGTH:
        raise UsageError("--pick", "length", len(text), f"at most {MAX_LENGTH} characters")
    conditions = []
    for part in _AND.split(text.strip()):
        found = _CONDITION.fullmatch(part.lower())
        if found is None:
            raise UsageError("--pick", "condition", repr(part), _EXAMPLE)
        quantity, comparison, number = found.groups()
        if quantity not in known:
            raise UsageError("--pick", "quantity", quantity, f"one of {', '.join(known)}")
        if not math.isfinite(float(number)):
            raise UsageError("--pick", "number", number, "a finite one")
        if quantity in SHARES and float(number) > 1.0:
            do = "97 % is 0.97"
            raise UsageError("--pick", quantity, number, "a share, 0 to 1", do)
        conditions.append(Condition(quantity, comparison, float(number)))
    return Wish(text, tuple(conditions))


def pick(wish: Wish, points: Sequence[Mapping[str, Any]]) -> int:
    """Return which point of a front is wanted.

    Of those that keep every condition, the best score where power has a ceiling, else the
    cheapest.

    Parameters
    ----------
    wish : Wish
    points : sequence of mapping
        Each with ``uw``, ``score``, of which more is better, and what it has of the other
        quantities.

    Raises
    ------
    UsageError
        None keeps them; the message tells what comes nearest.
    """
    kept = [i for i, point in enumerate(points) if all(c.holds(point) for c in wish.conditions)]
    if not kept:
        raise UsageError("--pick", f"points with {wish.text}", 0, "at least 1", _nearest(points))
    if wish.bounds_power:
        return max(kept, key=lambda i: (points[i]["score"], -points[i]["uw"]))
    return min(kept, key=lambda i: (points[i]["uw"], -points[i]["score"]))


def _nearest(points: Sequence[Mapping[str, Any]]) -> str:
    if not points:
        return "nothing is on the front"
    uw = [point["uw"] for point in points]
    score = [point.get("value", point["score"]) for point in points]
    return (
        f"the front reaches from {min(uw):.4g} to {max(uw):.4g} uW "
        f"and from {min(score):.4g} to {max(score):.4g}"
    )
