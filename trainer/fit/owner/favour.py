"""How far own gestures are favoured: what held-out people choose who show one that no fit knows.

Whether a take is of a gesture that nobody has trained is a question with two mistakes, and
distances know no price of either. As in a test of a given size (J. Neyman and E. Pearson, Phil.
Trans. R. Soc. A 231, 1933), the one is held and the other made least: the favour is that with which
most takes of the new gesture are found while known classes lose at most :data:`ALLOWED_LOSS`. Each
fold's people show a class that its model was trained without, as an owner would.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from capture.lead.owner.enrolling import TAKES
from trainer.fit.held_out import HeldOut
from trainer.fit.owner.taught import ALONE, BESIDE, OFFSETS, TeachJob
from trainer.fit.owner.worth import Shown, accepted_by_person, found_of, shares_of
from trainer.learn.owner import Favour

__all__ = ["ALLOWED_LOSS", "choose_favour", "offered_by", "shown_in_turn"]

ALLOWED_LOSS = 0.01
"""Of known takes' accuracy against the model as shipped, the mean over people: what an owner gets
for it is a gesture more."""


def choose_favour(shown: Sequence[Shown]) -> Favour:
    """Choose how far own gestures are favoured over known classes that were shown, and the others.

    Takes are as many as a desk asks for, or as were shown at most. Of favours that lose no more
    than may be lost that with most takes found is chosen, of equals the least; where all lose more,
    the least of all.

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


def _chosen(shown: Sequence[Shown], kind: int) -> int | None:
    own = [s for s in shown if s.kind == kind and s.accepted and s.n_shown <= TAKES]
    if not own:
        return None
    most = max(s.n_shown for s in own)
    best, most_found = min(OFFSETS), -1.0
    for offset in OFFSETS:
        people = accepted_by_person([s for s in own if (s.n_shown, s.offset) == (most, offset)])
        pairs = np.array([shares_of(turns) for turns in people.values()]).reshape(-1, 2)
        lost = float((pairs[:, 0] - pairs[:, 1]).mean()) if len(pairs) else 0.0
        found = float(np.mean([found_of(turns) for turns in people.values()] or [0.0]))
        if round(lost, 9) <= ALLOWED_LOSS and found > most_found:
            best, most_found = offset, found
    return best


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
        Shown(recording.recording.participant, *(int(value) for value in row))
        for recording, rows in zip(job.held, outcome.scores, strict=True)
        for row in rows
    ]


def _with(shown: Sequence[Shown], favour: Favour) -> list[Shown]:
    offsets = {BESIDE: favour.taught or 0, ALONE: favour.untaught or 0}
    return [s for s in shown if s.offset == offsets.get(s.kind, 0)]
