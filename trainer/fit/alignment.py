"""Alignment: when in its cue a gesture ends, by what it has in common with other people's.

Strokes found from the readout alone are wrong for some takes: getting ready or coming back can
change the readout as much as the gesture. A first classifier that learns from them sees the
gesture all the same, because most are right, and puts each take's gesture where the class that was
asked for is likeliest (an adaptive filter for responses of unknown delay: C. Woody, Med. &
Biol. Eng. 5, 1967). Where hands come and leave for each cue, these ways may be the longest, and the
cue's own end is the better beginning: which of the two it is, people held out tell.

All this says *when*, for training and for the references of events, never *what*: takes are judged
without it.

It is done once, before people are held out in turn: whoever is held out later has had a part in
saying when the gestures of others end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import softmax

from runtime.stages.contract.stage import Float64
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judging_delay
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob, fold_jobs
from trainer.recipe import Recipe
from trainer.work.jobs import Workers, run_jobs

__all__ = ["align"]

Movements = tuple[list[int], list[int]]
"""First and last frame of each cue's movement."""


def align(fit: FitJob, recordings: Sequence[Reduced], workers: Workers) -> list[Movements]:
    """Find the movement of each gesture's cue again; nothing else changes place.

    The people to learn from are parted in two, and the gestures of each half are placed by a
    classifier that has learned from the other half; those of locked people by the mean of both.
    Strokes stay as they were found where a half lacks a class.

    Parameters
    ----------
    fit : FitJob
        To all training people.
    recordings : sequence of Reduced
        Theirs, and those of the locked people.
    workers : Workers

    Raises
    ------
    UsageError
        There is a single participant (or unit) to learn from.
    """
    found = [(r.starts, r.ends) for r in recordings]
    if fit.recipe.evaluation.take_end == "cue":
        return found
    by_cues = [r.placed(fit.recipe, r.starts, [cue.stop - 1 for cue in r.cues]) for r in recordings]
    best, scores = -1.0, None
    for beginning in (recordings, by_cues):
        jobs = _jobs(fit, [r for r in beginning if r.takes])
        if not all(job.fit.has_every_class for job in jobs):
            return found
        outcomes = run_jobs(jobs, workers)
        right = _share_right(jobs, outcomes)
        if scores is None or right > best:  # strokes, where neither is better
            best, scores = right, _scores(jobs, outcomes)
    if scores is None:
        return found
    length = _usual_length(fit)
    return [
        _place(r, np.mean(scores[r.recording.digest], axis=0), fit.recipe, length)
        if r.takes
        else kept
        for r, kept in zip(recordings, found, strict=True)
    ]


def _share_right(jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]) -> float:
    """Return the share of right takes of the training people held out; locked ones have no part."""
    right: list[np.bool_] = []
    for job, outcome in zip(jobs, outcomes, strict=True):
        for held, values in zip(job.held, outcome.scores, strict=True):
            if not held.recording.locked:
                answers = values[held.judged_frames(values, job.fit.recipe)].argmax(axis=1)
                right += [a == cue.label for a, (cue, _) in zip(answers, held.takes, strict=True)]
    return float(np.mean(right)) if right else 0.0


def _scores(jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]) -> dict[str, list[Float64]]:
    """Return each recording's real scores by every fit that had not seen its participant."""
    scores: dict[str, list[Float64]] = {}
    for job, outcome in zip(jobs, outcomes, strict=True):
        for held, values in zip(job.held, outcome.scores, strict=True):
            real = values.astype(np.float64) * outcome.score_unit
            scores.setdefault(held.recording.digest, []).append(real)
    return scores


def _jobs(fit: FitJob, with_takes: Sequence[Reduced]) -> list[HoldOutJob]:
    """Return the two fits, each with whom it places."""
    simpler = fit.recipe.classifier.model_copy(update={"hard_windows": False})
    recipe = fit.recipe.model_copy(update={"classifier": simpler})
    train = tuple(r for r in with_takes if not r.recording.locked)
    locked = tuple(r for r in with_takes if r.recording.locked)
    halves = fold_jobs(replace(fit, recipe=recipe, train=train), 2)
    return [replace(half, held=(*half.held, *locked)) for half in halves]


def _usual_length(fit: FitJob) -> int:
    """Return the median of the strokes found for the gestures learned from, frames."""
    n_gestures = len(fit.recipe.classes)
    return int(
        np.median(
            [
                end - start
                for r in fit.train
                for cue, start, end in zip(r.cues, r.starts, r.ends, strict=True)
                if cue.take and cue.label < n_gestures
            ]
        )
    )


def _place(reduced: Reduced, scores: Float64, recipe: Recipe, length: int) -> Movements:
    """Put each gesture where it is likeliest: real scores (n_frames, n_classes)."""
    delay = judging_delay(recipe)
    likely = softmax(scores, axis=1)
    starts, ends = [], []
    cues = zip(reduced.cues, reduced.judged, reduced.starts, reduced.ends, strict=True)
    for cue, (first, stop), start, end in cues:
        if cue.take and cue.label < len(recipe.classes):
            answered = first + int(likely[first:stop, cue.label].argmax())
            end = min(max(answered - delay, cue.start), cue.stop - 1)
            start = max(cue.start, end - length)
        starts.append(start)
        ends.append(end)
    return starts, ends
