"""Attributes: what a step tells of what kind of person it is, by the columns of participants.tsv.

A column of numbers is predicted, one of words told; which it is follows from what is written in
it, so that columns nobody thought of are attacked as well. People are held out whole.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special
from sklearn.ensemble import ExtraTreesRegressor
from sklearn.linear_model import RidgeCV
from sklearn.model_selection import StratifiedKFold

from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.people.attackers import (
    ATTACKERS,
    LEAF,
    N_TREES,
    NETWORK,
    SEED,
    Learned,
    kernels_of_numbers,
    make_ready,
    network_of_numbers,
)
from trainer.audit.people.enrolled import Seen
from trainer.audit.people.rates import cannot_tell, jackknife, mean_of, told, widened
from trainer.corpus.noted import Column
from trainer.judge.intervals import over_participants

__all__ = ["tell_attribute", "tell_attributes"]

N_FOLDS = 5
MANY_MORE = 3
"""So many times as many further people are learned from alone: what those asked could add by turns
is less than a quarter, and costs five times the work."""
PENALTIES = np.logspace(0, 6, 13)
TOGETHER = "kernel regression on all takes of a person"
"""One guess a person, from the mean of all takes and their spread, without what was asked for. Of
the finger count's scores it told 0.19 of the spread of skin reflectance where guesses of single
takes, averaged, told 0.06, and 0.31 for 0.17 at its second dense layer (100 people asked, 600
others)."""
R2 = "share of the spread told"
BALANCED = "balanced accuracy"


def tell_attributes(
    seen: Seen,
    attributes: Sequence[Column],
    step: str,
    others: Seen | None = None,
    n_steps: int = 1,
) -> list[Finding]:
    """Attack attributes at a step, from all takes of people of whom the attacker knows nothing.

    It has seen the values of everybody's takes, to learn how they are spread, and of the others
    what kind of people they are.

    Parameters
    ----------
    seen : Seen
    attributes : sequence of Column
    step : str
    others : Seen, optional
        Takes of further people, of whom nobody asks. Where they are many, attackers learn from
        them alone.
    n_steps : int
        Steps that are asked, as of :func:`trainer.audit.people.identity.identify`.

    Returns
    -------
    list of Finding
        As :func:`tell_attribute` returns them, of one after the other.
    """
    every = seen if others is None else seen.joined(others)
    ready = dataclasses.replace(every, values=make_ready(every.values)(every.values))
    asked = seen.names
    return [
        found for each in attributes for found in tell_attribute(ready, each, step, asked, n_steps)
    ]


def tell_attribute(
    seen: Seen,
    attribute: Column,
    step: str,
    asked: NDArray[np.str_] | None = None,
    n_steps: int = 1,
) -> list[Finding]:
    """Attack one attribute, by values that are made ready.

    Parameters
    ----------
    seen : Seen
    attribute : Column
    step : str
    asked : str array, optional
        Of whom it is asked; of everybody without.
    n_steps : int
        Steps that are asked.

    Returns
    -------
    list of Finding
        Every attacker's. Of words the measure is balanced accuracy, where a blind guess
        reaches one in as many values as there are; of numbers it is the share of their spread over
        people that is told, where a blind guess, the mean of the others, reaches 0.
    """
    known = seen.only(np.isin(seen.people, list(attribute.words)))
    names = known.names
    own = np.ones(len(names), bool) if asked is None else np.isin(names, asked)
    if own.sum() < LEAST_PEOPLE:
        why = f"only {own.sum()} of at least {LEAST_PEOPLE} people of whom it is noted"
        return [cannot_tell(step, attribute.name, int(own.sum()), why)]
    person = np.searchsorted(names, known.people)
    if attribute.numbers is not None:
        amounts = np.array([attribute.numbers[name] for name in names.tolist()])
        if amounts[own].min() == amounts[own].max():
            why = f"all {own.sum()} people of whom it is noted have the same"
            return [cannot_tell(step, attribute.name, int(own.sum()), why)]
        amounts = amounts / np.abs(amounts).max()  # a share has no unit; squares do not overflow
        takes = _Takes(known.values, person, amounts, own, _of_persons(known))
        return _tell_number(takes, attribute.name, step, n_steps)
    words, of = np.unique([attribute.words[n] for n in names.tolist()], return_inverse=True)
    counts = np.bincount(of[own], minlength=len(words))
    usual = (counts >= LEAST_PEOPLE)[of]
    if np.count_nonzero(counts >= LEAST_PEOPLE) < 2:
        fewest = int(np.sort(counts)[-2]) if len(words) > 1 else 0
        why = f"only {fewest} of at least {LEAST_PEOPLE} people of a second value"
        return [cannot_tell(step, attribute.name, int(own.sum()), why)]
    kept, persons = usual[person], _of_persons(known)[usual]
    _, person = np.unique(person[kept], return_inverse=True)
    _, of = np.unique(of[usual], return_inverse=True)
    takes = _Takes(known.values[kept], person, of, own[usual], persons)
    return _tell_word(takes, attribute.name, step, n_steps)


def _of_persons(seen: Seen) -> Float64:
    """Return everybody's mean of takes and their spread, float64 (n_people, 2 n_values).

    What was asked for is taken out, as far as it is the same for everybody.
    """
    values = seen.of_no_gesture().values
    names, person = np.unique(seen.people, return_inverse=True)
    n_takes = np.bincount(person)[:, None]
    means, squares = (np.zeros((len(names), values.shape[1])) for _ in range(2))
    np.add.at(means, person, values / n_takes[person])
    np.add.at(squares, person, (values - means[person]) ** 2 / n_takes[person])
    return np.hstack([means, np.sqrt(squares)])


@dataclass(frozen=True, slots=True, eq=False)
class _Takes:
    """Takes of people of whom something is known, each to be told of without knowing it.

    Parameters
    ----------
    values : float64 (n_takes, n_values)
    person : int64 (n_takes,)
    of : array (n_people,)
        The number, or the word's place among words.
    own : bool (n_people,)
        Who is asked about.
    persons : float64 (n_people, n_features)
        What all takes of each person say together.
    """

    values: Float64
    person: Int64
    of: NDArray[Any]
    own: NDArray[np.bool_]
    persons: Float64

    @property
    def alone(self) -> bool:
        """Whether further people are learned from alone, and those asked are asked all at once."""
        further, asked = np.unique(self.of[~self.own]), np.unique(self.of[self.own])
        many = np.count_nonzero(~self.own) >= MANY_MORE * np.count_nonzero(self.own)
        return bool(many and (self.of.dtype.kind == "f" or np.isin(asked, further).all()))

    @property
    def knows(self) -> str:
        """What the attacker was given, in words."""
        n, n_further = int(self.own.sum()), int((~self.own).sum())
        n_own = 0 if self.alone else n - -(-n // N_FOLDS)
        return f"takes of {n_own + n_further} other people of whom it is known"

    def folds(self, kinds: Int64) -> Iterator[tuple[NDArray[np.bool_], Int64]]:
        """Yield which takes are learned from, and who is asked about, each person once.

        Parameters
        ----------
        kinds : int64 (n_people,)
            Of each some are in every part.
        """
        own = np.flatnonzero(self.own)
        if self.alone:
            yield ~self.own[self.person], own
            return
        n_folds = min(N_FOLDS, int(np.bincount(kinds[own]).min()))
        parts = StratifiedKFold(n_folds, shuffle=True, random_state=SEED)
        for _, held in parts.split(own, kinds[own]):
            yield ~np.isin(self.person, own[held]), own[held]

    def of_people(self, of_takes: NDArray[Any], people: Int64, chosen: NDArray[np.bool_]) -> Any:
        """Return the mean of what was said of each person's takes, float64 (n_people, ...)."""
        whose = self.person[chosen]
        return np.array([of_takes[whose == each].mean(axis=0) for each in people])


