"""Closed-set identification: which of the people enrolled a take is of."""

from __future__ import annotations

import numpy as np

from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import Finding
from trainer.audit.people.attackers import ATTACKERS, logistic, make_ready, spread_alike
from trainer.audit.people.enrolled import Parted, Seen, part
from trainer.audit.people.rates import cannot_tell, mean_of, told, widened
from trainer.judge.intervals import over_participants

__all__ = ["BY_SPREAD", "FUSED", "TOGETHER", "fused", "identify"]

FUSED = 10
"""Takes that are asked about together; of people with fewer, all they have."""
TOGETHER = {1: "one take", FUSED: f"{FUSED} takes"}
"""How many takes are asked about together, in words."""
MEASURE = "accuracy"
BY_SPREAD = "logistic regression where others' takes spread alike"
N_FOLDS = 5
"""Groups of people that are asked about in turn; how takes spread is learned from all others."""


def fused(scores: Float64, people: Int64, n_together: int) -> tuple[Float64, Int64]:
    """Return the means of scores over consecutive takes of one person.

    Parameters
    ----------
    scores : float64 (n_takes, n_columns)
        Logarithms of chances, which add, or others that a mean makes sense of.
    people : int64 (n_takes,)
    n_together : int
        Takes of a mean; what is left over of a person who has that many is not used, and of one
        who has fewer all are.

    Returns
    -------
    means : float64 (n_means, n_columns)
    people : int64 (n_means,)
    """
    means, whose = [], []
    for person in np.unique(people):
        own = scores[people == person]
        size = min(n_together, len(own))
        n_means = len(own) // size
        means.append(own[: n_means * size].reshape(n_means, size, -1).mean(axis=1))
        whose.append(np.full(n_means, person, dtype=np.int64))
    return np.concatenate(means), np.concatenate(whose)


def identify(seen: Seen, step: str, n_steps: int = 1, *, by_spread: bool = False) -> list[Finding]:
    """Attack identity at a step, from one take and from ten.

    Everybody is asked about with the same weight, however many takes they have: the blind guess
    names anyone of N, and is right for one person in N.

    Parameters
    ----------
    seen : Seen
    step : str
    n_steps : int
        Steps that are asked: the strongest attacker is sought at all of them, and intervals are
        wide enough that all hold together.
    by_spread : bool
        Whether one more attacker tries, who has all named takes of other people of these, those
        asked about as well: it learns by them how far the takes of one person lie apart, from one
        session to another. A few takes of one session do not tell that.

    Returns
    -------
    list of Finding
        Every attacker's, of one take and of ten.
    """
    parted = part(seen)
    names = parted.names
    known = np.isin(parted.probes.people, names)
    probes = parted.probes.only(known)
    if len(names) < 2 or not known.any():
        why = "nobody has takes to compare with"
        return [cannot_tell(step, "identity", len(names), why, s) for s in TOGETHER.values()]
    whose = np.searchsorted(names, parted.enrolled.people)
    asked = np.searchsorted(names, probes.people)
    ready = make_ready(parted.enrolled.values)
    x, y = ready(parted.enrolled.values), ready(probes.values)
    scores = {name: learn(x, whose, len(names))(y) for name, learn in ATTACKERS.items()}
    if by_spread:
        scores[BY_SPREAD] = _by_spread(parted, probes)
    return [
        _found(
            step,
            (name, n_steps * len(scores)),
            *fused(given, asked, n_together),
            parted,
            n_together,
        )
        for n_together in TOGETHER
        for name, given in scores.items()
    ]


def _by_spread(parted: Parted, probes: Seen) -> Float64:
    """Return log chances by logistic regression where takes of one other person are a ball."""
    names, enrolled = parted.names, parted.enrolled
    whose = np.searchsorted(names, enrolled.people)
    every = enrolled.joined(probes)
    scores = np.zeros((len(probes.people), len(names)))
    for held in np.array_split(np.arange(len(names)), min(N_FOLDS, len(names))):
        asked = np.isin(probes.people, names[held])
        if asked.any():
            others = every.only(~np.isin(every.people, names[held]))
            turn = spread_alike(others.values, others.people)
            x, y = turn(enrolled.values), turn(probes.values[asked])
            scores[asked] = logistic(x, whose, len(names))(y)
    return scores


def _found(
    step: str,
    tried: tuple[str, int],
    scores: Float64,
    asked: Int64,
    parted: Parted,
    n_together: int,
) -> Finding:
    """Return one attacker's finding; `tried` is its name, and of how many it is one."""
    n_people, (attacker, n_tried) = len(parted.names), tried
    right = scores.argmax(axis=1) == asked
    each = [float(right[asked == person].mean()) for person in np.unique(asked)]
    value, blind = mean_of(each), 1.0 / n_people
    low, high = over_participants(each, len(asked), widened(n_tried))
    return told(
        Finding(
            step, "identity", TOGETHER[n_together], attacker, parted.knows,
            MEASURE, value, blind, value - blind, low - blind, high - blind,
            len(each),
        )
    )  # fmt: skip
