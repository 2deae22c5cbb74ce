"""Verification: whether takes are of the person enrolled, whom the attacker has not met before.

What the attacker learned, it learned from other people than those it is asked about: a space in
which people lie apart, or how much of a difference between two takes is between people.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold

from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.people.attackers import (
    ATTACKERS,
    NETWORK,
    Attacker,
    centroids,
    discriminant,
    make_ready,
)
from trainer.audit.people.enrolled import Parted, Seen, part
from trainer.audit.people.identity import FUSED, TOGETHER, fused
from trainer.audit.people.rates import (
    Ranked,
    cannot_tell,
    jackknife,
    told,
    widened,
)

__all__ = ["OF_MEAN", "Pairs", "verify_people"]

N_FOLDS = 5
"""Groups of people that are asked about in turn; the others are learned from."""
STRANGERS = 4
"""Of each take learned from, as many pairs with other people as keep the two kinds comparable."""
MEASURE = "equal error rate"
BLIND = 0.5
LEAST_VARIANCE = 1e-9
"""Of a direction along which nothing differs, where takes of one person usually have 1."""
SEED = 1
OF_MEAN = "likelihood ratio of the mean of takes"
"""In discriminant space, too; not the mean of each take's ratio, which takes what all of a person's
takes have in common for as many signs of it: pairs were told apart with an error rate of 0.022 for
0.049 at a finger count's levels (200 people that no other figure is of; error of the difference
0.006)."""

Compare = Callable[[Float64, Float64], Float64]
"""Scores pairs, float64 (n,), of what is enrolled and what is shown, float64 (n, n_values) each."""
Learn = Callable[[Parted], Compare]
"""Learns from other people's takes, their values made ready."""


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Scores of people enrolled against takes that are shown.

    Parameters
    ----------
    scores : float64 (n_pairs,)
        Higher for what looks more alike.
    enrolled, shown : int64 (n_pairs,)
        Whose each side is.
    """

    scores: Float64
    enrolled: Int64
    shown: Int64
    ranked: Ranked = field(init=False)

    def __post_init__(self) -> None:
        ranked = Ranked.of(self.scores, self.enrolled == self.shown)
        object.__setattr__(self, "ranked", ranked)

    def error_rate(self, people: NDArray[np.bool_]) -> float:
        """Return the equal error rate over pairs of some people, bool (n_people,).

        That of chance where none of one kind is left.
        """
        kept = people[self.enrolled] & people[self.shown]
        same = self.enrolled == self.shown
        both = (kept & same).any() and (kept & ~same).any()
        return self.ranked.error_rate(kept) if both else BLIND


def verify_people(seen: Seen, step: str, n_steps: int = 1) -> list[Finding]:
    """Attack verification at a step: one person or two, by one take shown and by ten.

    Somebody's enrolled takes are averaged; takes shown come from another session, or from the other
    half of the only one. The attacker knows what was asked for, and may take it out of the values;
    whether it does, it chooses by the people it learns from.

    Parameters
    ----------
    seen : Seen
    step : str
    n_steps : int
        Steps that are asked, as of :func:`trainer.audit.people.identity.identify`.

    Returns
    -------
    list of Finding
        Every attacker's, of one take and of ten.
    """
    parted = part(seen)
    names = parted.names
    if len(names) < LEAST_PEOPLE:
        why = f"only {len(names)} of at least {LEAST_PEOPLE} people with takes to compare"
        return [cannot_tell(step, "same person", len(names), why, s) for s in TOGETHER.values()]
    learners: dict[str, Learn] = {
        "distance in discriminant space": _distance,
        "likelihood ratio in discriminant space": _likelihood_ratio,
    }
    learners |= {
        f"{name} on differences": _on_differences(learn)
        for name, learn in ATTACKERS.items()
        if learn is not centroids and name != NETWORK
    }
    ways = part(seen.of_no_gesture()), parted
    scores, shown = _all_pairs(ways, learners, N_FOLDS)
    pairs = {
        n: {name: _together(each, shown, n) for name, each in scores.items()} for n in TOGETHER
    }
    # Takes of one person that are shown together are one guess at it, with less of chance in it.
    n_shown = len(shown) / len(fused(np.zeros((len(shown), 1)), shown, FUSED)[1])
    of_mean = {OF_MEAN: lambda others: _likelihood_ratio(others, n_shown)}
    means, whose = _all_pairs(ways, of_mean, N_FOLDS, FUSED)
    pairs[FUSED][OF_MEAN] = _together(means[OF_MEAN], whose, 1)
    return [
        _found(step, (name, n_steps * len(every)), each, parted, TOGETHER[n])
        for n, every in pairs.items()
        for name, each in every.items()
    ]


def _found(step: str, tried: tuple[str, int], pairs: Pairs, parted: Parted, scenes: str) -> Finding:
    """Return one attacker's finding; `tried` is its name, and of how many it is one."""
    n_people, (attacker, n_tried) = len(parted.names), tried
    value = pairs.error_rate(np.ones(n_people, dtype=bool))
    low, high = jackknife(pairs.error_rate, n_people, widened(n_tried))
    known = parted.knows.removeprefix("named ")
    knows = f"what was asked for, takes of other people to learn from, and {known}"
    return told(
        Finding(
            step, "same person", scenes, attacker, knows, MEASURE, value, BLIND,
            BLIND - value, BLIND - high, BLIND - low, n_people,
        )
    )  # fmt: skip


