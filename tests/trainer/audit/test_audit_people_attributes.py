"""Attributes: what kind of person it is, by whatever columns a data set notes."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from invented_takes import invented_takes, named

from trainer.audit.findings import strongest
from trainer.audit.people.attributes import TOGETHER, tell_attributes
from trainer.corpus.noted import Column, column_of, columns_of_people

TABLE = """\
participant_id\tconsent\tlocked\thandedness\thand_length_mm\tglove\tyear\tstation
sub-P001\tyes\tno\tright\t170.5\tno\t1\ta
sub-P002\tyes\tyes\tleft\t181.0\tyes\t1\ta
sub-P003\tyes\tno\tright\tn/a\tn/a\t2\ta
sub-P004\tyes\tno\tright\t190.0\tno\t2\ta
"""


def test_columns_are_told_by_what_is_in_them(tmp_path: Path) -> None:
    """Every column of people is attacked, as numbers or as words; one that is all alike is not."""
    (tmp_path / "participants.tsv").write_text(TABLE, "utf-8")
    found = {column.name: column for column in columns_of_people(tmp_path)}
    assert set(found) == {"handedness", "hand_length_mm", "glove", "year"}
    assert found["hand_length_mm"].numbers == {"P001": 170.5, "P002": 181.0, "P004": 190.0}
    # Two numbers that differ are two kinds of people, and no amount.
    assert found["year"].numbers is None and found["glove"].numbers is None
    assert found["glove"].words == {"P001": "no", "P002": "yes", "P004": "no"}


def noted(name: str, values: Iterable[object]) -> Column:
    """Return a column of the first people."""
    texts = [str(value) for value in values]
    column = column_of(name, dict(zip(named(len(texts)).tolist(), texts, strict=True)))
    assert column is not None
    return column


def test_what_is_in_the_values_is_told_and_nothing_else() -> None:
    """A word and a number that the values hold are told of strangers; those they do not are not."""
    n_people = 30
    rng = np.random.default_rng(4)
    marks = rng.normal(0.0, 2.0, n_people)
    seen = invented_takes(n_people, 0.5, 6, marks=marks)
    plain = [
        noted("size", marks),
        noted("side", np.where(marks > 0, "l", "r")),
        noted("other size", rng.normal(size=n_people)),
        noted("other side", "ab" * 15),
    ]
    found = strongest(tell_attributes(seen, plain, "level"))
    assert [f.question for f in found] == [a.name for a in plain]
    assert [f.told for f in found] == ["leaks", "leaks", "nothing found", "nothing found"]
    size, side = found[:2]
    assert size.measure == "share of the spread told" and size.value is not None
    assert size.value > 0.6 and size.blind == 0.0 and size.n_people == n_people
    assert side.measure == "balanced accuracy" and side.value is not None and side.value > 0.75
    assert side.blind == pytest.approx(0.5)


def test_rare_values_are_left_out_and_too_few_tell_nothing() -> None:
    """A value that fewer than six people have is no class; with one left nothing is told."""
    seen = invented_takes(20, 0.5, 6)
    columns = [
        noted("a", ["r"] * 10 + ["l"] * 7 + ["both"] * 3),
        noted("b", ["r"] * 15 + ["l"] * 5),
        noted("c", [1.0, 2.0, 3.0, 4.0, 5.0]),
    ]
    found = strongest(tell_attributes(seen, columns, "level"))
    assert found[0].n_people == 17 and found[0].blind == pytest.approx(0.5)
    assert [f.told for f in found[1:]] == ["cannot tell", "cannot tell"]
    assert "5 of at least 6 people of a second value" in found[1].why_not
    assert "5 of at least 6 people" in found[2].why_not


def test_numbers_that_are_alike_or_huge_end_no_audit() -> None:
    """Who are asked may all have one number where others differ: nothing is told, and said so."""
    seen = invented_takes(10, 0.5, 6)
    others = invented_takes(14, 0.5, 7)
    others = others.only(np.isin(others.people, named(14)[10:]))
    alike = noted("shoe", [42.0] * 10 + [38.0, 39.0, 40.0, 41.0])
    for further in (None, others):
        (finding,) = tell_attributes(seen, [alike], "level", further)
        assert finding.told == "cannot tell" and finding.value is None and finding.n_people == 10
        assert finding.why_not == "all 10 people of whom it is noted have the same"
    far = np.linspace(-1.0, 1.0, 10)
    small, huge = (tell_attributes(seen, [noted("x", far * k)], "level") for k in (1.0, 1e300))
    assert [f.told for f in huge] == [f.told for f in small] != ["cannot tell"] * len(small)


@pytest.mark.parametrize("n_people", [8, 16])
def test_who_learned_from_too_few_clears_no_number(n_people: int) -> None:
    """Who answers the mean of all, having learned nothing, bounds little of what could be told.

    No attacker's interval ends below what guesses that have nothing to do with the number leave
    open (R. A. Fisher's interval of a correlation of 0, 1921): as much of it as is so told by
    chance, whoever scales them better may be told.
    """
    for seed in range(5):
        rng = np.random.default_rng([seed, n_people])
        marks = rng.normal(0.0, 1.0, n_people)
        seen = invented_takes(n_people, 0.5, seed, n_takes=2, marks=0.65 * marks)
        found = tell_attributes(seen, [noted("size", marks)], "level")
        least = min(f.high for f in found if f.high is not None)
        bound = np.tanh(1.96 / np.sqrt(n_people - 3)) ** 2  # R. A. Fisher, 1921: no correlation
        assert 0.99 * bound <= least <= 1.0


def test_a_guess_of_the_usual_value_gains_nothing() -> None:
    """Where nearly all are right-handed, saying so of everybody is half right in balance."""
    mostly = noted("handedness", ["right"] * 20 + ["left"] * 6)
    seen = invented_takes(26, 0.0, 8)
    same = dataclasses.replace(seen, values=np.zeros((len(seen.people), 2)))
    (finding,) = strongest(tell_attributes(same, [mostly], "event"))
    assert finding.value == pytest.approx(0.5, abs=0.1) and finding.told == "nothing found"


def test_what_all_takes_together_say_is_told() -> None:
    """How much somebody's takes spread is in none of them alone; all of them together tell best."""
    n_people = 40
    rng = np.random.default_rng(3)
    spreads = rng.uniform(0.3, 2.0, n_people)
    seen = invented_takes(n_people, 0.0, 11)
    _, person = np.unique(seen.people, return_inverse=True)
    shaken = seen.values * np.where(np.arange(12) < 6, spreads[person][:, None], 1.0)
    seen = dataclasses.replace(seen, values=shaken)
    columns = [
        noted("tremor", spreads),
        noted("hand", np.where(spreads > np.median(spreads), "a", "b")),
    ]
    found = tell_attributes(seen, columns, "level")
    assert strongest(found)[0].attacker == TOGETHER
    amount, word = (f for f in found if f.attacker == TOGETHER)
    assert amount.told == word.told == "leaks"
    assert amount.value is not None and amount.value > 0.6
    assert word.value is not None and word.value > 0.75


def test_further_people_are_learned_from_and_nobody_asks_of_them() -> None:
    """What few people cannot teach many others do; it is told of those asked, and of no one else.

    Where a word that is asked for is not among the others, those asked are learned from by turns.
    """
    n_asked, n_further = 12, 60
    marks = np.random.default_rng(7).normal(0.0, 1.0, n_asked + n_further)
    every = invented_takes(n_asked + n_further, 0.8, 19, n_takes=3, marks=marks)
    mine = np.isin(every.people, named(n_asked))
    seen, others = every.only(mine), every.only(~mine)
    columns = [noted("size", marks)]
    alone = strongest(tell_attributes(seen, columns, "level"))
    helped = strongest(tell_attributes(seen, columns, "level", others))
    assert [f.n_people for f in (*alone, *helped)] == [n_asked] * 2
    assert all("takes of 60 other people" in f.knows for f in helped)
    assert all("takes of 9 other people" in f.knows for f in alone)
    assert helped[0].told == "leaks" and alone[0].value is not None
    assert helped[0].value is not None and helped[0].value > alone[0].value + 0.1
    odd = noted("hat", ["yes"] * 6 + ["no"] * (n_asked + n_further - 6))
    (finding,) = strongest(tell_attributes(seen, [odd], "level", others))
    assert "takes of 69 other people" in finding.knows and finding.n_people == n_asked
    few = others.only(np.isin(others.people, others.names[:20]))
    (finding,) = strongest(tell_attributes(seen, columns[:1], "level", few))
    assert "takes of 29 other people" in finding.knows
