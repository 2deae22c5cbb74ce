"""The ONNX of a pair: registration and each kind of round of every frame, of which one is taken.

Rounds that the C leaves out are made, and what was before is kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.fixedpoint import INT32_MAX
from runtime.stages.alignment.binned import mean_factor
from runtime.stages.alignment.energy import LIGHT_BITS, TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import DELTA_BITS, Windows
from runtime.stages.alignment.nodes import (
    Writer,
    in_steps,
    level_of,
    quotient,
    shifted,
)
from runtime.stages.alignment.registration_nodes import near_cells, registration_nodes
from runtime.stages.pair.joint import (
    COARSE_ROUNDS,
    FOLLOWED,
    FOLLOWED_LAST,
    FOLLOWED_SHIFTS,
    FOUND_LAST,
    FOUND_SHIFTS,
    LOOKED,
    MORE_BITS,
    MOST_AMOUNT,
    MOST_LAST,
    NEARED,
    PairLight,
    Table,
    ends_of,
)
from runtime.stages.pair.round_nodes import Fit, begun_at, columns_of, place_of, rounds_of

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["pair_nodes"]


def pair_nodes(stage: Any, nodes: Nodes, x: str, track: str) -> tuple[str, str]:
    """Write the nodes of one frame; returns the names of int32 (8,) and of the track after it."""
    one = registration_nodes(stage, nodes, x)
    write = Writer(nodes)
    values = nodes.op("Gather", nodes.cast(x, "int64"), nodes.constant(stage.windows.columns(0)))
    before = nodes.cast(track, "int64")
    step, last = nodes.slice(before, 0, 1), nodes.int64(NEARED)
    looks = nodes.op("Equal", step, nodes.int64(0))
    approaches = nodes.op("Greater", step, last)
    slopes = nodes.slice(before, 1, 3), nodes.slice(before, 3, 5)
    followed, fine = _followed(stage, write, values, before)
    nearer = _approached(stage, write, values, slopes, before)
    more = nodes.op("Greater", nodes.slice(one, 3, 4), nodes.int32(0))
    bright = nodes.op("GreaterOrEqual", nodes.slice(one, 2, 3), nodes.int32(stage.least_level))
    more = nodes.cast(nodes.op("And", more, bright), "int64")
    first = nodes.cast(nodes.slice(one, 0, 2), "int64")
    tried = nodes.slice(before, 12, 13)
    begun = nodes.op("Mul", _track(write, nodes.int64(LOOKED), (first, first), tried), more)
    nothing = nodes.int32(0, 0, 0, 1, 0, 0, 0, 1)
    alone = nodes.op("Concat", one, nodes.int32(0, 0, 0, 1), axis=0)
    outputs = nodes.op("Where", approaches, nothing, nodes.cast(followed, "int32"))
    after = nodes.op("Where", approaches, nearer, fine)
    after = nodes.op("Where", looks, begun, after)
    return nodes.op("Where", looks, alone, outputs), nodes.cast(after, "int32")


def _track(write: Writer, count: str, slopes: tuple[str, str], tried: str) -> str:
    """Return a track (13,) of places that are on their way: nothing moves, amounts are unknown."""
    nodes = write.nodes
    zeros = nodes.constant(np.zeros(7, dtype=np.int64))
    return nodes.op("Concat", nodes.reshape(count, 1), *slopes, zeros, tried, axis=0)


def _approached(
    stage: Any, write: Writer, values: str, slopes: tuple[str, str], before: str
) -> str:
    """Write where rounds on the search's bins begin, or where they lead: the track (13,)."""
    nodes, coarse = write.nodes, stage.tables[0]
    step, tried = nodes.slice(before, 0, 1), nodes.slice(before, 12, 13)
    b, _ = _about_mean(write, coarse, stage.windows, values)
    begun = slopes[0], _begun(stage, write, coarse, b, (slopes[0], tried))
    again = nodes.op("Equal", step, nodes.int64(LOOKED))
    zero = nodes.constant(np.zeros(1, dtype=np.int64))
    at = begun_at(write, slopes, (zero, zero))
    at = rounds_of(write, coarse, b, at, (COARSE_ROUNDS, nodes.int64(MOST_LAST)))
    left = nodes.op("Sub", step, nodes.int64(1))
    to = nodes.op("Where", at.poor, left, nodes.int64(NEARED))
    return nodes.op(
        "Where", again, _track(write, left, begun, tried), _track(write, to, at.slopes, tried)
    )  # fmt: skip


