"""Random stages, models and exposures for every property test of the ground floor.

Everything is drawn through a NumPy generator from one drawn seed: hypothesis chooses kinds, shapes
and extremes, the seed fills the arrays, and a failure is reproduced by the printed example.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from drawn_alignment import drawn_pair, drawn_registration, drawn_triangulation
from hypothesis import strategies as st
from numpy.typing import NDArray

from runtime.fixedpoint import choose_multiplier
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.closing import ClosingStage
from runtime.stages.contract.stage import EntryStage, Int64, Stage
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pair.bearings import Bearings
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.background import Background
from runtime.stages.passive.offset import Offset
from runtime.stages.pixels import Pixels
from runtime.stages.prototypes import Prototypes
from runtime.stages.root import Root
from runtime.stages.skip import Skip
from runtime.stages.swing import Swing
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.trees import Trees
from runtime.stages.window import Window


def aligned(draw: st.DrawFn) -> Model:
    """Draw a model that aligns readouts of one or two apertures, or two sources of one."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n, bit_depth = draw(st.integers(1, 2)), draw(st.sampled_from([8, 10, 12]))
    most = (1 << bit_depth) - 1
    both = n == 1 and draw(st.booleans())
    first = drawn_pair(rng, most=most) if both else drawn_registration(rng, n, most=most)
    rows, stride = first.n_rows, first.stride
    sensor = Sensor("drawn", rows, stride, bit_depth, black_level_counts=0)
    levels = sorted(draw(st.lists(st.integers(0, 300), min_size=2, max_size=2)))
    second = Bearings(levels[0], levels[1]) if both else drawn_triangulation(n)
    stages: list[Stage] = [Bins(rows, stride, rows, stride), first, second]
    low = high = np.full(sensor.n_pixels, sensor.max_counts, dtype=np.int64)
    low = -high
    for stage in stages:
        low, high = stage.bounds(low, high)
    stages.append(quantity(draw, low, high))
    return Model("drawn", "drawn", sensor, (), tuple(stages))


Exposures = tuple[NDArray[np.uint16], NDArray[np.uint16]]


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
    return Filters.of(layer, n_values, (n_rows, n_cols, n_channels), size, step)


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


@st.composite
def entries(draw: st.DrawFn) -> EntryStage:
    """Draw Bins over a region, Pixels, or Ambient, of a sensor of up to 24 by 24 pixels."""
    if draw(st.integers(0, 4)) == 0:
        height, width = draw(st.integers(1, 4)), draw(st.integers(1, 4))
        down, across = draw(st.integers(1, 4)), draw(st.integers(1, 4))
        black = draw(st.sampled_from([0, 3, 64, 500]))
        return Ambient(height * down, width * across, down, across, black)
    if draw(st.booleans()):
        height, width = draw(st.integers(1, 4)), draw(st.integers(1, 4))
        down, across = draw(st.integers(1, 4)), draw(st.integers(1, 4))
        top, left = draw(st.integers(0, 3)), draw(st.integers(0, 3))
        below, right = draw(st.integers(0, 3)), draw(st.integers(0, 3))
        last_row, last_col = top + height * down, left + width * across
        return Bins(
            last_row + below, last_col + right, down, across, top, last_row, left, last_col
        )  # fmt: skip
    n_rows, n_cols = draw(st.integers(1, 12)), draw(st.integers(1, 12))
    chosen = draw(st.sets(st.integers(0, n_rows * n_cols - 1), min_size=1, max_size=24))
    return Pixels(n_rows, n_cols, np.array(sorted(chosen), dtype=np.int32))


def decision(draw: st.DrawFn, low: Int64, high: Int64) -> Decision:
    """Draw what turns scores into events."""
    n_classes = len(low)
    other = tuple(draw(st.lists(st.booleans(), min_size=n_classes, max_size=n_classes)))
    threshold = draw(st.sampled_from([0, 1, 20, 5000]))
    hysteresis = threshold // draw(st.integers(1, 3))
    persist, hold_off = draw(st.integers(1, 3)), draw(st.integers(0, 4))
    n_extra = draw(st.sampled_from([0, n_classes]))
    extra = draw(st.lists(st.integers(0, 40), min_size=n_extra, max_size=n_extra))
    return Decision(other, threshold, hysteresis, persist, hold_off, tuple(extra))


