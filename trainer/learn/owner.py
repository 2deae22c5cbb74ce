"""A head that can learn its owner: what training people fix of how it does."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import log_softmax
from sklearn.cluster import KMeans

from runtime.fixedpoint import choose_multiplier, round_shift, saturate
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import (
    EVIDENCE_NATS,
    KEPT_LIMIT,
    MAX_ROW_BITS,
    MIN_ROW_BITS,
    NATS_STEPS,
    SPARE_BITS,
)
from trainer.learn.quantise import shift_to_fit
from trainer.recipe import Recipe

__all__ = ["learning_head"]

ANCHORS = 2
"""Examples of each class that are learned from beside the owner's takes. On invented people of two
tasks (a diffuser's world, three takes a class) none, 2 and 4 gave 0.788, 0.790 and 0.783 of finger
counts and 0.744, 0.740 and 0.753 of shapes: they matter where a gesture is new, which without them
is answered everywhere."""
USUAL_SHARE = 0.99
"""Of training people's windows, which are as far from their class as a take may be: one good take
in a hundred is asked for again."""
NEW_SHARE = 0.5
"""A gesture nearer to a known class than half of that class's own windows is not new."""
MOST_WINDOWS = 4096
"""Of each class, from which examples are chosen: a mean rests on far fewer."""
_MARGIN = 3
"""The proven range of scores may grow by the evidence on both ends."""


def learning_head(
    head: Stage, x: Int32, bounds: tuple[Int64, Int64], labels: Int64, people: Int64,
    unit: float, recipe: Recipe,
) -> Enrol:  # fmt: skip
    """Put rows that an owner teaches beside a lowered head.

    Parameters
    ----------
    head : Dense, Trees or Prototypes
        The last of the classifier's stages.
    x : int32 (n_windows, n_in)
        What training windows give it.
    bounds : (int64 (n_in,), int64 (n_in,))
        Proven range of that.
    labels, people : int64 (n_windows,)
        Class of each window, and whose it is.
    unit : float
        Real value of one step of its scores.
    recipe : Recipe

    Returns
    -------
    Enrol
        Without places for own gestures: a model gets them when it is put together.
    """
    low, high = bounds
    scores, _ = head.run(x, {})
    nats = unit * _nats_of_a_step(head, scores, labels, unit)
    centre, shift = _shortening(x, low, high)
    kept = saturate(round_shift(x.astype(np.int64) - centre, shift), -KEPT_LIMIT, KEPT_LIMIT)
    n_classes = head.n_out
    means = np.stack([_class_mean(kept, labels, people, c) for c in range(n_classes)])
    far = ((kept.astype(np.int64) - means[labels]) ** 2).sum(axis=1)
    near = [np.quantile(far[labels == c], NEW_SHARE) for c in range(n_classes)]
    chosen = np.concatenate([_examples(kept, labels, c, recipe.seed) for c in range(n_classes)])
    size = float(np.median((kept.astype(np.int64) ** 2).sum(axis=1)))
    wanted = math.floor(math.log2(max(size, 1.0))) + SPARE_BITS
    row_bits = min(max(wanted, MIN_ROW_BITS), MAX_ROW_BITS)
    factor = choose_multiplier(1 / (nats * 2**row_bits), EVIDENCE_NATS << row_bits, "evidence")
    most = round(EVIDENCE_NATS / nats)
    ends = head.bounds(low, high)
    spread = int(ends[1].max() - ends[0].min()) + 2 * _MARGIN * (most + 1)
    sixteenths = choose_multiplier(NATS_STEPS * nats, min(spread, 2**31 - 1), "chances")
    moves = recipe.evaluation.take_end == "movement"
    window = recipe.features.segments * recipe.features.segment_frames
    return Enrol(
        head=head,
        centre=centre,
        kept_shift=shift,
        anchors=kept[chosen].astype(np.int8),
        anchor_scores=scores[chosen],
        anchor_classes=labels[chosen].astype(np.int32),
        means=means.astype(np.int8),
        near=np.floor(near).astype(np.int32),
        learnable=tuple(c < len(recipe.classes) for c in range(n_classes)),
        n_own=0,
        n_takes=recipe.head.enrol_takes,
        own_level=int(np.floor(scores.mean() + 0.5)),
        moves=moves,
        # A pose fills the window; a movement at least half of one, which holds the slow ones.
        least_frames=max(1, window // 2 if moves else window),
        unlike=int(np.quantile(far, USUAL_SHARE)),
        apart=_usual_distance(kept, labels, people, recipe.seed),
        rival=most,  # what evidence could not outweigh
        row_bits=row_bits,
        multiplier=factor[0],
        shift=factor[1],
        exp_multiplier=sixteenths[0],
        exp_shift=sixteenths[1],
    )


def _nats_of_a_step(head: Stage, scores: Int32, labels: Int64, unit: float) -> float:
    """Return by how much real scores are to be multiplied to be log odds.

    Those of linear layers are fitted as such. Of others (shares of trees, distances) it is the
    factor of the least log loss over the training windows.
    """
    if isinstance(head, Dense):
        return 1.0
    real = scores.astype(np.float64) * unit
    scale = max(float(real.std()), 1e-9)

    def loss(log_factor: float) -> float:
        chances = log_softmax(real * math.exp(log_factor) / scale, axis=1)
        return -float(chances[np.arange(len(labels)), labels].mean())

    found = minimize_scalar(loss, bounds=(-4.0, 4.0), method="bounded")
    return math.exp(float(found.x)) / scale


def _shortening(x: Int32, low: Int64, high: Int64) -> tuple[Int32, int]:
    """Return centre and shift that bring the head's values to 8 bits; none where they are."""
    if low.min() >= -KEPT_LIMIT and high.max() <= KEPT_LIMIT:
        return np.zeros(len(low), dtype=np.int32), 0
    centre = np.floor(x.mean(axis=0) + 0.5).astype(np.int32)
    largest = float(np.quantile(np.abs(x.astype(np.int64) - centre), 0.999))
    return centre, shift_to_fit(largest, 8)


def _class_mean(kept: Int32, labels: Int64, people: Int64, number: int) -> Int32:
    """Return the mean over people of each one's mean of a class, rounded."""
    own = labels == number
    means = [kept[own & (people == p)].mean(axis=0) for p in np.unique(people[own])]
    middle: Int32 = np.floor(np.mean(means, axis=0) + 0.5).astype(np.int32)
    return middle


def _examples(kept: Int32, labels: Int64, number: int, seed: int) -> NDArray[np.int64]:
    """Choose windows of a class: those nearest to the middles of as many groups of them."""
    own = np.flatnonzero(labels == number)
    own = own[:: max(1, -(-len(own) // MOST_WINDOWS))]
    x: Float64 = kept[own].astype(np.float64)
    n = min(ANCHORS, len(np.unique(x, axis=0)))
    groups = KMeans(n, n_init=1, random_state=seed).fit(x)
    far = ((x[:, None] - groups.cluster_centers_[None]) ** 2).sum(axis=2)
    return np.asarray(own[far.argmin(axis=0)], dtype=np.int64)


def _usual_distance(kept: Int32, labels: Int64, people: Int64, seed: int) -> int:
    """Return the squared distance that most windows of one person and class keep to each other."""
    rng = np.random.default_rng(seed)
    order = np.lexsort((rng.permutation(len(labels)), labels, people))
    a, b = order[:-1], order[1:]
    alike = (labels[a] == labels[b]) & (people[a] == people[b])
    if not alike.any():
        return 2**31 - 1
    step = kept[a[alike]].astype(np.int64) - kept[b[alike]]
    return int(np.quantile((step**2).sum(axis=1), USUAL_SHARE))
