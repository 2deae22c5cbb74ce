"""Settings tried in full: readouts thinned pixel by pixel, everybody held out in turn.

The few that are chosen in the end are fitted to all training people, and the locked people are
asked about those, and about no others.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from runtime.stages.bins import Bins
from runtime.stages.contract.stage import Int64
from trainer.choice.tried.asked import Notify, Readings
from trainer.choice.tried.reduced_thinning import at_times
from trainer.choice.tried.settings import Tried
from trainer.choice.worth.halving import Countdown
from trainer.corpus.recordings import Corpus
from trainer.corpus.reduced import Reduced, ReduceJob
from trainer.fit.alignment import window_since_cue
from trainer.fit.candidates import QUADRANTS
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob, fold_jobs
from trainer.fit.kept_fits import Finished
from trainer.judge.event_figures import MatchedStream, false_rate, match_streams
from trainer.judge.events import Margins, Stream
from trainer.judge.examination import stream_of
from trainer.judge.margins import margins_without
from trainer.recipe import OTHER
from trainer.work.cache import open_cache
from trainer.work.jobs import Workers, run_jobs

__all__ = ["Recognised", "ask_locked", "in_full"]


@dataclass(frozen=True, slots=True)
class Recognised:
    """What a setting recognises of people that it was not fitted to.

    Parameters
    ----------
    event_counts, take_counts : int64 (n_people, 3)
        Right, answered and asked, of gestures in streams and of takes; people in order of their
        names. Without a class "other" there are no events.
    false_events : dict or None
        False events an hour, as evaluation.json holds them.
    margins : Margins or None
        Which a model of the setting would have: of people held out in turn, those of each were
        chosen on all others.
    """

    event_counts: Int64 | None
    take_counts: Int64
    false_events: dict[str, float] | None
    margins: Margins | None = None

    @property
    def counts(self) -> Int64:
        """What the setting is judged by: events where there are any, else takes."""
        return self.take_counts if self.event_counts is None else self.event_counts


def in_full(
    readings: Readings, chosen: Sequence[Tried], done: Finished, workers: Workers, tell: Notify
) -> list[Recognised]:
    """Try settings in full; return what each recognises of training people, held out in turn.

    Raises
    ------
    Error
        As fits raise them.
    """
    reduced = _reduced(readings, chosen, workers, tell, locked=False)
    folds = [_folds(readings, *each) for each in zip(chosen, reduced, strict=True)]
    jobs = [job for fold in folds for job in fold]
    outcomes = done.run(jobs, workers, Countdown(tell, f"{len(chosen)} settings in full: fits"))
    ends = np.cumsum([len(fold) for fold in folds])
    parts = zip(chosen, folds, ends.tolist(), strict=True)
    return [_recognised(one, fold, outcomes[end - len(fold) : end]) for one, fold, end in parts]


def ask_locked(
    readings: Readings,
    chosen: Sequence[tuple[Tried, Recognised]],
    done: Finished,
    workers: Workers,
    tell: Notify,
) -> list[Recognised]:
    """Fit chosen settings to all training people, and return what they recognise of the locked.

    Parameters
    ----------
    readings : Readings
    chosen : sequence of (Tried, Recognised)
        Each with what it recognised in turn, whose margins hold here too.
    done, workers, tell : as for `in_full`
    """
    tried = [one for one, _ in chosen]
    learned, asked = (
        _reduced(readings, tried, workers, tell, locked=locked) for locked in (False, True)
    )
    jobs = []
    for one, train, held in zip(tried, learned, asked, strict=True):
        recipe = window_since_cue(one.option.recipe.at(one.sensor.frame_rate_hz), train)
        fit = FitJob(recipe, _entry(readings, one), one.sensor, train)
        jobs.append(HoldOutJob(f"locked people, {one.identity}", fit, held, whole=True))
    told = Countdown(tell, "locked people, asked about what is chosen: fits")
    outcomes = done.run(jobs, workers, told)
    return [
        _recognised(one, [job], [outcome], before.margins)
        for (one, before), job, outcome in zip(chosen, jobs, outcomes, strict=True)
    ]


def _reduced(
    readings: Readings, chosen: Sequence[Tried], workers: Workers, tell: Notify, *, locked: bool
) -> list[tuple[Reduced, ...]]:
    """Return the training or the locked people's recordings as each setting would read them."""
    recorded = readings.base.corpus
    cache = open_cache(recorded.folder, "reduced")
    jobs: list[ReduceJob] = []
    for one in chosen:
        corpus = recorded.at(one.setting)
        # Both, as training asks for: what is chosen in the end need not be read again.
        entries = (_entry(readings, one), Bins(one.sensor.n_rows, one.sensor.n_cols, *QUADRANTS))
        jobs += [
            ReduceJob(r, _place(recorded, r.path), entries, cache)
            for r in corpus.recordings
            if r.locked == locked
        ]
    counted = itertools.count(1)
    countdown = Countdown(tell, f"{len(chosen)} settings in full: thinning readouts")
    stored = run_jobs(jobs, workers, lambda *_: countdown(f"{next(counted)} of {len(jobs)}"))
    placed_before = [r for r in readings.base.main if r.recording.locked == locked]
    n = len(placed_before)
    found = []
    for number, one in enumerate(chosen):
        recipe = one.option.recipe.at(one.sensor.frame_rate_hz)
        of_one = range(number * n, (number + 1) * n)
        found.append(
            tuple(
                at_times(
                    replace(placed, recording=jobs[i].recording),
                    stored[i][1], np.array(stored[i][0].read()), recipe,
                )
                for placed, i in zip(placed_before, of_one, strict=True)
            )
        )  # fmt: skip
    return found