def quantity(draw: st.DrawFn, low: Int64, high: Int64) -> Quantity:
    """Draw values with learned ranges about the middle of what can come, some with guards."""
    n_values = draw(st.integers(1, len(low)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    reach = (high - low) // draw(st.sampled_from([2, 16, 512, 2**14]))
    middle = (low + high) // 2 if draw(st.booleans()) else np.clip(0, low, high)
    of_values = range(n_values)
    return Quantity(
        names=tuple(f"value_{i}" for i in of_values),
        units=tuple("mm" for _ in of_values),
        numerators=tuple(rng.integers(1, 9, n_values).tolist()),
        denominators=tuple(rng.integers(1, 1025, n_values).tolist()),
        half_widths=tuple(rng.integers(0, 10_000, n_values).tolist()),
        low=tuple((middle - reach).tolist()),
        high=tuple(np.minimum(middle + reach, 2**31 - 1).tolist()),
        settle=draw(st.integers(1, 4)),
    )


def presence(draw: st.DrawFn, low: Int64, high: Int64) -> Presence:
    """Draw thresholds within what can come."""
    ends = max(int(low[0]), -(2**30)), min(int(high[0]), 2**30)
    some = draw(st.sets(st.integers(*ends), min_size=1, max_size=4))
    hysteresis = draw(st.sampled_from([0, 1, 50, 2**20]))
    return Presence("hands", tuple(sorted(some)), hysteresis, draw(st.integers(1, 3)))


CLOSING: dict[str, tuple[int, int, Callable[[st.DrawFn, Int64, Int64], ClosingStage]]] = {
    "decision": (2, 6, decision),
    "quantity": (1, 5, quantity),
    "presence": (1, 1, presence),
}
"""By kind: fewest and most values that a closing stage is given, and what draws it."""


def _bound(low: Int64, high: Int64) -> int:
    return int(max(np.abs(low).max(), np.abs(high).max()))


def steady(draw: st.DrawFn, n_values: int) -> Steady:
    """Draw a few weights, of which the newest frame's outweighs the others, and a shift."""
    taps = draw(st.lists(st.integers(-3, 5), min_size=1, max_size=4))
    newest = max(1, 1 - sum(taps)) + draw(st.integers(0, 3))
    return Steady(n_values, (*taps, newest), draw(st.integers(0, 6)))


def hold(draw: st.DrawFn, low: Int64, high: Int64) -> Hold:
    """Draw a limit that some frames are above, and for how many of them the last one stands."""
    most = int(np.maximum(high, 0).sum() - np.minimum(low, 0).sum())
    limit = draw(st.sampled_from([0, most // 64, most // 16, most // 4]))
    near = limit // draw(st.sampled_from([1, 2, 5]))
    longest = draw(st.integers(1, 4))
    return Hold(len(low), limit, near, longest, draw(st.integers(0, longest)))


def between(draw: st.DrawFn, rng: np.random.Generator, low: Int64, high: Int64) -> Stage:
    """Draw a stage that may stand anywhere between entry and head."""
    kind = draw(
        st.sampled_from(
            [
                "window",
                "dense",
                "filters",
                "motion",
                "swing",
                "skip",
                "steady",
                "hold",
                "background",
                "offset",
            ]
        )
    )
    n_bits = draw(st.sampled_from([8, 16]))
    extreme = draw(st.booleans())
    if kind == "window":
        segments, length = draw(st.integers(1, 4)), draw(st.integers(1, 4))
        return Window(len(low), segments, length, draw(st.integers(0, 3)), n_bits)
    if kind == "motion":
        return Motion(len(low), draw(st.integers(0, 9)), n_bits)
    if kind == "skip":
        return Skip(len(low), draw(st.integers(1, 5)))
    if kind == "steady":
        return steady(draw, len(low))
    if kind == "hold":
        return hold(draw, low, high)
    if kind == "offset" and _bound(low, high) < 2**28:
        least = max(int(low.min()), 0) if draw(st.booleans()) else int(low.min()) - 3
        ends = least, max(int(high.max()), least) + 3
        return Offset(rng.integers(*ends, len(low)).astype(np.int32))
    if kind == "background" and _bound(low, high) <= 32767:  # it wants values of 16 bits
        rates = sorted(draw(st.lists(st.integers(0, 15), min_size=3, max_size=3)))
        few = [draw(st.integers(0, 3)) for _ in range(4)]
        rest = draw(st.sampled_from([1, 4, 20]))
        least = draw(st.sampled_from([0, 7, 1 << 24]))
        octave, rates = draw(st.sampled_from([0, 3, 12])), tuple(rates)
        return Background(len(low), few[0], few[1], rest, *few[2:], least, octave, rates, n_bits)
    if kind == "filters":
        return filters(draw, rng, len(low), n_bits, _bound(low, high))
    if kind == "swing":
        return Swing(len(low), draw(st.integers(1, 2)), draw(st.integers(0, 9)), n_bits)
    n_out = draw(st.integers(1, 9))
    return dense(rng, len(low), n_out, n_bits, _bound(low, high), extreme)


@st.composite
def models(draw: st.DrawFn, *, always_learns: bool = False) -> Model:
    """Draw a whole model: entry, sometimes level, roots and window, layers, a closing stage.

    With `always_learns`, one that can learn its owner and ends in a decision.
    """
    if not always_learns and draw(st.integers(0, 7)) == 0:
        return aligned(draw)
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    entry = draw(entries())
    bit_depth = draw(st.integers(4, 16))
    sensor = Sensor("drawn", entry.n_rows, entry.n_cols, bit_depth, black_level_counts=0)
    most = np.full(sensor.n_pixels, sensor.max_counts, dtype=np.int64)
    stages: list[Stage] = [entry]
    low, high = entry.bounds(-most, most)

    def append(stage: Stage) -> None:
        nonlocal low, high
        low, high = stage.bounds(low, high)
        stages.append(stage)

    if draw(st.booleans()):
        append(hold(draw, low, high))
    if draw(st.booleans()) and sensor.bit_depth <= 12:
        append(steady(draw, entry.n_out))
    if draw(st.booleans()):
        n_bits = draw(st.sampled_from([8, 16]))
        gain_bits = draw(st.integers(0, 24))
        floor = 1 << max(1, gain_bits - 14, draw(st.integers(1, 16)))
        append(Level(entry.n_out, n_bits, gain_bits, floor, draw(st.integers(0, 12)), 20))
        if draw(st.booleans()):
            n_rooted = draw(st.integers(1, len(low)))
            append(Root(len(low), n_rooted, draw(st.integers(0, 15)), draw(st.integers(1, 16))))
    for _ in range(draw(st.integers(0, 2))):
        append(between(draw, rng, low, high))
    fewest, most_given, closing = CLOSING[
        "decision" if always_learns else draw(st.sampled_from(sorted(CLOSING)))
    ]
    n_given = draw(st.integers(fewest, most_given))
    if draw(st.booleans()):
        append(Skip(len(low), draw(st.integers(2, 4))))
    head = draw(st.sampled_from(["dense", "trees", "prototypes"])) if n_given > 1 else "dense"
    learns = always_learns or (n_given > 1 and draw(st.sampled_from([False, False, True])))
    n_own = draw(st.integers(0, min(2, n_given - 2))) if learns else 0
    if head == "trees":
        last_head: Stage = trees(rng, draw(st.integers(1, 40)), low, high, n_given - n_own)
    elif head == "prototypes":
        last_head = prototypes(rng, low, high, n_given - n_own)
    else:
        out_bits = draw(st.sampled_from([8, 16, 32]))
        bound = _bound(low, high) * (2 if learns else 1)  # room for what is learned
        last_head = dense(rng, len(low), n_given - n_own, out_bits, bound, draw(st.booleans()))
    append(enrolled(rng, last_head, low, high, n_own) if learns else last_head)
    last = closing(draw, low, high)
    append(last)
    classes = tuple(f"class_{i}" for i in range(last.n_classes))
    return Model("drawn", "drawn", sensor, classes, tuple(stages))


def exposures(draw: Any, sensor: Sensor, max_frames: int = 12) -> Exposures:
    """Draw consecutive frame pairs: noise, all dark, all saturated, or lit below dark."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    n_frames = draw(st.integers(1, max_frames))
    shape = (n_frames, sensor.n_rows, sensor.n_cols)
    lit = rng.integers(0, sensor.max_counts + 1, shape)
    dark = rng.integers(0, sensor.max_counts // 4 + 1, shape)
    for frame in range(n_frames):
        form = draw(st.sampled_from(["noise", "noise", "noise", "black", "saturated", "negative"]))
        if form == "black":
            lit[frame] = dark[frame] = 0
        elif form == "saturated":
            lit[frame], dark[frame] = sensor.max_counts, 0
        elif form == "negative":
            lit[frame], dark[frame] = 0, sensor.max_counts
    return lit.astype(np.uint16), dark.astype(np.uint16)


@st.composite
def models_with_exposures(draw: st.DrawFn) -> tuple[Model, Exposures]:
    """Draw a model and frame pairs of its sensor."""
    model = draw(models())
    return model, exposures(draw, model.sensor)
