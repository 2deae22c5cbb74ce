"""Results by group: hand, skin, handedness, distance, ambient light; and the worst of them.

A model that is right on average may be wrong for some people. Each group's accuracy stands beside
its interval over participants and the number of people in it; one of too few people says nothing
about others and is never named the worst. A difference is claimed only where a group's interval
lies below that of all the other takes. Many groups are looked at, and no interval is widened for
that: two that do not overlap are rare enough by themselves. Where nothing differs, two to five of a
hundred tables call any group worse (`tests/bench/bench_groups.py`).

Whatever else is noted of people and of takes, sleeves, gloves or sites, gives groups as well, and
nothing here knows such a column by its name: one of words has a group for each word, one of numbers
is cut in three, with a third of the people, or of the takes, in each. A word of too few people is
not named: it stands with all others of its kind. Together they may be many; a figure of several
kinds of people still says nothing of any of them, so they are never enough, however many they are.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.store.dataset import Participant
from runtime.stages.contract.stage import Float64
from trainer.corpus.noted import Column, column_of
from trainer.judge.evaluate import Conditions, Takes, figures

__all__ = [
    "GROUPINGS",
    "MIN_PEOPLE",
    "MUCH_AMBIENT",
    "REST",
    "distance_bands",
    "further_groupings",
    "group_figures",
    "grouping_words",
    "nameable",
    "worst_group",
]

MIN_PEOPLE = 7
"""The least for a group to be named. Of six people who are never right and six who always are, the
95 % intervals (:func:`trainer.judge.intervals.over_participants`) still overlap, 0 to 0.52 and 0.48
to 1; of seven they do not: of fewer, no group differs from as many others, whatever it did. It is
also more than the three or five that statistical offices ask for before a cell of a table is shown
(UNECE/Eurostat, Glossary of Statistical Disclosure Control, 2005, "threshold rule")."""
SHARED = 2
"""People of a word that is a group at all, and not a name or a remark."""
FAR_SHARE, NEAR_SHARE = 1 / 3, 2 / 3
"""Thirds of the takes, where nothing but their light tells how far they were."""
MUCH_AMBIENT = 0.025
"""Of the sensor's range while dark."""
REST = "all others"
THIRDS = ("low", "middle", "high")
ALREADY = ("hand_length_mm", "skin_reflectance", "handedness")
"""Columns of people that :data:`GROUPINGS` has."""
OF_TAKES = "of the take"
"""Behind a column of takes that has the name of another grouping."""


@dataclass(frozen=True, slots=True)
class Band:
    """A group by a number: at least `low` and below `high`; None where it is open."""

    name: str
    low: float | None
    high: float | None

    def holds(self, values: Float64) -> NDArray[np.bool_]:
        """Tell which values are in the band; unknown ones (NaN) are in none."""
        low = -np.inf if self.low is None else self.low
        high = np.inf if self.high is None else self.high
        return (values >= low) & (values < high)


# Hand length: ANSUR II, 2012, has 160 to 218 mm from the 1st to the 99th percentile; cut in three.
# Skin reflectance at the LED's wavelength: 0.15 to 0.68, cut in three.
# Distance: most hands are held at 8 to 30 cm; cut where they are frequent.
# Ambient light: decades of the sensor's range; where people would say dim, indoors, bright.
_HANDS = (Band("small", None, 180.0), Band("middle", 180.0, 200.0), Band("large", 200.0, None))
_SKINS = (Band("dark", None, 0.33), Band("middle", 0.33, 0.5), Band("light", 0.5, None))
_AMBIENTS = (
    Band("little", None, MUCH_AMBIENT / 10),
    Band("some", MUCH_AMBIENT / 10, MUCH_AMBIENT),
    Band("much", MUCH_AMBIENT, None),
)
_DISTANCES = (
    Band("near", None, 120.0),
    Band("middle", 120.0, 170.0),
    Band("far", 170.0, None),
)
_HANDEDNESS = ("right", "left", "ambidextrous")

Rows = Sequence[tuple[dict[str, Any], NDArray[np.bool_]]]
"""Groups of takes: name and bounds of each, and which takes are in it."""

GROUPINGS = {
    "hand_length": ("hand length", "mm"),
    "skin_reflectance": ("skin reflectance at the LED's wavelength", ""),
    "handedness": ("handedness", ""),
    "distance": (
        "distance, told by the light that came back over the skin's reflectance",
        "counts",
    ),
    "ambient": ("ambient light, as a share of the sensor's range", ""),
}
"""Groupings of evaluation.json: in words, and the unit of their bounds."""


_UNITS = ("mm", "cm", "deg", "lx", "years")
"""What a column of the participants table may end in, as its unit."""


def grouping_words(name: str) -> str:
    """Return what a grouping is called on pages: of a column that somebody added, its own name."""
    if name in GROUPINGS:
        return GROUPINGS[name][0]
    words, _, unit = name.rpartition("_")
    if words and unit in _UNITS:
        return f"{words.replace('_', ' ')}, {unit}"
    return name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Distances:
    """Bands of distance, and whether a collector noted it or the returned light gives it."""

    bands: tuple[Band, ...]
    noted: bool


def distance_bands(
    takes: Takes, conditions: Conditions, people: Mapping[str, Participant]
) -> Distances:
    """Choose bands of distance: by what collectors noted, where they did for every recording.

    Elsewhere takes are cut into thirds by the light that came back: the nearer a hand, the more of
    the LED's light returns, and the more its skin reflects; where everybody's reflectance is known
    it is divided out.
    """
    if len(takes.labels) and not np.isnan(conditions.distance_mm).any():
        return Distances(_DISTANCES, noted=True)
    values = _skin_free(takes, conditions, people)
    low, high = (round(float(np.quantile(values, share)), 3) for share in (FAR_SHARE, NEAR_SHARE))
    bands = (Band("far", None, low), Band("middle", low, high), Band("near", high, None))
    return Distances(bands, noted=False)