def _place(corpus: Corpus, path: Path) -> str:
    return str(path.relative_to(corpus.folder).as_posix())


def _entry(readings: Readings, one: Tried) -> Bins:
    return readings.readings[one.name].entry


def _folds(readings: Readings, one: Tried, train: tuple[Reduced, ...]) -> list[HoldOutJob]:
    recipe = window_since_cue(one.option.recipe.at(one.sensor.frame_rate_hz), train)
    fit = FitJob(recipe, _entry(readings, one), one.sensor, train)
    return [replace(job, name=f"in full, {one.identity}, {job.name}") for job in fold_jobs(fit)]


def _recognised(
    one: Tried,
    folds: Sequence[HoldOutJob],
    outcomes: Sequence[HeldOut],
    margins: Margins | None = None,
) -> Recognised:
    """Judge what was answered.

    Unless margins were chosen before, those of each fold's people are chosen on all others: chosen
    on the people whom they judge they would flatter, each setting by its own luck.
    """
    recipe, streams, fold_of = folds[0].fit.recipe, [], []
    for number, (job, outcome) in enumerate(zip(folds, outcomes, strict=True)):
        for recording, scores in zip(job.held, outcome.scores, strict=True):
            streams.append(stream_of(recording, scores, recipe, one.sensor, outcome.score_unit))
            fold_of.append(number)
    people = sorted({stream.participant for stream in streams})
    takes = np.array([_takes(streams, who) for who in people], dtype=np.int64)
    if OTHER not in recipe.answers:
        return Recognised(None, takes, None)
    whose = np.array(fold_of)
    own = [np.flatnonzero(whose == number).tolist() for number in range(len(folds))]
    if margins is None:
        *of_folds, margins = margins_without(streams, recipe, [*own, ()])
    else:
        of_folds = [margins] * len(folds)
    matched = [
        each
        for places, chosen in zip(own, of_folds, strict=True)
        for each in match_streams([streams[place] for place in places], recipe, chosen)
    ]
    return _with_events(people, takes, matched, margins)


def _takes(streams: Sequence[Stream], who: str) -> tuple[int, int, int]:
    own = [stream.takes for stream in streams if stream.participant == who]
    n_takes = sum(len(takes.labels) for takes in own)
    return sum(int((t.labels == t.answers).sum()) for t in own), n_takes, n_takes


def _with_events(
    people: Sequence[str], takes: Int64, matched: Sequence[MatchedStream], margins: Margins
) -> Recognised:
    events = np.zeros((len(people), 3), dtype=np.int64)
    for one in matched:
        if one.stream.references:
            events[people.index(one.stream.participant)] += one.counts
    return Recognised(events, takes, false_rate(matched), margins)
