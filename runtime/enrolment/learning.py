"""A model's enrolment, for programs: its commands on a state, and what was learned as bytes.

A state is what `runtime.model.Model.run` gives and takes. What was learned of a person stays where
that person's device is: nothing here sends or prints it. `learned_arrays` lists all of it, for
whoever asks what it gives away.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, UsageError
from runtime.fixedpoint import INT32_MAX
from runtime.model import Model, model_hash
from runtime.stages.contract.c_text import Edge
from runtime.stages.contract.stage import State
from runtime.stages.teaching.commands import after_command, answers_to_take, far_from_own
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.reasons import ADD, BEGIN, FINISH, FORGET, NO_CLASS, NO_TAKE, REASONS
from runtime.stages.teaching.saved import pack_learned, read_learned, saved_bytes

__all__ = [
    "COMMANDS",
    "MAX_FILE_BYTES",
    "Answered",
    "Command",
    "can_enrol",
    "carry_out",
    "enrol_place",
    "enrolment_bytes",
    "learned_arrays",
    "learned_bytes",
    "likest_class",
    "own_state",
    "reason_in_words",
    "refuse_without",
    "with_learned",
]

Command = Literal["begin", "add", "finish", "forget"]
COMMANDS: dict[Command, int] = {"begin": BEGIN, "add": ADD, "finish": FINISH, "forget": FORGET}
"""The commands by name, and as the state's ``ask`` holds them."""
_LEARNED = ("taught", "rows")
_SESSION = ("take_class", "takes", "best", "best_scores")
MAX_FILE_BYTES = 1 << 20
"""Of a file with what was learned: of 67 classes in 64 directions, the most, it has 4,466 bytes."""


class Answered(NamedTuple):
    """A state after a command, and its answer: a number from 0, or a reason below 0."""

    state: State
    answer: int


def can_enrol(model: Model) -> bool:
    """Tell whether a model was made to learn its owner."""
    return any(isinstance(stage, Enrol) for stage in model.stages)


def refuse_without(model: Model) -> None:
    """Refuse a model that cannot learn; raises UsageError."""
    if not can_enrol(model):
        do = "train it by a recipe with enrol = true in [head]"
        raise UsageError(model.name, "enrolment", "not part of this model", "a model with it", do)


def enrol_place(model: Model) -> tuple[int, Enrol]:
    """Return the number of the stage that learns, and the stage; raises UsageError without one."""
    refuse_without(model)
    return next((i, s) for i, s in enumerate(model.stages) if isinstance(s, Enrol))


def own_state(model: Model, state: State) -> State:
    """Return the part of a model's state that is enrolment's, by its own names."""
    index, stage = enrol_place(model)
    return {name: state[f"s{index}_{name}"] for name in stage.initial_state()}


def carry_out(model: Model, state: State, command: Command, class_number: int = 0) -> Answered:
    """Carry out one command between two frames.

    Parameters
    ----------
    model : Model
    state : dict of int32 arrays
        As ``Model.run`` gave it, or ``Model.initial_state()``.
    command : str
        ``begin`` a take of a class, ``add`` it after its frames, ``finish``: learn from all takes,
        ``forget``: all of the state as shipped, what other stages hold of the last frames as well.
    class_number : int
        For ``begin``: known classes first, then places for own gestures.

    Raises
    ------
    UsageError
        The model cannot learn, or there is no such command.
    """
    index, stage = enrol_place(model)
    if command not in COMMANDS:
        raise UsageError("enrolment", "command", repr(command), ", ".join(COMMANDS))
    if command == "forget":
        return Answered(model.initial_state(), 0)
    own = own_state(model, state)
    asked = class_number if 0 <= class_number <= INT32_MAX else NO_CLASS  # none has such a number
    own["ask"] = np.array([COMMANDS[command], asked], dtype=np.int32)
    own = after_command(stage, own)
    named = {f"s{index}_{name}": value for name, value in own.items()}
    return Answered(state | named, int(own["answer"][0]))