def _skin_free(takes: Takes, conditions: Conditions, people: Mapping[str, Participant]) -> Float64:
    skins = _numbers(takes, people, "skin_reflectance")
    return conditions.returned if np.isnan(skins).any() else conditions.returned / skins


def _numbers(takes: Takes, people: Mapping[str, Participant], field: str) -> Float64:
    known = {name: getattr(person, field) for name, person in people.items()}
    values = [known.get(name) for name in takes.participants]
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)


def group_figures(
    takes: Takes,
    conditions: Conditions,
    people: Mapping[str, Participant],
    distances: Distances,
    further: Mapping[str, Callable[[Takes, Conditions], Rows]] | None = None,
) -> dict[str, list[dict[str, Any]]]:
    """Return the accuracy of each group of takes, by grouping.

    Parameters
    ----------
    takes : Takes
    conditions : Conditions
        Of the same takes.
    people : mapping of str to Participant
        By pseudonym; what is not known of a person leaves them out of that grouping.
    distances : Distances
        As :func:`distance_bands` chooses them.
    further : mapping, optional
        Groupings by further columns, as
        :func:`further_groupings` finds them.

    Returns
    -------
    dict
        A list for each of :data:`GROUPINGS` and of the further ones, with ``name``, bounds ``low``
        and ``high`` where there are any, ``accuracy`` (value, low, high, n_participants, n_takes),
        ``enough_people`` (never of :data:`REST`), ``others`` (accuracy of all other takes of the
        grouping, None where there are none), and ``below_others``: whether the interval lies below
        theirs.
    """
    far = conditions.distance_mm if distances.noted else _skin_free(takes, conditions, people)
    hands = [people[p].handedness if p in people else None for p in takes.participants]
    parts: dict[str, Rows] = {
        "hand_length": _banded(_HANDS, _numbers(takes, people, "hand_length_mm")),
        "skin_reflectance": _banded(_SKINS, _numbers(takes, people, "skin_reflectance")),
        "handedness": [
            ({"name": name}, np.array([hand == name for hand in hands], dtype=bool))
            for name in _HANDEDNESS
        ],
        "distance": _banded(distances.bands, far),
        "ambient": _banded(_AMBIENTS, conditions.ambient),
        **{name: rows(takes, conditions) for name, rows in (further or {}).items()},
    }
    return {
        grouping: _compared(takes, [(row, chosen) for row, chosen in rows if chosen.any()])
        for grouping, rows in parts.items()
    }


def _banded(bands: Sequence[Band], values: Float64) -> Rows:
    return [
        ({"name": band.name, "low": band.low, "high": band.high}, band.holds(values))
        for band in bands
    ]


def _compared(takes: Takes, rows: Rows) -> list[dict[str, Any]]:
    """Add accuracies to the rows of one grouping, each compared with all the other rows."""
    known = np.any([chosen for _, chosen in rows], axis=0) if rows else np.zeros(0, dtype=bool)
    result = []
    for row, chosen in rows:
        accuracy = figures(takes.select(chosen))["accuracy"]
        enough = accuracy["n_participants"] >= MIN_PEOPLE and row["name"] != REST
        others = known & ~chosen
        beside = figures(takes.select(others))["accuracy"] if others.any() else None
        below = enough and beside is not None and accuracy["high"] < beside["low"]
        result.append(
            row
            | {"accuracy": accuracy, "others": beside, "enough_people": enough}
            | {"below_others": bool(below)}
        )
    return result


def worst_group(groups: Mapping[str, Sequence[Mapping[str, Any]]]) -> dict[str, Any] | None:
    """Name the group with the lowest accuracy, of those with enough people.

    Returns
    -------
    dict or None
        Its row, with ``grouping``; None where no grouping has two groups, one of them with enough
        people.
    """
    return min(nameable(groups), key=lambda row: float(row["accuracy"]["value"]), default=None)


def nameable(groups: Mapping[str, Sequence[Mapping[str, Any]]]) -> list[dict[str, Any]]:
    """Return groups of enough people that have others beside them, each with ``grouping``."""
    return [
        dict(row) | {"grouping": grouping}
        for grouping, rows in groups.items()
        if len(rows) > 1
        for row in rows
        if row["enough_people"]
    ]


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
        Words of enough people; where there are none, those of several, as too few of each.
    """

    texts: _Texts
    bands: tuple[Band, ...]
    named: tuple[str, ...]

    def __call__(self, takes: Takes, conditions: Conditions) -> Rows:
        """Return the groups of some takes."""
        texts = self.texts(takes, conditions)
        if self.bands:
            values = np.array([np.nan if text is None else float(text) for text in texts])
            return _banded(self.bands, values)
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
        By name of the column: a callable that groups takes. Of a column of words none of which
        has enough people, those shared by several people are groups of too few, so that nobody
        takes it for told; it is left out where no two people share a word.
    """
    found: dict[str, _Cut] = {}
    for column in columns:
        if column.name in ALREADY:
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
    for least in (MIN_PEOPLE, SHARED):
        named = tuple(sorted(text for text, who in people.items() if len(who) >= least))
        if named:
            break
    if named and len(people) > 1:
        found[name] = _Cut(texts, (), named)
