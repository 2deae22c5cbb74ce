"""What a device keeps of its owner: taught by everybody in turn, dumped, and attacked.

A device is taught as its owner would teach it, by the same commands, from as many takes of each
class as a person who is led through it shows, if that leaves enough for a second device; from the
next takes another device of the same person is. Its memory is dumped twice: in the middle of the
lesson, while the last take is open and all others are kept, every word of the stage that learns;
and after it, what was learned. Whoever has those of some devices with their owners' names then asks
whose another device is, and what kind of person owns it; what shape can be read out of them is
asked in :mod:`.owner_pictures`.
"""

from __future__ import annotations

import dataclasses
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from capture.lead.owner.enrolling import TAKES
from capture.store.session import read_session
from runtime.enrolment import can_enrol, carry_out, enrol_place, learned_arrays, own_state
from runtime.model import Model
from runtime.stages.contract.stage import Counts, Float64, State
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import SHIPPED_TAKES
from trainer.audit.chain import Step
from trainer.audit.findings import Finding
from trainer.audit.people.attributes import tell_attributes
from trainer.audit.people.enrolled import ONE_SESSION, Seen
from trainer.audit.people.identity import BY_SPREAD, TOGETHER, identify
from trainer.audit.people.membership import QUESTION as MEMBERSHIP
from trainer.audit.people.membership import Members, members_of, others_by_name
from trainer.audit.people.rates import cannot_tell
from trainer.audit.people.same_person import verify_people
from trainer.audit.steps import ChainTakes, taken
from trainer.corpus.noted import Column, columns_of_people

__all__ = [
    "IN_LESSON",
    "LEARNED",
    "SCENES",
    "Taught",
    "attack_owners",
    "flat",
    "lessons",
    "owner_steps",
    "read_back",
    "taught",
    "taught_devices",
]

IN_LESSON = "memory of a lesson"
LEARNED = "what was learned"
SCENES = "taught devices"
_KNOWS = {
    IN_LESSON: "the memory of some devices of {whom}, each taken while it was being taught, and "
    "the model: the means of the takes are read out of it",
    LEARNED: "what some devices of {whom} have learned, each from a few takes of each class, and "
    "the model: the means of those takes are read back out of it",
}
_NAMED = "everybody (by name)"


def owner_steps(model: Model) -> tuple[Step, ...]:
    """Return the steps of what a device holds of its owner; none of a model that cannot learn."""
    if not can_enrol(model):
        return ()
    state = model.initial_state()
    parts = {IN_LESSON: own_state(model, state), LEARNED: learned_arrays(model, state)}
    return tuple(
        Step(name, "state", sum(array.size for array in arrays.values()), stored=True)
        for name, arrays in parts.items()
    )


def taught_devices(
    takes: ChainTakes, tell: Callable[[str], None] = lambda _: None
) -> dict[str, Seen]:
    """Teach devices by everybody's takes; return what each held in its lesson and after it.

    The first device of a session is taught by the first takes of each class, the second by the
    next, and so on, as :func:`lessons` parts them; refused takes teach nothing, as on the device,
    and a device that learned nothing is left out. What is returned is as :func:`read_back` has it.

    Parameters
    ----------
    takes : ChainTakes
        Of a model that can learn.
    tell : callable, optional
        Is told how far it is.

    Returns
    -------
    dict of str to Seen
        By step of :func:`owner_steps`: one row a device.
    """
    model = takes.model
    _, stage = enrol_place(model)
    devices: list[Taught] = []
    marks: list[tuple[str, str]] = []
    times_s: list[float] = []
    for number, (name, path) in enumerate(takes.paths.items(), start=1):
        tell(f"teaching devices: session {number} of {len(takes.paths)}")
        session = read_session(path)
        frames, takes_of = taken(model, session)
        spans = [(take.trial_type, first, stop) for take, first, stop in takes_of]
        for turn, lesson in enumerate(lessons(model, spans)):
            device = taught(model, (frames.lit, frames.dark), lesson)
            if any(device.kept):
                devices.append(device)
                marks.append((session.participant, name.partition("_task-")[0]))
                times_s.append(float(turn))
    n_read = stage.sizes.n_slots * stage.sizes.n_kept
    people, sessions = (np.array([mark[k] for mark in marks]) for k in (0, 1))
    labels = np.full(len(devices), "device")
    held = {
        IN_LESSON: [read_back(stage, device.opened[-1]) for device in devices],
        LEARNED: [read_back(stage, device.learned) for device in devices],
    }
    return {
        step.name: Seen(
            np.array(held[step.name], np.float64).reshape(len(devices), n_read),
            people, sessions, labels, np.array(times_s),
        )
        for step in owner_steps(model)
    }  # fmt: skip


