"""How far own gestures are favoured, on tables whose best favour is known."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from enrol_models import corner_model

from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import EVIDENCE_NATS
from trainer.fit.held_out import HeldOut
from trainer.fit.owner.favour import AGAIN_SHARE, choose_favour, choose_rival, shown_in_turn
from trainer.fit.owner.taught import ALONE, BESIDE, COLUMNS, OFFERED, OFFSETS
from trainer.fit.owner.worth import Shown
from trainer.learn.owner import Favour, favoured


def offered(
    name: str, free: int, *, kind: int = BESIDE, n_shown: int = 3, kept: int = 3
) -> list[Shown]:
    """A hundred known takes, of which each nat above `free` loses one, and a new gesture's twenty.

    Of those one more is found with each nat.
    """
    return [
        Shown(name, kind, n_shown, 100, 90, 90 - max(0, offset - free), 20, 10 + offset, 0, kept,
              offset)
        for offset in OFFSETS
    ]  # fmt: skip


@pytest.mark.parametrize("free", [-4, 0, 3])
def test_the_favour_finds_most_of_what_costs_known_classes_a_point_at_most(free: int) -> None:
    """One known take of a hundred may be lost, in the mean over people; two may not."""
    assert choose_favour(offered("P1", free)) == Favour(free + 1, None)
    both = offered("P1", free) + offered("P2", free + 2)
    assert choose_favour(both).taught == free + 2  # two and none of a hundred are one
    assert choose_favour(offered("P1", free, kind=ALONE)) == Favour(None, free + 1)


def test_where_every_favour_loses_too_much_it_is_the_least() -> None:
    """Nor is more favoured than finds more."""
    assert choose_favour(offered("P1", -20)).taught == min(OFFSETS)
    flat = [Shown("P1", BESIDE, 3, 100, 90, 90, 20, 10, 0, 3, offset) for offset in OFFSETS]
    assert choose_favour(flat).taught == min(OFFSETS)


def test_takes_that_a_desk_does_not_ask_for_choose_nothing() -> None:
    """Five takes alone, and gestures that were refused, say nothing of a favour."""
    assert choose_favour([]) == Favour(None, None)
    assert choose_favour(offered("P1", 0, n_shown=5, kept=5)) == Favour(None, None)
    assert choose_favour(offered("P1", 0, kept=2)) == Favour(None, None)
    assert choose_favour(offered("P1", 5, n_shown=1, kept=1)).taught == 6


@pytest.mark.parametrize(("n_shown", "chosen"), [(1, 6), (5, 3)])
def test_a_favour_keeps_known_classes_after_more_takes_too(n_shown: int, chosen: int) -> None:
    """What loses too much after five takes is not chosen, though it does not after three."""
    others = offered("P1", 2, n_shown=n_shown, kept=n_shown)
    assert choose_favour(others + offered("P1", 5)).taught == chosen
    assert choose_favour(others + offered("P1", 0)).taught == 1


def test_nobody_is_judged_by_a_favour_that_their_own_takes_chose() -> None:
    """Each fold's figures are those with what the other folds chose, and with none if alone."""
    jobs, outcomes = [], []
    for name, free in (("P1", 1), ("P2", 4)):
        rows = [[getattr(shown, column) for column in COLUMNS] for shown in offered(name, free)]
        held = (SimpleNamespace(recording=SimpleNamespace(participant=name)),)
        jobs.append(cast("Any", SimpleNamespace(held=held)))
        outcomes.append(HeldOut((np.array(rows, dtype=np.int32),), 1.0))
    [first], [second] = shown_in_turn(jobs, outcomes)
    assert (first.participant, first.offset) == ("P1", 5)
    assert (second.participant, second.offset) == ("P2", 2)
    [[alone]] = shown_in_turn(jobs[:1], outcomes[:1])
    assert alone.offset == 0


def _leads(*leads: int) -> tuple[list[Any], list[HeldOut]]:
    """A job whose people showed takes of which another class was so far ahead."""
    rows = [[getattr(shown, column) for column in COLUMNS] for shown in offered("P1", 2)]
    for lead in leads:
        rows.append([OFFERED, 3, *[0] * 7, lead])
    held = (SimpleNamespace(recording=SimpleNamespace(participant="P1")),)
    return [SimpleNamespace(held=held)], [HeldOut((np.array(rows, dtype=np.int32),), 1.0)]


def test_one_good_take_in_fifty_is_asked_for_again() -> None:
    """Of a hundred and one takes with 0 to 100 nats two are beyond what is chosen."""
    jobs, outcomes = _leads(*range(101))
    chosen = choose_rival(jobs, outcomes)
    assert chosen == pytest.approx(98) and AGAIN_SHARE == 0.02
    [found] = shown_in_turn(jobs, outcomes)
    assert [one.kind for one in found] == [BESIDE]  # single takes are nobody's lesson
    assert choose_rival(*_leads()) is None
    assert choose_rival(*_leads(-9, -5, -3)) == 0  # another class ahead is never too like


def test_what_refuses_a_take_is_kept_in_steps_of_the_scores() -> None:
    """As many nats as evidence may come to are the most that it adds to a score."""
    stage = corner_model().stages[2]
    assert isinstance(stage, Enrol)
    for nats in (0.0, 12.0, EVIDENCE_NATS, 20.0):
        rival = favoured(stage, Favour(rival=nats)).rival
        assert rival == round(nats * stage.most_evidence / EVIDENCE_NATS)


def test_a_favour_is_kept_in_the_stage_s_squared_distances() -> None:
    """As many nats as evidence may come to are the largest difference that counts."""
    stage = corner_model().stages[2]
    assert isinstance(stage, Enrol)
    nat = stage.limit // EVIDENCE_NATS
    new = favoured(stage, Favour(taught=2, untaught=-3))
    assert (new.favour, new.guard) == (2 * nat, 3 * nat)
    assert favoured(stage, Favour()) is stage
