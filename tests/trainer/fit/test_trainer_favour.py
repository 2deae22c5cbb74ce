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
from trainer.fit.owner.favour import choose_favour, shown_in_turn
from trainer.fit.owner.taught import ALONE, BESIDE, COLUMNS, OFFSETS
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
    """Five takes, gestures that were refused, and classes alone say nothing of a favour."""
    assert choose_favour([]) == Favour(None, None)
    assert choose_favour(offered("P1", 0, n_shown=5)) == Favour(None, None)
    assert choose_favour(offered("P1", 0, kept=2)) == Favour(None, None)
    few = offered("P1", 5, n_shown=1, kept=1)
    assert choose_favour(few).taught == 6
    assert choose_favour(few + offered("P1", 0)).taught == 1


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


def test_a_favour_is_kept_in_the_stage_s_squared_distances() -> None:
    """As many nats as evidence may come to are the largest difference that counts."""
    stage = corner_model().stages[2]
    assert isinstance(stage, Enrol)
    nat = stage.limit // EVIDENCE_NATS
    new = favoured(stage, Favour(taught=2, untaught=-3))
    assert (new.favour, new.guard) == (2 * nat, 3 * nat)
    assert favoured(stage, Favour()) is stage
