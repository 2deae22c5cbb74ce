"""Features: integer stages whose constants are learned from training readouts.

The chain is bins or pixels, level, projection, motion, window. Nothing in it is an image: bins are
sums of pixels behind a diffractive optic, and directions are directions in the space of readouts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import symmetric_limit
from runtime.stages.contract.stage import EntryStage, Float64, Int32, Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pixels import Pixels
from runtime.stages.root import Root
from runtime.stages.swing import Swing
from runtime.stages.window import Window
from trainer.learn.directions import (
    drawn_directions,
    fisher_directions,
    noise_covariance,
    principal_directions,
)
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense, shift_to_fit
from trainer.learn.swings import swing_directions
from trainer.recipe import FeatureRecipe, QuantisationRecipe

__all__ = ["StageChain", "learn_features", "learn_level", "learn_window"]

FLOOR_QUANTILE, FLOOR_SHARE = 0.01, 0.5
ROOT_SIZES = {8: (7, 7), 16: (5, 10)}
"""By the bits of a share: the bits it is raised by, and those of its root."""
SWING_QUANTILE = 0.9999
SIGN_BITS = 2
"""Width of weights that are 1, -1 or 0."""


@dataclass(frozen=True, slots=True)
class StageChain:
    """Stages after an entry stage, with proven bounds at the end of the chain.

    Parameters
    ----------
    entry : EntryStage or None
        None for a chain whose inputs are no readouts.
    stages : tuple of Stage
    low, high : int64 (n_out,)
    gather : Pixels or None
        The entry stage again when the chain is run over the differences of all pixels, of which it
        takes the chosen ones; None when it is run over the entry stage's own outputs.
    """

    entry: EntryStage | None
    stages: tuple[Stage, ...]
    low: Int64
    high: Int64
    gather: Pixels | None = None

    @classmethod
    def start(cls, entry: EntryStage, max_counts: int, gather: Pixels | None = None) -> StageChain:
        """Begin a chain at an entry stage; a difference of counts is within +-max_counts."""
        extreme = np.full(entry.n_in, max_counts, dtype=np.int64)
        return cls(entry, (), *entry.bounds(-extreme, extreme), gather)

    def then(self, *stages: Stage) -> StageChain:
        """Return the chain with further stages; raises OverflowRisk as their `bounds` do."""
        low, high = self.low, self.high
        for stage in stages:
            low, high = stage.bounds(low, high)
        return StageChain(self.entry, (*self.stages, *stages), low, high, self.gather)

    def run(self, values: Int32) -> Int32:
        """Run the stages over the values of one recording."""
        values = values if self.gather is None else self.gather.run_difference(values)
        for stage in self.stages:
            values, _ = stage.run(values, stage.initial_state())
        return values

    def run_float(self, values: Int32) -> Float64:
        """Run the real-valued twins over the values of one recording."""
        values = values if self.gather is None else self.gather.run_difference(values)
        x = values.astype(np.float64)
        for stage in self.stages:
            x = stage.run_float(x)
        return x


def learn_level(entry_values: Int32, features: FeatureRecipe, clip_quantile: float) -> Level:
    """Choose the level stage's constants from training readouts.

    The gain is the largest power of two that leaves `clip_quantile` of the values unsaturated; the
    floor is half the first percentile of the frames' sums, so that frames without a hand stay small
    instead of becoming amplified noise.

    Parameters
    ----------
    entry_values : int32 (n_frames, n_values)
        Outputs of the entry stage.
    """
    total = entry_values.sum(axis=1, dtype=np.int64)
    floor = max(4, int(FLOOR_SHARE * np.quantile(total, FLOOR_QUANTILE)))
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


def learn_features(
    chain: StageChain,
    recordings: Sequence[Int32],
    samples: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]],
    features: FeatureRecipe,
    quantisation: QuantisationRecipe,
    seed: int,
    whole: Iterable[tuple[Int32, NDArray[np.int64], NDArray[np.int64]]] = (),
) -> StageChain:
    """Add roots, projection, motion or swings, and window to a chain that ends in a level stage.

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
    seed : int
        Seeds the directions that are drawn.
    whole : iterable of (values, frames, labels)
        What the chain is run over, of recordings without gaps, and their labelled frames; only
        directions of swings are learned from them.
    """
    if features.roots:
        n_values = recordings[0].shape[1]
        root = Root(n_values, n_values - 1, *ROOT_SIZES[features.level_bits])
        chain = chain.then(root)
        recordings = [root.run(r, {})[0] for r in recordings]
    if features.projection != "none":
        if features.projection == "swing":
            directions = swing_directions(((chain.run(v), f, k) for v, f, k in whole), features)
        else:
            directions = _directions(recordings, samples, features, seed)
        drawn_signs = features.projection in ("ternary", "sparse")
        projection = _project(chain, recordings, directions, drawn_signs, features, quantisation)
        chain = chain.then(projection)
        recordings = [projection.run(r, {})[0] for r in recordings]
    chain = learn_window(chain, recordings, features)
    if not features.swing_frames:
        return chain
    # What all directions see of an unrest of the whole hand, and of noise, tells nothing: their
    # shares of it do, and how much there is in all.
    energies = [_run_all(chain.stages[-2:], r) for r in recordings]
    return chain.then(learn_level(np.concatenate(energies), features, quantisation.clip_quantile))


def _run_all(stages: Sequence[Stage], values: Int32) -> Int32:
    for stage in stages:
        values, _ = stage.run(values, stage.initial_state())
    return values


def learn_window(
    chain: StageChain, recordings: Sequence[Int32], features: FeatureRecipe
) -> StageChain:
    """Add motion or swings, where required, and the window to a chain.

    Parameters
    ----------
    chain : StageChain
    recordings : sequence of int32 (n_frames, n_values)
        The chain's outputs, one array per training recording.
    """
    if features.motion or features.swing_frames:
        learn = _learn_swing if features.swing_frames else _learn_motion
        motion = learn(recordings, features)
        chain = chain.then(motion)
        recordings = [motion.run(r, motion.initial_state())[0] for r in recordings]
    largest = features.segment_frames * float(max(np.abs(r).max() for r in recordings))
    shift = shift_to_fit(largest, 16)
    n_values = recordings[0].shape[1]
    return chain.then(Window(n_values, features.segments, features.segment_frames, shift, 16))


def _directions(
    recordings: Sequence[Int32],
    samples: Sequence[tuple[NDArray[np.int64], NDArray[np.int64]]],
    features: FeatureRecipe,
    seed: int,
) -> Float64:
    """Learn or draw directions over the shares."""
    shares = [r[:, :-1] for r in recordings]
    if features.projection == "principal":
        # Centred on each recording: what differs between people is no signal of what they do.
        own = np.concatenate([r - r.mean(axis=0) for r in shares])
        return principal_directions(own, noise_covariance(shares), features.directions)
    if features.projection == "fisher":
        chosen = [r[frames] for r, (frames, _) in zip(shares, samples, strict=True)]
        labels = np.concatenate([labels for _, labels in samples])
        x = np.concatenate(chosen).astype(np.float64)
        return fisher_directions(x, labels, features.directions)
    rng = np.random.default_rng(seed)
    n_values = shares[0].shape[1]
    return drawn_directions(features.projection, features.directions, n_values, rng)


def _project(
    chain: StageChain,
    recordings: Sequence[Int32],
    directions: Float64,
    signs: bool,
    features: FeatureRecipe,
    quantisation: QuantisationRecipe,
) -> Dense:
    """Project the shares, and pass the log level through as one more direction.

    Parameters
    ----------
    signs : bool
        Whether every weight of the directions is 1, -1 or 0, and is to remain so.
    """
    x = np.concatenate(recordings)
    # All rows share one integer scale: bring their largest weights to the same size.
    weights = np.zeros((len(directions) + 1, x.shape[1]))
    weights[:-1, :-1] = directions / np.abs(directions).max(axis=1, keepdims=True)
    spread = (x @ weights.T)[:, :-1].std(axis=0)
    level = min(1.0, float(np.median(spread)) / max(float(x[:, -1].std()), 1e-6))
    weights[-1, -1] = 1.0 if signs else level
    bias = -(weights @ x.mean(axis=0))
    stage, _ = quantise_dense(
        RealLayer(weights, bias),
        LayerInputs(x, chain.low, chain.high),
        weight_bits=SIGN_BITS if signs else 8,
        out_bits=features.direction_bits,
        clip_quantile=quantisation.clip_quantile,
    )
    return stage


def _learn_swing(recordings: Sequence[Int32], features: FeatureRecipe) -> Swing:
    """Choose the shift that leaves nearly all swings unsaturated."""
    plain = Swing(recordings[0].shape[1], features.swing_frames, 0, 32)
    swings = [plain.run(r, plain.initial_state())[0][plain.n_frames :] for r in recordings]
    largest = float(np.quantile(np.concatenate(swings), SWING_QUANTILE))
    shift = shift_to_fit(largest, 16)
    return Swing(plain.n_values, features.swing_frames, shift, 16)


def _learn_motion(recordings: Sequence[Int32], features: FeatureRecipe) -> Motion:
    """Choose the shift that brings the change down to the spread of the other values."""
    steps = np.concatenate([np.abs(np.diff(r, axis=0)).sum(axis=1) for r in recordings])
    spread = float(np.median(np.concatenate(recordings).std(axis=0)))
    shift = max(0, round(math.log2(max(1.0, float(steps.std()) / max(spread, 1.0)))))
    return Motion(recordings[0].shape[1], shift, 16)
