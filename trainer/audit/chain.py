"""The steps of a model's chain, and what each holds after a frame.

Steps are found through the contract of stages, and never by what kind of model it is: the two
exposures, each stage's outputs, the state that a stage keeps between frames, and what the device
tells.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from runtime.model import Model
from runtime.stages.contract.chain import check_frames
from runtime.stages.contract.closing import NO_EVENT
from runtime.stages.contract.stage import Counts, Int32, State
from runtime.stages.teaching.enrol import Enrol

__all__ = [
    "DARK",
    "MEMORY",
    "RAW",
    "Floats",
    "Step",
    "alike_before",
    "contained_before",
    "flat_state",
    "overheard",
    "places_of",
    "steps_of",
]

Floats = NDArray[np.float32]

RAW = "raw pair"
"""Lit minus dark, every pixel."""
DARK = "dark exposure"
"""The other exposure of the pair: what the light of the room shows."""
MEMORY = "whole memory"
"""All that a model leaves in memory between frames: states, scores, what was told last. Room to
work in and rows are wiped when a frame ends, so that whoever dumps a device then has no more."""
_MOST_AGE = 1024
"""Frames after which an event is merely long ago, as one is that never was: half a minute and more,
longer than any take."""


@dataclass(frozen=True, slots=True)
class Step:
    """One place of the chain at which an attacker may listen.

    Parameters
    ----------
    name : str
        ``raw pair``, ``dark exposure``, the stage's kind (with its place where the kind stands
        there twice), the closing stage's words for its evidence and its answer; with ``state``
        behind it, what a stage keeps (``untaught`` where it is to learn its owner: what it has
        learned then is attacked apart, by `trainer.audit.owners`).
    role : str
        ``readout``, ``values``, ``state`` or ``told``.
    n_values : int
        Values a frame.
    leaves_device : bool
        Whether this is what the device tells to whatever it is built into.
    stored : bool
        Whether it lies in the device's memory between frames: the next one needs it, or a board may
        ask for it until then.
    """

    name: str
    role: Literal["readout", "values", "state", "told"]
    n_values: int
    leaves_device: bool = False
    stored: bool = False

    @property
    def where(self) -> str:
        """Where an attacker finds it, in words."""
        if self.leaves_device:
            return "leaves the device"
        return "stored between frames" if self.stored else "in memory during a frame"


def steps_of(model: Model) -> tuple[Step, ...]:
    """Return the steps of a model: both exposures, each stage's outputs and state, what is told.

    Where several steps are stored, all of it together is the last, with the last frame's outputs
    of the closing stage.
    """
    n_pixels, closing = model.sensor.n_pixels, model.closing
    steps = [Step(RAW, "readout", n_pixels), Step(DARK, "readout", n_pixels)]
    stages = zip(model.stages, _names(model), model.outputs_last, strict=True)
    for stage, name, lasts in stages:
        if stage is closing:
            n_told = max(closing.n_classes, 1) + 2 + closing.n_out - 1
            steps.append(Step(name, "told", n_told, leaves_device=True))
        else:
            steps.append(Step(name, "values", stage.n_out, stored=lasts))
        n_kept = sum(value.size for value in stage.initial_state().values())
        if n_kept:
            untaught = ", untaught" if isinstance(stage, Enrol) else ""
            steps.append(Step(f"{name} state{untaught}", "state", n_kept, stored=True))
    kept = [step.n_values for step in steps if step.stored]
    if len(kept) > 1:
        steps.append(Step(MEMORY, "state", sum(kept) + closing.n_out, stored=True))
    return tuple(steps)


def places_of(model: Model) -> dict[str, int]:
    """Return which stage gives or keeps each step; of all memory the first that keeps anything.

    The raw pair stands before the first, which is 0; the dark exposure is only a part of what
    that works on, and stands nowhere.
    """
    places = {RAW: -1}
    named = iter(step.name for step in steps_of(model)[2:])
    for index, stage in enumerate(model.stages):
        places[next(named)] = index
        if stage.initial_state():
            places[next(named)] = index
            places.setdefault(MEMORY, index)
    return places


def alike_before(
    values: Mapping[str, NDArray[Any]], steps: Sequence[Step], step: Step
) -> Step | None:
    """Return a step before that holds the very same: what is found there is found here as well.

    A window of one frame is one. Readouts are attacked in a way of their own, and are none.
    """
    for other in steps:
        if other is step or step.role == "readout":
            return None
        same = other.role != "readout" and other.n_values == step.n_values
        if same and np.array_equal(values[other.name], values[step.name]):
            return other
    return None


def contained_before(
    values: Mapping[str, NDArray[Any]], steps: Sequence[Step], step: Step
) -> Step | None:
    """Return the first step before whose values lie side by side among those of a state.

    What is found there is found here as well: a state that keeps a frame is no safer than the
    frame. Values are compared after the last frame that an attacker has, which stands first.
    """
    if step.role != "state":
        return None
    outer = values[step.name][:, : step.n_values]
    for other in steps[: steps.index(step)]:
        inner = values[other.name][:, : other.n_values]
        if other.role == "readout":
            continue
        for first in range(step.n_values - other.n_values + 1):
            alike = np.array_equal(outer[:, first], inner[:, 0])
            if alike and np.array_equal(outer[:, first : first + other.n_values], inner):
                return other
    return None


def _names(model: Model) -> list[str]:
    """Name each stage: the closing stage's words for what it takes and gives, else the kind."""
    kinds = Counter(stage.kind for stage in model.stages)
    names = [
        stage.kind if kinds[stage.kind] == 1 else f"{stage.kind} {index}"
        for index, stage in enumerate(model.stages)
    ]
    for place, word in ((-1, model.closing.output_name), (-2, model.closing.evidence_name)):
        if word not in names:
            names[place] = word
    return names


