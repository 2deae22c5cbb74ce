"""Directions in which an owner's takes are compared: what wanders between sessions counts less."""

from __future__ import annotations

import numpy as np

from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.learn.owner import (
    SHARED,
    UNSEEN,
    WANDERS,
    _discriminants,
    _Shown,
    _usual_distance,
)

N_PEOPLE, N_CLASSES, N_TAKES = 60, 3, 12
MEANS = 100 * np.array([[-2, -2, 0, 0], [2, -2, 0, 0], [2, 2, 0, 0]])
"""Of classes: the first two values tell them apart, by four standard deviations of a take."""
SHIFT = 300.0
"""By so much, one standard deviation, a session moves the first value of all classes alike."""


def session(rng: np.random.Generator) -> tuple[Float64, Int64, Int64]:
    """Invented takes of everybody in a session of their own: values, classes, people."""
    labels = np.tile(np.repeat(np.arange(N_CLASSES), N_TAKES), N_PEOPLE)
    people = np.repeat(np.arange(N_PEOPLE), N_CLASSES * N_TAKES)
    x = MEANS[labels] + 100 * rng.standard_normal((len(labels), 4))
    x[:, 0] += SHIFT * rng.standard_normal(N_PEOPLE)[people]
    return x, labels, people


def taught_elsewhere(rows: Float64) -> float:
    """Share of another session's takes that are nearest to the mean of a first one's."""
    rng = np.random.default_rng(2)
    (taught, labels, people), (asked, _, _) = session(rng), session(rng)
    right = []
    for person in range(N_PEOPLE):
        own = people == person
        means = np.stack([taught[own & (labels == c)][:3].mean(axis=0) for c in range(N_CLASSES)])
        far = (((asked[own][:, None] - means) @ rows.T) ** 2).sum(axis=2)
        right.append((far.argmin(axis=1) == labels[own]).mean())
    return float(np.mean(right))


def whole(x: Float64) -> Int32:
    return np.floor(x + 0.5).astype(np.int32)


def test_what_moves_all_classes_alike_is_told_apart_by_less() -> None:
    """Windows of one person and class spread by one along each direction, with half of the shift.

    So what people differ by in all classes alike is at most the square root of two standard
    deviations, the shrinkage towards the mean variance apart: generalised eigenvectors are of unit
    length in the second matrix (G. Golub and C. Van Loan, Matrix Computations, 4th ed., 2013,
    section 8.7, from memory). Without it the shift is most of what is compared.
    """
    x, labels, people = session(np.random.default_rng(1))
    shifts = np.stack([x[people == p].mean(axis=0) for p in range(N_PEOPLE)])
    spread = {}
    for wandering in (0.0, WANDERS):
        rows, _ = _discriminants(whole(x), labels, people, wandering)
        spread[wandering] = (shifts @ rows.T).var(axis=0)
    assert spread[0.0].max() > 4
    assert spread[WANDERS].max() <= 1 / ((1 - SHARED) * WANDERS)


def test_a_lesson_is_worth_more_in_another_session() -> None:
    """Of what was taught at one place more is right at another."""
    x, labels, people = session(np.random.default_rng(1))
    found = [
        taught_elsewhere(_discriminants(whole(x), labels, people, wandering)[0])
        for wandering in (0.0, WANDERS)
    ]
    assert found[1] > found[0] + 0.02


def test_one_person_has_nothing_to_differ_from() -> None:
    """Of a single person's windows the directions are the same with and without."""
    x, labels, people = session(np.random.default_rng(1))
    own = people == 0
    rows = [_discriminants(whole(x[own]), labels[own], people[own], w)[0] for w in (0.0, WANDERS)]
    assert np.allclose(rows[0], rows[1])


def test_takes_of_unseen_people_may_be_farther_apart() -> None:
    """Windows at two places ten steps apart: a further take is refused beyond half as much again.

    In squares, and never beyond 32 bits; where nobody has two windows, everything may be kept.
    """
    labels, people = np.zeros(400, dtype=np.int64), np.repeat(np.arange(4), 100)
    places = 10 * np.random.default_rng(3).integers(0, 2, (400, 1)).astype(np.int32)
    assert _usual_distance(_Shown(places, labels, people, 1), 0) == UNSEEN * 100
    assert _usual_distance(_Shown(places * 5000, labels, people, 1), 0) == 2**31 - 1
    alone = _Shown(places[:4], labels[:4], np.arange(4), 1)
    assert _usual_distance(alone, 0) == 2**31 - 1
