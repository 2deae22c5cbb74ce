"""Random stages, models and exposures for every property test of the ground floor.

Everything is drawn through a NumPy generator from one drawn seed: hypothesis chooses kinds, shapes
and extremes, the seed fills the arrays, and a failure is reproduced by the printed example.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from drawn_alignment import drawn_pair, drawn_registration, drawn_triangulation
from drawn_layers import dense, enrolled, filters, prototypes, trees
from hypothesis import strategies as st
from numpy.typing import NDArray

from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.closing import ClosingStage
from runtime.stages.contract.stage import EntryStage, Int64, Stage
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pair.bearings import Bearings
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.background import Background
from runtime.stages.passive.offset import Offset
from runtime.stages.pixels import Pixels
from runtime.stages.root import Root
from runtime.stages.skip import Skip
from runtime.stages.swing import Swing
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
    if kind == "offset" and _bound(low, high) < 2**20:
        least = max(int(low.min()), 0) if draw(st.booleans()) else int(low.min()) - 3
        ends = least, max(int(high.max()), least) + 3
        offsets = rng.integers(*ends, len(low)).astype(np.int32)
        limit = draw(st.sampled_from([0, 40, 4000, 1 << 30]))
        few = [draw(st.integers(0, 8)), draw(st.integers(1, 5)), draw(st.integers(1, 4))]
        return Offset(offsets, limit, *few)
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
