"""Alignment: when in its cue a gesture ends, by what it has in common with other people's.

Strokes found from the readout alone are wrong for some takes: getting ready or coming back can
change the readout as much as the gesture. A first classifier that learns from them sees the
gesture all the same, because most are right, and puts each take's gesture where the class that was
asked for is likeliest (an adaptive filter for responses of unknown delay: C. Woody, Med. &
Biol. Eng. 5, 1967). Where hands come and leave for each cue, these ways may be the longest, and the
cue's own end is the better beginning. Fits to either tell little of where they lead: in a
diffuser's world, with the hand away for half of the time, cues began with 0.64 of takes right where
strokes had 0.57, and ended behind them. So both have their rounds.

A classifier that learns from the new places sees more again, and knows besides how long after the
cue gestures usually end: so it goes on for some rounds, each placing by chance times usual delay
(expectation and maximisation with the likeliest place alone; A. Dempster, N. Laird and D. Rubin,
J. R. Stat. Soc. B 39, 1977). Which of the rounds is the best is chance, as few people are judged by
few others: two bits fewer moved every seventh end by more than 0.2 s, and with it six points of 208
takes. So all of them place each gesture together, by the mean of what their fits say (a bagged
estimate: L. Breiman, Machine Learning 24, 1996).

Rounds can also drift, all takes together, to where a gesture is less well told. So the places that
came of either beginning are judged by people held out, a third at a time, and those that began with
cues are taken where they are better by more than chance leaves, one standard error over people (a
rule for choosing among trees: L. Breiman et al., Classification and Regression Trees, 1984, from
memory). What halves had right while rounds went on tells too little of that: of nine people in a
diffuser's world they chose the cues in three of seven fits, which were 8 to 18 points behind.

All this says *when*, for training and for the references of events, never *what*: takes are judged
without it.

It is done once, before people are held out in turn: whoever is held out later has had a part in
saying when the gestures of others end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.special import log_softmax

from runtime.stages.contract.stage import Float64, Int64
from trainer.corpus.reduced import Reduced
from trainer.corpus.windows import judging_delay, told_frames
from trainer.fit.held_out import FitJob, HeldOut, HoldOutJob, fold_jobs
from trainer.recipe import Recipe
from trainer.work.jobs import Workers, run_jobs

__all__ = ["Movements", "align", "window_since_cue"]

ROUNDS = 3
"""From either beginning, fits to places that fits before them found; each costs a fit. In a
diffuser's world, ten people to learn from, 0.21, 0.17, 0.16 and 0.16 of all ends were left more
than 0.2 s off: a fourth round finds nothing more."""

JUDGED_IN = 3
"""Parts in which people are held out to judge places. Of nine people halves leave four or five to
learn from, who tell places apart by chance; sixths told no more than thirds, at twice the time."""

Movements = tuple[list[int], list[int]]
"""First and last frame of each cue's movement."""


@dataclass(frozen=True, slots=True)
class _Round:
    """Places, and what fits to them answer about people they have not seen.

    Parameters
    ----------
    placed : list of Reduced
        All recordings with their movements there.
    scores : dict of str to list of float64 (n_frames, n_classes)
        Each recording's real scores by every fit that had not seen its participant.
    """

    placed: list[Reduced]
    scores: dict[str, list[Float64]]


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
    length, ways = _usual_length(fit), []
    for beginning in (list(recordings), by_cues):
        last = _judge(_sooner(fit, beginning), beginning, workers)
        if last is None:
            return found
        rounds: list[_Round] = []
        for number in range(ROUNDS):
            delays = _usual_delays(fit, last.placed) if number else None
            placed = [_place(r, last.scores, fit.recipe, length, delays) for r in last.placed]
            last = _judge(_sooner(fit, placed), placed, workers)
            if last is None:
                break
            rounds.append(last)
        ways += [rounds] if rounds else []
    if not ways:
        return found
    places = [_placed_by(rounds, fit, length) for rounds in ways]
    best = places[0]
    for others in places[1:]:
        best = others if _are_better(fit, best, others, workers) else best
    return [(r.starts, r.ends) for r in best]


def _placed_by(rounds: Sequence[_Round], fit: FitJob, length: int) -> list[Reduced]:
    """Place all recordings once more, by what all of some rounds' fits say together."""
    scores = {
        digest: [s for one in rounds for s in one.scores[digest]] for digest in rounds[0].scores
    }
    delays = _usual_delays(fit, [r for one in rounds for r in one.placed])
    return [_place(r, scores, fit.recipe, length, delays) for r in rounds[0].placed]


def _sooner(fit: FitJob, placed: Sequence[Reduced]) -> FitJob:
    """Return the fit with the window that these places ask for, as the last fit has.

    Places are compared each with its own: with another's, the later ends would look better.
    """
    train = [r for r in placed if not r.recording.locked]
    return replace(fit, recipe=window_since_cue(fit.recipe, train))


def _judge(fit: FitJob, placed: list[Reduced], workers: Workers) -> _Round | None:
    """Fit each half of the people to some places; None where a half lacks a class."""
    jobs = _jobs(fit, [r for r in placed if r.takes])
    if not all(job.fit.has_every_class for job in jobs):
        return None
    return _Round(placed, _scores(jobs, run_jobs(jobs, workers)))


