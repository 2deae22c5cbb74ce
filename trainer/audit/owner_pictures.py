"""What shape of a hand can be read out of what a device has learned of its owner.

Everybody teaches devices (:mod:`.owners`); of each class that one was taught, an attacker with its
memory draws the hand that taught it. Which class a row belongs to stands beside it, so that the
blind guess knows it as well: what is gained is of this owner's hand, and no gesture's name.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.frames import FrameBlock
from capture.store.kind import INVENTED
from capture.store.session import Session, read_session
from runtime.enrolment import can_enrol, enrol_place
from runtime.model import Model
from runtime.stages.contract.stage import Float64
from trainer.audit.chain import RAW
from trainer.audit.findings import LEAST_PEOPLE, Finding
from trainer.audit.owners import LEARNED, SCENES, learned_step, lessons, taught
from trainer.audit.people.rates import cannot_tell
from trainer.audit.pictures.attack import attack
from trainer.audit.pictures.optic import emulated_optic
from trainer.audit.pictures.scenes import Shown, again, further_session, n_further
from trainer.audit.pictures.whole import PictureRow, rows_of
from trainer.audit.steps import ChainTakes, taken

__all__ = ["N_FURTHER", "attack_owner_pictures"]

N_FURTHER = 100
"""People emulated beside those recorded, each of whom teaches as many devices as they do."""


@dataclass(frozen=True, slots=True, eq=False)
class _Lessons:
    """What devices hold, once for each class that one was taught, and when it was shown.

    Parameters
    ----------
    values : float64 (n, n_values)
    classes : str (n,)
    last : int64 (n,)
        The last frame of what taught it.
    """

    values: Float64
    classes: NDArray[np.str_]
    last: NDArray[np.int64]


def attack_owner_pictures(
    takes: ChainTakes, tell: Callable[[str], None] = lambda _: None
) -> tuple[list[Finding], list[PictureRow]]:
    """Attack what devices have learned by drawing the hands that taught them.

    Returns
    -------
    findings : list of Finding
        At the step :data:`.owners.LEARNED`; none of a model that cannot learn.
    rows : list of PictureRow
        Hands to be printed.

    Raises
    ------
    FormatError
        A recording is damaged.
    """
    step = learned_step(takes.model)
    if step is None or not can_enrol(takes.model):
        return [], []
    if takes.kind != INVENTED:
        return [_untold(takes.n_people, "nobody knows what was in front of the sensor")], []
    tell("making the hands again that taught devices")
    shown, raw = _of_recorded(takes)
    n_people = len(set(shown.people.tolist()))
    if n_people < LEAST_PEOPLE:
        why = f"the hands of only {n_people} people are known whose devices learned anything"
        return [_untold(n_people, why)], []
    session = read_session(next(iter(takes.paths.values())), with_labels=False)
    optic = emulated_optic(takes.model.sensor, session.header.description.unit)
    tell("teaching devices of further people, for the attackers to learn from")
    further = _of_further(takes.model, session)
    taught_any = len(further.people) > 0  # all their takes may be refused
    found = attack(shown, further if taught_any else None, [step], {}, optic.inside, tell)
    findings = [
        dataclasses.replace(each, knows=f"{each.knows}; which row is of which class")
        for each in found.findings
    ]
    return findings, rows_of(found, SCENES, shown.people, raw, optic)


def _untold(n_people: int, why: str) -> Finding:
    return cannot_tell(LEARNED, "picture", n_people, why, SCENES)


def _of_recorded(takes: ChainTakes) -> tuple[Shown, Float64]:
    """Return the hands that taught devices of everybody recorded, and what was read of them."""
    model, usual = takes.model, takes.values[RAW].mean(axis=0, dtype=np.float64)
    found: list[tuple[str, _Lessons, Float64]] = []
    read: list[Float64] = []
    for path in takes.paths.values():
        session = read_session(path)
        frames, takes_of = taken(model, session)
        spans = [(take.trial_type, first, stop) for take, first, stop in takes_of]
        lessons_of = _lessons(model, frames, spans)
        at = lessons_of.last
        if not len(at):
            continue
        raw = (frames.lit[at].astype(np.float32) - frames.dark[at]).reshape(len(at), -1)
        times_s = np.asarray((frames.time_us[at] - frames.time_us[0]) / 1e6)
        pictures = again(session, times_s, raw, usual)
        if pictures is not None:
            found.append((session.participant, lessons_of, pictures))
            read.append(raw.astype(np.float64))
    raw_of_all = np.concatenate(read) if read else np.zeros((0, model.sensor.n_pixels))
    return _shown(found), raw_of_all


def _of_further(model: Model, like: Session) -> Shown:
    """Return the hands that taught devices of people who were not recorded."""
    found = []
    for place in range(n_further(like, N_FURTHER)):
        more = further_session(model, like, place)
        spans = [(label, first, last + 1) for label, first, last in more.spans]
        lessons_of = _lessons(model, more.frames, spans)
        if len(lessons_of.last):
            pictures = more.pictures(lessons_of.last.tolist())
            found.append((f"further {place}", lessons_of, pictures))
    return _shown(found)


def _lessons(model: Model, frames: FrameBlock, spans: Sequence[tuple[str, int, int]]) -> _Lessons:
    """Teach devices; return what those that learned anything hold: a class's mark, and its row.

    With all of the memory beside it attackers drew the hand worse (41 devices, 24 further people:
    0.73 of IoU where the row alone has 0.76): other classes' rows are of other poses.
    """
    sizes = enrol_place(model)[1].sizes
    rows: list[Float64] = []
    classes: list[int] = []
    last: list[int] = []
    for lesson in lessons(model, spans):
        learned, kept = taught(model, (frames.lit, frames.dark), lesson)
        own = learned[sizes.n_slots :].reshape(sizes.n_slots, sizes.n_kept)
        for (slot, _, stop), was_kept in zip(lesson, kept, strict=True):
            if was_kept:  # a hand whose take was refused is not in the row
                mark = np.eye(sizes.n_slots)[slot]
                rows.append(np.concatenate([mark, own[slot]]))
                classes.append(slot)
                last.append(stop - 1)
    width = sizes.n_slots + sizes.n_kept
    names = np.array([model.classes[slot] for slot in classes], dtype=np.str_)
    return _Lessons(
        np.array(rows, np.float64).reshape(len(rows), width), names, np.array(last, np.int64)
    )


def _shown(found: Sequence[tuple[str, _Lessons, Float64]]) -> Shown:
    people = [person for person, lessons_of, _ in found for _ in lessons_of.last]
    if not found:
        return Shown(SCENES, np.zeros((0, 0)), np.array([], dtype=np.str_), {})
    return Shown(
        SCENES,
        np.concatenate([pictures for _, _, pictures in found]),
        np.array(people),
        {LEARNED: np.concatenate([lessons_of.values for _, lessons_of, _ in found])},
        np.concatenate([lessons_of.classes for _, lessons_of, _ in found]),
    )
