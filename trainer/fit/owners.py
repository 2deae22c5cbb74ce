"""From the jobs in which held-out people teach a model to the figures of evaluation.json."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from capture.store.dataset import Participant
from trainer.fit.held_out import HeldOut
from trainer.fit.taught import TeachJob
from trainer.judge.owner import Shown, figures_of_owners

__all__ = ["figures_in_turn"]


def figures_in_turn(
    jobs: Sequence[TeachJob], outcomes: Sequence[HeldOut], people: Mapping[str, Participant]
) -> dict[str, Any]:
    """Return what people held out in turn gained by teaching their model.

    Parameters
    ----------
    jobs, outcomes : sequences of TeachJob and HeldOut
        As :func:`trainer.fit.taught.teach_jobs` gave them, and what came of each.
    people : mapping of str to Participant
    """
    shown = [
        Shown(recording.recording.participant, bool(row[0]), *(int(value) for value in row[1:]))
        for job, outcome in zip(jobs, outcomes, strict=True)
        for recording, rows in zip(job.held, outcome.scores, strict=True)
        for row in rows
    ]
    handedness = {name: person.handedness for name, person in people.items()}
    return figures_of_owners(shown, handedness)
