"""Features: integer stages whose constants are learned from training readouts.

The chain is bins or pixels, what is done against other light (`mains`), level, projection, motion,
window.
Nothing in it is an image: bins are sums of pixels behind a diffractive optic, and directions are
directions in the space of readouts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import EntryStage, Float64, Int32, Int64, Stage
from runtime.stages.dense import Dense
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
    swing_directions,
)
from trainer.learn.excerpt import Excerpt, centred_values, seen_steps, seen_values
from trainer.learn.levels import learn_level
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense, shift_to_fit
from trainer.recipe import FeatureRecipe, QuantisationRecipe

__all__ = ["StageChain", "learn_features", "learn_window"]

ROOT_SIZES = {8: (7, 7), 16: (5, 10)}
"""By the bits of a share: the bits it is raised by, and those of its root. A share of 7 bits and a
sign raised by 7 has a root of 7, and one of 15 raised by 5 a root of 10: the largest of each fills
it."""
LEAST_LEVEL_WEIGHT = 8 / 127
"""Of the logarithm of all light beside directions whose largest weights are 1: eight of their 127
steps, so that rounding changes it by a sixteenth at most and never takes it away."""
SWING_QUANTILE = 0.9999
"""A window adds up some 800 swings, 48 frames of 17 values: fewer than one in ten holds one that
saturates."""
ENERGY_NOISE = 1.0
"""Of a sum of swings that nothing makes: it is a whole number, one step up or down. It decides only
where the usual sums are below sixteen such steps a value; elsewhere a hand twice as far does."""
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
    n_learned_behind : int
        So many stages stand before what is fitted to their outputs.
    """

    entry: EntryStage | None
    stages: tuple[Stage, ...]
    low: Int64
    high: Int64
    gather: Pixels | None = None
    n_learned_behind: int = 0

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
        return replace(self, stages=(*self.stages, *stages), low=low, high=high)

    def run(self, values: Int32) -> Int32:
        """Run the stages over the values of one recording."""
        values = values if self.gather is None else self.gather.run_difference(values)
        for stage in self.stages:
            values, _ = stage.run(values, stage.initial_state())
        return values

    def learned_behind(self) -> StageChain:
        """Return the chain as one whose outputs something is fitted to, behind all its stages."""
        return replace(self, n_learned_behind=len(self.stages))

    def run_float(self, values: Int32) -> Float64:
        """Run the real-valued twins over the values of one recording.

        Features end where those of the integer stages do: a classifier was fitted to features that
        saturate, and says anything about others. Behind them nothing does: in the layers of a
        classifier, saturation is what integers cost.
        """
        values = values if self.gather is None else self.gather.run_difference(values)
        x = values.astype(np.float64)
        low, high = values.min(axis=0).astype(np.int64), values.max(axis=0).astype(np.int64)
        for number, stage in enumerate(self.stages):
            x = stage.run_float(x)
            if number < self.n_learned_behind:
                low, high = stage.bounds(low, high)
                x = np.clip(x, low, high)
        return x


