"""People held out in turn teach the model that has not seen them, and are asked about other takes.

Commands, refusals and scores are those of the device, in integers. A take that was shown to the
model, kept or refused, is never asked about; only of events, which :mod:`.events` counts in whole
recordings, some are of takes that were shown.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from runtime.stages.contract.stage import Int32, Int64, Stage, State
from runtime.stages.teaching.commands import (
    Compared,
    after_command,
    compared,
    kept_values,
    with_own,
)
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import EVIDENCE_NATS
from runtime.stages.teaching.reasons import ADD, BEGIN, FINISH
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import surest_frames
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.fit.pipeline import Fitted, with_own_gestures
from trainer.learn.owner import Favour, favoured
from trainer.recipe import Recipe

__all__ = [
    "ALONE", "BESIDE", "COLUMNS", "KNOWN", "OFFSETS", "TAKES_EACH", "Taught", "TeachJob",
    "taught_scores", "teach_jobs", "teach_person",
]  # fmt: skip

TAKES_EACH = (1, 3, 5)
"""Of each class, that people show the model."""
MOST_TURNS = 3
"""Each person's takes are parted into shown and asked about up to so many times."""
SPARE = 2
"""So many refused takes of a class are followed by another one."""
OFFSETS = tuple(range(-(EVIDENCE_NATS // 2), EVIDENCE_NATS // 2 + 1))
"""Nats by which an own gesture is favoured, one after another: up to half of what evidence can come
to, so that this still decides. A nat is the odds of 2.7 to one."""
COLUMNS = (
    "kind", "n_shown", "n_asked", "before", "after", "n_new", "new_right", "n_refused", "n_kept",
    "offset",
)  # fmt: skip
"""Of the rows that a job gives for each person: what was shown (:data:`KNOWN`, :data:`ALONE`,
:data:`BESIDE`), takes of a class, takes asked about of known classes, how many of them were right
before and after, takes of the new gesture asked about, how many were right, how many of those
shown were refused and kept; where there is a new gesture, of its own takes; and by how many nats
that was favoured."""
KNOWN, ALONE, BESIDE = range(3)
"""All known classes; a new gesture and nothing else; a new gesture beside all known classes."""


@dataclass(frozen=True, slots=True)
class TeachJob:
    """A fit that people whom it has not seen teach.

    Parameters
    ----------
    name : str
    fit : FitJob
    held : tuple of Reduced
    without : int or None
        A class that the fit does not know and people show as a gesture of their own.
    """

    name: str
    fit: FitJob
    held: tuple[Reduced, ...]
    without: int | None = None

    def run(self) -> HeldOut:
        """Fit, teach and ask; a person's rows stand in the place of scores."""
        fitted = self._fit().run()
        rows = [np.zeros((0, len(COLUMNS)), dtype=np.int32) for _ in self.held]
        people = [r.recording.participant for r in self.held]
        for person in dict.fromkeys(people):  # all of a person's rows stand at the first recording
            own = [r for r, name in zip(self.held, people, strict=True) if name == person]
            rows[people.index(person)] = teach_person(fitted, own, self.fit.recipe, self.without)
        return HeldOut(tuple(rows), fitted.score_unit)

    def _fit(self) -> FitJob:
        """Return the fit, without the windows of the class that is to be new."""
        if self.without is None:
            return self.fit
        recipe, new = self.fit.recipe, self.without
        classes = tuple(name for c, name in enumerate(recipe.classes) if c != new)
        train = []
        for recording in self.fit.train:
            kept = recording.labels != new
            labels = recording.labels[kept]
            labels = np.where(labels > new, labels - 1, labels)
            train.append(replace(recording, frames=recording.frames[kept], labels=labels))
        return replace(
            self.fit, recipe=recipe.model_copy(update={"classes": classes}), train=tuple(train)
        )


def teach_jobs(folds: Sequence[HoldOutJob]) -> list[TeachJob]:
    """Return two jobs for each fold: one that knows all classes, and one without one of them."""
    jobs = []
    for number, fold in enumerate(folds):
        recipe = fold.fit.recipe
        jobs.append(TeachJob(f"taught, {fold.name}", fold.fit, fold.held))
        if recipe.head.own_names and len(recipe.classes) > 2:
            new = number % len(recipe.classes)
            jobs.append(TeachJob(f"new gesture, {fold.name}", fold.fit, fold.held, new))
    return jobs


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
        state, kept = self.stage.initial_state(), dict.fromkeys((slot for slot, _, _ in spans), 0)
        answers = np.zeros(len(spans), dtype=np.int64)
        for number, (slot, first, stop) in enumerate(spans):
            if kept[slot] < wanted:
                ask = np.array([BEGIN, slot], dtype=np.int32)
                _, state = self.stage.run(x[first:stop], state | {"ask": ask})
                state = self._command(state, ADD)
                answers[number] = state["answer"][0]
                kept[slot] += answers[number] > 0
        return self._command(state, FINISH), answers

    def _command(self, state: State, command: int) -> State:
        return after_command(self.stage, state | {"ask": np.array([command, 0], dtype=np.int32)})


def teach_person(
    fitted: Fitted, recordings: Sequence[Reduced], recipe: Recipe, new: int | None = None
) -> Int32:
    """Let a person teach a fitted pipeline, several times from the start.

    Parameters
    ----------
    fitted : Fitted
    recordings : sequence of Reduced
        Of one person whom it has not seen.
    recipe : Recipe
        With all classes, also the one that the pipeline does not know.
    new : int, optional
        That class.

    Returns
    -------
    int32 (n_rows, 10)
        One for each number of takes, what was shown, each turn, and each of :data:`OFFSETS` where
        there is a new gesture: see :data:`COLUMNS`.
    """
    person = _Person.of(Taught.of(fitted, recipe), fitted, recordings, recipe, new)
    stage = person.taught.stage
    own, offsets = stage.sizes.n_known, (0,) if new is None else OFFSETS
    offered = [favoured(stage, Favour(offset, offset)) for offset in offsets]
    [before] = person.right(stage.initial_state(), [stage])
    rows = []
    kinds = (KNOWN,) if new is None else (ALONE, BESIDE)
    for kind, n_shown in itertools.product(kinds, TAKES_EACH):
        for shown in _turns(person.slots, person.taught, n_shown, kind):
            spans = [person.spans[i] for i in shown]
            state, answers = person.taught.show(person.x, spans, n_shown)
            asked = np.ones(len(person.spans), dtype=bool)
            asked[shown[answers != 0]] = False
            old, of_new = asked & (person.slots != own), asked & (person.slots == own)
            if new is not None:
                answers = answers[person.slots[shown] == own]
            for offset, after in zip(offsets, person.right(state, offered), strict=True):
                rows.append((
                    kind, n_shown, old.sum(), before[old].sum(), after[old].sum(),
                    of_new.sum(), after[of_new].sum(), (answers < 0).sum(), (answers > 0).sum(),
                    offset,
                ))  # fmt: skip
    return np.array(rows, dtype=np.int32).reshape(-1, len(COLUMNS))


def taught_scores(
    fitted: Fitted, recordings: Sequence[Reduced], recipe: Recipe, n_takes: int
) -> list[Int32]:
    """Let a person teach the first takes of each class, and score all recordings then.

    Returns
    -------
    list of int32 (n_frames, n_known)
        One for each recording.
    """
    person = _Person.of(Taught.of(fitted, recipe), fitted, recordings, recipe, None)
    taught = person.taught
    flags = taught.stage.learnable
    first = [np.flatnonzero(person.slots == c)[:n_takes] for c in range(len(flags)) if flags[c]]
    spans = [person.spans[i] for i in np.sort(np.concatenate(first))]
    state, _ = taught.show(person.x, spans, n_takes)
    starts = zip(person.first, recordings, strict=True)
    parts = [person.x[start : start + recording.n_frames] for start, recording in starts]
    return [taught.scores(x, state)[:, : taught.stage.sizes.n_known] for x in parts]


@dataclass(frozen=True, slots=True)
class _Person:
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
    ) -> _Person:
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


def _turns(slots: Int64, taught: Taught, n_shown: int, kind: int) -> Iterator[Int64]:
    """Yield the takes that are shown, in time order, each time others where there are enough."""
    n_known = taught.stage.sizes.n_known
    known = [c for c in range(n_known) if taught.stage.learnable[c]]
    wanted = {KNOWN: known, ALONE: [n_known], BESIDE: [*known, n_known]}[kind]
    groups = [np.flatnonzero(slots == slot) for slot in wanted]
    fewest = min(len(group) for group in groups)
    if fewest <= n_shown or n_shown > taught.stage.n_takes:
        return
    for turn in range(min(MOST_TURNS, fewest // n_shown)):
        chosen = [
            np.roll(group, -turn * n_shown)[: min(n_shown + SPARE, len(group) - 1)]
            for group in groups
        ]
        yield np.concatenate([np.stack(row) for row in _in_rounds(chosen)])


def _in_rounds(groups: Sequence[Int64]) -> Iterator[list[np.int64]]:
    """Yield the first of each group, then the second: as people are asked on a desk."""
    for number in range(max(len(group) for group in groups)):
        yield [group[number] for group in groups if number < len(group)]