def _are_better(
    fit: FitJob, places: list[Reduced], others: list[Reduced], workers: Workers
) -> bool:
    """Tell whether the other places are better by more than chance leaves between people."""
    right = [_right(_sooner(fit, placed), placed, workers) for placed in (places, others)]
    if right[0].keys() != right[1].keys() or len(right[0]) < 2:
        return False
    change = np.array([right[1][who] - right[0][who] for who in right[0]])
    return bool(change.mean() > change.std(ddof=1) / np.sqrt(len(change)))


def _right(fit: FitJob, placed: Sequence[Reduced], workers: Workers) -> dict[str, float]:
    """Return how much of all is right of each training person, who is held out for it.

    Each answer counts alike: "other" to everything is right as often as people made no gesture.
    Nothing where a part to learn from lacks a class.
    """
    train = tuple(r for r in placed if r.takes and not r.recording.locked)
    jobs = fold_jobs(replace(_simpler(fit), train=train), JUDGED_IN)
    if not all(job.fit.has_every_class for job in jobs):
        return {}
    n_asked = np.bincount([cue.label for r in train for cue, _ in r.takes])
    right = {r.recording.participant: 0.0 for r in train}
    for job, outcome in zip(jobs, run_jobs(jobs, workers), strict=True):
        for held, values in zip(job.held, outcome.scores, strict=True):
            answers = values[held.judged_frames(values, job.fit.recipe)].argmax(axis=1)
            for told, (cue, _) in zip(answers, held.takes, strict=True):
                if told == cue.label:
                    right[held.recording.participant] += 1.0 / float(n_asked[cue.label])
    return right


def _simpler(fit: FitJob) -> FitJob:
    """Return the fit without a second one to hard windows."""
    simpler = fit.recipe.classifier.model_copy(update={"hard_windows": False})
    return replace(fit, recipe=fit.recipe.model_copy(update={"classifier": simpler}))


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
    train = tuple(r for r in with_takes if not r.recording.locked)
    locked = tuple(r for r in with_takes if r.recording.locked)
    halves = fold_jobs(replace(_simpler(fit), train=train), 2)
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


def _usual_delays(fit: FitJob, placed: Sequence[Reduced]) -> Float64:
    """Return the logarithm of how usual it is that a gesture ends so many frames after its cue.

    Of the training people's takes, each spread over as many frames as are told as one end, and once
    more for every frame (Laplace's rule), so that no delay is impossible.

    Returns
    -------
    float64 (n_frames,)
        From the cue's first frame to the last one of the longest cue.
    """
    n_gestures = len(fit.recipe.classes)
    train = [r for r in placed if not r.recording.locked]
    n_frames = max(cue.stop - cue.start for r in placed for cue in r.cues)
    counts = np.bincount(_delays(train, n_gestures), minlength=n_frames).astype(np.float64)
    spread = uniform_filter1d(counts, told_frames(fit.recipe), mode="constant")
    return np.asarray(np.log((spread + 1.0) / (spread + 1.0).sum()))


def _delays(recordings: Sequence[Reduced], n_gestures: int) -> Int64:
    """Return how many frames after its cue's first one each gesture ends, int64 (n_gestures,)."""
    delays = [
        end - cue.start
        for r in recordings
        for cue, end in zip(r.cues, r.ends, strict=True)
        if cue.take and cue.label < n_gestures
    ]
    return np.array(delays, dtype=np.int64)


def window_since_cue(recipe: Recipe, train: Sequence[Reduced]) -> Recipe:
    """Return the recipe with a window that reaches back to the cue, and no farther than it asks.

    Nobody begins a gesture before the cue for it. What a window sees from before tells of the take
    before, which is as it may be: it is noise to learn from, and few people cannot teach how little
    it means. So the window is as long as from a cue's first frame to where a usual gesture of the
    training people is answered.

    Parameters
    ----------
    recipe : Recipe
        Of poses, or where no gesture was found, it stays as it is.
    train : sequence of Reduced
        Recordings of training people, with their gestures placed.
    """
    delays = _delays(train, len(recipe.classes))
    if recipe.evaluation.take_end == "cue" or not len(delays):
        return recipe
    features = recipe.features
    needed = float(np.median(delays)) + judging_delay(recipe) + 1
    segment_frames = min(features.segment_frames, max(1, round(needed / features.segments)))
    shorter = features.model_copy(update={"segment_frames": segment_frames})
    return recipe.model_copy(update={"features": shorter})


def _place(
    reduced: Reduced,
    scores: dict[str, list[Float64]],
    recipe: Recipe,
    length: int,
    delays: Float64 | None,
) -> Reduced:
    """Put each gesture where it is likeliest, by several fits and by how long they usually take."""
    if not reduced.takes:
        return reduced
    real = scores[reduced.recording.digest]
    likely = np.mean([log_softmax(one, axis=1) for one in real], axis=0)
    delay = judging_delay(recipe)
    starts, ends = [], []
    cues = zip(reduced.cues, reduced.judged, reduced.starts, reduced.ends, strict=True)
    for cue, (first, stop), start, end in cues:
        if cue.take and cue.label < len(recipe.classes):
            own = likely[first:stop, cue.label]
            after = np.clip(np.arange(first, stop) - delay, cue.start, cue.stop - 1)
            if delays is not None:
                own = own + delays[after - cue.start]
            end = int(after[own.argmax()])
            start = max(cue.start, end - length)
        starts.append(start)
        ends.append(end)
    return reduced.placed(recipe, starts, ends)
