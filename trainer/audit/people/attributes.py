"""Attributes: what a step tells of what kind of person it is, by the columns of participants.tsv.

A column of numbers is predicted, one of words told; which it is follows from what is written in
it, so that columns nobody thought of are attacked as well. People are held out whole.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from sklearn.ensemble import ExtraTreesRegressor
from sklearn.linear_model import RidgeCV
from sklearn.model_selection import StratifiedKFold

from runtime.stages.contract.stage import Float64, Int64
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.people.attackers import ATTACKERS, LEAF, N_TREES, SEED, make_ready
from trainer.audit.people.enrolled import Seen
from trainer.audit.people.rates import cannot_tell, jackknife, mean_of, told, widened
from trainer.corpus.noted import Column
from trainer.judge.intervals import over_participants

__all__ = ["tell_attribute", "tell_attributes"]

N_FOLDS = 5
PENALTIES = np.logspace(0, 6, 13)
R2 = "share of the spread told"
BALANCED = "balanced accuracy"


def tell_attributes(seen: Seen, attributes: Sequence[Column], step: str) -> list[Finding]:
    """Attack attributes at a step, from all takes of people of whom the attacker knows nothing.

    It has seen the values of everybody's takes, to learn how they are spread, and of the others
    what kind of people they are.

    Parameters
    ----------
    seen : Seen
    attributes : sequence of Column
    step : str

    Returns
    -------
    list of Finding
        As :func:`tell_attribute` returns them, of one after the other.
    """
    ready = dataclasses.replace(seen, values=make_ready(seen.values)(seen.values))
    return [found for each in attributes for found in tell_attribute(ready, each, step)]


def tell_attribute(seen: Seen, attribute: Column, step: str) -> list[Finding]:
    """Attack one attribute, by values that are made ready.

    Returns
    -------
    list of Finding
        Every attacker's. Of words the measure is balanced accuracy, where a blind guess
        reaches one in as many values as there are; of numbers it is the share of their spread over
        people that is told, where a blind guess, the mean of the others, reaches 0.
    """
    known = seen.only(np.isin(seen.people, list(attribute.words)))
    names = known.names
    if len(names) < LEAST_PEOPLE:
        why = f"only {len(names)} of at least {LEAST_PEOPLE} people of whom it is noted"
        return [cannot_tell(step, attribute.name, len(names), why)]
    person = np.searchsorted(names, known.people)
    if attribute.numbers is not None:
        amounts = np.array([attribute.numbers[name] for name in names.tolist()])
        return _tell_number(known.values, person, amounts, attribute.name, step)
    words, of = np.unique([attribute.words[n] for n in names.tolist()], return_inverse=True)
    rare = words[np.bincount(of) < LEAST_PEOPLE]
    usual = ~np.isin(words[of], rare)
    if len(words) - len(rare) < 2:
        fewest = int(np.sort(np.bincount(of))[-2]) if len(words) > 1 else 0
        why = f"only {fewest} of at least {LEAST_PEOPLE} people of a second value"
        return [cannot_tell(step, attribute.name, len(names), why)]
    kept = usual[person]
    _, person = np.unique(person[kept], return_inverse=True)
    _, of = np.unique(of[usual], return_inverse=True)
    return _tell_word(known.values[kept], person, of, attribute.name, step)


def _folds(of: Int64) -> list[tuple[NDArray[np.int64], NDArray[np.int64]]]:
    """Return people learned from and asked about, each asked about once."""
    n_folds = min(N_FOLDS, int(np.bincount(of).min()))
    return list(StratifiedKFold(n_folds, shuffle=True, random_state=SEED).split(of, of))


def _knows(n_people: int) -> str:
    return f"takes of {n_people - -(-n_people // N_FOLDS)} other people of whom it is known"


def _tell_word(values: Float64, person: Int64, of: Int64, name: str, step: str) -> list[Finding]:
    n_people, n_words = len(of), int(of.max()) + 1
    logs = {attacker: np.zeros((n_people, n_words)) for attacker in ATTACKERS}
    for kept, held in _folds(of):
        inside = np.isin(person, kept)
        x, y = values[inside], values[~inside]
        for attacker, learn in ATTACKERS.items():
            of_takes = learn(x, of[person[inside]], n_words)(y)
            for each in held:
                logs[attacker][each] = of_takes[person[~inside] == each].mean(axis=0)
    found, knows = [], _knows(n_people)
    for attacker, of_people in logs.items():
        right = (of_people.argmax(axis=1) == of).astype(np.float64)
        value, low, high = _balanced(right, of, widened(len(ATTACKERS)))
        blind = 1.0 / n_words
        figures = value, blind, value - blind, low - blind, high - blind
        found.append(
            told(Finding(step, name, "takes", attacker, knows, BALANCED, *figures, n_people))
        )
    return found


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


def _tell_number(
    values: Float64, person: Int64, of: Float64, name: str, step: str
) -> list[Finding]:
    n_people = len(of)
    guesses = {attacker: np.zeros(n_people) for attacker in ("ridge regression", "extra trees")}
    blind = np.zeros(n_people)
    # People in order of the number, cut into thirds, so that each fold has small and large ones.
    thirds = np.argsort(np.argsort(of, kind="stable"), kind="stable") * 3 // n_people
    for kept, held in _folds(thirds):
        inside = np.isin(person, kept)
        x, y = values[inside], values[~inside]
        trees = ExtraTreesRegressor(
            N_TREES, min_samples_leaf=LEAF, max_features="sqrt", random_state=SEED, n_jobs=1
        )
        learners = zip(guesses, (RidgeCV(PENALTIES), trees), strict=True)
        for attacker, learner in learners:
            of_takes = learner.fit(x, of[person[inside]]).predict(y)
            for each in held:
                guesses[attacker][each] = of_takes[person[~inside] == each].mean()
        blind[held] = of[kept].mean()
    found, knows = [], _knows(n_people)
    for attacker, guess in guesses.items():
        wrong, guessed = (guess - of) ** 2, (blind - of) ** 2

        def told_of(
            people: NDArray[np.bool_], wrong: Float64 = wrong, guessed: Float64 = guessed
        ) -> float:
            return 1.0 - float(wrong[people].sum() / guessed[people].sum())

        value = told_of(np.ones(n_people, dtype=bool))
        low, high = jackknife(told_of, n_people, widened(len(guesses)), share=False)
        figures = value, 0.0, value, low, min(high, 1.0)
        found.append(told(Finding(step, name, "takes", attacker, knows, R2, *figures, n_people)))
    return found