def read_back(stage: Enrol, held: Mapping[str, NDArray[np.int32]]) -> Float64:
    """Return the mean of the takes of each class, as the model's law lets it be read out of words.

    A row holds the shipped mean, which the model's files tell, counted as some takes, and the
    takes; how many these are stands beside it. In a lesson its takes lie there one by one, in the
    order in which they were kept, and the open one. Of a class without a take it is the shipped
    mean, of an own gesture without one zero. Read word by word, what was learned named 0.65 (0.06)
    of 100 people from another session, the memory of a lesson 0.43; read back 0.70 and 0.70 by the
    same attackers.

    Parameters
    ----------
    stage : Enrol
        That learns.
    held : mapping of str to int32 array
        As :func:`runtime.enrolment.learned_arrays` names them, of a lesson the whole state.

    Returns
    -------
    float64 (n_slots, n_kept)
    """
    sizes = stage.sizes
    shipped = np.zeros((sizes.n_slots, sizes.n_kept))
    shipped[: sizes.n_known] = stage.means
    counted = np.where(np.arange(sizes.n_slots) < sizes.n_known, float(SHIPPED_TAKES), 0.0)
    n_takes = held["taught"].astype(np.float64)
    sums = held["rows"] * (n_takes + counted)[:, None] - shipped * counted[:, None]
    sums[n_takes == 0] = 0.0
    if "takes" in held:
        slots, takes = held["take_class"] - 1, held["takes"]
        open_slot = int(held["open"][0]) - 1
        if open_slot >= 0 and int(held["frames"][0]) > 0:
            slots, takes = np.append(slots, open_slot), np.vstack([takes, held["best"]])
        np.add.at(sums, slots[slots >= 0], takes[slots >= 0])
        np.add.at(n_takes, slots[slots >= 0], 1.0)
    shown = n_takes[:, None] > 0
    return np.where(shown, sums / np.maximum(n_takes, 1.0)[:, None], shipped)


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


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """A device that was taught.

    Parameters
    ----------
    learned : mapping of str to int32 array
        All that it has learned, by the names of :func:`runtime.enrolment.learned_arrays`.
    kept : tuple of bool
        Of each take of the lesson: refused ones have taught nothing.
    opened : tuple of mappings of str to int32 array
        Of each take: the whole state of the stage that learns, while the take was open.
    """

    learned: Mapping[str, NDArray[np.int32]]
    kept: tuple[bool, ...]
    opened: tuple[Mapping[str, NDArray[np.int32]], ...]


def flat(arrays: Mapping[str, NDArray[np.int32]]) -> Float64:
    """Return arrays one behind the other, float64 (n_words,)."""
    return np.concatenate([array.ravel().astype(np.float64) for array in arrays.values()])


def taught(
    model: Model, frames: tuple[Counts, Counts], lesson: Sequence[tuple[int, int, int]]
) -> Taught:
    """Teach a new device by a lesson, as :func:`lessons` has it."""
    state: State = model.initial_state()
    kept, opened = [], []
    for slot, first, stop in lesson:
        state = carry_out(model, state, "begin", slot).state
        state = model.run(frames[0][first:stop], frames[1][first:stop], state).state
        opened.append(own_state(model, state))
        state, answer = carry_out(model, state, "add")
        kept.append(answer > 0)
    learned = learned_arrays(model, carry_out(model, state, "finish").state)
    return Taught(learned, tuple(kept), tuple(opened))


