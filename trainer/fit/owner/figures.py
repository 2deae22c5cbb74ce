"""From the jobs in which held-out people teach a model to the figures of evaluation.json."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from capture.store.dataset import Participant
from runtime.enrolment import enrolment_bytes
from runtime.model import Model
from trainer.fit.held_out import HeldOut, HoldOutJob
from trainer.fit.kept_fits import Finished
from trainer.fit.owner.taught import TeachJob, teach_jobs
from trainer.fit.owner.worth import Shown, figures_of_owners
from trainer.work.jobs import Workers

__all__ = ["enrolment_of", "figures_in_turn"]


def enrolment_of(
    model: Model,
    folds: Sequence[HoldOutJob],
    people: Mapping[str, Participant],
    done: Finished,
    workers: Workers,
    tell: Callable[[str], None],
    events: dict[str, Any] | None,
) -> dict[str, Any]:
    """Return what evaluation.json says of enrolment; nothing where the recipe has none.

    Parameters
    ----------
    model : Model
        As it is exported, whose bytes are told.
    folds : sequence of HoldOutJob
        Training people held out in turn.
    people : mapping of str to Participant
    done : Finished
    workers : Workers
    tell : callable
    events : dict or None
        What was chosen for events of taught models.
    """
    if not folds[0].fit.recipe.head.enrol:
        return {}
    jobs = teach_jobs(folds)
    outcomes = done.run(jobs, workers, tell)
    found = figures_in_turn(jobs, outcomes, people)
    told = {} if events is None else {"events": events}
    return {"enrolment": found | told | {"bytes": enrolment_bytes(model)}}


def figures_in_turn(
    jobs: Sequence[TeachJob], outcomes: Sequence[HeldOut], people: Mapping[str, Participant]
) -> dict[str, Any]:
    """Return what people held out in turn gained by teaching their model.

    Parameters
    ----------
    jobs, outcomes : sequences of TeachJob and HeldOut
        As :func:`trainer.fit.owner.taught.teach_jobs` gave them, and what came of each.
    people : mapping of str to Participant
    """
    shown = [
        Shown(recording.recording.participant, *(int(value) for value in row))
        for job, outcome in zip(jobs, outcomes, strict=True)
        for recording, rows in zip(job.held, outcome.scores, strict=True)
        for row in rows
    ]
    handedness = {name: person.handedness or "" for name, person in people.items()}
    return figures_of_owners(shown, handedness)
