"""Events of taught models: how much their scores count, so that margins hold back as before.

Margins are chosen for models as they are shipped. What an owner teaches adds to the scores: leads
grow, and with them what nobody meant passes a margin more often. Training people held out in turn
teach the model that has not seen them; the most sixteenths of its scores are taken with which no
more events are unmeant than before, and no fewer gestures found. Dividing scores is multiplying
margins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from capture.lead.owner.enrolling import TAKES
from runtime.stages.contract.stage import Int32
from runtime.stages.teaching.lesson import SIXTEENTHS_BITS
from trainer.corpus.reduced import Reduced
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob
from trainer.fit.kept_fits import Finished
from trainer.fit.owner.taught import taught_scores
from trainer.judge.events import Margins, Stream
from trainer.judge.examination import stream_of
from trainer.judge.margins import count_at
from trainer.judge.matching import EventCounts, f_measure, total
from trainer.recipe import Recipe
from trainer.work.jobs import Workers

__all__ = ["WHOLE", "TaughtEvents", "TaughtEventsJob", "as_taught", "taught_events"]

WHOLE = 1 << SIXTEENTHS_BITS
"""Sixteenths of a score that counts whole."""


@dataclass(frozen=True, slots=True)
class TaughtEvents:
    """How much taught scores count, and what evaluation.json says of that.

    Parameters
    ----------
    sixteenths : int
        1 to 16.
    found : dict
        None where nothing was chosen.
    """

    sixteenths: int = WHOLE
    found: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class TaughtEventsJob:
    """A fit that people whom it has not seen teach; what is wanted is every frame's scores then.

    Parameters
    ----------
    name : str
    fit : FitJob
    held : tuple of Reduced
    """

    name: str
    fit: FitJob
    held: tuple[Reduced, ...]

    def run(self) -> HeldOut:
        """Fit and teach; errors are those of :func:`trainer.fit.pipeline.fit_pipeline`."""
        fitted = self.fit.run()
        people = [r.recording.participant for r in self.held]
        scores: dict[int, Int32] = {}
        for person in dict.fromkeys(people):
            own = [i for i, name in enumerate(people) if name == person]
            recordings = [self.held[i] for i in own]
            answers = taught_scores(fitted, recordings, self.fit.recipe, _n_shown(self.fit.recipe))
            scores |= dict(zip(own, answers, strict=True))
        return HeldOut(tuple(scores[i] for i in range(len(people))), fitted.score_unit)


def taught_events(
    folds: Sequence[HoldOutJob],
    before: Sequence[Stream],
    margins: Margins,
    done: Finished,
    workers: Workers,
    tell: Callable[[str], None],
) -> TaughtEvents:
    """Choose how much taught scores count; whole, where no movements are learned on the device.

    Parameters
    ----------
    folds : sequence of HoldOutJob
        Training people held out in turn.
    before : sequence of Stream
        Their recordings as shipped models score them, fold by fold.
    margins : Margins
        As they were chosen for those.
    done : Finished
    workers : Workers
    tell : callable
    """
    fit = folds[0].fit
    if not (fit.recipe.head.enrol and fit.recipe.evaluation.take_end == "movement"):
        return TaughtEvents()
    jobs = [TaughtEventsJob(f"taught events, {job.name}", job.fit, job.held) for job in folds]
    outcomes = done.run(jobs, workers, tell)
    pairs = [
        (recording, scores, outcome.score_unit)
        for job, outcome in zip(jobs, outcomes, strict=True)
        for recording, scores in zip(job.held, outcome.scores, strict=True)
    ]
    after = [stream_of(r, scores, fit.recipe, fit.sensor, unit) for r, scores, unit in pairs]
    return as_taught(before, after, margins, fit.recipe)


def as_taught(
    before: Sequence[Stream], after: Sequence[Stream], margins: Margins, recipe: Recipe
) -> TaughtEvents:
    """Choose the most sixteenths with no more unmeant events than before, nor fewer gestures found.

    Where there are none such, those with the best event F1, and of equals the most. Gestures that
    taught the model are counted too, as events of whole recordings are; that may flatter what is
    found, and the page names them.

    Parameters
    ----------
    before, after : sequences of Stream
        The same recordings, as shipped and as taught by whoever is in them.
    margins : Margins
        Of shipped models.
    recipe : Recipe
    """
    counts = range(WHOLE, 0, -1)
    (shipped,) = _counted(before, [margins], recipe)
    raised = [_times(margins, WHOLE / count) for count in counts]
    tried = dict(zip(counts, _counted(after, raised, recipe), strict=True))
    held = [
        count
        for count, events in tried.items()
        if _unmeant(events) <= _unmeant(shipped) and events.right >= shipped.right
    ]
    chosen = held[0] if held else max(tried, key=lambda count: (f_measure(tried[count]), count))
    rows = {"shipped": shipped, "taught": tried[chosen], "taught_whole": tried[WHOLE]}
    found = {
        "n_takes": _n_shown(recipe),
        "sixteenths": chosen,
        "n_people": len({stream.participant for stream in before}),
        "n_gestures": shipped.references,
        "hours": round(sum(stream.hours for stream in before), 6),
        **{name: {"found": row.right, "unmeant": _unmeant(row)} for name, row in rows.items()},
    }
    return TaughtEvents(chosen, found)


def _n_shown(recipe: Recipe) -> int:
    """Return how many takes of each class people show: as a desk asks for, if a model has room."""
    return min(TAKES, recipe.head.enrol_takes)


def _times(margins: Margins, factor: float) -> Margins:
    return Margins(margins.common * factor, tuple(more * factor for more in margins.more))


def _unmeant(counts: EventCounts) -> int:
    return counts.detected - counts.right


def _counted(
    streams: Sequence[Stream], margins: Sequence[Margins], recipe: Recipe
) -> list[EventCounts]:
    """Count the events of all streams together, at each of some margins."""
    return [total(each.counts) for each in count_at(streams, recipe, margins)]