def learn_features(
    chain: StageChain,
    excerpts: Sequence[Excerpt],
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
    excerpts : sequence of Excerpt
        The level stage's outputs, one for each training recording; their windows are used by
        Fisher directions only.
    features, quantisation : FeatureRecipe, QuantisationRecipe
        What to learn, and the integer widths.
    seed : int
        Seeds the directions that are drawn.
    whole : iterable of (values, frames, labels)
        What the chain is run over, of recordings without gaps, and their labelled frames; only
        directions of swings are learned from them.
    """
    if features.roots:
        n_values = excerpts[0].values.shape[1]
        root = Root(n_values, n_values - 1, *ROOT_SIZES[features.level_bits])
        chain = chain.then(root)
        excerpts = [e.through(root) for e in excerpts]
    if features.projection != "none":
        if features.projection == "swing":
            directions = swing_directions(((chain.run(v), f, k) for v, f, k in whole), features)
        else:
            directions = _directions(excerpts, features, seed)
        drawn_signs = features.projection in ("ternary", "sparse")
        projection = _project(chain, excerpts, directions, drawn_signs, features, quantisation)
        chain = chain.then(projection)
        excerpts = [e.through(projection) for e in excerpts]
    chain = learn_window(chain, excerpts, features)
    if not features.swing_frames:
        return chain
    # What all directions see of an unrest of the whole hand, and of noise, tells nothing: their
    # shares of it do, and how much there is in all.
    energies = seen_values([e.through(*chain.stages[-2:]) for e in excerpts])
    level = learn_level(energies, features, quantisation.clip_quantile, ENERGY_NOISE)
    return chain.then(level)


def learn_window(
    chain: StageChain, excerpts: Sequence[Excerpt], features: FeatureRecipe
) -> StageChain:
    """Add motion or swings, where required, and the window to a chain.

    Parameters
    ----------
    chain : StageChain
    excerpts : sequence of Excerpt
        The chain's outputs, one for each training recording.
    """
    if features.motion or features.swing_frames:
        learn = _learn_swing if features.swing_frames else _learn_motion
        motion = learn(excerpts, features)
        chain = chain.then(motion)
        excerpts = [e.through(motion) for e in excerpts]
    largest = features.segment_frames * float(np.abs(seen_values(excerpts)).max())
    shift = shift_to_fit(largest, 16)
    n_values = excerpts[0].values.shape[1]
    return chain.then(Window(n_values, features.segments, features.segment_frames, shift, 16))


def _directions(excerpts: Sequence[Excerpt], features: FeatureRecipe, seed: int) -> Float64:
    """Learn or draw directions over the shares."""
    if features.projection == "principal":
        # Centred on each origin: what differs between people is no signal of what they do.
        noise = noise_covariance(seen_steps(excerpts)[:, :-1])
        centred = centred_values(excerpts)[:, :-1]
        return principal_directions(centred, noise, features.directions)
    if features.projection == "fisher":
        labels = np.concatenate([e.labels for e in excerpts])
        x = np.concatenate([e.values[e.frames, :-1] for e in excerpts]).astype(np.float64)
        return fisher_directions(x, labels, features.directions)
    rng = np.random.default_rng(seed)
    n_values = excerpts[0].values.shape[1] - 1
    return drawn_directions(features.projection, features.directions, n_values, rng)


def _project(
    chain: StageChain,
    excerpts: Sequence[Excerpt],
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
    x = seen_values(excerpts)
    # All rows share one integer scale: bring their largest weights to the same size.
    weights = np.zeros((len(directions) + 1, x.shape[1]))
    weights[:-1, :-1] = directions / np.abs(directions).max(axis=1, keepdims=True)
    spread = (x @ weights.T)[:, :-1].std(axis=0)
    level = min(1.0, float(np.median(spread)) / max(float(x[:, -1].std()), 1e-6))
    weights[-1, -1] = 1.0 if signs else max(level, LEAST_LEVEL_WEIGHT)
    bias = -(weights @ x.mean(axis=0))
    stage, _ = quantise_dense(
        RealLayer(weights, bias),
        LayerInputs(x, chain.low, chain.high),
        weight_bits=SIGN_BITS if signs else 8,
        out_bits=features.direction_bits,
        clip_quantile=quantisation.clip_quantile,
    )
    return stage


def _learn_swing(excerpts: Sequence[Excerpt], features: FeatureRecipe) -> Swing:
    """Choose the shift that leaves nearly all swings unsaturated."""
    plain = Swing(excerpts[0].values.shape[1], features.swing_frames, 0, 32)
    swings = seen_values([e.through(plain) for e in excerpts])
    largest = float(np.quantile(swings, SWING_QUANTILE))
    return Swing(plain.n_values, features.swing_frames, shift_to_fit(largest, 16), 16)


def _learn_motion(excerpts: Sequence[Excerpt], features: FeatureRecipe) -> Motion:
    """Choose the shift that brings the change down to the spread of the other values."""
    steps = np.abs(seen_steps(excerpts)).sum(axis=1)
    values = seen_values(excerpts)
    spread = float(np.median(values.std(axis=0)))
    shift = max(0, round(math.log2(max(1.0, float(steps.std()) / max(spread, 1.0)))))
    return Motion(values.shape[1], shift, 16)
