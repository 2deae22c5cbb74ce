"""What takes of an owner are worth: accuracy before and after, of the mean and of the worst served.

Each person counts as one. The worst tenth is taken anew before and after: those who were worst
before get better by chance alone, so that following them would flatter (by 2 to 4 points where 24
takes are asked about). All others are those before: they were lucky, if anything, so that what they
gain is told too low. Where a tenth is a single person, neither is told of.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import special

from runtime.intervals import CONFIDENCE
from runtime.stages.contract.stage import Float64
from trainer.judge.groups import MIN_PEOPLE
from trainer.judge.intervals import difference_over_participants, over_participants

__all__ = [
    "LEAST_PEOPLE", "Shown", "accepted_by_person", "figures_of_owners", "found_of", "shares_of",
]  # fmt: skip

WORST_SHARE = 0.1
LEAST_PEOPLE = 16
"""For a tenth to be told of: of fewer it is a single person, who is somebody and no tenth."""
N_RESAMPLES = 2000
"""Of people, for intervals of the worst tenth: their ends move by less than a hundredth."""
RESAMPLING_SEED = 1


@dataclass(frozen=True, slots=True)
class Shown:
    """What one person showed in one turn, and what came of it.

    Parameters
    ----------
    participant : str
    kind : int
        Whether known classes were shown (0), a new gesture and nothing else (1), or both (2).
    n_shown : int
        Takes of each class, or of the new gesture.
    n_asked, before, after : int
        Other takes of known classes, and how many were right before and after.
    n_new, new_right : int
        Other takes of the new gesture, and how many were right.
    n_refused, n_kept : int
        Of the takes shown; where there is a new gesture, of its own.
    offset : int
        By how many nats an own gesture was favoured.
    """

    participant: str
    kind: int
    n_shown: int
    n_asked: int
    before: int
    after: int
    n_new: int
    new_right: int
    n_refused: int
    n_kept: int
    offset: int = 0

    @property
    def accepted(self) -> bool:
        """Whether as many takes were kept as were wanted of a new gesture."""
        return self.n_kept == self.n_shown


def figures_of_owners(shown: Sequence[Shown], handedness: Mapping[str, str]) -> dict[str, Any]:
    """Return the tables of evaluation.json: of all classes shown, and of a new gesture.

    A new gesture is shown beside the known classes, as it is asked for on a desk, and alone.

    Parameters
    ----------
    shown : sequence of Shown
        Of people held out in turn.
    handedness : mapping of str to str
        By participant; who is not in it is neither.
    """
    known, alone, beside = ([s for s in shown if s.kind == kind] for kind in range(3))
    return {
        "classes": [_of_classes(known, n, handedness) for n in _numbers(known)],
        "new_gesture": [_of_new(beside, n) for n in _numbers(beside)],
        "new_gesture_alone": [_of_new(alone, n) for n in _numbers(alone)],
    }


def _numbers(shown: Sequence[Shown]) -> list[int]:
    return sorted({s.n_shown for s in shown})


def _by_person(shown: Sequence[Shown]) -> dict[str, list[Shown]]:
    found: dict[str, list[Shown]] = {}
    for one in shown:
        found.setdefault(one.participant, []).append(one)
    return dict(sorted(found.items()))


def accepted_by_person(shown: Sequence[Shown]) -> dict[str, list[Shown]]:
    """Return what each person showed whose new gesture was accepted."""
    return _by_person([s for s in shown if s.accepted])


def found_of(turns: Sequence[Shown]) -> float:
    """Return the share of one person's takes of a new gesture that were found."""
    return sum(s.new_right for s in turns) / max(1, sum(s.n_new for s in turns))


def shares_of(turns: Sequence[Shown]) -> tuple[float, float]:
    """Return the share of one person's known takes that were right before, and after."""
    n = max(1, sum(s.n_asked for s in turns))
    return sum(s.before for s in turns) / n, sum(s.after for s in turns) / n


def _worst(values: Float64) -> float:
    """Return the mean of the least tenth, one person at least."""
    return float(np.sort(values)[: _n_worst(len(values))].mean())


