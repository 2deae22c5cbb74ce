"""How well the watching state wakes: counted over the locked participants' recordings.

Nothing of it is learned. Arrivals are hands that come from out of view, where the data set has
such recordings, else gestures; wakes are false while nobody is there. Without recorded time in
which nobody is there, nothing can be said, and nothing is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from capture.cues.labels import REJECTED
from capture.store.dataset import open_dataset
from capture.store.session import Session, read_session
from runtime.budget.price.wake_up_counts import WakeUpCounts, WatchedSession, measure_wake_up
from runtime.firmware.setting import USUAL_HOLD_S
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
"""The watching stage compares with eight frames before, at 5 a second 1.8 s, and began at the
stretch's start; with half as much again for a sensor that watches more slowly."""
SEED = 1


@dataclass(frozen=True, slots=True)
class Watching:
    """How the sensor watches.

    Parameters
    ----------
    n_rows : int
        Middle rows that are read.
    rate_hz : float
        Frame pairs a second.
    led_share : float
        LED charge of a frame over the recordings', 0 to 1. A shorter exposure is taken as less LED
        light under as much ambient light as was recorded, which it has less of.
    hold_s : float
        How long it stays awake after the last movement.
    """

    n_rows: int = 16
    rate_hz: float = 5.0
    led_share: float = 0.2
    hold_s: float = USUAL_HOLD_S


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
    found = count_wake_ups(folder, recipe, sensor, watching or Watching(), locked=True)
    return None if found is None else found.to_json()


def count_wake_ups(
    folder: Path, recipe: Recipe, sensor: Sensor, watching: Watching, *, locked: bool
) -> WakeUpCounts | None:
    """Count them over the recordings of the locked participants, or of all others.

    Parameters and errors are those of :func:`examine_wake_up`.
    """
    dataset = open_dataset(folder)
    people = {p.participant_id for p in dataset.participants if p.locked == locked and p.consent}
    sessions = [
        session
        for info in dataset.sessions
        if info.participant_id in people and (session := read_session(info.path)).sensor == sensor
    ]
    for hands in (ARRIVALS, recipe.classes):
        if _has(sessions, hands) and _has(sessions, EMPTY):
            watched = (w for s in sessions if _has([s], (*hands, *EMPTY)) for w in _watch(s, hands))
            return measure_wake_up(
                sensor, watched, np.random.default_rng(SEED), n_rows=watching.n_rows,
                rate_hz=watching.rate_hz, led_share=watching.led_share, hold_s=watching.hold_s,
            )  # fmt: skip
    return None


def has_arrivals(folder: Path) -> bool:
    """Tell whether hands that come from out of view were recorded: else gestures stand for them."""
    sessions = [read_session(info.path) for info in open_dataset(folder).sessions]
    return _has(sessions, ARRIVALS)


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
