"""What shape of a hand can be read out of what a device holds of its owner.

Everybody teaches devices (:mod:`.owners`). An attacker with the memory of one in the middle of a
lesson draws the hand that is being shown; with what it has learned, of each class the hand that
taught it. Which class it is stands beside it, so that the blind guess knows it as well: what is
gained is of this owner's hand, and no gesture's name.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.frames import FrameBlock
from capture.store.kind import INVENTED
from capture.store.session import Session, read_session
from runtime.enrolment import enrol_place
from runtime.model import Model
from runtime.stages.contract.stage import Float64
from trainer.audit.chain import RAW
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.owners import (
    IN_LESSON,
    LEARNED,
    SCENES,
    flat,
    lessons,
    owner_steps,
    read_back,
    taught,
)
from trainer.audit.people.rates import cannot_tell
from trainer.audit.pictures.attack import attack
from trainer.audit.pictures.optic import emulated_optic
from trainer.audit.pictures.scenes import Shown, again, further_session, n_further
from trainer.audit.pictures.whole import NOT_ASKED, PictureRow, rows_of
from trainer.audit.steps import ChainTakes, taken

__all__ = ["N_FURTHER", "attack_owner_pictures"]

_OPEN_TAKE = ("best", "best_scores")
"""Of the state: the frame that an open take keeps, as directions and as the head's scores."""
N_FURTHER = 100
"""People emulated beside those recorded, each of whom teaches as many devices as they do."""


@dataclass(frozen=True, slots=True, eq=False)
class _Lessons:
    """What devices hold, once for each hand that is in it, and when that was shown.

    Parameters
    ----------
    values : float64 (n, n_values)
    classes : str (n,)
    last : int64 (n,)
        The last frame of the hand's take.
    """

    values: Float64
    classes: NDArray[np.str_]
    last: NDArray[np.int64]


_ByStep = Mapping[str, _Lessons]


def attack_owner_pictures(
    takes: ChainTakes, tell: Callable[[str], None] = lambda _: None, *, wanted: bool = True
) -> tuple[list[Finding], list[PictureRow]]:
    """Attack devices that are or were taught by drawing the hands that taught them.

    Returns
    -------
    findings : list of Finding
        At the steps of :func:`.owners.owner_steps`; none of a model that cannot learn.
    rows : list of PictureRow
        Hands to be printed.

    Raises
    ------
    FormatError
        A recording is damaged.
    """
    steps = owner_steps(takes.model)
    if not steps:
        return [], []
    if not wanted or takes.kind != INVENTED:
        why = "nobody knows what was in front of the sensor" if wanted else NOT_ASKED
        return [_untold(step.name, takes.n_people, why) for step in steps], []
    tell("making the hands again that taught devices")
    shown, raw = _of_recorded(takes)
    enough = {n: len(set(each.people.tolist())) for n, each in shown.items()}
    further: Mapping[str, Shown] = {}
    session = read_session(next(iter(takes.paths.values())), with_labels=False)
    if max(enough.values()) >= LEAST_PEOPLE:
        tell("teaching devices of further people, for the attackers to learn from")
        further = _of_further(takes.model, session)
    optic = emulated_optic(takes.model.sensor, session.header.description.unit)
    findings, rows = [], []
    for step in steps:
        own = shown[step.name]
        if enough[step.name] < LEAST_PEOPLE:
            n = enough[step.name]
            why = f"the hands of only {n} people are known whose devices learned anything"
            findings.append(_untold(step.name, n, why))
            continue
        more = further[step.name]  # all takes of these may be refused
        found = attack(own, more if len(more.people) else None, [step], {}, optic.inside, tell)
        findings += [
            dataclasses.replace(each, knows=f"{each.knows}; which hand is of which class")
            for each in found.findings
        ]
        rows += rows_of(found, SCENES, own.people, raw[step.name], optic)
    return findings, _of_one_scene(rows)


def _of_one_scene(rows: Sequence[PictureRow]) -> list[PictureRow]:
    """Print a hand once where both steps were asked of it."""
    found: list[PictureRow] = []
    for row in rows:
        same = (k for k, other in enumerate(found) if np.array_equal(other.truth, row.truth))
        at = next(same, None)
        if at is None:
            found.append(row)
        else:
            found[at] = dataclasses.replace(found[at], shown=found[at].shown | row.shown)
    return found


def _untold(step: str, n_people: int, why: str) -> Finding:
    return cannot_tell(step, "picture", n_people, why, SCENES)


