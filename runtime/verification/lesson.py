"""Whether every execution learns the same: a lesson of takes, good ones and bad, on given frames.

Commands come between two frames. The reference, ONNX Runtime and ONNX's evaluator find them in
the state's ``ask``; in C they are calls. State and scores must agree after every frame, what was
saved must be the same bytes, and after forgetting all is as it was shipped.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from runtime.enrolment import (
    COMMANDS,
    Command,
    carry_out,
    enrol_place,
    learned_bytes,
    likest_class,
)
from runtime.firmware.machine.compile import HOST, CompiledFirmware
from runtime.firmware.machine.execute import HostLibrary, Machine, check_frames
from runtime.firmware.machine.layout import Records
from runtime.model import Model
from runtime.onnx.steps import Before, Engine
from runtime.stages.contract.stage import Counts, State
from runtime.stages.teaching.reasons import DAMAGED, FOREIGN, NOTHING, REASONS
from runtime.verification.engines import reference, stepped

__all__ = ["Lesson", "lesson_for", "lesson_in_c", "taught_by"]

MOST_FRAMES = 96
"""Of a lesson: the interpreter of ONNX in Python learns for seconds, and steps each frame too."""
_SAVE, _LOAD, _LIKE = 5, 6, 7


@dataclass(frozen=True, slots=True)
class Lesson:
    """Frames, and what is asked before each.

    Parameters
    ----------
    lit, dark : uint16 (n_frames, n_rows, n_cols)
    asked : tuple of (command, class) or None, one per frame
    """

    lit: Counts
    dark: Counts
    asked: tuple[tuple[Command, int] | None, ...]


def lesson_for(model: Model, lit: Counts, dark: Counts) -> Lesson:
    """Make a lesson of frames: takes of what each looks like, one of an own gesture, bad ones.

    Which class a take is of is read from the reference's scores, so that some are accepted.
    """
    _, stage = enrol_place(model)
    n = min(len(lit), MOST_FRAMES)
    lit, dark = lit[:n], dark[:n]
    asked: list[tuple[Command, int] | None] = [None] * n
    n_known = stage.sizes.n_known
    learnable = [c for c in range(n_known) if stage.learnable[c]]
    length = stage.least_frames
    scores = model.run(lit, dark).evidence[:, :n_known]
    at, number = 0, 0
    while at + length + 2 < n * 3 // 4:
        best = max(learnable, key=lambda c: int(scores[at + length - 1, c]))
        own = n_known if number % 4 == 3 and stage.n_own else best
        asked[at] = ("begin", n_known + stage.n_own if number == 2 else own)
        short = number % 5 == 4 and length > 1
        asked[at + (length - 1 if short else length)] = ("add", 0)
        at, number = at + length + 1, number + 1
    if at < n:
        asked[at] = ("finish", 0)
    if n - at > 4:
        asked[n - 2] = ("forget", 0)
    return Lesson(lit, dark, tuple(asked))


def _asking(model: Model, lesson: Lesson) -> Before:
    """Return what puts the lesson's commands into the state, frame by frame.

    The stage that learns forgets by what it is asked; all others forget with it, where it is run.
    """
    index, _ = enrol_place(model)
    frame = -1

    def before(state: State) -> State:
        nonlocal frame
        frame += 1
        command = lesson.asked[frame] if frame < len(lesson.asked) else None
        if command is None:
            return state
        ask = np.array([COMMANDS[command[0]], command[1]], dtype=np.int32)
        if command[0] == "forget":
            own = {name: value for name, value in state.items() if name.startswith(f"s{index}_")}
            state = model.initial_state() | own
        return state | {f"s{index}_ask": ask}

    return before


def taught_by(
    model: Model, lesson: Lesson, opened: Callable[[Before], Engine] | None = None
) -> Records:
    """Give a lesson to an engine, the reference by default, and return all that it gave."""
    before = _asking(model, lesson)
    engine = reference(model, before) if opened is None else opened(before)
    return stepped(engine, lesson.lit, lesson.dark)


def lesson_in_c(model: Model, lesson: Lesson, compiled: CompiledFirmware) -> tuple[Records, str]:
    """Give a lesson to the C; return all that it gave, and how its saved bytes or words differ.

    Raises
    ------
    ToolError
        The program faulted, or has no functions of enrolment.
    """
    called = _OnHost(compiled) if compiled.core == HOST else _OnCore(compiled)
    states: list[State] = []
    state = model.initial_state()
    found, difference = [], ""
    for frame, command in enumerate(lesson.asked):
        if command is not None:
            called.command(COMMANDS[command[0]], command[1])
            state = carry_out(model, state, *command).state
            difference = difference or _saved_difference(model, state, called)
            difference = difference or _like_difference(model, state, called)
        pair = slice(frame, frame + 1)
        found.append(called.run(lesson.lit[pair], lesson.dark[pair]))
        state = model.run(lesson.lit[pair], lesson.dark[pair], state).state
        states.append(state)
    together = Records(
        np.concatenate([r.outputs for r in found]),
        np.concatenate([r.evidence for r in found]),
        {name: np.concatenate([r.state[name] for r in found]) for name in found[0].state},
    )
    return together, difference


def _saved_difference(model: Model, state: State, called: _OnHost | _OnCore) -> str:
    """Return how the C saves and loads otherwise than the law, if it does."""
    wanted = learned_bytes(model, state)
    called.command(_SAVE, 0)
    saved = called.learned(len(wanted))
    if saved != wanted:
        at = next(i for i, (a, b) in enumerate(zip(saved, wanted, strict=True)) if a != b)
        return f"byte {at} of what was learned is {saved[at]} instead of {wanted[at]}"
    damaged = saved[:-1] + bytes([saved[-1] ^ 1])
    for data, n_bytes, answer in (
        (bytes([saved[0] ^ 1]) + saved[1:], len(saved), NOTHING),
        (damaged, len(saved), DAMAGED),
        (saved, len(saved) - 1, DAMAGED),
        (_of_another(saved), len(saved) + 1, FOREIGN),
    ):
        called.put(data)
        if called.command(_LOAD, n_bytes) != answer:
            return f"bytes that are to be refused by {REASONS[answer][0]} were not"
    return ""


def _like_difference(model: Model, state: State, called: _OnHost | _OnCore) -> str:
    """Return of which class the C says otherwise what a take is most like, if of any."""
    _, stage = enrol_place(model)
    for asked in range(-1, stage.sizes.n_slots + 1):
        wanted, told = likest_class(model, state, asked), called.command(_LIKE, asked)
        if told != wanted:
            return f"the class that a take of class {asked} is like is {told} instead of {wanted}"
    return ""


def _of_another(saved: bytes) -> bytes:
    """Return a whole enrolment of a model with one place less, of another length."""
    n_slots, n_kept = saved[6], saved[7]
    head = saved[:6] + bytes([n_slots - 1, n_kept]) + saved[8:40]
    body = head + saved[42 : 42 + (n_slots - 1) * (2 + n_kept)]
    return body + zlib.crc32(body).to_bytes(4, "little")


class _OnHost:
    """The C on this machine."""

    def __init__(self, compiled: CompiledFirmware) -> None:
        self._host = HostLibrary(compiled)

    def command(self, number: int, class_number: int) -> int:
        return self._host.command(number, class_number)

    def run(self, lit: Counts, dark: Counts) -> Records:
        return self._host.run(lit, dark)

    def learned(self, n_bytes: int) -> bytes:
        return self._host.learned(n_bytes)

    def put(self, data: bytes) -> None:
        self._host.put_learned(data)


class _OnCore:
    """The C on an emulated core."""

    def __init__(self, compiled: CompiledFirmware) -> None:
        self._machine = Machine(compiled)
        self._room = self._machine.image.symbol("harness_learned").address

    def command(self, number: int, class_number: int) -> int:
        answer = self._machine.call("harness_command", number, class_number & 0xFFFFFFFF)
        return answer - (1 << 32) if answer >> 31 else answer

    def run(self, lit: Counts, dark: Counts) -> Records:
        machine = self._machine
        return machine.layout.decode(machine.run_block(*check_frames(machine.layout, lit, dark)))

    def learned(self, n_bytes: int) -> bytes:
        return self._machine.read(self._room, n_bytes)

    def put(self, data: bytes) -> None:
        self._machine.write(self._room, data)
