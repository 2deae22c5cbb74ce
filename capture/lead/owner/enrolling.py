"""Leading an owner through enrolment on a desk: which take is asked for, and what came of it.

It stands between the frames of a running model and gives its commands; time is counted in frame
pairs, so that what a recording answers once it answers again.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from runtime.enrolment import (
    MAX_FILE_BYTES,
    carry_out,
    enrol_place,
    learned_arrays,
    learned_bytes,
    likest_class,
    reason_in_words,
    with_learned,
)
from runtime.errors import UsageError
from runtime.files import write_whole
from runtime.model import Model
from runtime.stages.contract.stage import State
from runtime.stages.teaching.reasons import OTHER_CLASS

__all__ = ["MAX_FILE_BYTES", "TAKES", "Enrolling", "Moment", "Wish", "wishes"]

READY_S = 1.5
"""From the request to the take: reading a line and moving the hand there takes about a second."""
POSE_S, MOVEMENT_S = 1.3, 2.0
"""A take: as long as the cues of the built-in scripts show poses and movements."""
TAKES = 3
"""Of each class, where nobody says how many."""
MOST_TRIES = 3
"""Of a take that is refused, or interrupted; then the class goes on with what it has."""
_MOST_MISSING = 0.1
"""Of a take's frame pairs. It looks a tenth faster then, which is less than people differ by."""


@dataclass(frozen=True, slots=True)
class Wish:
    """A take that is asked for: its class by number and name."""

    number: int
    name: str


@dataclass(frozen=True, slots=True)
class Moment:
    """Where an enrolment stands.

    Parameters
    ----------
    phase : str
        ``rest`` before a take, ``cue`` while it is shown, ``done`` after the last.
    name : str
        The class that is asked for; empty when done.
    n_done, n_asked : int
        Takes behind, kept or left out, and takes in all.
    remaining_s : float
        Of this phase.
    """

    phase: Literal["rest", "cue", "done"]
    name: str
    n_done: int
    n_asked: int
    remaining_s: float


def wishes(
    model: Model,
    takes: int | None = None,
    names: Sequence[str] = (),
    learned: bytes | None = None,
) -> list[Wish]:
    """Return the takes to ask for, in rounds over the classes.

    A gesture of one's own is told from what the same person has shown of known ones. So known
    gestures that nobody has shown yet are asked for beside it.

    Parameters
    ----------
    model : Model
    takes : int, optional
        Of each class; :data:`TAKES`, or as many as the model takes, without.
    names : sequence of str
        Classes to learn; all known gestures when empty.
    learned : bytes, optional
        What was learned before, as `runtime.enrolment.learned_bytes` gives it.

    Raises
    ------
    UsageError
        The model cannot learn, a class is unknown, no gesture or named twice, or there are too
        many takes.
    FormatError
        `learned` is damaged, or another model's.
    """
    _, stage = enrol_place(model)
    n_known = stage.sizes.n_known
    may = {
        name: number
        for number, name in enumerate(model.classes)
        if number >= n_known or stage.learnable[number]
    }
    for name in names:
        if name not in may:
            raise UsageError(model.name, "class to enrol", repr(name), f"one of {', '.join(may)}")
    if len(set(names)) != len(names):
        raise UsageError(model.name, "classes to enrol", ", ".join(names), "each once")
    takes = min(TAKES, stage.n_takes) if takes is None else takes
    if not 1 <= takes <= stage.n_takes:
        raise UsageError(model.name, "takes of each class", takes, f"1 to {stage.n_takes}")
    known = [name for name, number in may.items() if number < n_known]
    chosen = list(names) or known
    if any(may[name] >= n_known for name in names):
        state = model.initial_state()
        if learned is not None:
            state = with_learned(model, state, learned, "enrolment")
        taught = learned_arrays(model, state)["taught"]
        chosen = [n for n in known if n not in names and not taught[may[n]]] + chosen
    return [Wish(may[name], name) for _ in range(takes) for name in chosen]


