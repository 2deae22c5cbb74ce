"""Exposures to frame pairs: which belong together, how long one waits, what is counted."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.frames import FramePair
from capture.wire.messages import Description, Exposure
from capture.wire.pairing import PairCounts, Pairer
from runtime.sensor import Sensor

SENSOR = Sensor("two by three", 2, 3)


def a_pairer(hold: int = 2) -> Pairer:
    return Pairer(Description(SENSOR, "unit-1", "1.0", first_row=4), hold=hold)


def exposure(sequence: int, lit: bool) -> Exposure:
    """Return an exposure whose counts and clock tell its sequence, and whether it is lit."""
    time_us = 1000 * sequence + (0 if lit else 300)
    counts = np.full((2, 3), 10 * sequence + lit, np.uint16)
    return Exposure(lit, sequence, time_us, counts, first_row=4)


def feed(pairer: Pairer, *order: str) -> list[list[int]]:
    """Add exposures such as "3l" or "3d"; return the sequences that come out after each."""
    out = []
    for name in order:
        pairs = pairer.add(exposure(int(name[:-1]), name[-1] == "l"))
        out.append([pair.sequence for pair in pairs])
    return out


@pytest.mark.parametrize("order", [(True, False), (False, True)])
def test_lit_is_lit_and_dark_is_dark(order: tuple[bool, bool]) -> None:
    """Whichever comes first, lit counts and time are the lit exposure's, dark ones the dark's."""
    pairer = a_pairer()
    (pair,) = [p for lit in order for p in pairer.add(exposure(0, lit))]
    assert (pair.sequence, pair.time_us, pair.dark_time_us) == (0, 0, 300)
    assert (pair.lit == 1).all() and (pair.dark == 0).all()
    (pair,) = [p for lit in order for p in pairer.add(exposure(1, lit))]
    assert (pair.sequence, pair.time_us, pair.dark_time_us) == (1, 1000, 1300)
    assert (pair.lit == 11).all() and (pair.dark == 10).all()


def test_a_pair_comes_out_with_its_second_exposure() -> None:
    """While nothing is missing, each pair is handed out at once and nothing waits."""
    pairer = a_pairer()
    assert feed(pairer, "0l", "0d", "1d", "1l", "2l", "2d") == [[], [0], [], [1], [], [2]]
    assert pairer.counts == PairCounts(pairs=3)
    assert not pairer._waiting


def test_later_pairs_wait_for_an_earlier_one_as_long_as_is_held() -> None:
    """With two held, a pair waits while the newest is at most two ahead, and then no longer."""
    pairer = a_pairer(hold=2)
    assert feed(pairer, "0l", "1l", "1d", "2l", "2d") == [[], [], [], [], []]
    assert pairer.counts == PairCounts()
    assert feed(pairer, "3l") == [[1, 2]]
    assert pairer.counts == PairCounts(pairs=2, missing=1)
    assert feed(pairer, "3d") == [[3]]


def test_an_exposure_may_be_as_late_as_is_held_and_no_later() -> None:
    """Two behind the newest, an exposure still makes its pair; three behind, it is late."""
    pairer = a_pairer(hold=2)
    feed(pairer, "0l", "1l", "2l")
    assert feed(pairer, "0d", "1d") == [[0], [1]]
    pairer = a_pairer(hold=2)
    feed(pairer, "1l", "3l")
    assert feed(pairer, "0l", "0d") == [[], []]
    assert pairer.counts == PairCounts(late=2)
    assert feed(pairer, "1d", "4l") == [[], [1]]
    assert pairer.counts == PairCounts(pairs=1, missing=1, late=2)


def test_an_exposure_of_a_pair_handed_out_is_late() -> None:
    """What is sent twice is thrown away the second time, and does not make a second pair."""
    pairer = a_pairer()
    feed(pairer, "0l", "0d", "1l", "1d")
    assert feed(pairer, "1d", "1l", "0l") == [[], [], []]
    assert pairer.counts == PairCounts(pairs=2, late=3)
    assert feed(pairer, "2d", "2l") == [[], [2]]


def test_numbers_never_seen_are_missing_and_each_counts_once() -> None:
    """A gap in the sequence is as many missing pairs as numbers were passed over."""
    pairer = a_pairer(hold=2)
    assert feed(pairer, "0l", "0d", "7l", "7d", "8l", "9l", "9d", "10l") == [
        [], [0], [], [], [], [], [], [7],
    ]  # fmt: skip
    assert pairer.counts == PairCounts(pairs=2, missing=6)
    assert feed(pairer, "11l", "11d") == [[9], []]
    assert pairer.counts == PairCounts(pairs=3, missing=7)


def test_four_are_held_unless_told_otherwise() -> None:
    """By default a pair waits for one that is up to four behind the newest exposure."""
    pairer = Pairer(Description(SENSOR, "unit-1", "1.0", first_row=4))
    assert feed(pairer, "0l", "1l", "1d", "4l", "4d") == [[], [], [], [], []]
    assert feed(pairer, "5l") == [[1]]
    assert Pairer(pairer.description).counts == PairCounts() is not pairer.counts
    assert PairCounts() == PairCounts(pairs=0, missing=0, foreign=0, late=0)


@pytest.mark.parametrize(
    "change",
    [
        {"first_row": 3},
        {"bits": 10},
        {"counts": np.zeros((3, 2), np.uint16)},
        {"counts": np.zeros((2, 2), np.uint16)},
        {"counts": np.zeros((1, 3), np.uint16)},
    ],
)
def test_an_exposure_of_another_geometry_is_foreign(change: dict[str, object]) -> None:
    """Other rows, another first row or other bits alone make an exposure foreign; it is counted."""
    pairer = a_pairer()
    feed(pairer, "0l")
    assert pairer.add(dataclasses.replace(exposure(9, False), **change)) == []  # type: ignore[arg-type]
    assert pairer.counts == PairCounts(foreign=1)
    assert pairer.add(dataclasses.replace(exposure(0, False), **change)) == []  # type: ignore[arg-type]
    assert pairer.counts == PairCounts(foreign=2)
    assert feed(pairer, "0d") == [[0]]


def test_at_the_end_whole_pairs_come_out_and_what_is_before_them_is_missing() -> None:
    """A run's end hands out every whole pair held back; a half one after the last was cut off."""
    pairer = a_pairer(hold=5)
    feed(pairer, "1l", "2d", "2l", "3d", "4l", "4d", "5l")
    assert [pair.sequence for pair in pairer.flush()] == [2, 4]
    assert pairer.counts == PairCounts(pairs=2, missing=3)
    assert pairer.flush() == []
    pairer = a_pairer(hold=5)
    feed(pairer, "3l", "3d")
    assert [pair.sequence for pair in pairer.flush()] == [3]
    assert pairer.counts == PairCounts(pairs=1, missing=3)
    pairer = a_pairer()
    feed(pairer, "0d")
    assert pairer.flush() == []
    assert pairer.counts == PairCounts()


