"""What people held out in turn choose: how far own gestures are favoured, and what refuses a take.

Whether a take is of a gesture that nobody has trained is a question with two mistakes, and
distances know no price of either. As in a test of a given size (J. Neyman and E. Pearson, Phil.
Trans. R. Soc. A 231, 1933), the one is held and the other made least: the favour is that with which
most takes of the new gesture are found while known classes lose at most :data:`ALLOWED_LOSS`, after
as many takes as a desk asks for and after more. Each fold's people show a class that its model was
trained without, as an owner would.

Which takes are asked for again is a question of the same kind, where the good ones are known: as
far as another class is ahead of one good take in fifty, it may be.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from capture.lead.owner.enrolling import TAKES
from runtime.stages.contract.stage import Int32
from trainer.fit.held_out import HeldOut
from trainer.fit.owner.taught import ALONE, BESIDE, COLUMNS, OFFERED, OFFSETS, TeachJob
from trainer.fit.owner.worth import Shown, accepted_by_person, found_of, shares_of
from trainer.learn.owner import Favour

__all__ = [
    "AGAIN_SHARE",
    "ALLOWED_LOSS",
    "choose_favour",
    "choose_rival",
    "offered_by",
    "shown_in_turn",
]

ALLOWED_LOSS = 0.01
"""Of known takes' accuracy against the model as shipped, the mean over people: what an owner gets
for it is a gesture more."""
AGAIN_SHARE = 0.02
"""Of good takes of known classes, asked for again as too like another class. Of one in a hundred to
one in twenty a lesson is worth the same (invented people of three optics); in 80, 65 and 30 of a
hundred cases it refuses a take of another class, at one in a hundred in 73, 57 and 22."""


def choose_favour(shown: Sequence[Shown]) -> Favour:
    """Choose how far own gestures are favoured over known classes that were shown, and the others.

    Of favours that lose no more than may be lost after as many takes as a desk asks for, or the
    next fewer that were shown, nor after more, that is chosen with which most takes are found after
    as many; of equals the least. Where all lose more, it is the least of all.

    Parameters
    ----------
    shown : sequence of Shown
        By held-out people, with each of the favours that are offered.

    Returns
    -------
    Favour
        None where nobody showed a gesture so.
    """
    return Favour(_chosen(shown, BESIDE), _chosen(shown, ALONE))


def choose_rival(jobs: Sequence[TeachJob], outcomes: Sequence[HeldOut]) -> float | None:
    """Choose by how many nats another class may be ahead of a take that is kept.

    Returns
    -------
    float or None
        None where nobody showed known classes.
    """
    at = COLUMNS.index("offset")
    leads = [row[at] for _, row in _rows(jobs, outcomes) if row[COLUMNS.index("kind")] == OFFERED]
    return max(0.0, float(np.quantile(leads, 1 - AGAIN_SHARE))) if leads else None


def _chosen(shown: Sequence[Shown], kind: int) -> int | None:
    own = [s for s in shown if s.kind == kind and s.accepted]
    asked = max((s.n_shown for s in own if s.n_shown <= TAKES), default=None)
    if asked is None:
        return None
    numbers = sorted({s.n_shown for s in own if s.n_shown >= asked})
    best, most_found = min(OFFSETS), -1.0
    for offset in OFFSETS:
        by_number = [
            [s for s in own if (s.n_shown, s.offset) == (number, offset)] for number in numbers
        ]
        found = _found(by_number[0])
        # Shares that are a hundredth apart differ from it in their last digits.
        held = all(round(_lost(turns), 9) <= ALLOWED_LOSS for turns in by_number)
        if held and found > most_found:
            best, most_found = offset, found
    return best


def _lost(shown: Sequence[Shown]) -> float:
    """Return what known classes lose, the mean over people."""
    pairs = [shares_of(turns) for turns in accepted_by_person(shown).values()]
    return float(np.mean([before - after for before, after in pairs]))


def _found(shown: Sequence[Shown]) -> float:
    """Return the share of a new gesture's takes that are found, the mean over people."""
    return float(np.mean([found_of(turns) for turns in accepted_by_person(shown).values()]))


def shown_in_turn(jobs: Sequence[TeachJob], outcomes: Sequence[HeldOut]) -> list[list[Shown]]:
    """Return what people of each job showed, with the favour that those of all other jobs chose.

    Nobody is judged by a favour that their own takes, or others of their new gesture in that fold,
    had a part in. Where there is no other job, nothing is favoured.

    Parameters
    ----------
    jobs, outcomes : sequences of TeachJob and HeldOut
    """
    offered = [offered_by(*both) for both in zip(jobs, outcomes, strict=True)]
    return [
        _with(own, choose_favour([s for rows in offered if rows is not own for s in rows]))
        for own in offered
    ]


def offered_by(job: TeachJob, outcome: HeldOut) -> list[Shown]:
    """Return what a job's people showed, with each of the favours that are offered."""
    return [
        Shown(name, *(int(value) for value in row))
        for name, row in _rows([job], [outcome])
        if row[COLUMNS.index("kind")] != OFFERED
    ]


def _rows(jobs: Sequence[TeachJob], outcomes: Sequence[HeldOut]) -> Iterator[tuple[str, Int32]]:
    """Yield who showed something, and the row of it."""
    for job, outcome in zip(jobs, outcomes, strict=True):
        for recording, rows in zip(job.held, outcome.scores, strict=True):
            for row in rows:
                yield recording.recording.participant, row


def _with(shown: Sequence[Shown], favour: Favour) -> list[Shown]:
    offsets = {BESIDE: favour.taught or 0, ALONE: favour.untaught or 0}
    return [s for s in shown if s.offset == offsets.get(s.kind, 0)]
