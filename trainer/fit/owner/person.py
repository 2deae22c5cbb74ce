"""One person's takes against a fitted chain: shown by the device's commands, and asked about."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from runtime.stages.contract.stage import Int32, Int64, Stage, State
from runtime.stages.teaching.commands import (
    Compared,
    after_command,
    behind_another,
    compared,
    kept_values,
    with_own,
)
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import EVIDENCE_NATS
from runtime.stages.teaching.reasons import ADD, BEGIN, FINISH
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import surest_frames
from trainer.fit.pipeline import Fitted, with_own_gestures
from trainer.recipe import Recipe

__all__ = ["Person", "Taught"]


@dataclass(frozen=True, slots=True)
class Taught:
    """A fitted chain, parted at the stage that learns.

    Parameters
    ----------
    before, after : tuple of Stage
    stage : Enrol
    """

    before: tuple[Stage, ...]
    stage: Enrol
    after: tuple[Stage, ...]

    @classmethod
    def of(cls, fitted: Fitted, recipe: Recipe) -> Taught:
        """Part a fitted pipeline, with its places for own gestures."""
        stages = with_own_gestures(fitted.whole.stages, recipe)
        at = next(i for i, stage in enumerate(stages) if isinstance(stage, Enrol))
        stage = stages[at]
        assert isinstance(stage, Enrol)  # noqa: S101  # as it was found
        return cls(stages[:at], stage, stages[at + 1 :])

    def scores(self, x: Int32, state: State) -> Int32:
        """Return the scores of all frames of what reaches the stage that learns."""
        y, _ = self.stage.run(x, state)
        return self.behind(y)

    def behind(self, y: Int32) -> Int32:
        """Let all frames' scores through what follows the stage that learns."""
        for stage in self.after:
            y, _ = stage.run(y, stage.initial_state())
        return y

    def show(
        self, x: Int32, spans: Sequence[tuple[int, int, int]], wanted: int
    ) -> tuple[State, Int64]:
        """Show takes (slot, first, stop) until so many of each slot are kept; then learn.

        Returns
        -------
        state : dict
        answers : int64 (n_spans,)
            What was answered to each take; 0 where it was not shown.
        """
        state, answers = self.stage.initial_state(), np.zeros(len(spans), dtype=np.int64)
        for number, _, state in self._takes(x, spans, wanted):
            answers[number] = state["answer"][0]
        return self._command(state, FINISH), answers

    def leads(self, x: Int32, spans: Sequence[tuple[int, int, int]], wanted: int) -> list[float]:
        """Return by how many nats another class is ahead of each known one that is so shown.

        As the device would answer that take if those kept before had been learned from.
        """
        nat = self.stage.most_evidence / EVIDENCE_NATS
        return [
            behind_another(self.stage, shown, spans[number][0]) / nat
            for number, shown, _ in self._takes(x, spans, wanted)
        ]

    def _takes(
        self, x: Int32, spans: Sequence[tuple[int, int, int]], wanted: int
    ) -> Iterator[tuple[int, State, State]]:
        """Yield which takes are shown, and the state before and after each is added."""
        state, kept = self.stage.initial_state(), dict.fromkeys((slot for slot, _, _ in spans), 0)
        for number, (slot, first, stop) in enumerate(spans):
            if kept[slot] < wanted:
                ask = np.array([BEGIN, slot], dtype=np.int32)
                _, shown = self.stage.run(x[first:stop], state | {"ask": ask})
                state = self._command(shown, ADD)
                kept[slot] += int(state["answer"][0]) > 0
                yield number, shown, state

    def _command(self, state: State, command: int) -> State:
        return after_command(self.stage, state | {"ask": np.array([command, 0], dtype=np.int32)})


@dataclass(frozen=True, slots=True)
class Person:
    """One person's recordings, one behind the other, up to the stage that learns.

    Parameters
    ----------
    taught : Taught
    recordings : tuple of Reduced
    recipe : Recipe
    x, base, kept : int32 (n_frames, n)
        What reaches that stage, its head's scores, and what it keeps of takes.
    first : tuple of int
        First frame of each recording.
    spans : list of (slot, first, stop)
        Of each take.
    slots : int64 (n_takes,)
    """

    taught: Taught
    recordings: tuple[Reduced, ...]
    recipe: Recipe
    x: Int32
    base: Int32
    kept: Int32
    first: tuple[int, ...]
    spans: list[tuple[int, int, int]]
    slots: Int64

    @classmethod
    def of(
        cls,
        taught: Taught,
        fitted: Fitted,
        recordings: Sequence[Reduced],
        recipe: Recipe,
        new: int | None,
    ) -> Person:
        """Run all recordings up to the stage that learns."""
        values, first, spans = [], [], []
        n_known, start = taught.stage.sizes.n_known, 0
        for recording in recordings:
            x = recording.values
            x = x if fitted.whole.gather is None else fitted.whole.gather.run_difference(x)
            for stage in taught.before:
                x, _ = stage.run(x, stage.initial_state())
            values.append(x)
            first.append(start)
            for cue, (_, stop) in recording.takes:
                slot = _slot(cue.label, new, n_known)
                spans.append((slot, start + cue.start, start + max(cue.stop, stop)))
            start += len(x)
        slots = np.array([slot for slot, _, _ in spans], dtype=np.int64)
        together = np.concatenate(values)
        base, _ = taught.stage.head.run(together, {})
        kept = kept_values(taught.stage, together)
        return cls(
            taught, tuple(recordings), recipe, together, base, kept, tuple(first), spans, slots
        )

    def right(self, state: State, stages: Sequence[Enrol]) -> Int64:
        """Return which takes are answered rightly, 1 or 0, int64 (n_stages, n_takes).

        Parameters
        ----------
        state : dict
            Of the stage that learns.
        stages : sequence of Enrol
            That stage, and as it is when own gestures are favoured otherwise.
        """
        answers = [
            np.stack([self._answers(one, state, part, recording) for one in stages])
            for part, recording in self._parts(state)
        ]
        return np.asarray(np.concatenate(answers, axis=1) == self.slots, dtype=np.int64)

    def _parts(self, state: State) -> Iterator[tuple[Compared, Reduced]]:
        """Yield each recording's frames against all that is known."""
        for start, recording in zip(self.first, self.recordings, strict=True):
            frames = slice(start, start + recording.n_frames)
            base, kept = self.base[frames], self.kept[frames]
            yield compared(self.taught.stage, state, base, kept), recording

    def _answers(self, stage: Enrol, state: State, part: Compared, recording: Reduced) -> Int64:
        """Return what each take is taken for."""
        n_known = stage.sizes.n_known
        gestures = [c for c in range(n_known) if stage.learnable[c]]
        own, rest = (
            list(range(n_known, stage.n_out)),
            [c for c in range(n_known) if c not in gestures],
        )
        scores = self.taught.behind(with_own(stage, state, part))
        ordered = scores[:, [*gestures, *own, *rest]]
        spans = [span for _, span in recording.takes]
        frames = surest_frames(ordered, spans, len(gestures) + len(own))
        return np.asarray(scores[frames].argmax(axis=1), dtype=np.int64)


def _slot(label: int, new: int | None, n_known: int) -> int:
    """Return a class's place among a pipeline's answers; that of the new gesture is the last."""
    if new is None:
        return label
    return n_known if label == new else label - (label > new)
