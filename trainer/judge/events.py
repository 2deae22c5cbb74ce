"""Events detected in a stream of scores, by the rule of the decision stage.

A stream is one recording with the scores of all its frames, as the device would see it. The rule
itself is :class:`runtime.stages.closing.decision.Decision`; what is here gives the same events on
whole recordings at many margins, and a test holds the two equal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import Float64, Int32, Int64
from trainer.corpus.recordings import Recording
from trainer.judge.evaluate import Conditions, Takes
from trainer.recipe import OTHER, Recipe

__all__ = [
    "Detection",
    "Margins",
    "Ranked",
    "Reference",
    "Stream",
    "decision_for",
    "decision_frames",
    "detected_events",
    "rank_gestures",
]

SECONDS_PER_HOUR = 3600.0


class Reference(NamedTuple):
    """One gesture that was performed: when its movement began and ended, seconds, and its class.

    ``from_labels`` tells whether a person set these bounds; otherwise they are those of the
    movement that alignment finds inside the cue.
    """

    onset_s: float
    offset_s: float
    label: int
    from_labels: bool


class Margins(NamedTuple):
    """How far ahead of the next answer an event's gesture must be, real units.

    ``common`` to all gestures, and ``more`` on top of it for each, one per gesture.
    """

    common: float
    more: tuple[float, ...]


class Detection(NamedTuple):
    """One detected event: its moment, seconds from the first frame pair, and its class."""

    detected_s: float
    label: int


@dataclass(frozen=True, slots=True)
class Stream:
    """One recording with the scores of every frame.

    Parameters
    ----------
    recording : Recording
        Where it comes from, and who is in it.
    time_s : float64 (n_frames,)
        Time of each frame pair from the first, seconds, rising.
    scores : int32 or float64 (n_frames, n_classes)
        In steps of `score_unit`.
    score_unit : float
        Real value of one step of a score, > 0.
    take_starts, take_frames, take_labels : int64 (n_takes,)
        The frame at which each take's movement begins, that at which it is judged, and its class;
        cues of the background are no takes.
    references : tuple of Reference
        The reference events, by time; takes of the class "other" are none.
    conditions : Conditions
        Under what each take was performed.
    background : bool
        Whether the recording is everyday time in which nobody meant to perform a gesture.
    take_ends : int64 (n_takes,)
        The frame at which each take's movement ends.
    """

    recording: Recording
    time_s: Float64
    scores: Int32 | Float64
    score_unit: float
    take_starts: Int64
    take_frames: Int64
    take_labels: Int64
    references: tuple[Reference, ...]
    conditions: Conditions
    background: bool
    take_ends: Int64

    @property
    def participant(self) -> str:
        """Who was recorded."""
        return self.recording.participant

    @property
    def takes(self) -> Takes:
        """Each take, answered with the class of the highest score at its frame."""
        answers = self.scores[self.take_frames].argmax(axis=1).astype(np.int64)
        return Takes((self.participant,) * len(answers), self.take_labels, answers)

    @property
    def hours(self) -> float:
        """How long was watched: frames times their usual period, so that a gap is no time."""
        n_frames = len(self.time_s)
        if n_frames < 2:
            return 0.0
        return n_frames * float(np.median(np.diff(self.time_s))) / SECONDS_PER_HOUR


@dataclass(frozen=True, slots=True)
class Ranked:
    """The frames of a stream on which a gesture has the best score, for detecting events quickly.

    Parameters
    ----------
    frames : int64 (n,)
        Their indices, rising.
    best : int64 (n,)
        The gesture's class.
    margin : float64 (n,)
        Its score over the next best one, in steps.
    """

    frames: Int64
    best: Int64
    margin: Float64

    def of(self, gesture: int) -> Ranked:
        """Return the frames of one gesture alone."""
        own = self.best == gesture
        return Ranked(self.frames[own], self.best[own], self.margin[own])


def decision_for(recipe: Recipe, margins: Margins, score_unit: float) -> Decision:
    """Return the decision stage that requires margins: the one place where they become steps.

    Parameters
    ----------
    margins : Margins
        Best score over the next best one that an event needs.
    score_unit : float
        Real value of one step of a score.
    """
    threshold = max(0, math.floor(margins.common / score_unit))
    more = [math.floor(extra / score_unit) for extra in margins.more]
    return Decision(
        other=tuple(name == OTHER for name in recipe.answers),
        threshold=threshold,
        hysteresis=threshold // 2,
        persist=recipe.decision.hold_frames,
        hold_off=recipe.decision.hold_off_frames,
        extra=(*more, *[0] * (len(recipe.answers) - len(more))),
    )


def rank_gestures(scores: Int32 | Float64, other: tuple[bool, ...]) -> Ranked:
    """Find best class and margin of each frame; keep the frames whose best class is a gesture.

    Parameters
    ----------
    scores : int32 or float64 (n_frames, n_classes)
    other : tuple of bool
        One per class: true for classes that are no gesture.
    """
    best = scores.argmax(axis=1)
    frames = np.flatnonzero(~np.array(other)[best])
    # float64 holds any int32 and any difference of two exactly.
    top = np.partition(scores[frames].astype(np.float64), -2, axis=1)
    return Ranked(frames, best[frames], top[:, -1] - top[:, -2])


def decision_frames(ranked: Ranked, decision: Decision) -> tuple[Int64, Int64]:
    """Return the frames on which a decision stage detects an event, and their classes.

    The same as the stage from its initial state, without walking the frames one by one: a class is
    active from its event for as long as its own run of frames above the release lasts, so that each
    run gives at most one event, at its first frame that has persisted and that is not held off.
    """
    required = decision.required[ranked.best]
    held = ranked.margin >= required - decision.hysteresis
    frames, best = ranked.frames[held], ranked.best[held]
    if not len(frames):
        return frames, best
    wanted = ranked.margin[held] >= required[held]
    begins = np.ones(len(frames), dtype=bool)
    begins[1:] = (np.diff(frames) != 1) | (np.diff(best) != 0)
    run = np.cumsum(begins)
    position = np.arange(len(frames))
    # How many frames in a row wanted the class, within its run.
    broken = np.where(begins & wanted, position - 1, np.where(~wanted, position, -1))
    in_a_row = position - np.maximum.accumulate(broken)
    ripe = np.flatnonzero(wanted & (in_a_row >= decision.persist))
    detected, index, earliest = [], 0, 0
    ripe_frames, ripe_runs = frames[ripe], run[ripe]
    while index < len(ripe):
        frame = int(ripe_frames[index])
        if frame < earliest:
            index = int(np.searchsorted(ripe_frames, earliest))
            continue
        detected.append(ripe[index])
        earliest = frame + decision.hold_off
        index = int(np.searchsorted(ripe_runs, ripe_runs[index], side="right"))
    chosen = np.array(detected, dtype=np.int64)
    return frames[chosen], best[chosen]


def detected_events(
    stream: Stream, decision: Decision, ranked: Ranked | None = None
) -> list[Detection]:
    """Return the events that a decision stage detects in a stream, by time.

    Parameters
    ----------
    ranked : Ranked, optional
        What :func:`rank_gestures` gives for the stream, where it is known already.
    """
    if ranked is None:
        ranked = rank_gestures(stream.scores, decision.other)
    frames, labels = decision_frames(ranked, decision)
    moments = stream.time_s[frames].tolist()
    return [Detection(*pair) for pair in zip(moments, labels.tolist(), strict=True)]