def attack_owners(
    takes: ChainTakes,
    data: Path,
    tell: Callable[[str], None] = lambda _: None,
    others: ChainTakes | None = None,
    model_dir: Path | None = None,
) -> list[Finding]:
    """Attack devices that are or were taught: whose, of one person or two, of what kind of person.

    And whether the model was trained on the owner: its directions were chosen so that takes of
    those people lie close together.

    Parameters
    ----------
    takes : ChainTakes
    data : pathlib.Path
        Data set that the takes are of.
    tell : callable, optional
        Is told how far it is.
    others : ChainTakes, optional
        Of further people, of whom nobody asks: they teach devices as well, from which attackers
        learn what kind of people own one. By those of 600 others what was learned told 0.12 of the
        spread of hand breadth and 0.45 of skin's, by those of 160 asked by turns 0.05 and 0.38.
    model_dir : pathlib.Path, optional
        Folder of the model, which says who was trained on.

    Returns
    -------
    list of Finding
        At the steps of :func:`owner_steps`; none of a model that cannot learn.

    Raises
    ------
    FormatError
        A recording, or a table of the data set, is damaged.
    """
    if not can_enrol(takes.model):
        return []
    columns, found = columns_of_people(data), []
    n_steps = len(owner_steps(takes.model))
    trained, why_untold = _trained(takes, others, model_dir)
    further = {} if others is None else taught_devices(others, tell)
    for step, devices in taught_devices(takes, tell).items():
        if len(devices.names) < 2:
            noted = (each.name for each in columns)
            questions = ("identity", "same person", *noted, MEMBERSHIP)
            told = _untold(devices, step, questions)
        else:
            tell(f"attacking devices: {step}")
            whose = identify(devices, step, n_steps, by_spread=True)
            named = [*_of_one(whose), *_of_one(verify_people(devices, step, n_steps=n_steps))]
            told = [_known(each, step, _NAMED) for each in named]
            more = further.get(step)
            learned_from = more if more is not None and len(more.names) else None
            asked = columns if trained is None else [*columns, _column_of(trained)]
            told += [
                _known(each, step, each.knows.removeprefix("takes of "))
                for each in tell_attributes(devices, asked, step, learned_from, n_steps)
            ]
            if trained is None:
                told.append(cannot_tell(step, MEMBERSHIP, len(devices.names), why_untold))
        found += [dataclasses.replace(each, scenes=SCENES) for each in told]
    return found


def _trained(
    takes: ChainTakes, others: ChainTakes | None, model_dir: Path | None
) -> tuple[Members | None, str]:
    """Return who of all was trained on; or None, and why nobody can tell."""
    known = [takes] if others is None else [takes, others]
    people = [name for each in known for name in each.participants.tolist()]
    trained = None if model_dir is None else members_of(model_dir, people)
    if model_dir is None or trained is None:
        return None, "the model's folder does not say who was trained on"
    if any(others_by_name(model_dir, each) for each in known):
        return None, "takes are others than those evaluated under the same names: of somebody else"
    return trained, ""


def _column_of(trained: Members) -> Column:
    """Return who was trained on as a column of people."""
    words = dict.fromkeys(trained.inside, "yes") | dict.fromkeys(trained.outside, "no")
    return Column(MEMBERSHIP, words)


def _known(finding: Finding, step: str, whom: str) -> Finding:
    """Say of a finding whose devices the attacker has; of one without an attacker nothing."""
    if not finding.knows:
        return finding
    more = "; of other people all that they taught" if finding.attacker == BY_SPREAD else ""
    more += f"; one session of each, {ONE_SESSION}" if ONE_SESSION in finding.knows else ""
    return dataclasses.replace(finding, knows=_KNOWS[step].format(whom=whom) + more)


def _untold(devices: Seen, step: str, questions: Sequence[str]) -> list[Finding]:
    """Say of every question that nobody can tell: one left out would be kept by its limit."""
    n = len(devices.names)
    why = f"the devices of only {n} people learned anything: all other takes were refused"
    return [cannot_tell(step, question, n, why) for question in questions]


def _of_one(findings: Sequence[Finding]) -> list[Finding]:
    """Keep what is told of a single device."""
    return [f for f in findings if f.scenes == TOGETHER[1]]
