"""How well the watching state wakes: counted over the locked participants' recordings.

Nothing of it is learned. Arrivals are hands that come from out of view, where the data set has
such recordings, else gestures; wakes are false while nobody is there. Without recorded time in
which nobody is there, nothing can be said, and nothing is.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from capture.cues.labels import REJECTED, Event
from capture.store.dataset import open_dataset
from capture.store.session import Session, read_session
from capture.thin.thinned import generator_of
from runtime.budget.price.wake_up_counts import (
    WakeUpCounts,
    WatchedSession,
    measure_wake_up,
)
from runtime.firmware.watching import Watching
from runtime.sensor import Sensor
from trainer.recipe import Recipe

__all__ = ["Watching", "count_wake_ups", "examine_wake_up", "has_arrivals"]

ARRIVALS = ("arrive",)
"""Trial types in which a hand comes from out of view."""
EMPTY = ("everyday_empty", "away")
"""Trial types in which no hand is in view."""
STRETCH_FRAMES = 16384
"""Looked at together: 67 MB of 32 by 32 pixels, nine minutes at 30 a second."""
WARM_UP_S = 3.0
"""The watching stage compares with twelve frames, at 5 a second 2.4 s, and began at the stretch's
start; with a quarter as much again for a sensor that watches more slowly."""
SEED = 1


def examine_wake_up(
    folder: Path, recipe: Recipe, sensor: Sensor, watching: Watching | None = None
) -> dict[str, Any] | None:
    """Count missed arrivals and false wakes in the locked participants' recordings.

    Parameters
    ----------
    folder : pathlib.Path
        Data set. Its recordings with another setting of the sensor are left out.
    recipe : Recipe
        Its gestures stand for arrivals where none are recorded.
    sensor : Sensor
        The setting of the recordings.
    watching : Watching, optional
        How the sensor watches; the usual way by default.

    Returns
    -------
    dict or None
        What evaluation.json holds under ``wake_up``; None where there is no arrival or no empty
        time.

    Raises
    ------
    FormatError
        A recording is damaged.
    """
    dataset = open_dataset(folder)
    people = [p.participant_id for p in dataset.participants if p.locked and p.consent]
    found = count_wake_ups(folder, recipe, sensor, [watching or Watching()], people)
    return None if found is None else found[0].to_json()


def count_wake_ups(
    folder: Path,
    recipe: Recipe,
    sensor: Sensor,
    ways: Sequence[Watching],
    people: Collection[str],
    watched: str | None = None,
) -> list[WakeUpCounts] | None:
    """Count them over the recordings of some people, for several ways to watch.

    Parameters
    ----------
    folder, recipe, sensor
        As in :func:`examine_wake_up`.
    ways : sequence of Watching
    people : collection of str
        Whose recordings are watched; each of them is read once.
    watched : str, optional
        Of these people the only one whose recordings are watched now: the others' tell whether
        arrivals were recorded.

    Returns
    -------
    list of WakeUpCounts or None
        One for each way; None where these people have no arrival or no empty time.

    Raises
    ------
    FormatError
        A recording is damaged.
    """
    theirs = [
        (info.participant_id, session)
        for info in open_dataset(folder).sessions
        if info.participant_id in people and (session := read_session(info.path)).sensor == sensor
    ]
    every = [session for _, session in theirs]
    for hands in (ARRIVALS, recipe.classes):
        if _has(every, hands) and _has(every, EMPTY):
            chosen = [s for person, s in theirs if watched in (None, person)]
            return _counted(sensor, [s for s in chosen if _has([s], (*hands, *EMPTY))], hands, ways)
    return None


def _counted(
    sensor: Sensor, sessions: Sequence[Session], hands: Sequence[str], ways: Sequence[Watching]
) -> list[WakeUpCounts]:
    """Count every way over some sessions, each of which draws its noise anew from its name."""
    found = [measure_wake_up(sensor, (), np.random.default_rng(SEED), way) for way in ways]
    for session in sessions:
        rngs = [generator_of(session, SEED) for _ in ways]
        for stretch in _stretches(session, hands):
            for place, (way, rng) in enumerate(zip(ways, rngs, strict=True)):
                found[place] += measure_wake_up(sensor, (stretch,), rng, way)
    return found


def has_arrivals(folder: Path) -> bool:
    """Tell whether hands that come from out of view were recorded: else gestures stand for them."""
    sessions = [read_session(info.path) for info in open_dataset(folder).sessions]
    return _has(sessions, ARRIVALS)


def _has(sessions: Sequence[Session], kinds: Sequence[str]) -> bool:
    return any(e.trial_type in kinds and e.status != REJECTED for s in sessions for e in s.events)


def _stretches(session: Session, hands: Sequence[str]) -> Iterator[WatchedSession]:
    """Yield a session in stretches that fit into memory; a hand at a cut is not counted."""
    start_us: int | None = None
    for block in session.blocks(STRETCH_FRAMES):
        start_us = int(block.time_us[0]) if start_us is None else start_us
        times = (block.time_us - start_us) / 1e6
        begin_s, end_s = float(times[0]), float(times[-1])
        arrivals, empty = [], []
        for event in (e for e in session.events if e.status != REJECTED):
            if event.trial_type in EMPTY:
                span = max(event.onset_s, begin_s), min(event.end_s, end_s)
                empty += [span] if span[0] < span[1] else []
            elif event.trial_type in hands and begin_s + WARM_UP_S <= event.onset_s:
                span = event.onset_s, _there_until_s(event)
                arrivals += [span] if span[0] < span[1] <= end_s else []
        yield WatchedSession(block.lit, block.dark, times, tuple(arrivals), tuple(empty))


def _there_until_s(event: Event) -> float:
    """Return until when a hand is there: one that arrived stays until its cue ends.

    A refined label of it ends with the movement, often before the next watching frame.
    """
    onset_s, duration_s = event.cue_onset_s, event.cue_duration_s
    if event.trial_type not in ARRIVALS or onset_s is None or duration_s is None:
        return event.end_s
    return max(event.end_s, onset_s + duration_s)