def test_counts_may_be_shared_by_several_runs() -> None:
    """A second run's pairer goes on counting where the first one's ended."""
    counts = PairCounts()
    for _ in range(2):
        pairer = Pairer(Description(SENSOR, "unit-1", "1.0", first_row=4), counts)
        feed(pairer, "0l", "0d", "0d")
    assert counts == PairCounts(pairs=2, late=2)


def by_the_rule(order: list[tuple[int, bool]], hold: int) -> tuple[list[int], PairCounts]:
    """Return what the docstrings promise, looking at all that has come each time.

    A number is settled, and never opened again, once it is whole and every number before it is
    settled, or once it is more than `hold` behind the newest and a number has come that lets it go.
    """
    seen: dict[int, set[bool]] = {}
    out: list[int] = []
    first_open, newest, late, missing = 0, 0, 0, 0
    for sequence, lit in order:
        newest = max(newest, sequence)
        if sequence < max(first_open, newest - hold):
            late += 1
            continue
        seen.setdefault(sequence, set()).add(lit)
        while seen:
            lowest = min(seen)
            whole = seen[lowest] == {True, False}
            if not (lowest < newest - hold or (whole and lowest == first_open)):
                break
            missing += lowest - first_open + (not whole)
            out += [lowest] * whole
            first_open = lowest + 1
            del seen[lowest]
    return out, PairCounts(pairs=len(out), missing=missing, late=late)


@given(
    st.lists(st.tuples(st.integers(0, 14), st.booleans()), max_size=40),
    st.integers(0, 4),
)
def test_any_order_gives_what_the_rule_says(order: list[tuple[int, bool]], hold: int) -> None:
    """In any order, pairs come out rising, once, whole, and every number is accounted for."""
    pairer = a_pairer(hold)
    pairs: list[FramePair] = []
    for sequence, lit in order:
        pairs += pairer.add(exposure(sequence, lit))
        assert len(pairer._waiting) <= hold + 1
    expected, counts = by_the_rule(order, hold)
    assert [pair.sequence for pair in pairs] == expected
    assert pairer.counts == counts
    for pair in pairs:
        assert (pair.lit[0, 0], pair.dark[0, 0]) == (10 * pair.sequence + 1, 10 * pair.sequence)
