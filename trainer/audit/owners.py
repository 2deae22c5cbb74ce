"""What a device keeps of its owner: taught by everybody in turn, dumped, and attacked.

A device is taught as its owner would teach it, by the same commands, from as many takes of each
class as a person who is led through it shows, if that leaves enough for a second device; from the
next takes another device of the same person is. Whoever has the rows of some devices with their
owners' names then asks whose another device is, and what kind of person owns it; what shape can be
read out of them is asked in :mod:`.owner_pictures`.
"""

from __future__ import annotations

import dataclasses
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from capture.lead.owner.enrolling import TAKES
from capture.store.session import read_session
from runtime.enrolment import can_enrol, carry_out, enrol_place, learned_arrays
from runtime.model import Model
from runtime.stages.contract.stage import Counts, Float64, State
from trainer.audit.chain import Step
from trainer.audit.findings import Finding
from trainer.audit.people.attributes import tell_attributes
from trainer.audit.people.enrolled import Seen
from trainer.audit.people.identity import TOGETHER, identify
from trainer.audit.people.rates import cannot_tell
from trainer.audit.people.same_person import verify_people
from trainer.audit.steps import ChainTakes, taken
from trainer.corpus.noted import columns_of_people

__all__ = [
    "LEARNED",
    "SCENES",
    "attack_owners",
    "learned_step",
    "lessons",
    "taught",
    "taught_devices",
]

LEARNED = "what was learned"
SCENES = "taught devices"
_KNOWS = (
    "what some devices of everybody have learned, each from a few takes of each class, with their "
    "owners' names"
)


def learned_step(model: Model) -> Step | None:
    """Return the step of what a device has learned; None of a model that cannot learn."""
    if not can_enrol(model):
        return None
    sizes = enrol_place(model)[1].sizes
    n_values = sizes.n_slots * (1 + sizes.n_kept)
    return Step(LEARNED, "state", n_values, stored=True)


def taught_devices(takes: ChainTakes, tell: Callable[[str], None] = lambda _: None) -> Seen:
    """Teach devices by everybody's takes; return what each has learned.

    The first device of a session is taught by the first takes of each class, the second by the
    next, and so on, as :func:`lessons` parts them; refused takes teach nothing, as on the device,
    and a device that learned nothing is left out.

    Parameters
    ----------
    takes : ChainTakes
        Of a model that can learn.
    tell : callable, optional
        Is told how far it is.

    Returns
    -------
    Seen
        One row a device: how many takes each class was learned from, and the rows.
    """
    model = takes.model
    rows: list[Float64] = []
    marks: list[tuple[str, str]] = []
    times_s: list[float] = []
    for number, (name, path) in enumerate(takes.paths.items(), start=1):
        tell(f"teaching devices: session {number} of {len(takes.paths)}")
        session = read_session(path)
        frames, takes_of = taken(model, session)
        spans = [(take.trial_type, first, stop) for take, first, stop in takes_of]
        for turn, lesson in enumerate(lessons(model, spans)):
            learned, _ = taught(model, (frames.lit, frames.dark), lesson)
            if learned.any():
                rows.append(learned)
                marks.append((session.participant, name.partition("_task-")[0]))
                times_s.append(float(turn))
    people, sessions = (np.array([mark[k] for mark in marks]) for k in (0, 1))
    n_values = learned_arrays(model, model.initial_state())
    width = sum(array.size for array in n_values.values())
    values = np.array(rows, np.float64).reshape(len(rows), width)
    labels = np.full(len(rows), "device")
    return Seen(values, people, sessions, labels, np.array(times_s))


def lessons(
    model: Model, spans: Sequence[tuple[str, int, int]]
) -> list[list[tuple[int, int, int]]]:
    """Part takes into what devices are taught by: the first of each class, the next, and so on.

    Each has as many as are asked for where somebody is led through an enrolment, but no more than
    leaves some for a second one.

    Parameters
    ----------
    model : Model
    spans : sequence of (str, int, int)
        Label, first frame and stop of each take, in order.

    Returns
    -------
    list of list of (int, int, int)
        By device: class, first frame and stop.
    """
    seen: dict[str, int] = defaultdict(int)
    turns: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    fewest = min(Counter(label for label, _, _ in spans).values(), default=0)
    n_each = max(1, min(TAKES, enrol_place(model)[1].n_takes, fewest // 2))
    for label, first, stop in spans:
        turns[seen[label] // n_each].append((model.classes.index(label), first, stop))
        seen[label] += 1
    return [turns[turn] for turn in sorted(turns)]


def taught(
    model: Model, frames: tuple[Counts, Counts], lesson: Sequence[tuple[int, int, int]]
) -> tuple[Float64, list[bool]]:
    """Teach a new device.

    Returns
    -------
    learned : float64 (n_slots * (1 + n_kept),)
        All that it has learned.
    kept : list of bool
        Of each take of the lesson: refused ones have taught nothing.
    """
    state: State = model.initial_state()
    kept = []
    for slot, first, stop in lesson:
        state = carry_out(model, state, "begin", slot).state
        state = model.run(frames[0][first:stop], frames[1][first:stop], state).state
        state, answer = carry_out(model, state, "add")
        kept.append(answer > 0)
    arrays = learned_arrays(model, carry_out(model, state, "finish").state).values()
    return np.concatenate([array.ravel().astype(np.float64) for array in arrays]), kept


def attack_owners(
    takes: ChainTakes, data: Path, tell: Callable[[str], None] = lambda _: None
) -> list[Finding]:
    """Attack what devices have learned: whose is it, of one person or two, of what kind of person.

    Parameters
    ----------
    takes : ChainTakes
    data : pathlib.Path
        Data set that the takes are of.
    tell : callable, optional
        Is told how far it is.

    Returns
    -------
    list of Finding
        At the step :data:`LEARNED`; none of a model that cannot learn.

    Raises
    ------
    FormatError
        A recording, or a table of the data set, is damaged.
    """
    if not can_enrol(takes.model):
        return []
    devices = taught_devices(takes, tell)
    columns = columns_of_people(data)
    if len(devices.names) < 2:
        found = _untold(devices, ("identity", "same person", *(each.name for each in columns)))
    else:
        tell("attacking what devices have learned")
        found = [*_of_one(identify(devices, LEARNED)), *_of_one(verify_people(devices, LEARNED))]
        found += tell_attributes(devices, columns, LEARNED)
    return [dataclasses.replace(finding, scenes=SCENES, knows=_KNOWS) for finding in found]


def _untold(devices: Seen, questions: Sequence[str]) -> list[Finding]:
    """Say of every question that nobody can tell: one left out would be kept by its limit."""
    n = len(devices.names)
    why = f"the devices of only {n} people learned anything: all other takes were refused"
    return [cannot_tell(LEARNED, question, n, why) for question in questions]


def _of_one(findings: Sequence[Finding]) -> list[Finding]:
    """Keep what is told of a single device."""
    return [f for f in findings if f.scenes == TOGETHER[1]]
