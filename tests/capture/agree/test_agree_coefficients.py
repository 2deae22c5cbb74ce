"""Kappa and its intervals, against worked tables, and the distances between ends."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.agree.boundaries import boundaries_of, set_by_hand, spans_between
from capture.agree.coefficients import Counts, cohen, fleiss, over_people
from capture.cues.labels import Event, kappa

# J. Landis and G. Koch, "The measurement of observer agreement for categorical data", Biometrics
# 33, 1977, Table 1: two neurologists' diagnoses of multiple sclerosis, patients of Winnipeg and of
# New Orleans; tables and kappas from memory.
WINNIPEG = np.array([[38, 5, 0, 1], [33, 11, 3, 0], [10, 14, 5, 6], [3, 7, 3, 10]])
NEW_ORLEANS = np.array([[5, 3, 0, 0], [3, 11, 4, 0], [2, 13, 3, 4], [1, 2, 4, 14]])
# J. Fleiss, "Measuring nominal scale agreement among many raters", Psychological Bulletin 76, 1971,
# Table 1: 30 patients, 6 psychiatrists; depression, personality disorder, schizophrenia, neurosis,
# other; table, kappa and the kappas of the categories from memory.
DIAGNOSES = np.array(
    [int(sign) for sign in
     "00060 03003 01401 00006 03030 20400 00402 20310 20040 00006 10050 11040 03300 10050 02031 "
     "00501 30012 51000 02040 10203 00006 01050 02013 20040 10041 05010 40002 02040 10500 00006"
     if sign != " "]
).reshape(30, 5)  # fmt: skip


@pytest.mark.parametrize(
    ("table", "published", "error"), [(WINNIPEG, 0.208, 0.050), (NEW_ORLEANS, 0.297, 0.079)]
)
def test_cohens_kappa_is_the_published_one(table: Counts, published: float, error: float) -> None:
    """Landis and Koch's two tables give their kappas to the third place, and their errors."""
    found = cohen([table])
    assert found.value == pytest.approx(published, abs=5e-4)
    assert found.low is not None
    assert found.high is not None
    assert (found.high - found.low) / 2 / 1.96 == pytest.approx(error, abs=1e-3)
    assert found.n == table.sum()


def test_fleiss_kappa_is_the_published_one() -> None:
    """Fleiss' 30 patients give 0.430, and 0.245, 0.245, 0.520, 0.471, 0.566 for the categories."""
    assert (DIAGNOSES.sum(axis=1) == 6).all()
    assert fleiss([DIAGNOSES]).value == pytest.approx(0.430, abs=5e-4)
    for column, published in enumerate((0.245, 0.245, 0.520, 0.471, 0.566)):
        one = np.stack([DIAGNOSES[:, column], 6 - DIAGNOSES[:, column]], axis=1)
        assert fleiss([one]).value == pytest.approx(published, abs=6e-4)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=2, max_size=40))
def test_cohens_kappa_is_that_of_the_booth(pairs: list[tuple[str, str]]) -> None:
    """The kappa over a study of one session is the one that its review ended with."""
    table = np.zeros((3, 3), np.int64)
    for a, b in pairs:
        table["abc".index(a), "abc".index(b)] += 1
    found = cohen([table]).value
    if found is None:
        assert len({name for two in pairs for name in two}) == 1
    else:
        assert found == pytest.approx(kappa(*zip(*pairs, strict=True)))


def people(rng: np.random.Generator, n: int, share: float) -> list[Counts]:
    """Draw tables of `n` people who differ: 20 cues each, alike with a share that is theirs."""
    tables = []
    for alike in np.clip(rng.normal(share, 0.1, n), 0.0, 1.0):
        first = rng.integers(0, 4, 20)
        second = np.where(rng.random(20) < alike, first, rng.integers(0, 4, 20))
        table = np.zeros((4, 4), np.int64)
        np.add.at(table, (first, second), 1)
        tables.append(table)
    return tables


def test_the_interval_over_people_keeps_its_word() -> None:
    """Of 100 studies of 12 people who differ, about 95 % have the true kappa in their interval.

    Names are equally likely, so that kappa is the share alike beyond chance: its mean, 0.7. Of 100
    at 95 %, 86 is four standard errors below.
    """
    rng = np.random.default_rng(4)
    within = 0
    for _ in range(100):
        found = cohen(people(rng, 12, 0.7))
        assert found.low is not None
        assert found.high is not None
        within += found.low <= 0.7 <= found.high
    assert within >= 86


