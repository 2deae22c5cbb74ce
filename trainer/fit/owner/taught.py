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

from capture.lead.owner.enrolling import TAKES
from runtime.stages.contract.stage import Int32, Int64
from runtime.stages.teaching.lesson import EVIDENCE_NATS
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.fit.owner.person import Person, Taught
from trainer.fit.pipeline import Fitted
from trainer.learn.owner import Favour, favoured
from trainer.recipe import Recipe

__all__ = [
    "ALONE", "BESIDE", "COLUMNS", "KNOWN", "OFFERED", "OFFSETS", "TAKES_EACH", "TeachJob",
    "taught_scores", "teach_jobs", "teach_person", "turns_of",
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
KNOWN, ALONE, BESIDE, OFFERED = range(4)
"""All known classes; a new gesture and nothing else; a new gesture beside all known classes; and
of rows that are one take of a known class each, whose offset is by how many nats, rounded up,
another class was ahead of it: by these it is chosen how far ahead refuses a take."""


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
        fitted = self.fit_job().run()
        rows = [np.zeros((0, len(COLUMNS)), dtype=np.int32) for _ in self.held]
        people = [r.recording.participant for r in self.held]
        for person in dict.fromkeys(people):  # all of a person's rows stand at the first recording
            own = [r for r, name in zip(self.held, people, strict=True) if name == person]
            taught = Taught.of(fitted, self.fit.recipe)
            shows = Person.of(taught, fitted, own, self.fit.recipe, self.without)
            found = [_teach(shows, self.without)]
            if self.without is None:
                found.append(_offered(shows))
            rows[people.index(person)] = np.concatenate(found)
        return HeldOut(tuple(rows), fitted.score_unit)

    def fit_job(self) -> FitJob:
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
    return _teach(Person.of(Taught.of(fitted, recipe), fitted, recordings, recipe, new), new)


def _teach(person: Person, new: int | None) -> Int32:
    """Let a person teach; see :func:`teach_person`."""
    stage = person.taught.stage
    own, offsets = stage.sizes.n_known, (0,) if new is None else OFFSETS
    offered = [favoured(stage, Favour(offset, offset)) for offset in offsets]
    [before] = person.right(stage.initial_state(), [stage])
    rows = []
    kinds = (KNOWN,) if new is None else (ALONE, BESIDE)
    for kind, n_shown in itertools.product(kinds, TAKES_EACH):
        for shown in turns_of(person.slots, person.taught, n_shown, kind):
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


def _offered(person: Person) -> Int32:
    """Return rows of takes of known classes, in lessons of as many as a desk asks for."""
    for n_shown in sorted((n for n in TAKES_EACH if n <= TAKES), reverse=True):
        leads = [
            lead
            for shown in turns_of(person.slots, person.taught, n_shown, KNOWN)
            for lead in person.taught.leads(person.x, [person.spans[i] for i in shown], n_shown)
        ]
        if leads:
            rows = np.zeros((len(leads), len(COLUMNS)), dtype=np.int32)
            rows[:, COLUMNS.index("kind")] = OFFERED
            rows[:, COLUMNS.index("n_shown")] = n_shown
            rows[:, COLUMNS.index("offset")] = np.ceil(leads)
            return rows
    return np.zeros((0, len(COLUMNS)), dtype=np.int32)


def taught_scores(
    fitted: Fitted, recordings: Sequence[Reduced], recipe: Recipe, n_takes: int
) -> list[Int32]:
    """Let a person teach the first takes of each class, and score all recordings then.

    Returns
    -------
    list of int32 (n_frames, n_known)
        One for each recording.
    """
    person = Person.of(Taught.of(fitted, recipe), fitted, recordings, recipe, None)
    taught = person.taught
    flags = taught.stage.learnable
    first = [np.flatnonzero(person.slots == c)[:n_takes] for c in range(len(flags)) if flags[c]]
    spans = [person.spans[i] for i in np.sort(np.concatenate(first))]
    state, _ = taught.show(person.x, spans, n_takes)
    starts = zip(person.first, recordings, strict=True)
    parts = [person.x[start : start + recording.n_frames] for start, recording in starts]
    return [taught.scores(x, state)[:, : taught.stage.sizes.n_known] for x in parts]


def turns_of(slots: Int64, taught: Taught, n_shown: int, kind: int) -> Iterator[Int64]:
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
