"""Agreement of all labellers over all sessions of a data set, together and per class."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.agree.boundaries import (
    Boundaries,
    Spans,
    boundaries_of,
    set_by_hand,
    spans_between,
)
from capture.agree.coefficients import Counts, Estimate, cohen, fleiss
from capture.agree.tables import FIRST, Judged, judged_cues, name_of
from capture.cues.labels import GOOD
from capture.store.dataset import read_description

__all__ = ["Panel", "StudyAgreement", "TwoLabellers", "study_agreement"]


@dataclass(frozen=True, slots=True)
class TwoLabellers:
    """How two labellers agree.

    Parameters
    ----------
    first, second : str
        Pseudonyms; ``first`` for the labels that training reads.
    n_people, n_alike : int
        People whose cues both judged, and cues that both called the same.
    kappa : Estimate
        Cohen's kappa.
    per_class : dict of str to Estimate
        The same of each name against all others.
    boundaries : dict of str to Boundaries
        Of takes that both called the same and set ends to, by name, and ``all``.
    """

    first: str
    second: str
    n_people: int
    n_alike: int
    kappa: Estimate
    per_class: dict[str, Estimate]
    boundaries: dict[str, Boundaries]


@dataclass(frozen=True, slots=True)
class Panel:
    """How several labellers agree on the cues that as many of them judged.

    Parameters
    ----------
    n_labellers, n_people : int
    kappa : Estimate
        Fleiss' kappa.
    per_class : dict of str to Estimate
        The same of each name against all others.
    """

    n_labellers: int
    n_people: int
    kappa: Estimate
    per_class: dict[str, Estimate]


@dataclass(frozen=True, slots=True)
class StudyAgreement:
    """How the labellers of a data set agree.

    Parameters
    ----------
    n_cues, n_sessions : int
        That at least two judged.
    pairs : tuple of TwoLabellers
    panels : tuple of Panel
        By number of labellers.
    """

    n_cues: int
    n_sessions: int
    pairs: tuple[TwoLabellers, ...]
    panels: tuple[Panel, ...]


def study_agreement(root: Path) -> StudyAgreement:
    """Return how the labellers of a data set agree.

    Raises
    ------
    UsageError
        The folder is no data set.
    FormatError
        A table of labels or a log of edits is wrong.
    """
    read_description(root)
    cues = judged_cues(root)
    names = {name for cue in cues for name in cue.takes}
    labellers = sorted(names, key=lambda name: (name != FIRST, name))
    pairs = (_pair(cues, *two) for two in itertools.combinations(labellers, 2))
    sizes = sorted({len(cue.takes) for cue in cues})
    return StudyAgreement(
        len(cues),
        len({cue.session for cue in cues}),
        tuple(pair for pair in pairs if pair is not None),
        tuple(_panel([cue for cue in cues if len(cue.takes) == size], size) for size in sizes),
    )


def _pair(cues: Sequence[Judged], first: str, second: str) -> TwoLabellers | None:
    both = [cue for cue in cues if first in cue.takes and second in cue.takes]
    if not both:
        return None
    people = _by_person(both)
    pairs = [
        [(name_of(cue.takes[first]), name_of(cue.takes[second])) for cue in mine] for mine in people
    ]
    names = sorted({name for mine in pairs for two in mine for name in two})
    return TwoLabellers(
        first,
        second,
        len(people),
        sum(a == b for mine in pairs for a, b in mine),
        cohen([_crossed(mine, names) for mine in pairs]),
        {
            name: cohen([_crossed([(a == name, b == name) for a, b in mine], [True, False])
                         for mine in pairs])
            for name in names
        },
        _pair_boundaries(people, first, second),
    )  # fmt: skip


def _pair_boundaries(
    people: Sequence[Sequence[Judged]], first: str, second: str
) -> dict[str, Boundaries]:
    found: dict[str, list[list[Spans]]] = {}
    for number, mine in enumerate(people):
        for cue in mine:
            a, b = cue.takes[first], cue.takes[second]
            if a is None or b is None:
                continue
            same = a.status == b.status == GOOD and a.trial_type == b.trial_type
            if not (same and set_by_hand(a) and set_by_hand(b)):
                continue
            for name in ("all", a.trial_type):
                found.setdefault(name, [[] for _ in people])[number].append(spans_between(a, b))
    told = {name: boundaries_of(spans) for name, spans in sorted(found.items())}
    return {name: boundaries for name, boundaries in told.items() if boundaries is not None}


def _panel(cues: Sequence[Judged], n_labellers: int) -> Panel:
    people = _by_person(cues)
    given = [
        [Counter(name_of(event) for event in cue.takes.values()) for cue in mine] for mine in people
    ]
    names = sorted({name for mine in given for one in mine for name in one})
    tables: list[Counts] = [
        np.array([[one[name] for name in names] for one in mine], np.int64) for mine in given
    ]
    per_class = {
        name: fleiss([np.stack([t[:, i], n_labellers - t[:, i]], axis=1) for t in tables])
        for i, name in enumerate(names)
    }
    return Panel(n_labellers, len(people), fleiss(tables), per_class)


def _by_person(cues: Sequence[Judged]) -> list[list[Judged]]:
    people: dict[str, list[Judged]] = {}
    for cue in cues:
        people.setdefault(cue.participant, []).append(cue)
    return list(people.values())


def _crossed(pairs: Sequence[tuple[object, object]], names: Sequence[object]) -> Counts:
    """Count how often each name of the one met each of the other."""
    table = np.zeros((len(names), len(names)), np.int64)
    for a, b in pairs:
        table[names.index(a), names.index(b)] += 1
    return table