def test_people_make_the_interval_wider_than_takes() -> None:
    """Where people differ, an interval over all takes as if of one person promises too much."""
    tables = [np.diag([5, 5]), np.array([[0, 5], [5, 0]])] * 4
    over = cohen(tables)
    alone = cohen([np.sum(tables, axis=0)])
    assert over.value == alone.value
    assert over.high is not None and over.low is not None
    assert alone.high is not None and alone.low is not None
    assert over.high - over.low > 1.5 * (alone.high - alone.low)


def test_a_perfect_agreement_is_not_certain() -> None:
    """Ten of ten alike leave room below 1; a thousand of a thousand hardly any."""
    few, many = cohen([np.diag([5, 5])] * 2), cohen([np.diag([500, 500])] * 2)
    assert (few.value, few.high, many.value) == (1.0, 1.0, 1.0)
    assert few.low is not None and 0.2 < few.low < 0.8
    assert many.low is not None and many.low > 0.99
    panel = fleiss([np.array([[3, 0], [0, 3], [3, 0], [0, 3]])] * 2)
    assert panel.value == 1.0
    assert panel.low is not None and panel.low < 0.5


def test_one_name_alone_says_nothing() -> None:
    """Where everybody used one name only, kappa is not defined."""
    assert cohen([np.array([[9, 0], [0, 0]])]).value is None
    assert fleiss([np.array([[3, 0], [3, 0]])]).value is None


def test_a_mean_over_people_has_students_interval() -> None:
    """For a mean of people's values the jackknife is Student's interval, computed by hand.

    2, 4, 6: mean 4, standard error 2 / sqrt(3), t with 2 degrees of freedom 4.302653.
    """
    found = over_people([2.0, 4.0, 6.0], lambda parts: math.fsum(parts) / len(parts), 3)
    assert found.value == 4.0
    assert found.high == pytest.approx(4.0 + 4.302653 * 2 / math.sqrt(3))
    assert found.low == pytest.approx(4.0 - 4.302653 * 2 / math.sqrt(3))


def take(onset: float, end: float) -> Event:
    return Event(onset, end - onset, "push", cue_onset_s=0.0, cue_duration_s=9.0)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ((1.0, 2.0), (1.0, 2.0), (0.0, 0.0, 1.0)),
        ((1.0, 2.0), (1.5, 2.5), (0.5, 0.5, 1 / 3)),
        ((1.0, 3.0), (1.5, 2.0), (0.5, 1.0, 0.25)),
        ((1.0, 2.0), (4.0, 5.0), (3.0, 3.0, 0.0)),
        ((1.0, 1.0), (1.0, 1.0), (0.0, 0.0, 1.0)),
        ((1.0, 1.0), (2.0, 2.0), (1.0, 1.0, 0.0)),
    ],
)
def test_ends_are_compared(
    first: Sequence[float], second: Sequence[float], expected: tuple[float, ...]
) -> None:
    """Distances of starts and ends, and intersection over union, by hand."""
    assert spans_between(take(*first), take(*second)) == pytest.approx(expected)
    assert spans_between(take(*second), take(*first)) == pytest.approx(expected)


def test_means_of_ends_are_over_takes_and_their_intervals_over_people() -> None:
    """Three takes of one and one of another: the mean is over four, the interval over two."""
    found = boundaries_of([[(0.1, 0.2, 0.9)] * 3, [(0.5, 0.2, 0.5)], []])
    assert found is not None
    assert found.onset_s.value == pytest.approx(0.2)
    assert found.overlap.value == pytest.approx(0.8)
    assert (found.end_s.low, found.end_s.high) == pytest.approx((0.2, 0.2))
    assert found.onset_s.low == 0.0
    assert found.onset_s.n == 4
    assert boundaries_of([[], []]) is None


def test_ends_that_are_the_cues_were_set_by_nobody() -> None:
    """A take that lies exactly as its cue was never moved, and is not compared."""
    assert not set_by_hand(take(0.0, 9.0))
    assert set_by_hand(take(0.1, 9.0))
