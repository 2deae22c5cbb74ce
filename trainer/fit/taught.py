"""People held out in turn teach the model that has not seen them, and are asked about other takes.

Commands, refusals and scores are those of the device, in integers. A take that was shown to the
model, kept or refused, is never asked about.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from runtime.stages.contract.stage import Int32, Int64, Stage, State
from runtime.stages.enrol import Enrol
from runtime.stages.teaching.commands import after_command
from runtime.stages.teaching.reasons import ADD, BEGIN, FINISH
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.fit.pipeline import Fitted, with_own_gestures
from trainer.recipe import Recipe

__all__ = ["COLUMNS", "TAKES_EACH", "Taught", "TeachJob", "teach_jobs", "teach_person"]

TAKES_EACH = (1, 3, 5)
"""Of each class, that people show the model."""
MOST_TURNS = 3
"""Each person's takes are parted into shown and asked about up to so many times."""
SPARE = 2
"""So many refused takes of a class are followed by another one."""
COLUMNS = ("is_new", "n_shown", "n_asked", "before", "after", "n_new", "new_right", "n_refused")
"""Of the rows that a job gives for each recording: whether a new gesture was shown, takes of a
class, takes asked about of known classes, how many of them were right before and after, takes of
the new gesture asked about, how many were right, and how many of those shown were refused."""


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
        """Fit, teach and ask; a recording's rows stand in the place of scores."""
        fitted = self._fit().run()
        rows = [teach_person(fitted, r, self.fit.recipe, self.without) for r in self.held]
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
    fitted: Fitted, recording: Reduced, recipe: Recipe, new: int | None = None
) -> Int32:
    """Let one recording's person teach a fitted pipeline, several times from the start.

    Parameters
    ----------
    fitted : Fitted
    recording : Reduced
        Of somebody whom it has not seen.
    recipe : Recipe
        With all classes, also the one that the pipeline does not know.
    new : int, optional
        That class.

    Returns
    -------
    int32 (n_rows, 8)
        One for each number of takes and each turn: see :data:`COLUMNS`.
    """
    taught = Taught.of(fitted, recipe)
    x = recording.values
    x = x if fitted.whole.gather is None else fitted.whole.gather.run_difference(x)
    for stage in taught.before:
        x, _ = stage.run(x, stage.initial_state())
    labels = np.array([cue.label for cue, _ in recording.takes], dtype=np.int64)
    slots = _slots(labels, new, taught.stage.sizes.n_known)
    spans = [
        (int(slot), cue.start, max(cue.stop, stop))
        for slot, (cue, (_, stop)) in zip(slots, recording.takes, strict=True)
    ]
    rows = []
    before = _right(taught, taught.stage.initial_state(), x, recording, recipe, slots)
    for n_shown in TAKES_EACH:
        for shown in _turns(slots, taught, n_shown, new):
            state, answers = taught.show(x, [spans[i] for i in shown], n_shown)
            asked = np.ones(len(spans), dtype=bool)
            asked[shown[answers != 0]] = False
            after = _right(taught, state, x, recording, recipe, slots)
            of_new = slots == taught.stage.sizes.n_known
            old = asked & ~of_new
            rows.append((
                new is not None, n_shown, old.sum(), before[old].sum(), after[old].sum(),
                (asked & of_new).sum(), after[asked & of_new].sum(), (answers < 0).sum(),
            ))  # fmt: skip
    return np.array(rows, dtype=np.int32).reshape(-1, len(COLUMNS))


def _slots(labels: Int64, new: int | None, n_known: int) -> Int64:
    """Return the place of each take among a pipeline's answers; the new gesture's is the last."""
    if new is None:
        return labels
    old = np.where(labels > new, labels - 1, labels)
    return np.asarray(np.where(labels == new, n_known, old), dtype=np.int64)


def _right(
    taught: Taught, state: State, x: Int32, recording: Reduced, recipe: Recipe, slots: Int64
) -> Int64:
    """Return which takes are answered rightly, 1 or 0, int64 (n_takes,)."""
    scores = taught.scores(x, state)
    n_known = taught.stage.sizes.n_known
    flags = taught.stage.learnable
    order = [c for c in range(scores.shape[1]) if c >= n_known or flags[c]]
    rest = [c for c in range(n_known) if not flags[c]]
    gestures_first = scores[:, [*order, *rest]]
    n_gestures = recipe.model_copy(update={"classes": tuple(f"g{i}" for i in range(len(order)))})
    frames = recording.judged_frames(gestures_first, n_gestures)
    return np.asarray(scores[frames].argmax(axis=1) == slots, dtype=np.int64)


def _turns(slots: Int64, taught: Taught, n_shown: int, new: int | None) -> Iterator[Int64]:
    """Yield the takes that are shown, in time order, each time others where there are enough."""
    n_known = taught.stage.sizes.n_known
    wanted = [n_known] if new is not None else [
        c for c in range(n_known) if taught.stage.learnable[c]
    ]  # fmt: skip
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