def _all_pairs(
    ways: Sequence[Parted], learners: Mapping[str, Learn], n_folds: int, n_together: int = 1
) -> tuple[dict[str, Float64], Int64]:
    """Return every take's score against everybody of its fold, and whose it is.

    People are in the order of their names, and so are their takes.

    Parameters
    ----------
    ways : sequence of Parted
        The same takes, their values in one form or another; in each fold the one is used by which
        other people are told apart best.
    learners : mapping of str to callable
    n_folds : int
        Groups of people that are asked about in turn.
    n_together : int
        Takes whose mean is shown, as of :func:`trainer.audit.people.identity.fused`.

    Returns
    -------
    scores : dict of float64 (n_shown, n_people)
        By learner; NaN against people of other folds.
    shown : int64 (n_shown,)
        Whose each take, or mean of takes, is.
    """
    names = ways[0].names
    known = np.isin(ways[0].probes.people, names)
    whose = np.searchsorted(names, ways[0].probes.people[known])
    _, shown = fused(np.zeros((len(whose), 1)), whose, n_together)
    scores = {name: np.full((len(shown), len(names)), np.nan) for name in learners}
    folds = GroupKFold(min(n_folds, len(names) // 2))
    for learned_from, held in folds.split(names, groups=names):
        parted = _best(ways, names[learned_from])
        probes = parted.probes.only(known)
        inside = np.isin(parted.enrolled.people, names[held])
        of_fold = np.isin(whose, held)
        enrolled, takes = parted.enrolled.only(~inside), probes.only(~of_fold)
        ready = make_ready(np.concatenate([enrolled.values, takes.values]))
        others = Parted(enrolled.through(ready), takes.through(ready), parted.by)
        own = _means(parted.enrolled.only(inside).through(ready), names[held])
        asked, _ = fused(ready(probes.values[of_fold]), whose[of_fold], n_together)
        pairs = np.repeat(own, len(asked), axis=0), np.tile(asked, (len(own), 1))
        for name, learn in learners.items():
            every = learn(others)(*pairs).reshape(len(own), len(asked))
            scores[name][np.ix_(np.isin(shown, held), held)] = every.T
    return scores, shown


def _best(ways: Sequence[Parted], others: NDArray[np.str_]) -> Parted:
    """Return that way to hold takes by which some people are told apart best: learned in halves."""
    if len(ways) == 1:
        return ways[0]
    rates = []
    for way in ways:
        known, asked = (s.only(np.isin(s.people, others)) for s in (way.enrolled, way.probes))
        scores, shown = _all_pairs([Parted(known, asked, way.by)], {"": _distance}, 2)
        everybody = np.ones(len(others), dtype=bool)
        rates.append(_together(scores[""], shown, 1).error_rate(everybody))
    return ways[int(np.argmin(rates))]


def _means(seen: Seen, names: NDArray[np.str_]) -> Float64:
    """Return the mean of each person's takes, float64 (n_people, n_values)."""
    return np.stack([seen.values[seen.people == name].mean(axis=0) for name in names])


def _together(scores: Float64, shown: Int64, n_together: int) -> Pairs:
    """Return all pairs with scores averaged over consecutive takes of one person."""
    table, people = fused(scores, shown, n_together)
    rows, columns = np.nonzero(~np.isnan(table))
    return Pairs(table[rows, columns], columns.astype(np.int64), people[rows])


def _distance(others: Parted) -> Compare:
    """Learn a space in which other people lie apart; what is near there is alike."""
    names = others.names
    values = np.concatenate([others.enrolled.values, others.probes.values])
    people = np.concatenate([others.enrolled.people, others.probes.people])
    turn = discriminant(values, np.searchsorted(names, people)) or (lambda x: x)

    def compare(enrolled: Float64, shown: Float64) -> Float64:
        apart = turn(enrolled) - turn(shown)
        return np.asarray(-(apart**2).sum(axis=1), dtype=np.float64)

    return compare


def _likelihood_ratio(others: Parted, n_shown: float = 1.0) -> Compare:
    """Learn how people and their takes are spread; ask how much likelier one person is than two.

    People and takes are Gaussian, alike for everybody (S. Ioffe, Probabilistic Linear Discriminant
    Analysis, ECCV 2006, from memory), one direction of the discriminant space at a time: along it
    takes of one person have a variance of about 1. What many people have in common says little
    then, and what is rare says much, which no distance tells. What is shown may be the mean of
    some takes, `n_shown` as a rule, whose variance is so much smaller.
    """
    names = others.names
    values = np.concatenate([others.enrolled.values, others.probes.values])
    people = np.concatenate([others.enrolled.people, others.probes.people])
    turn = discriminant(values, np.searchsorted(names, people)) or (lambda x: x)
    x, own = turn(values), np.searchsorted(names, people)
    n_takes = np.bincount(own)
    means = np.stack([x[own == person].mean(axis=0) for person in range(len(names))])
    inside = ((x - means[own]) ** 2).sum(axis=0) / max(1, len(x) - len(names)) + LEAST_VARIANCE
    usual = means.mean(axis=0)
    between = np.maximum(means.var(axis=0, ddof=1) - inside * np.mean(1.0 / n_takes), 0.0)
    n_enrolled = len(others.enrolled.values) / len(names)
    known, one = between + inside / n_enrolled, between + inside / n_shown
    both = known * one - between**2

    def compare(enrolled: Float64, shown: Float64) -> Float64:
        e, s = turn(enrolled) - usual, turn(shown) - usual
        same = (one * e**2 - 2 * between * e * s + known * s**2) / both + np.log(both)
        apart = e**2 / known + s**2 / one + np.log(known * one)
        return np.asarray(0.5 * (apart - same).sum(axis=1), dtype=np.float64)

    return compare


def _on_differences(learn: Attacker) -> Learn:
    """Learn to tell differences within people from those between, by a classifier."""

    def learned(others: Parted) -> Compare:
        names = others.names
        known, takes = _means(others.enrolled, names), others.probes.values
        own = np.searchsorted(names, others.probes.people)
        rng = np.random.default_rng([SEED, len(names), len(own)])
        shifts = rng.integers(1, len(names), (STRANGERS, len(own)))
        whose = np.concatenate([own, ((own + shifts) % len(names)).ravel()])
        again = np.tile(np.arange(len(own)), 1 + STRANGERS)
        same = (np.arange(len(again)) < len(own)).astype(np.int64)
        chances = learn(np.abs(known[whose] - takes[again]), same, 2)

        def compare(enrolled: Float64, shown: Float64) -> Float64:
            logs = chances(np.abs(enrolled - shown))
            return np.asarray(logs[:, 1] - logs[:, 0], dtype=np.float64)

        return compare

    return learned
