"""Features: integer stages whose constants are learned from training readouts.

The chain is bins, level, projection, motion, window. Nothing in it is an image: bins are sums of
pixels behind a diffractive optic, and directions are directions in the space of readouts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from runtime.fixedpoint import symmetric_limit
from runtime.stages.contract import EntryStage, Float64, Int32, Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.window import Window
from trainer.quantise import quantise_dense
from trainer.recipe import FeatureRecipe, QuantisationRecipe

__all__ = [
    "StageChain",
    "fisher_directions",
    "learn_features",
    "learn_level",
    "noise_covariance",
    "principal_directions",
]

SHRINKAGE = 0.05
FLOOR_QUANTILE = 0.01


@dataclass(frozen=True, slots=True)
class StageChain:
    """An entry stage and the stages after it, with proven bounds at the end of the chain."""

    entry: EntryStage
    stages: tuple[Stage, ...]
    low: Int64
    high: Int64

    @classmethod
    def start(cls, entry: EntryStage, max_counts: int) -> StageChain:
        """Begin a chain at an entry stage; a difference of counts is within +-max_counts."""
        extreme = np.full(entry.n_in, max_counts, dtype=np.int64)
        return cls(entry, (), *entry.bounds(-extreme, extreme))

    def then(self, *stages: Stage) -> StageChain:
        """Return the chain with further stages; raises OverflowRisk as their `bounds` do."""
        low, high = self.low, self.high
        for stage in stages:
            low, high = stage.bounds(low, high)
        return StageChain(self.entry, (*self.stages, *stages), low, high)

    def run(self, values: Int32) -> Int32:
        """Run the stages after the entry over one recording's entry values."""
        for stage in self.stages:
            values, _ = stage.run(values, stage.initial_state())
        return values

    def run_float(self, values: Int32) -> Float64:
        """Run the real-valued twins over one recording's entry values."""
        x = values.astype(np.float64)
        for stage in self.stages:
            x = stage.run_float(x)
        return x


def learn_level(entry_values: Int32, features: FeatureRecipe, clip_quantile: float) -> Level:
    """Choose the level stage's constants from training readouts.

    The gain is the largest power of two that leaves `clip_quantile` of the values unsaturated; the
    floor is the first percentile of the frames' sums, so that frames without a hand stay small
    instead of becoming amplified noise.

    Parameters
    ----------
    entry_values : int32 (n_frames, n_values)
        Outputs of the entry stage.
    """
    total = entry_values.sum(axis=1, dtype=np.int64)
    floor = max(4, int(np.quantile(total, FLOOR_QUANTILE)))
    share = np.abs(entry_values) / np.maximum(total, floor)[:, None]
    largest = max(float(np.quantile(share, clip_quantile)), 2.0**-20)
    limit = symmetric_limit(features.level_bits)
    gain_bits = min(30, max(0, math.floor(math.log2(limit / largest))))
    log_bits = 3 if features.level_bits == 8 else 12
    middle = math.floor(math.log2(max(floor, float(np.median(total)))))
    return Level(
        n_values=entry_values.shape[1],
        n_bits=features.level_bits,
        gain_bits=gain_bits,
        floor=max(floor, 1 << max(1, gain_bits - 14)),
        log_bits=log_bits,
        log_offset=middle << log_bits,
    )


def noise_covariance(recordings: Sequence[NDArray[np.int32]]) -> Float64:
    """Estimate the covariance of the readouts' noise from their stillest moments.

    Half the covariance of frame-to-frame differences, over the quarter of frames that change least.
    Shrunk towards a multiple of the identity (O. Ledoit and M. Wolf, J. Multivariate Anal. 88,
    2004, with a fixed share): without it, pixels that see little light would count for most.

    Parameters
    ----------
    recordings : sequence of int32 (n_frames, n_values)
        Level-normalised readouts.

    Returns
    -------
    float64 (n_values, n_values)
        Positive definite.
    """
    steps = np.concatenate([np.diff(r.astype(np.float64), axis=0) for r in recordings])
    change = np.abs(steps).sum(axis=1)
    still = steps[change <= np.quantile(change, 0.25)]
    return _shrunk(still.T @ still / (2 * max(1, len(still))))