class Enrolling:
    """Asks for one take after the other, and lets the model learn from them.

    Parameters
    ----------
    model : Model
    asked : sequence of Wish
    tell : callable
        Is given a line for the person.
    learned : bytes, optional
        What was learned before, on which this builds.

    Attributes
    ----------
    done : bool
        All takes were asked for and learned from.
    n_kept, n_refused : int
        Takes kept and refused so far.
    answers : list of str
        What came of each take so far, in words; at the end also what is to be taught anew.
    """

    def __init__(
        self,
        model: Model,
        asked: Sequence[Wish],
        tell: Callable[[str], None],
        learned: bytes | None = None,
    ) -> None:
        _, stage = enrol_place(model)
        rate_hz = model.sensor.frame_rate_hz
        take_s = MOVEMENT_S if stage.moves else POSE_S
        self._model, self._asked, self._tell = model, list(asked), tell
        self._ready = max(1, math.ceil(READY_S * rate_hz))
        self._take = max(stage.least_frames, math.ceil(take_s * rate_hz))
        self._word = "do it now" if stage.moves else "hold it"
        self._learned, self._state = learned, model.initial_state()
        self._own = {wish.name for wish in asked if wish.number >= stage.sizes.n_known}
        self._frame = self._wish = self._tries = self._n_interrupted = 0
        self._missing = 0.0  # frame pairs of the open take that never came
        self.done = False
        self.n_kept = self.n_refused = 0
        self.answers: list[str] = []
        self._kept = dict.fromkeys((wish.name for wish in self._asked), 0)

    @property
    def moment(self) -> Moment:
        """Where it stands, for a page that shows it."""
        n_asked = len(self._asked)
        if self._wish == n_asked:
            return Moment("done", "", n_asked, n_asked, 0.0)
        resting = self._frame <= self._ready
        left = self._ready + (0 if resting else self._take) + 1 - self._frame
        left_s = max(0, left) / self._model.sensor.frame_rate_hz
        name = self._asked[self._wish].name
        return Moment("rest" if resting else "cue", name, self._wish, n_asked, left_s)

    def cautions(self) -> list[str]:
        """Return a line for each gesture of one's own that was taught before, and by how much.

        Nothing tells whether another gesture is meant by its name now: it would be a mean of both.
        """
        if self._learned is None:
            return []
        state = with_learned(self._model, self._model.initial_state(), self._learned, "enrolment")
        taught = learned_arrays(self._model, state)["taught"]
        return [
            f"caution: {wish.name} was taught before ({n} {'take' if n == 1 else 'takes'}): takes "
            "are added to it; for another gesture begin without --enrolled"
            for wish in dict.fromkeys(self._asked)
            if wish.name in self._own and (n := int(taught[wish.number]))
        ]

    def before(self, state: State) -> State:
        """Give the command that is due before a frame pair; returns the state after it."""
        if self._learned is not None:
            state = with_learned(self._model, state, self._learned, "enrolment")
            self._learned = None
        if not self.done:
            state = self._led(state)
        self._state = state
        return state

    def missed(self, n_pairs: float) -> None:
        """Heed that frame pairs never came: nobody saw all of a take that lacks more than a few.

        It is asked for anew and is no try of it, as the owner did nothing wrong; but a sensor that
        loses frame pairs all the time is not asked for ever.
        """
        if self._frame <= self._ready:
            if n_pairs > self._ready:  # whoever was told to get ready has waited long
                self._frame = 0
            return
        if self._frame == self._ready + self._take:  # it is whole, and about to be looked at
            return
        self._missing += n_pairs
        if self._missing > _MOST_MISSING * self._take:
            self._n_interrupted += 1
            self._unkept("interrupted, readouts are missing", self._n_interrupted)

    def _led(self, state: State) -> State:
        if self._wish == len(self._asked):
            state, n = carry_out(self._model, state, "finish")
            self.done = True
            takes = "take" if n == 1 else "takes"
            self._tell(f"learned from {n} {takes}; refused: {self.n_refused}")
            self._tell_contradictions()
            return state
        wish, frame = self._asked[self._wish], self._frame
        self._frame += 1
        if frame == 0:
            self._tell(f"{self._wish + 1} of {len(self._asked)}: get ready for {wish.name}")
        elif frame == self._ready:
            self._tell(f"{wish.name}: {self._word}")
            state, _ = carry_out(self._model, state, "begin", wish.number)
            self._missing = 0.0
        elif frame == self._ready + self._take:
            state, answer = carry_out(self._model, state, "add")
            like = ""
            if answer == OTHER_CLASS:
                like = f", {self._model.classes[likest_class(self._model, state, wish.number)]}"
            self._answered(wish, answer, like)
        return state

    def _tell_contradictions(self) -> None:
        """Name classes of which less than half was kept: takes of them are not of one gesture."""
        for name, kept in self._kept.items():
            asked = sum(wish.name == name for wish in self._asked)
            if 2 * kept < asked:
                alike = ", all takes alike" if name in self._own else ""
                self._say(f"{name}: {kept} of {asked} takes kept; teach it anew{alike}")

    def _answered(self, wish: Wish, answer: int, like: str) -> None:
        if answer > 0:
            self.n_kept += 1
            self._kept[wish.name] += 1
            self._say(f"{wish.name}: take {answer} kept")
            self._go_on()
        else:
            self.n_refused += 1
            self._tries += 1
            self._unkept(f"refused, {reason_in_words(answer)}{like}", self._tries)

    def _unkept(self, why: str, n_times: int) -> None:
        """Ask for the take that stands again, or go on without it."""
        again = n_times < MOST_TRIES
        self._say(f"{self._asked[self._wish].name}: {why}; {'again' if again else 'left out'}")
        self._frame = 0
        if not again:
            self._go_on()

    def _go_on(self) -> None:
        self._frame = self._tries = self._n_interrupted = 0
        self._wish += 1

    def _say(self, text: str) -> None:
        self.answers.append(text)
        self._tell(text)

    def learned(self, where: str) -> bytes:
        """Return what was learned, as a file holds it; `where` names what is refused.

        Raises
        ------
        UsageError
            No take was kept, or not all were asked for: there is nothing to keep.
        """
        if not self.done or not self.n_kept:
            got = f"{self.n_kept} takes kept, {'all' if self.done else 'not all'} asked for"
            raise UsageError(where, "enrolment", got, "at least one take kept, to the end")
        return learned_bytes(self._model, self._state)

    def save(self, path: Path) -> None:
        """Write what was learned, under another name first, for its user alone to read.

        Raises
        ------
        UsageError
            As `learned` has it.
        """
        write_whole(path, self.learned(str(path)), private=True)