def _followed(stage: Any, write: Writer, values: str, before: str) -> tuple[str, str]:
    """Write a round on finer bins: outputs (8,) and the track (13,) after it."""
    nodes, grid = write.nodes, stage.fine_grid
    low, high = (nodes.constant(np.tile(end, 2)) for end in ends_of(grid))
    count, moved = nodes.slice(before, 0, 1), nodes.slice(before, 5, 9)
    follows = nodes.op("LessOrEqual", count, nodes.int64(FOLLOWED))

    def chosen(followed: int, found: int) -> str:
        return nodes.op("Where", follows, nodes.int64(followed), nodes.int64(found))

    begun = nodes.op("Add", nodes.slice(before, 1, 5), moved)
    begun = nodes.op("Min", nodes.op("Max", begun, low), high)
    fine = stage.tables[1]
    b, shift = _about_mean(write, fine, stage.fine_windows, values)
    shift = nodes.reshape(shift, 1)
    more = nodes.op("Sub", shift, nodes.slice(before, 11, 12))
    amounts = _amounts(write, before, more)
    at = begun_at(write, (nodes.slice(begun, 0, 2), nodes.slice(begun, 2, 4)), amounts)
    at = rounds_of(write, fine, b, at, (1, chosen(FOLLOWED_LAST, FOUND_LAST)))
    least = nodes.op("Where", follows, nodes.int64(-INT32_MAX), nodes.int64(1))
    outputs, told = _judged(stage, write, values, (b, shift, least), at)
    slopes = nodes.op("Concat", *at.slopes, axis=0)
    left = nodes.op("Sub", count, nodes.int64(1))
    given_up = nodes.op("Equal", left, nodes.int64(FOLLOWED))
    left = nodes.op("Where", given_up, nodes.int64(0), left)
    left = nodes.op("Where", told, nodes.int64(FOLLOWED), left)
    off = nodes.op("Sub", slopes, begun)
    place, motion = (
        write.round_shift(off, chosen(*shifts))
        for shifts in zip(FOLLOWED_SHIFTS, FOUND_SHIFTS, strict=True)
    )
    known = nodes.cast(nodes.op("Less", count, nodes.int64(NEARED)), "int64")
    moved = nodes.op("Add", moved, nodes.op("Mul", motion, known))
    moved = nodes.clip(moved, -grid.step, grid.step, "int64")
    after = nodes.op(
        "Concat", left, nodes.op("Add", begun, place), moved, *at.amounts, shift, axis=0
    )  # fmt: skip
    goes_on, tried = nodes.op("Greater", left, nodes.int64(0)), nodes.slice(before, 12, 13)
    tried = nodes.op("Where", goes_on, tried, nodes.op("Sub", nodes.int64(1), tried))
    tried = nodes.op("Where", nodes.op("And", told, follows), nodes.int64(1), tried)
    after = nodes.op("Mul", after, nodes.cast(goes_on, "int64"))
    return outputs, nodes.op("Concat", after, tried, axis=0)


def _about_mean(write: Writer, table: Table, windows: Windows, values: str) -> tuple[str, str]:
    """Write `runtime.stages.pair.levels.Bins.about_mean`."""
    nodes, bins = write.nodes, table.bins
    height, width = windows.n_rows // windows.bin_rows, windows.n_cols // windows.bin_cols
    split = nodes.reshape(values, windows.bin_rows, height, windows.bin_cols, width)
    sums = nodes.reshape(nodes.sum(nodes.sum(split, 3), 1), bins.n)
    total = nodes.op("ReduceSum", sums, nodes.indices(0), keepdims=1)
    about = nodes.op("Sub", sums, write.scale(total, *mean_factor(bins.n)))
    cut, shift = write.cut(about, bins.value_bits)
    return nodes.clip(cut, -bins.limit, bins.limit, "int64"), shift


def _begun(stage: Any, write: Writer, table: Table, b: str, at: tuple[str, str]) -> str:
    """Return the slopes (2,) of the cell that fits best what one source leaves.

    `at`: its slopes, and whether (1) only cells near them are looked at.
    """
    nodes, limit, (slopes, tried) = write.nodes, table.bins.limit, at
    t = nodes.reshape(nodes.slice(columns_of(write, table, slopes), 0, 1), table.bins.n)

    def product(x: str, y: str) -> str:
        return nodes.op("ReduceSum", nodes.op("Mul", x, y), nodes.indices(0), keepdims=1)

    factor = quotient(write, product(b, t), product(t, t))
    off = nodes.round_shift(nodes.op("Mul", factor, t), 10)
    e = nodes.clip(nodes.op("Sub", b, off), -limit, limit, "int64")
    patterns = nodes.cast(write.table(stage.search[0]), "int64")
    scores, far = write.dots(patterns, e, table.bins.n), nodes.op("Equal", tried, nodes.int64(0))
    looked_at = nodes.op("Or", far, near_cells(stage, write, slopes))
    scores = nodes.op("Where", looked_at, scores, nodes.int64(-(1 << 40)))
    cell = nodes.op("ArgMax", scores, axis=0, keepdims=1)
    grid = stage.coarse_grid
    column = nodes.op("Mod", cell, nodes.int64(grid.n_x))
    row = nodes.op("Div", cell, nodes.int64(grid.n_x))
    return write.slopes(grid, column, row, nodes.constant(np.zeros(2, dtype=np.int64)))


def _amounts(write: Writer, before: str, more: str) -> tuple[str, str]:
    """Write `runtime.stages.pair.joint.amounts_at`, of the track before."""
    nodes = write.nodes
    down = write.power(nodes.clip(more, 0, 31, "int64"))
    up = write.power(nodes.clip(nodes.op("Neg", more), 0, 14, "int64"))

    def amount(place: int) -> str:
        cut = nodes.op("Div", nodes.slice(before, place, place + 1), down)
        return nodes.op("Min", nodes.op("Mul", cut, up), nodes.int64(MOST_AMOUNT))

    return amount(9), amount(10)


