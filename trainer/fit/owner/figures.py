"""From the jobs in which held-out people teach a model to the figures of evaluation.json."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from capture.store.dataset import Participant
from runtime.enrolment import enrolment_bytes
from runtime.model import Model
from trainer.fit.held_out import HeldOut, HoldOutJob
from trainer.fit.kept_fits import Finished
from trainer.fit.owner.favour import (
    AGAIN_SHARE,
    ALLOWED_LOSS,
    choose_favour,
    choose_rival,
    offered_by,
    shown_in_turn,
)
from trainer.fit.owner.taught import TeachJob, teach_jobs
from trainer.fit.owner.worth import figures_of_owners
from trainer.learn.owner import Favour
from trainer.work.jobs import Workers

__all__ = ["Lessons", "enrolment_of", "figures_in_turn", "lessons_in_turn"]


@dataclass(frozen=True, slots=True)
class Lessons:
    """What people held out in turn taught models that had not seen them.

    Parameters
    ----------
    jobs : tuple of TeachJob
        None where a recipe has no enrolment.
    outcomes : tuple of HeldOut
        What came of each.
    favour : Favour
        Of own gestures, and what refuses a take, as all of them chose it.
    """

    jobs: tuple[TeachJob, ...] = ()
    outcomes: tuple[HeldOut, ...] = ()
    favour: Favour = field(default_factory=Favour)


def lessons_in_turn(
    folds: Sequence[HoldOutJob], done: Finished, workers: Workers, tell: Callable[[str], None]
) -> Lessons:
    """Let training people held out in turn teach models; none, where a recipe has no enrolment."""
    if not folds[0].fit.recipe.head.enrol:
        return Lessons()
    jobs = teach_jobs(folds)
    outcomes = done.run(jobs, workers, tell)
    offered = [s for both in zip(jobs, outcomes, strict=True) for s in offered_by(*both)]
    favour = replace(choose_favour(offered), rival=choose_rival(jobs, outcomes))
    return Lessons(tuple(jobs), tuple(outcomes), favour)


def enrolment_of(
    model: Model,
    lessons: Lessons,
    people: Mapping[str, Participant],
    events: dict[str, Any] | None,
) -> dict[str, Any]:
    """Return what evaluation.json says of enrolment; nothing where the recipe has none.

    Parameters
    ----------
    model : Model
        As it is exported, whose bytes are told.
    lessons : Lessons
        Of training people held out in turn.
    people : mapping of str to Participant
    events : dict or None
        What was chosen for events of taught models.
    """
    if not lessons.jobs:
        return {}
    found = figures_in_turn(lessons.jobs, lessons.outcomes, people)
    told = {} if events is None else {"events": events}
    favour = lessons.favour
    if favour.taught is not None or favour.untaught is not None:
        told["favour"] = {
            "taught_nats": favour.taught,
            "untaught_nats": favour.untaught,
            "allowed_loss": ALLOWED_LOSS,
        }
    if favour.rival is not None:
        told["refusal"] = {"rival_nats": round(favour.rival, 3), "good_takes": AGAIN_SHARE}
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
    shown = [s for rows in shown_in_turn(jobs, outcomes) for s in rows]
    handedness = {name: person.handedness or "" for name, person in people.items()}
    return figures_of_owners(shown, handedness)
