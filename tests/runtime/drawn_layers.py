"""Random layers, trees, prototypes and heads that learn, for :mod:`strategies`."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from runtime.fixedpoint import choose_multiplier
from runtime.stages.contract.stage import Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.prototypes import Prototypes
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.trees import Trees


def dense(
    rng: np.random.Generator, n_in: int, n_out: int, out_bits: int, bound: int, extreme: bool
) -> Dense:
    """Return a random layer; an extreme one has every weight at its limit and saturates."""
    most = (2**30 - 1000) // (n_in * max(bound, 1))  # so that scores differ by less than 2**31
    limit = 32767 if out_bits == 16 and most >= 32767 else max(1, min(127, most))
    weights = rng.integers(-limit, limit + 1, (n_out, n_in))
    if extreme:
        weights = np.where(weights < 0, -limit, limit)
    bias = rng.integers(-1000, 1001, n_out)
    worst = n_in * limit * bound + 1000
    multiplier, shift = 1, 0
    if out_bits != 32:
        real = (2**out_bits if extreme else 2 ** (out_bits - 3)) / worst
        multiplier, shift = choose_multiplier(min(real, 1.0), worst)
    return Dense(
        weights=weights.astype(np.int16 if limit > 127 else np.int8),
        bias=bias.astype(np.int32),
        multiplier=multiplier,
        shift=shift,
        relu=bool(rng.integers(2)),
        out_bits=out_bits,
        real_weights=weights + rng.uniform(-0.5, 0.5, weights.shape),
        real_bias=bias.astype(np.float64),
    )


def filters(
    draw: st.DrawFn, rng: np.random.Generator, n_values: int, out_bits: int, bound: int
) -> Filters:
    """Draw filters over a grid of some of the values, which may all be one row or one channel."""
    n_channels = draw(st.integers(1, min(3, n_values)))
    n_rows = draw(st.integers(1, min(6, n_values // n_channels)))
    n_cols = draw(st.integers(1, min(6, n_values // (n_channels * n_rows))))
    size, step = draw(st.integers(1, min(3, n_rows, n_cols))), draw(st.integers(1, 2))
    step = min(step, max(n_rows, n_cols))
    n_filters = draw(st.integers(1, 9))
    n_patch = size * size * n_channels
    layer = dense(rng, n_patch, n_filters, out_bits, bound, draw(st.booleans()))
    return Filters.of(layer, n_values, PatchGrid(n_rows, n_cols, n_channels, size, step))


def trees(rng: np.random.Generator, n_nodes: int, low: Int64, high: Int64, n_classes: int) -> Trees:
    """Return random trees: each node hangs on a free place of an earlier one, or is a root."""
    left, right = np.zeros((2, n_nodes), dtype=np.int32)
    n_leaves = int(rng.integers(1, 30))
    free: list[tuple[NDArray[np.int32], int]] = []
    roots = []
    for node in range(n_nodes):
        if not free or rng.random() < 0.15:
            roots.append(node)
        else:
            side, parent = free.pop(rng.integers(len(free)))
            side[parent] = node
        free += [(left, node), (right, node)]
    for side, parent in free:
        side[parent] = -1 - rng.integers(n_leaves)
    if rng.random() < 0.3:
        roots.append(-1)
    feature = rng.integers(0, len(low), n_nodes)
    threshold = rng.integers(low[feature] - 2, high[feature] + 3)
    return Trees(
        n_features=len(low),
        roots=np.array(roots, dtype=np.int32),
        feature=feature.astype(np.int32),
        threshold=np.clip(threshold, -(2**31), 2**31 - 1).astype(np.int32),
        left=left,
        right=right,
        leaves=rng.integers(-500, 501, (n_leaves, n_classes)).astype(np.int32),
    )


def prototypes(rng: np.random.Generator, low: Int64, high: Int64, n_classes: int) -> Prototypes:
    """Return random prototypes within the inputs' range, at least one per class."""
    owners = np.r_[np.arange(n_classes), rng.integers(0, n_classes, 3)]
    near = np.clip(low, -32767, 0), np.clip(high, 0, 32767)
    centres = rng.integers(near[0], near[1] + 1, (len(owners), len(low))).astype(np.int16)
    widest = int((high - low).max())
    return Prototypes(
        centres=centres,
        owners=rng.permutation(owners).astype(np.int32),
        n_classes=n_classes,
        squared=widest**2 * len(low) < 2**30,
        real_centres=centres.astype(np.float64),
    )


def enrolled(rng: np.random.Generator, head: Stage, low: Int64, high: Int64, n_own: int) -> Enrol:
    """Return a head that learns its owner, of takes of one or two frames, few of them refused."""
    n_known, n_kept = head.n_out, int(rng.integers(1, 9))
    n_anchors = int(rng.integers(0, 4))
    reached = head.bounds(low, high)
    spread = max(int(reached[1].max()) - int(reached[0].min()), 8)
    limit = int(rng.integers(2**10, 2 ** int(rng.integers(11, 25)) + 1))
    factors = choose_multiplier(min(spread, 2**24) * float(rng.uniform(0.1, 1)) / limit, limit)
    learnable = rng.random(n_known) < 0.8
    learnable[rng.integers(n_known)] = True
    widest = int(np.abs(np.concatenate(reached)).max()) + min(spread, 2**24)
    sixteenths = int(rng.integers(1, 17)) if widest < 2**26 else 16
    return Enrol(
        head=head,
        directions=_directions(rng, n_kept, low, high),
        means=rng.integers(-127, 128, (n_known, n_kept)).astype(np.int8),
        anchors=rng.integers(-127, 128, (n_anchors, n_kept)).astype(np.int8),
        anchor_classes=rng.integers(0, n_known, n_anchors).astype(np.int32),
        near=rng.integers(0, 6000 * n_kept, n_known).astype(np.int32),
        learnable=tuple(learnable.tolist()),
        n_own=n_own,
        n_takes=int(rng.integers(1, 4)),
        moves=bool(rng.integers(2)),
        least_frames=int(rng.integers(1, 3)),
        unlike=int(rng.integers(8000, 40000)) * n_kept,
        apart=int(rng.integers(8000, 40000)) * n_kept,
        rival=int(rng.integers(spread // 2, min(2 * spread, 2**31 - 1))),
        favour=int(rng.integers(-8000, 8000)) * n_kept,
        guard=int(rng.integers(-10000, 10000)) * n_kept,
        reach=int(rng.integers(0, 40000)) * n_kept,
        limit=limit,
        multiplier=factors[0],
        shift=factors[1],
        sixteenths=sixteenths,
    )


def _directions(rng: np.random.Generator, n_kept: int, low: Int64, high: Int64) -> Dense:
    """Return a dense layer of 8 bits whose outputs use their range."""
    n_in, widest = len(low), int(max(np.abs(low).max(), np.abs(high).max(), 1))
    most = max(1, min(127, (2**31 - 1) // (4 * widest * n_in)))
    weights = rng.integers(-most, most + 1, (n_kept, n_in)).astype(np.int8)
    bias = rng.integers(-widest, widest + 1, n_kept).astype(np.int32)
    bound = most * widest * n_in + widest
    factor = choose_multiplier(min(1.0, 127 * float(rng.uniform(0.5, 20)) / bound), bound)
    return Dense(weights, bias, *factor, False, 8, weights.astype(float), bias.astype(float))
