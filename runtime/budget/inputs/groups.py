"""Which groups of people a model has to have been asked about before any is called the worst.

A group that nobody is in looks like one that is served well: it stands in no table. So those that a
claim about everybody needs are listed here, whoever was recorded.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

__all__ = ["NEEDED", "Asked", "untold"]

NEEDED = {
    "ambient": ("little", "some", "much"),
    "distance": ("near", "middle", "far"),
    "hand_length": ("small", "middle", "large"),
    "handedness": ("right", "left"),
    "skin_reflectance": ("dark", "middle", "light"),
}
"""By grouping of ``evaluation.json``: groups that everybody's figures are told for. Whoever writes
with both hands is one of few, and no group that a claim waits for; once met, it is one."""


class Asked(NamedTuple):
    """A group as somebody was asked in it: how many people, and whether enough to be named."""

    grouping: str
    name: str
    n_people: int
    enough: bool

    @property
    def words(self) -> str:
        """Which group and how many, as ``handedness left (4)``."""
        return f"{self.grouping.replace('_', ' ')} {self.name} ({self.n_people})"


def untold(asked: Iterable[Asked]) -> tuple[Asked, ...]:
    """Return groups of which too little is known, each with the most people of any side.

    Those of :data:`NEEDED` that nobody is in are among them, with none. In what else was noted of
    people, where nobody differs there is one group of everybody, and nothing untold.

    Parameters
    ----------
    asked : iterable of Asked
        Of every side, such as locked people and those in turn: enough on one of them is enough.
    """
    rows = list(asked)
    most = {(grouping, name): 0 for grouping, names in NEEDED.items() for name in names}
    for row in rows:
        key = row.grouping, row.name
        most[key] = max(most.get(key, 0), row.n_people)
    told = {(row.grouping, row.name) for row in rows if row.enough}
    several = {g for g, _ in most if sum(other == g for other, _ in most) > 1}
    return tuple(
        Asked(grouping, name, n, enough=False)
        for (grouping, name), n in sorted(most.items())
        if (grouping, name) not in told and grouping in several
    )
