"""A session's readouts as one table, for libraries of data frames that may not be installed."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.cues.labels import REJECTED, Event
from capture.frames import FrameBlock
from runtime.errors import UsageError

__all__ = ["frame_columns", "library", "pixel_columns"]

READOUTS = ("difference", "lit", "dark", "none")
"""Which counts a table may hold."""


def library(name: str) -> Any:
    """Return a library of data frames; UsageError when it is not installed."""
    try:
        return importlib.import_module(name)
    except ImportError:
        raise UsageError(
            f"to_{name}", f"library {name}", "not installed", do=f"run pip install {name}"
        ) from None


def frame_columns(frames: FrameBlock, events: Sequence[Event]) -> dict[str, Any]:
    """Return what a table says of each frame pair besides its counts.

    Parameters
    ----------
    frames : FrameBlock
    events : sequence of Event
        Labels; rejected ones are left out.

    Returns
    -------
    dict
        ``sequence``, ``time_us`` and ``dark_time_us`` int64 (n_frames,), ``time_s`` float64 from
        the first frame pair, ``trial_type`` list of str or None: the label that it lies in.
    """
    time_s = (frames.time_us - frames.time_us[:1]) / 1e6
    labels: list[str | None] = [None] * len(frames)
    for event in events:
        if event.status != REJECTED:
            first, stop = np.searchsorted(time_s, (event.onset_s, event.end_s)).tolist()
            labels[first:stop] = [event.trial_type] * (stop - first)
    return {
        "sequence": frames.sequence,
        "time_us": frames.time_us,
        "dark_time_us": frames.dark_time_us,
        "time_s": time_s,
        "trial_type": labels,
    }


def pixel_columns(frames: FrameBlock, readout: str) -> tuple[list[str], NDArray[Any]]:
    """Return the names ``r00c00`` and on, and the counts of every pixel.

    Parameters
    ----------
    frames : FrameBlock
    readout : str
        One of `READOUTS`: ``difference`` is lit minus dark.

    Returns
    -------
    names : list of str
    counts : int32 or uint16 (n_frames, n_rows * n_cols)

    Raises
    ------
    UsageError
        There is no such readout.
    """
    if readout not in READOUTS:
        raise UsageError("table", "readout", repr(readout), f"one of {', '.join(READOUTS)}")
    if readout == "none":
        return [], np.zeros((len(frames), 0), dtype=np.int32)
    counts: NDArray[Any]
    if readout == "difference":
        counts = frames.lit.astype(np.int32) - frames.dark
    else:
        counts = frames.lit if readout == "lit" else frames.dark
    n_rows, n_cols = counts.shape[1:]
    names = [f"r{row:02d}c{col:02d}" for row in range(n_rows) for col in range(n_cols)]
    return names, counts.reshape(len(counts), -1)