def reason_in_words(answer: int) -> str:
    """Return why a take was refused; empty where it was not."""
    return REASONS[answer][1] if answer in REASONS else ""


def likest_class(model: Model, state: State, asked: int) -> int:
    """Return which other class the frame that counts in the last take is most like.

    ``pw_enrol_like`` is its twin in C.

    Parameters
    ----------
    model : Model
    state : dict of int32 arrays
        While the take is open, or after ``add``; ``finish`` lets go of it.
    asked : int
        The class that was asked for. A known one is compared by the scores that the takes kept so
        far would lead to, a gesture of the owner's own by squared distances to the shipped means
        and to other own gestures, those that refuse it first: as ``add`` refuses it.

    Returns
    -------
    int
        A class; below 0 that there is no such class as `asked`, or no frame of a take.
    """
    _, stage = enrol_place(model)
    own = own_state(model, state)
    if not 0 <= asked < stage.sizes.n_slots:
        return NO_CLASS
    if int(own["frames"][0]) == 0:
        return NO_TAKE
    if asked < stage.sizes.n_known:
        scores = answers_to_take(stage, own)
        scores[asked] = scores.min() - 1
        return int(scores.argmax())
    far = ((stage.means.astype(np.int64) - own["best"]) ** 2).sum(axis=1)
    far = np.concatenate([far, far_from_own(stage, own, asked)])
    near = np.concatenate([stage.near, np.repeat(stage.near_own, stage.n_own)])
    return int(np.lexsort((far, far > near))[0])


def learned_arrays(
    model: Model, state: State, *, session: bool = False
) -> dict[str, NDArray[np.int32]]:
    """List every array that tells of the person.

    Parameters
    ----------
    session : bool
        Also those that are held only until takes were learned from.

    Returns
    -------
    dict of int32 arrays
        ``taught`` (n_slots,) and ``rows`` (n_slots, n_kept), which last; of a session
        ``take_class``, ``takes``, ``best`` and ``best_scores``.
    """
    own = own_state(model, state)
    return {name: own[name].copy() for name in (*_LEARNED, *(_SESSION if session else ()))}


def learned_bytes(model: Model, state: State) -> bytes:
    """Return what was learned as a device keeps it: see `runtime.stages.teaching.saved`."""
    _, stage = enrol_place(model)
    own = own_state(model, state)
    return pack_learned(stage.sizes, model_hash(model), own["taught"], own["rows"])


def with_learned(model: Model, state: State, data: bytes, where: str) -> State:
    """Return a state with what was learned put in the place of what it held.

    Raises
    ------
    UsageError
        The model cannot learn.
    FormatError
        The bytes are damaged, or another model's, or another version's.
    """
    index, stage = enrol_place(model)
    if len(data) > MAX_FILE_BYTES:
        most = f"{saved_bytes(stage.sizes)} bytes"
        raise FormatError(where, "size", f"{len(data)} bytes", most)
    taught, rows = read_learned(stage.sizes, model_hash(model), data, where)
    learned = stage.initial_state() | {"taught": taught, "rows": rows}
    return state | {f"s{index}_{name}": value for name, value in learned.items()}


def enrolment_bytes(model: Model) -> dict[str, int]:
    """Return what enrolment takes of a device, in bytes, without its code.

    Returns
    -------
    dict of str to int
        ``ram`` of the state, ``kept`` over a reset, ``tables`` in flash.
    """
    _, stage = enrol_place(model)
    text = stage.c("s", Edge("int32_t", stage.n_in, 0, 0), Edge("int32_t", stage.n_out, 0, 0))
    widths = {"int8_t": 1, "int16_t": 2, "int32_t": 4}
    ram = sum(widths[member.ctype] * member.length for member in (*text.state, *text.scratch))
    directions = stage.directions
    arrays = (directions.weights, directions.bias, stage.anchors, stage.means, stage.near)
    tables = sum(array.nbytes for array in arrays) + len(stage.anchor_classes) + stage.n_out
    return {"ram": ram, "kept": saved_bytes(stage.sizes), "tables": tables}