def _tell_word(takes: _Takes, name: str, step: str, n_steps: int) -> list[Finding]:
    of, n_words = takes.of, int(takes.of.max()) + 1
    logs = {attacker: np.zeros((len(of), n_words)) for attacker in (*ATTACKERS, TOGETHER)}
    for inside, held in takes.folds(of):
        asked = np.isin(takes.person, held)
        x, y = takes.values[inside], takes.values[asked]
        for attacker, learn in ATTACKERS.items():
            of_takes = learn(x, of[takes.person[inside]], n_words)(y)
            logs[attacker][held] = takes.of_people(of_takes, held, asked)
        others = np.unique(takes.person[inside])
        told_of = _word_of_person(takes.persons[others], of[others], n_words)
        logs[TOGETHER][held] = told_of(takes.persons[held])
    found, own = [], takes.own
    for attacker, of_people in logs.items():
        right = (of_people.argmax(axis=1) == of).astype(np.float64)
        value, low, high = _balanced(right[own], of[own], widened(n_steps * len(logs)))
        blind = 1.0 / n_words
        ends = value, blind, value - blind, low - blind, high - blind, int(own.sum())
        found.append(told(Finding(step, name, "takes", attacker, takes.knows, BALANCED, *ends)))
    return found


def _word_of_person(x: Float64, words: Int64, n_words: int) -> Learned:
    """Learn how much more each word is than usual, as a share of how much more it can be."""
    shown = np.eye(n_words)[words]
    usual, learned = shown.mean(axis=0), kernels_of_numbers(x, shown)
    return lambda values: np.asarray((learned(values) - usual) / np.maximum(1.0 - usual, 1e-9))


