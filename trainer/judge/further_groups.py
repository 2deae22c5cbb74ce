"""Groups by whatever else is noted of people and of takes: sleeves, gloves, sites, anything.

Nothing here knows a column by its name. Columns come from ``participants.tsv`` and from the tables
of labels. One of words has a group for each word; one of numbers is cut in three, with a third of
the people, or of the takes, in each. A word of too few people is not named: it stands with all
others of its kind.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from capture.store.dataset import Participant
from runtime.stages.contract.stage import Float64
from trainer.corpus.noted import Column, column_of
from trainer.judge.evaluate import Conditions, Takes
from trainer.judge.groups import GROUPINGS, MIN_PEOPLE, Band, Rows

__all__ = ["REST", "further_groupings"]

REST = "all others"
THIRDS = ("low", "middle", "high")
OF_TAKES = "of the take"
"""Behind a column of takes that has the name of another grouping."""

_Texts = Callable[[Takes, Conditions], list[str | None]]


@dataclass(frozen=True, slots=True)
class _Cut:
    """A column, and how it is cut.

    Parameters
    ----------
    texts : callable
        What the column says of each take.
    bands : tuple of Band
        Empty where it is of words.
    named : tuple of str
        Words of enough people.
    """

    texts: _Texts
    bands: tuple[Band, ...]
    named: tuple[str, ...]

    def __call__(self, takes: Takes, conditions: Conditions) -> Rows:
        """Return the groups of some takes."""
        texts = self.texts(takes, conditions)
        if self.bands:
            values = np.array([np.nan if text is None else float(text) for text in texts])
            return [
                ({"name": band.name, "low": band.low, "high": band.high}, band.holds(values))
                for band in self.bands
            ]
        rows = [({"name": word}, _are(texts, {word})) for word in self.named]
        rare = {text for text in texts if text is not None} - set(self.named)
        return [*rows, ({"name": REST}, _are(texts, rare))]


def _are(texts: Sequence[str | None], words: set[str]) -> NDArray[np.bool_]:
    return np.array([text in words for text in texts], dtype=bool)


def further_groupings(
    takes: Takes, conditions: Conditions, columns: Sequence[Column]
) -> dict[str, Callable[[Takes, Conditions], Rows]]:
    """Find the groupings that columns give, cut by all takes.

    Parameters
    ----------
    takes, conditions : Takes, Conditions
        Of everybody who is examined, so that all sides are cut alike.
    columns : sequence of Column
        Of people; those that are grouped by already are passed over.

    Returns
    -------
    dict
        By name of the column: a callable that groups takes. A column of words is left out where
        none of them has enough people.
    """
    already = {field.name for field in fields(Participant)} & set(GROUPINGS)
    found: dict[str, _Cut] = {}
    for column in columns:
        if column.name in already:
            continue
        given = _of_people(column.words)
        amounts = None if column.numbers is None else _of_everybody(column.numbers, takes)
        _add(found, column.name, given, amounts, (takes, conditions))
    for name in sorted({name for noted in conditions.noted for name in noted}):
        given = _of_takes(name)
        texts = {str(i): t for i, t in enumerate(given(takes, conditions)) if t is not None}
        of_takes = column_of(name, texts)
        if of_takes is None:
            continue
        numbers = of_takes.numbers
        amounts = None if numbers is None else np.array(list(numbers.values()))
        taken = name in found or name in GROUPINGS
        key = f"{name} {OF_TAKES}" if taken else name
        _add(found, key, given, amounts, (takes, conditions))
    return dict(found)


def _of_people(words: Mapping[str, str]) -> _Texts:
    return lambda takes, _: [words.get(person) for person in takes.participants]


def _of_takes(name: str) -> _Texts:
    return lambda _, conditions: [noted.get(name) for noted in conditions.noted]


def _of_everybody(numbers: Mapping[str, float], takes: Takes) -> Float64:
    people = sorted(set(takes.participants))
    return np.array([numbers[person] for person in people if person in numbers])


def _add(
    found: dict[str, _Cut],
    name: str,
    texts: _Texts,
    amounts: Float64 | None,
    everybody: tuple[Takes, Conditions],
) -> None:
    if amounts is not None and len(amounts):
        low, high = (round(float(np.quantile(amounts, share)), 3) for share in (1 / 3, 2 / 3))
        if low < high:
            bounds = (None, low, high, None)
            bands = tuple(
                Band(third, *ends) for third, ends in zip(THIRDS, pairwise(bounds), strict=True)
            )
            found[name] = _Cut(texts, bands, ())
            return
    people: dict[str, set[str]] = {}
    takes = everybody[0]
    for person, text in zip(takes.participants, texts(*everybody), strict=True):
        if text is not None:
            people.setdefault(text, set()).add(person)
    named = tuple(sorted(text for text, who in people.items() if len(who) >= MIN_PEOPLE))
    if named and len(people) > 1:
        found[name] = _Cut(texts, (), named)