def _of_light(stage: Any, write: Writer, total: str, amounts: tuple[str, str], cut: str) -> str:
    """Write `runtime.stages.pair.joint.PairLight.excess`, of all counts (1,)."""
    nodes, rule, zero = write.nodes, PairLight(*stage.pair_light), write.nodes.int64(0)
    light = nodes.op("Max", nodes.op("Sub", total, nodes.int64(stage.light_offset[0])), zero)
    both = nodes.op("Mul", nodes.op("Add", *amounts), nodes.int64(1 << MORE_BITS))
    both, here = write.scale(both, rule.multiplier, rule.shift), write.round_shift(light, cut)
    off = nodes.op("Abs", nodes.op("Sub", both, here))
    off = nodes.op("Sub", off, write.scale(here, rule.tolerance, TOLERANCE_SHIFT))
    off = nodes.clip(off, 0, (1 << 30) - 1, "int64")
    off = shifted(write, off, nodes.op("Sub", nodes.int64(rule.step_bits), cut))
    off = nodes.op("Min", off, nodes.int64((1 << LIGHT_BITS) - 1))
    noise = write.scale(light, rule.noise_multiplier, rule.noise_shift)
    noise = nodes.op("Min", noise, nodes.int64((1 << 30) - 1))
    noise = nodes.op("Add", noise, nodes.int64(rule.floor))
    return nodes.op("Sub", nodes.op("Mul", off, off), noise)


def _judged(
    stage: Any, write: Writer, values: str, seen: tuple[str, str, str], at: Fit
) -> tuple[str, str]:
    """Write what comes of a round on bins, cut by a shift: int64 (8,), and whether two are told.

    `seen` are bins, shift, and what excess is at least in the outputs.
    """
    nodes, fine = write.nodes, stage.tables[1]
    b, lost, least_given = seen
    rule, grid = stage.pair_rule, fine.grid
    energy = nodes.op("ReduceSum", nodes.op("Mul", b, b), nodes.indices(0), keepdims=1)
    total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
    noise = write.scale(
        nodes.op("Max", total, nodes.int64(0)), rule.noise_multiplier, rule.noise_shift
    )
    noise = nodes.op("Min", noise, nodes.int64((1 << 30) - 1))
    noise = nodes.op("Add", noise, nodes.int64(rule.floor))
    wrong = write.scale(
        in_steps(write, energy, lost, rule.energy_bits), rule.tolerance, TOLERANCE_SHIFT
    )
    excess = nodes.op("Sub", in_steps(write, at.left, lost, rule.energy_bits), noise)
    excess = nodes.op("Sub", excess, wrong)
    excess = nodes.op("Max", excess, _of_light(stage, write, total, at.amounts, lost))
    between = nodes.op("Abs", nodes.op("Sub", *at.slopes))
    between = nodes.op("Div", between, nodes.int64(1 << 6))
    between = nodes.op("ReduceSum", nodes.op("Mul", between, between), nodes.indices(0), keepdims=1)
    close = nodes.op("Less", between, nodes.int64((stage.apart >> 6) ** 2))
    least = nodes.op("Where", nodes.op("Or", close, at.poor), nodes.int64(1), excess)
    excess = nodes.op("Max", excess, least)
    given = nodes.op("Max", excess, least_given)
    each, levels = [], []
    for k in (0, 1):
        level = nodes.op("Mul", level_of(write, at.amounts[k]), nodes.int64(2))
        level = nodes.op("Add", level, level_of(write, at.squares[k]))
        level = nodes.op("Add", level, nodes.op("Mul", lost, nodes.int64(32)))
        level = nodes.op("Add", level, nodes.int64(stage.pair_level))
        levels.append(nodes.clip(level, 0, 16 * 31, "int64"))
        _, d = place_of(write, fine, at.slopes[k])
        square = nodes.round_shift(nodes.op("Mul", d, d), DELTA_BITS)
        cubic = nodes.round_shift(nodes.op("Mul", square, d), DELTA_BITS)
        cubic = nodes.op("Sub", cubic, nodes.round_shift(d, 2))
        off = nodes.round_shift(nodes.op("Mul", cubic, nodes.int64(stage.bend)), DELTA_BITS)
        off = nodes.round_shift(nodes.op("Mul", off, nodes.int64(grid.step)), DELTA_BITS)
        own = nodes.op("Sub", at.slopes[k], off)
        each.append(nodes.op("Concat", own, levels[k], given, axis=0))
    first = nodes.op("GreaterOrEqual", *levels)
    ordered = nodes.op(
        "Where", first, nodes.op("Concat", *each, axis=0), nodes.op("Concat", *each[::-1], axis=0)
    )
    bright = nodes.op("GreaterOrEqual", nodes.op("Min", *levels), nodes.int64(stage.least_level))
    told = nodes.op("And", bright, nodes.op("LessOrEqual", excess, nodes.int64(0)))
    return ordered, told
