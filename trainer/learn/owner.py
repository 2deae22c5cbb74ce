"""A head that can learn its owner: what training people fix of how it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh
from scipy.optimize import minimize_scalar
from scipy.special import log_softmax
from sklearn.cluster import KMeans

from runtime.fixedpoint import choose_multiplier
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.teaching.lesson import EVIDENCE_NATS, MAX_LIMIT
from trainer.learn.quantise import LayerInputs, RealLayer, quantise_dense
from trainer.recipe import Recipe

__all__ = ["Favour", "carried_past", "favoured", "learning_head"]

MOST_DIRECTIONS = 32
"""On invented people of two tasks (a diffuser's world) 8, 16, 32, 48 and all 80 directions gave
0.828, 0.835, 0.838, 0.840 and 0.839 of finger counts after three takes, and 0.749, 0.772, 0.781,
0.775 and 0.782 of shapes."""
SHARED = 0.1
"""Of the mean variance in a covariance that is estimated of few people (O. Ledoit and M. Wolf,
J. Multivariate Analysis 88, 2004, shrink to the same): 0.02 to 0.3 made no difference there."""
WANDERS = 0.5
"""Of what people differ by alike in all classes, so much counts as what one person's takes spread
by: the place, the height and the light of another session move all classes together, and training
people often have one session only. How much of it changes from session to session no such data set
tells: half is between none and all. Of invented people, by whom it was chosen: see MEASURED.md."""
WORTH = 0.5
"""Of the log odds by distances: the head's and these are two opinions, of which neither is known to
be the better one. 0.3 to 1 made no difference there."""
ANCHORS = 16
"""Examples of what is no gesture, of which there is much: no mean describes it."""
USUAL_SHARE = 0.99
"""Of training people's windows, as far from their class as a take may be."""
UNSEEN = 1.5
"""By so much takes of an own gesture of people whom a network has not seen are farther apart, in
squares, than windows of those it has: without it a good third take in eight was refused behind
filters, in fourteen to twenty-five behind perceptrons (invented people of three optics)."""
NEW_SHARE = 0.1
"""A gesture nearer to a known class than one in ten of that class's own windows is not new. It
tells little, as an owner's classes do not stand where training people's do: at a half, 50 and 56 %
of known takes that were shown as new were refused on invented people (two tasks of a diffuser's
world), and 43 and 63 % of those that were new."""
STOLEN_SHARE = 0.01
"""Of known takes, which an own gesture may take from classes that the owner has not shown."""
KEPT_PEOPLE = 0.95
"""Of people and gestures, for whom that holds: over all takes together a few people lose most of
what is lost, and the promise is everybody's."""
MOST_WINDOWS = 4096
"""Of each class, from which examples are chosen: a mean rests on far fewer."""
_TAKES = 3
"""Of a class that stands for a new gesture where its guard is measured."""


@dataclass(frozen=True, slots=True)
class Favour:
    """What held-out people chose, in nats; None leaves a stage's own.

    Parameters
    ----------
    taught, untaught : int or None
        By how much an own gesture is favoured over known classes that the owner has shown, and over
        the others; below zero, put behind them.
    rival : float or None
        By how much another known class may be ahead of a take that is kept.
    """

    taught: int | None = None
    untaught: int | None = None
    rival: float | None = None


def favoured(stage: Enrol, favour: Favour) -> Enrol:
    """Return the stage with what was chosen, in its squared distances and steps of its scores."""
    nat = stage.limit / EVIDENCE_NATS
    new = stage
    if favour.taught is not None:
        new = replace(new, favour=round(favour.taught * nat))
    if favour.untaught is not None:
        new = replace(new, guard=round(-favour.untaught * nat))
    if favour.rival is not None:
        new = replace(new, rival=round(favour.rival * stage.most_evidence / EVIDENCE_NATS))
    return new


def learning_head(
    head: Stage, x: Int32, bounds: tuple[Int64, Int64], labels: Int64, people: Int64,
    unit: float, recipe: Recipe,
) -> Enrol:  # fmt: skip
    """Put means that an owner teaches beside a lowered head.

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
    scores, _ = head.run(x, {})
    nats = unit * _nats_of_a_step(head, scores, labels, unit)
    directions, spread = _directions(x, bounds, labels, people, recipe)
    shown = _Shown(directions.run(x, {})[0], labels, people, head.n_out)
    means = np.stack([_class_mean(shown, c) for c in range(head.n_out)])
    far = _squared(shown.kept, means[labels])
    learnable = tuple(c < len(recipe.classes) for c in range(head.n_out))
    chosen = np.concatenate([
        np.zeros(0, dtype=np.int64),
        *[_examples(shown, c, recipe.seed) for c in range(head.n_out) if not learnable[c]],
    ])  # fmt: skip
    anchors = shown.kept[chosen], labels[chosen].astype(np.int32)
    # A normal's log odds are half the squared distance in standard deviations.
    odds = WORTH / (2 * spread**2)
    limit = min(MAX_LIMIT, max(1, round(EVIDENCE_NATS / odds)))
    factor = choose_multiplier(odds / nats, limit, "evidence")
    moves = recipe.evaluation.take_end == "movement"
    window = recipe.features.segments * recipe.features.segment_frames
    guard = _guard(shown, means, anchors, learnable, recipe.seed)
    apart = _usual_distance(shown, recipe.seed)
    return Enrol(
        head=head,
        directions=directions,
        means=means.astype(np.int8),
        anchors=anchors[0].astype(np.int8),
        anchor_classes=anchors[1],
        near=np.array([np.quantile(far[labels == c], NEW_SHARE) for c in range(head.n_out)]).astype(
            np.int32
        ),
        learnable=learnable,
        n_own=0,
        n_takes=recipe.head.enrol_takes,
        moves=moves,
        # A pose fills the window; a movement at least half of one, which holds the slow ones.
        least_frames=max(1, window // 2 if moves else window),
        unlike=int(np.quantile(far, USUAL_SHARE)),
        apart=apart,
        rival=round(EVIDENCE_NATS / nats),  # what evidence could not outweigh, until people choose
        favour=0,
        guard=guard,
        # What would be kept as a further take of it is not out of its reach.
        reach=min(apart, MAX_LIMIT),
        limit=limit,
        multiplier=factor[0],
        shift=factor[1],
    )


def carried_past(
    heads: Sequence[Stage], x: Int32, bounds: tuple[Int64, Int64], labels: Int64, people: Int64
) -> tuple[Stage, ...]:
    """Let directions of the last hidden layer's inputs by it, to where an owner's takes are kept.

    A network's last layer holds what tells its classes apart, and of another gesture little; the
    layer before holds more. Their directions are further units of the last hidden layer, lifted so
    that none is negative. The head weighs them by nothing: its scores stay bit for bit.

    Parameters
    ----------
    heads : sequence of Stage
        A classifier's stages; all but networks of two hidden layers and more stay as they are.
    x : int32 (n_windows, n_in)
        Training windows.
    bounds : (int64 (n_in,), int64 (n_in,))
        Proven range of that.
    labels, people : int64 (n_windows,)

    Returns
    -------
    tuple of Stage
    """
    if len(heads) < 3 or not all(isinstance(head, Dense) for head in heads[-2:]):
        return tuple(heads)
    for head in heads[:-2]:
        x, _ = head.run(x, {})
        bounds = head.bounds(*bounds)
    hidden, last = heads[-2:]
    assert isinstance(hidden, Dense) and isinstance(last, Dense)  # noqa: S101  # as asked above
    wider = _with_directions(hidden, x, bounds, _discriminants(x, labels, people, WANDERS))
    zeros = np.zeros((last.n_out, wider.n_out - hidden.n_out))
    weights = np.hstack([last.weights, zeros.astype(last.weights.dtype)])
    real = np.hstack([last.real_weights, zeros])
    return (*heads[:-2], wider, replace(last, weights=weights, real_weights=real))


def _with_directions(
    layer: Dense, x: Int32, bounds: tuple[Int64, Int64], found: tuple[Float64, Float64]
) -> Dense:
    """Give a layer further units that carry directions of its inputs, as large as they may be.

    Each unit's centre is half of the largest output; weights fit the layer's own type, and sums
    stay below the largest that it has already, which its scaling was chosen for.
    """
    rows, centre = found
    unit = 2**layer.shift / layer.multiplier  # of an output, in steps of a sum
    half = unit * layer.limit / 2
    extreme = np.maximum(np.abs(bounds[0]), np.abs(bounds[1])).astype(np.float64)
    most = float(layer.accumulator_bound(*bounds).max()) - half - extreme.sum() - 1
    step = np.iinfo(layer.weights.dtype).max / np.abs(rows).max(axis=1)
    reach = half / np.maximum(np.abs((x - centre) @ rows.T).max(axis=0), 1e-9)
    size = np.minimum(step, reach)
    size = np.minimum(size, max(most, 0.0) / (np.abs(rows) @ extreme + np.abs(rows @ centre)))
    real = rows * size[:, None]
    weights = np.floor(real + 0.5).astype(layer.weights.dtype)
    bias = np.floor(half - weights @ centre + 0.5).astype(np.int32)
    return replace(
        layer,
        weights=np.vstack([layer.weights, weights]),
        bias=np.hstack([layer.bias, bias]),
        real_weights=np.vstack([layer.real_weights, real]),
        real_bias=np.hstack([layer.real_bias, half - real @ centre]),
    )


class _Shown(NamedTuple):
    """Training windows as a device keeps them.

    Parameters
    ----------
    kept : int32 (n_windows, n_kept)
    labels, people : int64 (n_windows,)
    n_classes : int
    """

    kept: Int32
    labels: Int64
    people: Int64
    n_classes: int


def _directions(
    x: Int32, bounds: tuple[Int64, Int64], labels: Int64, people: Int64, recipe: Recipe
) -> tuple[Dense, float]:
    """Return the layer of directions, and how many of its steps a standard deviation is.

    In each, windows of one person and class spread by one; those are kept in which classes and
    people differ most, beside that.
    """
    moves = recipe.evaluation.take_end == "movement"  # of which it was not measured
    rows, centre = _discriminants(x, labels, people, 0.0 if moves else WANDERS)
    layer, step = quantise_dense(
        RealLayer(rows, -rows @ centre), LayerInputs(x, *bounds), weight_bits=8, out_bits=8,
        clip_quantile=recipe.quantisation.clip_quantile,
    )  # fmt: skip
    return layer, 1.0 / step


def _discriminants(
    x: Int32, labels: Int64, people: Int64, wandering: float
) -> tuple[Float64, Float64]:
    """Return directions as float64 (n_kept, n_in), of which the first tells most, and the centre.

    Along each, windows of one person and class spread by one, the share `wandering` of what people
    differ by alike in all classes among it.
    """
    values = x.astype(np.float64)
    centre = values.mean(axis=0)
    pairs, pair = np.unique(np.stack([labels, people]), axis=1, return_inverse=True)
    counts = np.bincount(pair.ravel()).astype(np.float64)
    sums = np.zeros((len(counts), x.shape[1]))
    np.add.at(sums, pair.ravel(), values)
    middles = sums / counts[:, None]
    off = values - middles[pair.ravel()]
    within = off.T @ off / max(1.0, len(x) - len(counts)) + wandering * _alike(middles, pairs)
    mean = max(float(np.trace(within)) / len(within), 1e-9)
    within = (1 - SHARED) * within + SHARED * mean * np.eye(len(within))
    # Each class counts as one, and each person of it.
    weight = 1.0 / np.bincount(pairs[0])[pairs[0]]
    between = ((middles - centre) * weight[:, None]).T @ (middles - centre) / weight.sum()
    n_kept = min(MOST_DIRECTIONS, len(within))
    size = len(within)
    _, vectors = eigh(between, within, subset_by_index=[size - n_kept, size - 1])
    rows = vectors.T[::-1]
    # An eigenvector's sign is the solver's affair: the largest weight is positive.
    rows *= np.sign(rows[np.arange(n_kept), np.abs(rows).argmax(axis=1)])[:, None]
    return rows, centre


def _alike(middles: Float64, pairs: Int64) -> Float64:
    """Return the covariance of what people differ by in the mean over their classes.

    Parameters
    ----------
    middles : float64 (n_pairs, n_in)
        Mean of one person's windows of one class.
    pairs : int64 (2, n_pairs)
        Which class, and whose.
    """
    off = middles.copy()
    for label in np.unique(pairs[0]):
        off[pairs[0] == label] -= off[pairs[0] == label].mean(axis=0)
    shifts = np.stack([off[pairs[1] == person].mean(axis=0) for person in np.unique(pairs[1])])
    return np.asarray(shifts.T @ shifts / len(shifts))


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


def _class_mean(shown: _Shown, number: int) -> Int32:
    """Return the mean over people of each one's mean of a class, rounded."""
    own = shown.labels == number
    whose = shown.people
    means = [shown.kept[own & (whose == p)].mean(axis=0) for p in np.unique(whose[own])]
    middle: Int32 = np.floor(np.mean(means, axis=0) + 0.5).astype(np.int32)
    return middle


def _squared(a: Int32, b: NDArray[np.integer]) -> Int64:
    return np.asarray(((a.astype(np.int64) - b) ** 2).sum(axis=-1), dtype=np.int64)


def _examples(shown: _Shown, number: int, seed: int) -> NDArray[np.int64]:
    """Choose windows of a class: those nearest to the middles of as many groups of them."""
    own = np.flatnonzero(shown.labels == number)
    own = own[:: max(1, -(-len(own) // MOST_WINDOWS))]
    x: Float64 = shown.kept[own].astype(np.float64)
    n = min(ANCHORS, len(np.unique(x, axis=0)))
    groups = KMeans(n, n_init=1, random_state=seed).fit(x)
    far = ((x[:, None] - groups.cluster_centers_[None]) ** 2).sum(axis=2)
    return np.asarray(own[far.argmin(axis=0)], dtype=np.int64)


def _guard(
    shown: _Shown, means: Int32, anchors: tuple[Int32, Int32], learnable: tuple[bool, ...],
    seed: int,
) -> int:  # fmt: skip
    """Return by how much an own gesture must be nearer than a class not taught.

    Each class in turn stands for a new gesture, shown three times by each person: for 19 of 20 such
    gestures at most one in a hundred of that person's windows of all other classes is nearer to it
    than half of the way, in squares, to a known class, by more than the guard. It stands where no
    held-out people chose another.
    """
    kept, labels, people, n_classes = shown
    rng = np.random.default_rng(seed)
    far = np.stack([_squared(kept, mean) for mean in means], axis=1)
    for anchor, at in zip(*anchors, strict=True):
        far[:, at] = np.minimum(far[:, at], _squared(kept, anchor))
    nearer = [0.0]
    for new in (c for c in range(n_classes) if learnable[c]):
        others = [c for c in range(n_classes) if c != new]
        nearest = far[:, others].min(axis=1) >> 1
        for person in np.unique(people[labels == new]):
            own = np.flatnonzero((labels == new) & (people == person))
            takes = kept[rng.choice(own, min(_TAKES, len(own)), replace=False)]
            to = _squared(kept, np.floor(takes.mean(axis=0) + 0.5).astype(np.int32))
            theirs = (people == person) & (labels != new)
            if theirs.any():
                nearer.append(float(np.quantile((nearest - to)[theirs], 1 - STOLEN_SHARE)))
    return min(max(int(np.quantile(nearer, KEPT_PEOPLE)), 0), MAX_LIMIT)


def _usual_distance(shown: _Shown, seed: int) -> int:
    """Return the squared distance that most takes of a class of an unseen person keep."""
    kept, labels, people, _ = shown
    rng = np.random.default_rng(seed)
    order = np.lexsort((rng.permutation(len(labels)), labels, people))
    a, b = order[:-1], order[1:]
    alike = (labels[a] == labels[b]) & (people[a] == people[b])
    if not alike.any():
        return 2**31 - 1
    usual = np.quantile(_squared(kept[a[alike]], kept[b[alike]]), USUAL_SHARE)
    return int(min(UNSEEN * usual, 2**31 - 1))
