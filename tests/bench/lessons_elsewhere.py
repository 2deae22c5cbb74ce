"""What a lesson is worth in the session in which it was given, and in another one elsewhere.

People who have two sessions teach a model in the first, and are asked about their other takes of
it and about all of the second: at another place and height, in another sleeve and another room.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob, fold_jobs
from trainer.fit.owner.favour import choose_favour, choose_rival
from trainer.fit.owner.person import Person, Taught
from trainer.fit.owner.taught import (
    ALONE,
    BESIDE,
    KNOWN,
    OFFSETS,
    TAKES_EACH,
    TeachJob,
    turns_of,
)
from trainer.fit.owner.worth import Shown
from trainer.fit.pipeline import Fitted
from trainer.learn.owner import Favour, favoured
from trainer.recipe import Recipe

__all__ = ["Lessons", "ask_both", "favoured_by_others", "rival_of"]


@dataclass(frozen=True, slots=True)
class Lessons:
    """What people showed, and what of other takes was right then: once for each place.

    Parameters
    ----------
    here, elsewhere : tuple of Shown
        In the session of the lesson, and in all others.
    """

    here: tuple[Shown, ...]
    elsewhere: tuple[Shown, ...]

    @property
    def places(self) -> tuple[tuple[str, tuple[Shown, ...]], ...]:
        """Both, with their names."""
        return (("own session", self.here), ("elsewhere", self.elsewhere))


def rival_of(
    fit: FitJob, n_folds: int, tell: Callable[[str], None] = lambda _: None
) -> float | None:
    """Return how far ahead another class refuses a take, as training chooses it: in nats.

    People held out in turn teach models that have not seen them (`choose_rival`).
    """
    jobs = [TeachJob(fold.name, fold.fit, fold.held) for fold in fold_jobs(fit, n_folds)]
    outcomes = []
    for number, job in enumerate(jobs, start=1):
        tell(f"choosing by people held out what refuses a take: {number} of {len(jobs)}")
        outcomes.append(job.run())
    return choose_rival(jobs, outcomes)


def ask_both(
    fitted: Fitted,
    recordings: Sequence[Reduced],
    recipe: Recipe,
    new: int | None = None,
    rival: float | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> Lessons:
    """Let everybody teach a fitted pipeline in their first session, and ask at both places.

    Parameters
    ----------
    fitted : Fitted
    recordings : sequence of Reduced
        Of people whom it has not seen.
    recipe : Recipe
        With all classes, also the one that the pipeline does not know.
    new : int, optional
        That class, which everybody shows as a gesture of their own.
    rival : float, optional
        By how many nats another class may be ahead of a take that is kept; the stage's own without.
    tell : callable
        Is told who is asked.
    """
    sessions: dict[str, list[Reduced]] = {}
    for recording in sorted(recordings, key=lambda r: r.recording.path):
        sessions.setdefault(recording.recording.participant, []).append(recording)
    taught = Taught.of(fitted, recipe)
    taught = replace(taught, stage=favoured(taught.stage, Favour(rival=rival)))
    rows: list[tuple[Shown, Shown]] = []
    for number, (name, own) in enumerate(sessions.items(), start=1):
        tell(f"person {number} of {len(sessions)}")
        rows += _ask(name, Person.of(taught, fitted, own, recipe, new), new is not None)
    return Lessons(tuple(here for here, _ in rows), tuple(there for _, there in rows))


def _ask(name: str, person: Person, is_new: bool) -> Iterator[tuple[Shown, Shown]]:
    """Yield what came of each lesson, in its own session and elsewhere."""
    taught, n_here = person.taught, len(person.recordings[0].takes)
    own, offsets = taught.stage.sizes.n_known, OFFSETS if is_new else (0,)
    offered = [favoured(taught.stage, Favour(offset, offset)) for offset in offsets]
    [before] = person.right(taught.stage.initial_state(), [taught.stage])
    here = np.arange(len(person.slots)) < n_here
    for kind, n_shown in itertools.product((ALONE, BESIDE) if is_new else (KNOWN,), TAKES_EACH):
        for shown in turns_of(person.slots[:n_here], taught, n_shown, kind):
            state, answers = taught.show(person.x, [person.spans[i] for i in shown], n_shown)
            asked = np.ones(len(person.slots), dtype=bool)
            asked[shown[answers != 0]] = False
            if is_new:
                answers = answers[person.slots[shown] == own]
            n_refused, n_kept = int((answers < 0).sum()), int((answers > 0).sum())
            for offset, after in zip(offsets, person.right(state, offered), strict=True):
                there = []
                for place in (here, ~here):
                    old = asked & place & (person.slots != own)
                    of_new = asked & place & (person.slots == own)
                    counts = (old.sum(), before[old].sum(), after[old].sum(), of_new.sum(),
                              after[of_new].sum())  # fmt: skip
                    told = (int(count) for count in counts)
                    there.append(Shown(name, kind, n_shown, *told, n_refused, n_kept, offset))
                yield there[0], there[1]


def favoured_by_others(by_gesture: Mapping[int, Lessons]) -> dict[int, Lessons]:
    """Keep, of all favours of an own gesture, those that others chose, by other gestures.

    Everybody shows each gesture here. So that nobody is judged by a favour that their own takes,
    or others of that gesture, had a part in, half of the people choose for the other half.

    Parameters
    ----------
    by_gesture : mapping of int to Lessons
        By the class that was left out; with one alone, people of the other half choose by it.
    """
    names = sorted({s.participant for lessons in by_gesture.values() for s in lessons.here})
    halves = (set(names[::2]), set(names[1::2]))
    judged = {}
    for new, lessons in by_gesture.items():
        others = [of for c, of in by_gesture.items() if c != new] or [lessons]
        kept: tuple[list[Shown], list[Shown]] = ([], [])
        for half, rest in (halves, halves[::-1]):
            favour = choose_favour([s for of in others for s in of.here if s.participant in rest])
            offsets = {BESIDE: favour.taught or 0, ALONE: favour.untaught or 0}
            for shown, (_, rows) in zip(kept, lessons.places, strict=True):
                shown += [s for s in rows if s.participant in half and s.offset == offsets[s.kind]]
        judged[new] = Lessons(tuple(kept[0]), tuple(kept[1]))
    return judged
