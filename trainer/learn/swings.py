"""Directions in which small movements to and fro are seen best, learned from training readouts."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int32
from runtime.stages.swing import Swing
from trainer.learn.directions import most_for_the_least, shrunk
from trainer.recipe import FeatureRecipe

__all__ = ["swing_directions"]


def swing_directions(
    recordings: Iterable[tuple[Int32, NDArray[np.int64], NDArray[np.int64]]],
    features: FeatureRecipe,
) -> Float64:
    """Return the directions whose swings differ most from those of the class that moves least.

    Swings are the signed ones of :class:`runtime.stages.swing.Swing`, over every training window.
    First the principal directions of all of them over the noise between frames are found, which
    no label takes part in: thousands of pixels, a few of them bright, would else be fitted to the
    noise of the windows at hand. Among those, each class that moves has its share: the directions
    with the most of its energy over that of the class with the least (K. Fukunaga, Introduction to
    Statistical Pattern Recognition, 2nd ed. 1990, section 10.1, from memory).

    Every recording counts by its light: energies are taken over the mean noise of its pixels.

    Parameters
    ----------
    recordings : iterable of (levelled, frames, labels)
        int32 (n_frames, n_values + 1) as the level stage gives them, consecutive frames; last
        frames of training windows; their classes.
    features : FeatureRecipe

    Returns
    -------
    float64 (n_directions, n_values)
        At most ``features.directions``, as many for each class that moves.

    Raises
    ------
    UsageError
        No window holds a whole swing, or only one class has any.
    """
    n_frames = features.segments * features.segment_frames
    energy: dict[int, Float64] = {}
    noise: Float64 | None = None
    for levelled, frames, labels in recordings:
        shares = levelled[:, :-1]
        stage = Swing(shares.shape[1], features.swing_frames, 0, 32)
        swings = stage.signed(shares, stage.initial_state()).astype(np.float64)
        step = np.diff(shares, axis=0).astype(np.float64)
        variance = (step * step).mean(axis=0) / 2.0
        light = 1.0 / max(float(variance.mean()), 1e-6)
        noise = light * variance + (0.0 if noise is None else noise)
        for label in np.unique(labels):
            rows = _within(frames[labels == label], n_frames, stage.n_frames, len(levelled))
            if len(rows):
                part = swings[rows]
                whole = energy.get(int(label), 0.0)
                energy[int(label)] = whole + light / len(rows) * (part.T @ part)
    if noise is None or len(energy) < 2:
        raise UsageError("swings", "classes with a whole swing", len(energy), "2 or more")
    return _among(list(energy.values()), shrunk(np.diag(noise)), features.directions)


def _among(energies: list[Float64], noise: Float64, n_directions: int) -> Float64:
    """Find the subspace of all swings, then each class's directions within it.

    It has as many times the directions as there are classes: what moves least has its own behind
    those of all others, of which each may have as many as are asked for.
    """
    n_among = len(energies) * n_directions
    basis = most_for_the_least(np.sum(energies, axis=0), noise, n_among)
    inside = [basis @ energy @ basis.T for energy in energies]
    still = int(np.argmin([np.trace(energy) for energy in inside]))
    moving = [energy for k, energy in enumerate(inside) if k != still]
    share = max(1, n_directions // len(moving))
    found = [most_for_the_least(energy, shrunk(inside[still]), share) for energy in moving]
    return np.asarray(np.concatenate(found) @ basis)


def _within(
    ends: NDArray[np.int64], n_window: int, n_swing: int, n_frames: int
) -> NDArray[np.int64]:
    """Return the frames of all windows with these ends at which a whole swing was seen."""
    inside = np.zeros(n_frames, dtype=bool)
    for end in ends:
        inside[max(n_swing - 1, end - n_window + 1) : end + 1] = True
    return np.flatnonzero(inside)
