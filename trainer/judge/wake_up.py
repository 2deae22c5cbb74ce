"""How well the watching state wakes: counted over the locked participants' recordings.

Nothing of it is learned. Arrivals are hands that come from out of view, where the data set has
such recordings, else gestures; wakes are false while nobody is there. Without recorded time in
which nobody is there, nothing can be said, and nothing is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from capture.cues.labels import REJECTED
from capture.store.dataset import open_dataset
from capture.store.session import Session, read_session
from runtime.budget.price.wake_up_counts import WatchedSession, measure_wake_up
from runtime.sensor import Sensor
from trainer.recipe import Recipe

__all__ = ["examine_wake_up"]

ARRIVALS = ("arrive",)
"""Trial types in which a hand comes from out of view."""
EMPTY = ("everyday_empty", "away")
"""Trial types in which no hand is in view."""
STRETCH_FRAMES = 16384
"""Looked at together: 67 MB of 32 by 32 pixels, nine minutes at 30 a second."""
WARM_UP_S = 3.0
"""The watching stage compares with eight frames before, at 5 a second 1.8 s, and began at the
stretch's start; with half as much again for a sensor that watches more slowly."""
SEED = 1


def examine_wake_up(folder: Path, recipe: Recipe, sensor: Sensor) -> dict[str, Any] | None:
    """Count missed arrivals and false wakes in the locked participants' recordings.

    Parameters
    ----------
    folder : pathlib.Path
        Data set. Its recordings with another setting of the sensor are left out.
    recipe : Recipe
        Its gestures stand for arrivals where none are recorded.
    sensor : Sensor
        The setting of the recordings.

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
    locked = {p.participant_id for p in dataset.participants if p.locked and p.consent}
    sessions = [
        session
        for info in dataset.sessions
        if info.participant_id in locked and (session := read_session(info.path)).sensor == sensor
    ]
    for hands in (ARRIVALS, recipe.classes):
        if _has(sessions, hands) and _has(sessions, EMPTY):
            watched = (w for s in sessions if _has([s], (*hands, *EMPTY)) for w in _watch(s, hands))
            return measure_wake_up(sensor, watched, np.random.default_rng(SEED)).to_json()
    return None


def _has(sessions: Sequence[Session], kinds: Sequence[str]) -> bool:
    return any(e.trial_type in kinds and e.status != REJECTED for s in sessions for e in s.events)


def _watch(session: Session, hands: Sequence[str]) -> Iterator[WatchedSession]:
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
                span = event.onset_s, event.end_s
                arrivals += [span] if span[0] < span[1] <= end_s else []
        yield WatchedSession(block.lit, block.dark, times, tuple(arrivals), tuple(empty))