def _balanced(right: Float64, of: Int64, confidence: float) -> tuple[float, float, float]:
    """Return the mean over values of how many of their people are right, and its interval.

    Intervals of independent shares add as their squares do (G. Zou and A. Donner, Statistics in
    Medicine 27, 2008, from memory).
    """
    groups = [right[of == word].tolist() for word in range(int(of.max()) + 1)]
    means = np.array([mean_of(group) for group in groups])
    ends = np.array([over_participants(group, len(group), confidence) for group in groups])
    down, up = means - ends[:, 0], ends[:, 1] - means
    value, n = float(means.mean()), len(groups)
    return value, value - float(np.hypot.reduce(down)) / n, value + float(np.hypot.reduce(up)) / n


def _tell_number(takes: _Takes, name: str, step: str, n_steps: int) -> list[Finding]:
    of, own = takes.of, takes.own
    n_people = int(own.sum())
    guesses = {attacker: np.zeros(len(of)) for attacker in (*_OF_NUMBERS, TOGETHER)}
    blind = np.zeros(len(of))
    # Who is asked, in order of the number, cut into thirds: each fold has small and large ones.
    thirds = np.zeros(len(of), np.int64)
    thirds[own] = np.argsort(np.argsort(of[own], kind="stable"), kind="stable") * 3 // n_people
    for inside, held in takes.folds(thirds):
        asked = np.isin(takes.person, held)
        x, y, known = takes.values[inside], takes.values[asked], takes.person[inside]
        for attacker, learn in _OF_NUMBERS.items():
            guesses[attacker][held] = takes.of_people(learn(x, of[known])(y), held, asked)
        others = np.unique(known)
        told_of_person = kernels_of_numbers(takes.persons[others], of[others, None])
        guesses[TOGETHER][held] = told_of_person(takes.persons[held])[:, 0]
        blind[held] = of[others].mean()
    found = []
    for attacker, guess in guesses.items():
        wrong, guessed = (guess - of)[own] ** 2, (blind - of)[own] ** 2

        def told_of(
            people: NDArray[np.bool_], wrong: Float64 = wrong, guessed: Float64 = guessed
        ) -> float:
            spread = float(guessed[people].sum())
            return 1.0 - float(wrong[people].sum()) / spread if spread else 0.0

        value = told_of(np.ones(n_people, dtype=bool))
        confidence = widened(n_steps * len(guesses))
        low, high = jackknife(told_of, n_people, confidence, share=False)
        high = min(max(high, _if_scaled(guess[own], of[own], confidence)), 1.0)
        ends = value, 0.0, value, low, high, n_people
        found.append(told(Finding(step, name, "takes", attacker, takes.knows, R2, *ends)))
    return found


def _if_scaled(guess: Float64, of: Float64, confidence: float) -> float:
    """Return the most of the spread that guesses may tell of others, if they are scaled better.

    Who has learned from few people answers little else than their mean, and so errs by as much of
    everybody: that bounds what was learned, and not what there is to learn. The square of the upper
    end of their correlation with the truth does not hang on their scale (R. A. Fisher, Metron 1,
    1921, from memory); none below zero counts, as means without a person lean away from that
    person.
    """
    found = 0.0
    if np.ptp(guess) > 0.0 and np.ptp(of) > 0.0:
        found = float(np.clip(np.corrcoef(guess, of)[0, 1], 0.0, 1.0 - 1e-12))
    end = np.arctanh(found) + special.ndtri(0.5 + confidence / 2) / math.sqrt(len(of) - 3)
    return float(np.tanh(end) ** 2)


def _ridge(x: Float64, numbers: Float64) -> Learned:
    learner = RidgeCV(PENALTIES).fit(x, numbers)
    return lambda values: np.asarray(learner.predict(values), np.float64)


def _trees(x: Float64, numbers: Float64) -> Learned:
    learner = ExtraTreesRegressor(
        N_TREES, min_samples_leaf=LEAF, max_features="sqrt", random_state=SEED, n_jobs=1
    ).fit(x, numbers)
    return lambda values: np.asarray(learner.predict(values), np.float64)


_OF_NUMBERS: dict[str, Callable[[Float64, Float64], Learned]] = {
    "ridge regression": _ridge,
    "extra trees": _trees,
    NETWORK: network_of_numbers,
}
