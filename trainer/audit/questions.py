"""What an audit will ask, before anything is attacked: every question, step, scenes and measure.

A limit about anything else would be kept for ever, as nothing could break it; it is refused before
minutes of attacks and not after them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from trainer.audit.findings import Planned
from trainer.audit.owners import SCENES, owner_steps
from trainer.audit.people.attributes import BALANCED, R2
from trainer.audit.people.identity import MEASURE as SHARE_RIGHT
from trainer.audit.people.identity import TOGETHER
from trainer.audit.people.membership import ADVANTAGE, AREA, MODEL_FILES, OF_A_PERSON
from trainer.audit.people.membership import QUESTION as MEMBERSHIP
from trainer.audit.people.same_person import MEASURE as EQUAL_ERRORS
from trainer.audit.pictures.measures import MEASURES
from trainer.audit.pictures.stand_ins import DRAWN
from trainer.audit.steps import ChainTakes
from trainer.corpus.noted import Column

__all__ = ["planned"]


def planned(takes: ChainTakes, columns: Sequence[Column]) -> frozenset[Planned]:
    """Return all that an audit asks.

    Parameters
    ----------
    takes : ChainTakes
    columns : sequence of Column
        What the data set notes of its people.
    """
    together = tuple(TOGETHER.values())
    places: list[tuple[str, tuple[str, ...], str]] = [
        (step.name, together, "takes") for step in takes.steps
    ]
    of_owners = [step.name for step in owner_steps(takes.model)]
    places += [(step, (SCENES,), SCENES) for step in of_owners]
    return frozenset(
        [
            *_pictures(takes),
            *(Planned("picture", step, SCENES, m) for step in of_owners for m in MEASURES),
            *(
                Planned(question, step, scenes, measure)
                for step, each, _ in places
                for question, measure in (("identity", SHARE_RIGHT), ("same person", EQUAL_ERRORS))
                for scenes in each
            ),
            *(
                Planned(column.name, step, scenes, BALANCED if column.numbers is None else R2)
                for step, _, scenes in places
                for column in columns
            ),
            *(Planned(MEMBERSHIP, MODEL_FILES, OF_A_PERSON, m) for m in (AREA, ADVANTAGE)),
            *(Planned(MEMBERSHIP, step, SCENES, BALANCED) for step in of_owners),
        ]
    )


def _pictures(takes: ChainTakes) -> Iterator[Planned]:
    for step in takes.steps:
        for scenes in ("takes", *DRAWN):
            for measure in MEASURES:
                yield Planned("picture", step.name, scenes, measure)
