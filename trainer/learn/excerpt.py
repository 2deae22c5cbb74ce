"""Excerpts: frames of a recording to learn stages from, and which of them show something."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64, Int32, Int64, Stage

__all__ = ["Excerpt", "centred_values", "seen_steps", "seen_values"]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Frames of one recording to learn from without looking at all: whole, or evenly spaced runs.

    Stages that keep state are run over all of them; constants are learned from those that show
    somebody doing what was asked for.

    Parameters
    ----------
    values : int32 (n_kept, n_values)
        Outputs of the entry stage, or of later ones.
    seen : bool (n_kept,)
        Frames to learn from.
    frames, labels : int64 (n_windows,)
        Training windows whose last frame was kept, counted in the frames kept, and their classes.
    origin : str
        What differs between origins is no signal: recordings, or people where it is recordings
        that differ by what is to be learned. Empty for excerpts that have each their own.
    """

    values: Int32
    seen: NDArray[np.bool_]
    frames: Int64
    labels: Int64
    origin: str = ""

    @classmethod
    def whole(cls, values: Int32) -> Excerpt:
        """Return frames that are all to be learned from, without windows."""
        nothing = np.zeros(0, dtype=np.int64)
        return cls(values, np.ones(len(values), dtype=bool), nothing, nothing)

    def through(self, *stages: Stage) -> Excerpt:
        """Return the excerpt after further stages, each run from its first state."""
        values = self.values
        for stage in stages:
            values, _ = stage.run(values, stage.initial_state())
        return replace(self, values=values)

    def only(self, shown: NDArray[np.bool_]) -> Excerpt:
        """Return the excerpt with fewer frames to learn from: bool (n_kept,)."""
        return replace(self, seen=self.seen & shown)


def seen_values(excerpts: Sequence[Excerpt]) -> Int32:
    """Return the values of all frames to learn from, int32 (n_seen, n_values)."""
    return np.concatenate([e.values[e.seen] for e in excerpts])


def centred_values(excerpts: Sequence[Excerpt]) -> Float64:
    """Return the same less the mean of their origin, float64 (n_seen, n_values)."""
    own: dict[str, list[Float64]] = {}
    for number, each in enumerate(excerpts):
        values = each.values[each.seen].astype(np.float64)
        if len(values):
            own.setdefault(each.origin or f"excerpt {number}", []).append(values)
    joined = [np.concatenate(parts) for parts in own.values()]
    return np.concatenate([values - values.mean(axis=0) for values in joined])


def seen_steps(excerpts: Sequence[Excerpt]) -> Int64:
    """Return the change between frames kept one after the other that are both to be learned from.

    int64 (n_steps, n_values).
    """
    return np.concatenate(
        [np.diff(e.values.astype(np.int64), axis=0)[e.seen[1:] & e.seen[:-1]] for e in excerpts]
    )