def _of_recorded(takes: ChainTakes) -> tuple[dict[str, Shown], dict[str, Float64]]:
    """Return the hands that taught devices of everybody recorded, and what was read of them."""
    model, usual = takes.model, takes.values[RAW].mean(axis=0, dtype=np.float64)
    names = [step.name for step in owner_steps(model)]
    found: dict[str, list[tuple[str, _Lessons, Float64]]] = {name: [] for name in names}
    read: dict[str, list[Float64]] = {name: [] for name in names}
    for path in takes.paths.values():
        session = read_session(path)
        frames, takes_of = taken(model, session)
        spans = [(take.trial_type, first, stop) for take, first, stop in takes_of]
        for name, lessons_of in _lessons(model, frames, spans).items():
            at = lessons_of.last
            if not len(at):
                continue
            raw = (frames.lit[at].astype(np.float32) - frames.dark[at]).reshape(len(at), -1)
            times_s = np.asarray((frames.time_us[at] - frames.time_us[0]) / 1e6)
            pictures = again(session, times_s, raw, usual)
            if pictures is not None:
                found[name].append((session.participant, lessons_of, pictures))
                read[name].append(raw.astype(np.float64))
    nothing = np.zeros((0, model.sensor.n_pixels))
    raw_of_all = {name: np.concatenate([nothing, *rows]) for name, rows in read.items()}
    return {name: _shown(name, each) for name, each in found.items()}, raw_of_all


def _of_further(model: Model, like: Session) -> dict[str, Shown]:
    """Return the hands that taught devices of people who were not recorded."""
    names = [step.name for step in owner_steps(model)]
    found: dict[str, list[tuple[str, _Lessons, Float64]]] = {name: [] for name in names}
    for place in range(n_further(like, N_FURTHER)):
        more = further_session(model, like, place)
        spans = [(label, first, last + 1) for label, first, last in more.spans]
        for name, lessons_of in _lessons(model, more.frames, spans).items():
            if len(lessons_of.last):
                pictures = more.pictures(lessons_of.last.tolist())
                found[name].append((f"further {place}", lessons_of, pictures))
    return {name: _shown(name, each) for name, each in found.items()}


def _lessons(
    model: Model, frames: FrameBlock, spans: Sequence[tuple[str, int, int]]
) -> dict[str, _Lessons]:
    """Teach devices; return what they hold, by step, a row for each hand in it.

    Of a lesson these are the mark of the class that is asked for, and what the open take has left
    so far, in the words that every take is kept by; of what was learned a class's mark, and its
    row: with all of the memory beside it attackers drew the hand worse (41 devices, 24 further
    people: 0.73 of IoU where the row alone has 0.76), as other classes' rows are of other poses.
    """
    rows: dict[str, list[Float64]] = {IN_LESSON: [], LEARNED: []}
    classes: dict[str, list[str]] = {IN_LESSON: [], LEARNED: []}
    last: dict[str, list[int]] = {IN_LESSON: [], LEARNED: []}
    _, stage = enrol_place(model)
    for lesson in lessons(model, spans):
        device = taught(model, (frames.lit, frames.dark), lesson)
        for (slot, _, stop), kept, opened in zip(lesson, device.kept, device.opened, strict=True):
            mark = np.eye(stage.sizes.n_slots)[slot]
            held = {IN_LESSON: flat({name: opened[name] for name in _OPEN_TAKE})}
            if kept:  # a hand whose take was refused is not in the row
                held[LEARNED] = read_back(stage, device.learned)[slot]
            for name, values in held.items():
                rows[name].append(np.concatenate([mark, values]))
                classes[name].append(model.classes[slot])
                last[name].append(stop - 1)
    return {
        name: _Lessons(
            np.array(rows[name], np.float64),
            np.array(classes[name], dtype=np.str_),
            np.array(last[name], np.int64),
        )
        for name in rows
    }


def _shown(step: str, found: Sequence[tuple[str, _Lessons, Float64]]) -> Shown:
    people = [person for person, lessons_of, _ in found for _ in lessons_of.last]
    if not found:
        return Shown(SCENES, np.zeros((0, 0)), np.array([], dtype=np.str_), {})
    return Shown(
        SCENES,
        np.concatenate([pictures for _, _, pictures in found]),
        np.array(people),
        {step: np.concatenate([lessons_of.values for _, lessons_of, _ in found])},
        np.concatenate([lessons_of.classes for _, lessons_of, _ in found]),
    )