def overheard(
    model: Model,
    blocks: Iterable[tuple[Counts, Counts]],
    at: Sequence[int],
    since: Sequence[int],
    state: State | None = None,
) -> dict[str, Floats]:
    """Run consecutive frames; return what every step holds after some of them.

    What the device tells is its last event so far, one column a class (one column in all where
    there are no classes), for how many frames it has stood and how many events there were, both
    within the take, and the outputs that hold on every frame.

    Parameters
    ----------
    model : Model
    blocks : iterable of two uint16 (n, n_rows, n_cols)
        Lit and dark exposures, in order.
    at : sequence of int
        Frames, rising strictly.
    since : sequence of int
        The first frame of the take that each of them belongs to.
    state : dict, optional
        The model's before the first frame, as :meth:`runtime.model.Model.run` gives it: what a
        device has learned. Its first state without.

    Returns
    -------
    dict of str to float32 (n_heard, n_values)
        By step; fewer rows where the frames end early.

    Raises
    ------
    FormatError
        Exposures are not the sensor's.
    """
    own = _split(model, model.initial_state() if state is None else dict(state))
    rows: list[list[Floats]] = []
    events: list[Int32] = []
    begin = 0
    for lit, dark in blocks:
        check_frames(lit, dark, model.sensor)
        inside = [frame + 1 - begin for frame in at if begin <= frame < begin + len(lit)]
        edges = [0, *inside, *([len(lit)] if [0, *inside][-1] != len(lit) else [])]
        for first, stop in pairwise(edges):
            outputs = _run(model, lit[first:stop], dark[first:stop], own)
            events.append(outputs[-1][:, 0])
            if stop in inside:
                heard = len(rows)
                told = _told(model, np.concatenate(events), since[heard], outputs[-1][-1])
                row = _row(lit[stop - 1], dark[stop - 1], outputs, told, own)
                rows.append([*row, *_memory(model, row, outputs[-1][-1])])
        begin += len(lit)
    columns = zip(*rows, strict=True) if rows else ([] for _ in steps_of(model))
    return {
        step.name: np.array(list(column), np.float32).reshape(len(rows), step.n_values)
        for step, column in zip(steps_of(model), columns, strict=True)
    }


def _split(model: Model, state: State) -> list[State]:
    return [
        {key: state[f"s{index}_{key}"] for key in stage.initial_state()}
        for index, stage in enumerate(model.stages)
    ]


def _run(model: Model, lit: Counts, dark: Counts, own: list[State]) -> list[Int32]:
    """Run a few frames; return every stage's outputs, and leave the states after them."""
    outputs = [model.entry.run_frames(lit, dark)]
    for index, stage in enumerate(model.stages[1:], start=1):
        x, own[index] = stage.run(outputs[-1], own[index])
        outputs.append(x)
    return outputs


def _row(
    lit: Counts,
    dark: Counts,
    outputs: list[Int32],
    told: Floats,
    own: list[State],
) -> list[Floats]:
    """Return what every step holds after one frame, in the order of `steps_of`."""
    row = [(lit.astype(np.float32) - dark).ravel(), dark.astype(np.float32).ravel()]
    for index, (output, state) in enumerate(zip(outputs, own, strict=True)):
        row.append(told if index == len(own) - 1 else output[-1].astype(np.float32))
        if state:
            row.append(flat_state(state))
    return row


def _memory(model: Model, row: list[Floats], last: Int32) -> list[Floats]:
    """Return the step of all that is stored, of a row of those before it; none where it is none."""
    steps = steps_of(model)
    if steps[-1].name != MEMORY:
        return []
    kept = [values for step, values in zip(steps, row, strict=False) if step.stored]
    return [np.concatenate([*kept, last.astype(np.float32)])]


def flat_state(state: State) -> Floats:
    """Return what a stage keeps, one array behind the other, float32 (n_values,)."""
    return np.concatenate([value.astype(np.float32).ravel() for value in state.values()])


def _told(model: Model, events: Int32, since: int, last: Int32) -> Floats:
    """Return what a listener outside has heard by the last of some frames."""
    n_classes = model.closing.n_classes
    when = np.flatnonzero(events != NO_EVENT)
    event = int(events[when[-1]]) if len(when) else NO_EVENT
    frame = len(events) - 1
    stood = min(frame - max(int(when[-1]), since - 1) if len(when) else _MOST_AGE, _MOST_AGE)
    if n_classes:
        code = np.zeros(n_classes, np.float32)
        if 0 <= event < n_classes:
            code[event] = 1.0
    else:
        code = np.array([event], np.float32)
    counts = np.array([stood, np.count_nonzero(when >= since)], np.float32)
    return np.concatenate([code, counts, last[1:].astype(np.float32)])
