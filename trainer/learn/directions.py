"""Directions: what a readout is projected onto, learned from training readouts or drawn."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from runtime.errors import UsageError
from runtime.stages.contract.stage import Float64, Int32, Int64
from runtime.stages.swing import Swing
from trainer.recipe import FeatureRecipe

__all__ = [
    "drawn_directions",
    "fisher_directions",
    "most_for_the_least",
    "noise_covariance",
    "principal_directions",
    "shrunk",
    "swing_directions",
]

SHRINKAGE = 0.05
"""From a hundredth to a fifth it hardly matters: in a diffuser's world 0.01, 0.05 and 0.2 had
0.751, 0.758 and 0.771 of 880 takes right, with a standard error of 0.014."""
STILL_SHARE = 0.25
"""People answer a cue after 0.2 to 0.3 s of its 1.2 to 1.5 s (simple reaction; from memory), and
are back at rest before it ends: about so many of a take's frames show noise and no movement. In
the same trial, 0.1, 0.25 and 0.5 had 0.777, 0.758 and 0.767 right."""


def noise_covariance(steps: Int64) -> Float64:
    """Estimate the covariance of the readouts' noise from their stillest moments.

    Half the covariance of frame-to-frame differences, over the quarter of frames that change least.
    Shrunk: without it, pixels that see little light would count for most.

    Parameters
    ----------
    steps : int64 (n_steps, n_values)
        Changes of level-normalised readouts from one frame to the next.

    Returns
    -------
    float64 (n_values, n_values)
        Positive definite.

    Raises
    ------
    UsageError
        There is no step: without it nothing is known of noise.
    """
    if len(steps) == 0:
        raise UsageError(
            "training", "pairs of consecutive frames to learn noise from", 0, "one and more",
            "give takes of several frames",
        )  # fmt: skip
    change = np.abs(steps).sum(axis=1)
    still = steps[change <= np.quantile(change, STILL_SHARE)].astype(np.float64)
    return shrunk(still.T @ still / (2 * max(1, len(still))))


def shrunk(covariance: Float64) -> Float64:
    """Shrink a covariance towards a multiple of the identity.

    O. Ledoit and M. Wolf, J. Multivariate Anal. 88, 2004, with a fixed share.
    """
    n = len(covariance)
    mean = max(float(np.trace(covariance)) / n, 1e-6)
    return np.asarray((1 - SHRINKAGE) * covariance + SHRINKAGE * mean * np.eye(n))


def principal_directions(x: Float64, noise: Float64, n_directions: int) -> Float64:
    """Return the directions with the most signal for the noise, strongest first.

    Solves ``S v = q N v`` for the covariance S of the readouts and N of their noise (A. Green et
    al., IEEE Trans. Geosci. Remote Sens. 26, 1988: maximum noise fraction). Each direction is
    scaled to unit noise.

    Parameters
    ----------
    x : float64 (n_frames, n_values)
    noise : float64 (n_values, n_values)
    n_directions : int

    Returns
    -------
    float64 (n_directions, n_values)
        Signs are fixed: the largest element of each direction is positive.
    """
    return most_for_the_least(np.cov(x, rowvar=False), noise, n_directions)


def fisher_directions(x: Float64, labels: NDArray[np.int64], n_directions: int) -> Float64:
    """Return the directions with the most difference between classes for the spread within them.

    R. A. Fisher, Annals of Eugenics 7, 1936, with shrunk spread. At most one direction fewer than
    there are classes exists; scaling and shapes as :func:`principal_directions`.
    """
    classes = np.unique(labels)
    means = np.stack([x[labels == c].mean(axis=0) for c in classes])
    within = x - means[np.searchsorted(classes, labels)]
    counts = np.array([(labels == c).sum() for c in classes], dtype=np.float64)
    spread = means - x.mean(axis=0)
    between = (spread * counts[:, None]).T @ spread / len(x)
    n_directions = min(n_directions, len(classes) - 1)
    return most_for_the_least(between, shrunk(within.T @ within / len(x)), n_directions)


def most_for_the_least(signal: Float64, noise: Float64, n_directions: int) -> Float64:
    """Return the directions with the most of one covariance over another, strongest first.

    Each is scaled to unit noise, and its largest element is positive.
    """
    n = len(noise)
    n_directions = min(n_directions, n)
    _, vectors = linalg.eigh(signal, noise, subset_by_index=[n - n_directions, n - 1])
    directions = vectors.T[::-1]
    largest = np.abs(directions).argmax(axis=1)
    signs = np.sign(directions[np.arange(n_directions), largest])
    return np.asarray(directions * signs[:, None])


def drawn_directions(
    kind: str, n_directions: int, n_values: int, rng: np.random.Generator
) -> Float64:
    """Draw directions that keep distances between readouts nearly as they are.

    Parameters
    ----------
    kind : str
        ``random``: normal weights. ``ternary``: +1 and -1 with probability 1/6 each, else 0
        (D. Achlioptas, J. Comput. Syst. Sci. 66, 2003). ``sparse``: the same with probability
        1/(2 sqrt(n_values)) each (P. Li, T. Hastie and K. Church, KDD 2006).
    rng : numpy Generator

    Returns
    -------
    float64 (n_directions, n_values)
        No direction is empty.

    Raises
    ------
    UsageError
        No directions are drawn this way.
    """
    shape = n_directions, n_values
    if kind == "random":
        return rng.standard_normal(shape)
    density = {"ternary": 1 / 3, "sparse": 1 / math.sqrt(n_values)}.get(kind)
    if density is None:
        raise UsageError("directions", "kind", kind, "random, ternary or sparse")
    signs = rng.choice((-1.0, 1.0), shape)
    directions = np.where(rng.random(shape) < density, signs, 0.0)
    empty = np.flatnonzero(~directions.any(axis=1))
    directions[empty, rng.integers(n_values, size=len(empty))] = 1.0
    return directions


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
