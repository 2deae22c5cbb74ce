"""How much of the labelled time has no readouts: a recording ends early, or was interrupted."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from capture.cues.labels import Event

__all__ = ["unread_s"]


def unread_s(
    takes: Iterable[Event],
    sequence: NDArray[np.int64],
    time_us: NDArray[np.int64],
    period_us: float,
) -> tuple[float, float]:
    """Return for how long takes have no readouts, and how long they are in all, seconds.

    A script may ask for frames only now and then: where numbers follow upon each other nothing is
    missing, however long it takes. The last frame pair stands for a period, as each does.

    Parameters
    ----------
    takes : iterable of Event
        Their times from the first frame pair.
    sequence, time_us : int64 (n_pairs,)
        Numbers and device times of a session's frame pairs, in order.
    period_us : float
        Between frame pairs, microseconds.
    """
    spans = np.array([(take.onset_s, take.end_s) for take in takes], np.float64).reshape(-1, 2)
    asked_s = float((spans[:, 1] - spans[:, 0]).sum())
    if not len(sequence):
        return asked_s, asked_s
    time_s, period_s = (time_us - time_us[0]) / 1e6, period_us / 1e6
    before = np.flatnonzero(np.diff(sequence) > 1)
    begins = np.append(time_s[before], time_s[-1]) + period_s
    ends = np.append(time_s[before + 1], np.inf)
    first, stop = spans[:, :1], spans[:, 1:]
    over = np.minimum(stop, ends) - np.maximum(first, begins)
    return float(np.maximum(over, 0.0).sum()), asked_s