def _shrunk(covariance: Float64) -> Float64:
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
    return _generalised(np.cov(x, rowvar=False), noise, n_directions)


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
    return _generalised(between, _shrunk(within.T @ within / len(x)), n_directions)


def _generalised(signal: Float64, noise: Float64, n_directions: int) -> Float64:
    n = len(noise)
    n_directions = min(n_directions, n)
    _, vectors = linalg.eigh(signal, noise, subset_by_index=[n - n_directions, n - 1])
    directions = vectors.T[::-1]
    largest = np.abs(directions).argmax(axis=1)
    signs = np.sign(directions[np.arange(n_directions), largest])
    return np.asarray(directions * signs[:, None])


def learn_features(
    chain: StageChain,
    recordings: Sequence[Int32],
    samples: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]],
    features: FeatureRecipe,
    quantisation: QuantisationRecipe,
) -> StageChain:
    """Add projection, motion and window to a chain that ends in a level stage.

    Parameters
    ----------
    chain : StageChain
        Entry and level stage.
    recordings : sequence of int32 (n_frames, n_values + 1)
        The level stage's outputs, one array per training recording.
    samples : sequence of (frames, labels)
        Labelled frames of each recording, used by Fisher directions only.
    features, quantisation : FeatureRecipe, QuantisationRecipe
        What to learn, and the integer widths.
    """
    if features.projection != "none":
        projection = _learn_projection(chain, recordings, samples, features, quantisation)
        chain = chain.then(projection)
        recordings = [projection.run(r, {})[0] for r in recordings]
    if features.motion:
        motion = _learn_motion(recordings)
        chain = chain.then(motion)
        recordings = [motion.run(r, motion.initial_state())[0] for r in recordings]
    largest = features.segment_frames * float(max(np.abs(r).max() for r in recordings))
    shift = max(0, math.ceil(math.log2(max(1.0, largest / symmetric_limit(16)))))
    n_values = recordings[0].shape[1]
    return chain.then(Window(n_values, features.segments, features.segment_frames, shift, 16))


def _learn_projection(
    chain: StageChain,
    recordings: Sequence[Int32],
    samples: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]],
    features: FeatureRecipe,
    quantisation: QuantisationRecipe,
) -> Dense:
    """Learn directions over the shares, and pass the log level through as one more direction."""
    x = np.concatenate(recordings)
    if features.projection == "principal":
        # Centred on each recording: what differs between people is no signal of what they do.
        own = np.concatenate([r[:, :-1] - r[:, :-1].mean(axis=0) for r in recordings])
        noise = noise_covariance([r[:, :-1] for r in recordings])
        directions = principal_directions(own, noise, features.directions)
    else:
        chosen = np.concatenate(
            [r[frames, :-1] for r, (frames, _) in zip(recordings, samples, strict=True)]
        )
        labels = np.concatenate([labels for _, labels in samples])
        directions = fisher_directions(chosen.astype(np.float64), labels, features.directions)
    # All rows share one integer scale: bring their largest weights to the same size.
    weights = np.zeros((len(directions) + 1, x.shape[1]))
    weights[:-1, :-1] = directions / np.abs(directions).max(axis=1, keepdims=True)
    spread = (x @ weights.T)[:, :-1].std(axis=0)
    weights[-1, -1] = min(1.0, float(np.median(spread)) / max(float(x[:, -1].std()), 1e-6))
    bias = -(weights @ x.mean(axis=0))
    stage, _ = quantise_dense(
        weights,
        bias,
        x,
        chain.low,
        chain.high,
        weight_bits=8,
        out_bits=features.direction_bits,
        clip_quantile=quantisation.clip_quantile,
    )
    return stage


def _learn_motion(recordings: Sequence[Int32]) -> Motion:
    """Choose the shift that brings the change down to the spread of the other values."""
    steps = np.concatenate([np.abs(np.diff(r, axis=0)).sum(axis=1) for r in recordings])
    spread = float(np.median(np.concatenate(recordings).std(axis=0)))
    shift = max(0, round(math.log2(max(1.0, float(steps.std()) / max(spread, 1.0)))))
    return Motion(recordings[0].shape[1], shift, 16)