def _n_worst(n_people: int) -> int:
    """Return how many people a tenth is, rounded, a half downwards; one at least."""
    return max(1, math.ceil(WORST_SHARE * n_people - 0.5))


def _of_classes(
    shown: Sequence[Shown], n_shown: int, handedness: Mapping[str, str]
) -> dict[str, Any]:
    people = _by_person([s for s in shown if s.n_shown == n_shown])
    pairs = np.array([shares_of(turns) for turns in people.values()])
    n_takes = sum(max(s.n_asked for s in turns) for turns in people.values())
    left = np.array([handedness.get(name) == "left" for name in people])
    n_worst = _n_worst(len(pairs))
    others = np.argsort(pairs[:, 0], kind="stable")[n_worst:]
    has_tenth = len(pairs) >= LEAST_PEOPLE
    refused = sum(s.n_refused for turns in people.values() for s in turns)
    # What each turn tried: those kept and those refused.
    turns = sum(len(own) for own in people.values())
    return {
        "n_shown": n_shown,
        "n_people": len(people),
        "mean": _before_after(pairs, n_takes),
        "worst_tenth": _worst_before_after(pairs) if has_tenth else None,
        "others": _before_after(pairs[others], n_takes) if has_tenth else None,
        "left_handed": _before_after(pairs[left], n_takes) if left.sum() >= MIN_PEOPLE else None,
        "refused_per_session": round(refused / turns, 3),
    }


def _before_after(pairs: Float64, n_takes: int) -> dict[str, Any]:
    before, after = pairs[:, 0].tolist(), pairs[:, 1].tolist()
    return {
        "n_people": len(pairs),
        "before": round(float(pairs[:, 0].mean()), 6),
        "after": round(float(pairs[:, 1].mean()), 6),
        "difference": _rounded(
            difference_over_participants(after, before, max(n_takes, len(pairs)))
        ),
    }


def _rounded(ends: tuple[float, float]) -> list[float]:
    return [round(end, 6) for end in ends]


def _worst_before_after(pairs: Float64) -> dict[str, Any]:
    """Return a tenth's figures, with the 95 % interval of how far it moved.

    Student's, of the spread over resampled people, with as many degrees of freedom as people in the
    tenth. Percentiles of the resampled alone hold the truth in 0.75 to 0.91 of cases where two
    people are a tenth and in 0.84 to 0.93 where four are; these in 0.94 to 1.
    """
    rng = np.random.default_rng(RESAMPLING_SEED)
    drawn = rng.integers(0, len(pairs), (N_RESAMPLES, len(pairs)))
    spread = np.std([_worst(pairs[one, 1]) - _worst(pairs[one, 0]) for one in drawn])
    before, after, n = _worst(pairs[:, 0]), _worst(pairs[:, 1]), _n_worst(len(pairs))
    half = float(special.stdtrit(n, 0.5 + CONFIDENCE / 2) * spread)
    ends = max(-1.0, after - before - half), min(1.0, after - before + half)
    return {
        "n_people": n,
        "before": round(before, 6),
        "after": round(after, 6),
        "difference": _rounded(ends),
    }


def _of_new(shown: Sequence[Shown], n_shown: int) -> dict[str, Any]:
    """Return a row: of people whose gesture was accepted, who are told otherwise if it is not."""
    everybody = _by_person([s for s in shown if s.n_shown == n_shown])
    people = accepted_by_person([s for s in shown if s.n_shown == n_shown])
    found = [found_of(turns) for turns in people.values()]
    pairs = np.array([shares_of(turns) for turns in people.values()]).reshape(-1, 2)
    n_takes, n_new = (
        sum(max(getattr(s, name) for s in turns) for turns in people.values())
        for name in ("n_asked", "n_new")
    )
    sure = _rounded(over_participants(found, max(n_new, len(found)))) if found else None
    return {
        "n_shown": n_shown,
        "n_people": len(everybody),
        "n_accepted": len(people),
        "found": round(float(np.mean(found)), 6) if found else None,
        "found_interval": sure,
        "known_classes": _before_after(pairs, n_takes) if found else None,
    }
