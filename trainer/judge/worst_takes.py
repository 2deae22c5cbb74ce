"""The worst takes: where the answer was farthest from right, and what to look at there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.store.session import READOUTS_SUFFIX
from runtime.stages.contract.stage import Float64
from trainer.corpus.recordings import Recording
from trainer.corpus.windows import ahead
from trainer.judge.event_figures import MatchedStream
from trainer.judge.groups import MUCH_AMBIENT
from trainer.recipe import Recipe

__all__ = ["WorstTake", "false_events", "find_worst_takes", "readouts_of"]

N_WORST = 10
N_MOMENTS = 6
AROUND_FRAMES = 6
LEAD_S = 0.3
MAX_FALSE_EVENTS = 50
"""What a page shows and what a row of it holds; no figure rests on these."""


@dataclass(frozen=True, slots=True)
class WorstTake:
    """A take, its scores over time, and the frames to show.

    Parameters
    ----------
    summary : dict
        What evaluation.json says of it: ``participant``, ``session``, ``reference``, ``answer``,
        ``right``, ``begins_s``, ``at_s`` (when it was judged), ``lead`` (score of the reference
        class over the best other, real units), ``event`` (class detected in the stream, or None),
        ``look_at``.
    recording : Recording
        The session.
    moments : int64 (n_moments,)
        Frames whose readouts are shown, from just before the movement to just after the frame
        judged.
    moments_s : float64 (n_moments,)
        Their times, from the first frame pair.
    time_s : float64 (n,)
        From a while before the movement until an event would come too late, from the first frame
        pair.
    scores : float64 (n, n_classes)
        Real units, at those times.
    reference, answer : int
        Classes.
    """

    summary: dict[str, Any]
    recording: Recording
    moments: NDArray[np.int64]
    moments_s: Float64
    time_s: Float64
    scores: Float64
    reference: int
    answer: int


def find_worst_takes(matched: Sequence[MatchedStream], recipe: Recipe) -> tuple[WorstTake, ...]:
    """Return the takes whose own class was farthest behind (or least ahead) when judged."""
    leads = []
    for one in matched:
        stream = one.stream
        scores = stream.scores[stream.take_frames].astype(np.float64) * stream.score_unit
        leads += [
            (float(lead), one, take) for take, lead in enumerate(ahead(scores, stream.take_labels))
        ]
    leads.sort(key=lambda item: (item[0], item[1].stream.recording.path.name, item[2]))
    return tuple(_worst_take(one, take, lead, recipe) for lead, one, take in leads[:N_WORST])


def _worst_take(one: MatchedStream, take: int, lead: float, recipe: Recipe) -> WorstTake:
    stream = one.stream
    judged = int(stream.take_frames[take])
    first = min(int(stream.take_starts[take]), judged)
    times = stream.time_s
    latest = times[judged] + recipe.evaluation.max_latency_s
    begin, end = np.searchsorted(times, (times[first] - LEAD_S, latest))
    scores = stream.scores[begin:end].astype(np.float64) * stream.score_unit
    reference = int(stream.take_labels[take])
    answer = int(stream.scores[judged].argmax())
    names = recipe.answers
    events = [e for e in one.detected if times[first] <= e.detected_s <= latest]
    summary = {
        "participant": stream.participant,
        "session": stream.recording.path.name.removesuffix(READOUTS_SUFFIX),
        "reference": names[reference],
        "answer": names[answer],
        "right": reference == answer,
        "begins_s": round(float(times[first]), 3),
        "at_s": round(float(times[judged]), 3),
        "lead": round(lead, 6),
        "event": names[events[0].label] if events else None,
        "look_at": _look_at(one, take, scores.argmax(axis=1), times[begin:end], recipe),
    }
    shown = max(0, first - AROUND_FRAMES), min(len(times) - 1, judged + AROUND_FRAMES)
    moments = np.unique(np.linspace(*shown, N_MOMENTS).round().astype(np.int64))
    return WorstTake(
        summary,
        stream.recording,
        moments,
        times[moments],
        times[begin:end],
        scores,
        reference,
        answer,
    )


def _look_at(
    one: MatchedStream, take: int, best: NDArray[np.intp], times: Float64, recipe: Recipe
) -> list[str]:
    """Say in words what may have gone wrong."""
    stream = one.stream
    judged_s = float(stream.time_s[stream.take_frames[take]])
    reference = int(stream.take_labels[take])
    name = _spoken(recipe.answers[reference])
    led = times[best == reference]
    hints = []
    if not len(led):
        rival = _spoken(recipe.answers[int(np.bincount(best).argmax())])
        hints.append(f"{name} never had the best score; {rival} had it most of the time.")
    elif judged_s < led[0]:
        hints.append(f"{name} led only from {led[0] - judged_s:.2f} s after the frame judged.")
    elif judged_s > led[-1]:
        hints.append(f"{name} led until {judged_s - led[-1]:.2f} s before the frame judged.")
    elif best[int(np.searchsorted(times, judged_s))] != reference:
        hints.append(f"{name} led before and after the frame judged, but not at it.")
    else:
        hints.append(f"{name} was answered, by a small lead.")
    conditions = stream.conditions
    if conditions.ambient[take] >= MUCH_AMBIENT:
        share = 100 * conditions.ambient[take]
        hints.append(f"Much ambient light: {share:.0f} % of the sensor's range while dark.")
    usual = float(np.median(conditions.returned))
    if conditions.returned[take] < usual / 2:
        share = 100 * conditions.returned[take] / usual
        hints.append(f"Little light came back: {share:.0f} % of this recording's usual take.")
    return hints


def _spoken(name: str) -> str:
    return f"“{name.replace('_', ' ')}”"


def false_events(matched: Sequence[MatchedStream], recipe: Recipe) -> list[dict[str, Any]]:
    """List false events, the background's first, so that someone can look at each; at most 50."""
    rows = []
    for one in sorted(matched, key=lambda h: not h.stream.background):
        right = {detected for detected, _ in one.pairs}
        rows += [
            {
                "participant": one.stream.participant,
                "session": one.stream.recording.path.name.removesuffix(READOUTS_SUFFIX),
                "at_s": round(event.detected_s, 3),
                "event": recipe.answers[event.label],
                "background": one.stream.background,
            }
            for index, event in enumerate(one.detected)
            if index not in right
        ]
    return rows[:MAX_FALSE_EVENTS]


def readouts_of(takes: Sequence[WorstTake]) -> list[NDArray[np.int32]]:
    """Read lit minus dark at each take's moments, int32 (n_moments, n_rows, n_cols), in counts.

    Raises
    ------
    FormatError
        A recording is damaged.
    """
    found: dict[tuple[Path, int], NDArray[np.int32]] = {}
    for path, recording in sorted({take.recording.path: take.recording for take in takes}.items()):
        wanted = np.unique(np.concatenate([t.moments for t in takes if t.recording == recording]))
        seen = 0
        for block in recording.readouts():
            inside = wanted[(wanted >= seen) & (wanted < seen + len(block))]
            for frame in inside.tolist():
                lit, dark = block.lit[frame - seen], block.dark[frame - seen]
                found[path, frame] = lit.astype(np.int32) - dark
            seen += len(block)
            if seen > wanted[-1]:
                break
    return [
        np.stack([found[take.recording.path, int(frame)] for frame in take.moments])
        for take in takes
    ]
