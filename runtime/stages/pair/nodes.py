"""The ONNX of a pair: the joint fit of every frame, taken where one source is not enough.

Rounds that the C leaves out are made, and what was before is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.stages.alignment.arithmetic import ACCEPTED
from runtime.stages.alignment.binned import N_SPLINE, mean_factor
from runtime.stages.alignment.energy import TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import DELTA_BITS, Windows
from runtime.stages.alignment.nodes import (
    Writer,
    in_steps,
    level_of,
    quotient,
    registration_nodes,
)
from runtime.stages.pair import solving
from runtime.stages.pair.joint import (
    AMOUNT_BITS,
    LEAST_AMOUNT,
    MOST_AMOUNT,
    MOST_LAST,
    ROUNDS,
    TRACK_LAST,
    TRACK_ROUNDS,
    Table,
)
from runtime.stages.pair.levels import N_COLUMNS, WEIGHT_BITS, place_factor

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["pair_nodes"]

_ONE = 1 << DELTA_BITS


@dataclass(frozen=True)
class _Fit:
    """Names of where a fit stands: slopes (2,) and amounts (1,) of both, squares, left, poor."""

    slopes: tuple[str, str]
    amounts: tuple[str, str]
    squares: tuple[str, str]
    left: str
    poor: str


def pair_nodes(stage: Any, nodes: Nodes, x: str, track: str) -> tuple[str, str]:
    """Write the nodes of one frame; returns the names of int32 (8,) and of the track after it."""
    one = registration_nodes(stage, nodes, x)
    write = Writer(nodes)
    values = nodes.op("Gather", nodes.cast(x, "int64"), nodes.constant(stage.windows.columns(0)))
    both, again = _both(stage, write, values, nodes.cast(nodes.slice(one, 0, 2), "int64"))
    before = nodes.cast(track, "int64")
    slopes = nodes.slice(before, 1, 3), nodes.slice(before, 3, 5)
    followed, seen = _last(stage, write, values, slopes, (TRACK_ROUNDS, TRACK_LAST))
    none = nodes.op("Concat", one, nodes.int32(0, 0, 0, 1), axis=0)
    more = nodes.op("Greater", nodes.slice(one, 3, 4), nodes.int32(0))
    bright = nodes.op("GreaterOrEqual", nodes.slice(one, 2, 3), nodes.int32(stage.least_level))
    more = nodes.op("And", more, bright)
    told = nodes.op("Mul", nodes.slice(before, 0, 1), nodes.slice(seen, 0, 1))
    told = nodes.op("Greater", told, nodes.int64(0))
    again = nodes.op("Mul", again, nodes.cast(more, "int64"))
    after = nodes.op("Where", told, seen, again)
    alone = nodes.op("Where", more, nodes.cast(both, "int32"), none)
    return (
        nodes.op("Where", told, nodes.cast(followed, "int32"), alone), nodes.cast(after, "int32"),
    )  # fmt: skip


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


def _place(write: Writer, table: Table, slopes: str) -> tuple[str, str]:
    """Return the cell (1,) of slopes (2,), and the place in it."""
    nodes, grid = write.nodes, table.grid
    column, row = write.index(grid, slopes)
    zero = nodes.constant(np.zeros(2, dtype=np.int64))
    off = nodes.op("Sub", slopes, write.slopes(grid, column, row, zero))
    raised = nodes.op("Mul", off, nodes.int64(1 << 8))
    place = nodes.clip(write.scale(raised, *place_factor(grid)), -ACCEPTED, ACCEPTED, "int64")
    return write.cell(grid, column, row), place


def _columns(write: Writer, table: Table, slopes: str) -> str:
    """Write `runtime.stages.pair.joint.Table.columns`: (3, n)."""
    nodes = write.nodes
    cell, place = _place(write, table, slopes)
    rows_of = nodes.reshape(write.row(table.grid.spline_of, cell), N_SPLINE)
    patterns = write.row(table.patterns, rows_of)
    d = nodes.floor_divide(place, nodes.int64(8))
    low, high = (nodes.op(name, nodes.int64(1024), d) for name in ("Sub", "Add"))
    along = nodes.op("Sub", d, nodes.int64(1024)), nodes.op("Mul", d, nodes.int64(-2)), high
    low, high = (nodes.op("Div", nodes.op("Mul", v, v), nodes.int64(1 << 12)) for v in (low, high))
    middle = nodes.op("Sub", nodes.op("Sub", nodes.int64(2048), low), high)

    def three(parts: tuple[str, str, str], axis: int) -> str:
        every = nodes.op("Concat", *(nodes.reshape(part, 1, 2) for part in parts), axis=0)
        return nodes.slice(every, axis, axis + 1, axis=1)

    each = low, middle, high
    weights = [
        nodes.reshape(nodes.op("Mul", down, nodes.reshape(across, 1, 3)), 1, N_SPLINE)
        for down, across in (
            (three(each, 1), three(each, 0)), (three(each, 1), three(along, 0)),
            (three(along, 1), three(each, 0)),
        )
    ]  # fmt: skip
    both = nodes.op("MatMul", nodes.op("Concat", *weights, axis=0), patterns)
    return nodes.round_shift(both, WEIGHT_BITS - table.bins.fraction_bits)


def _begun(stage: Any, write: Writer, table: Table, b: str, slopes: str) -> str:
    """Return the slopes (2,) of the cell that fits best what one source leaves."""
    nodes, limit = write.nodes, table.bins.limit
    t = nodes.reshape(nodes.slice(_columns(write, table, slopes), 0, 1), table.bins.n)

    def product(x: str, y: str) -> str:
        return nodes.op("ReduceSum", nodes.op("Mul", x, y), nodes.indices(0), keepdims=1)

    factor = quotient(write, product(b, t), product(t, t))
    off = nodes.round_shift(nodes.op("Mul", factor, t), 10)
    e = nodes.clip(nodes.op("Sub", b, off), -limit, limit, "int64")
    patterns = nodes.cast(write.table(stage.search[0]), "int64")
    cell = nodes.op("ArgMax", write.dots(patterns, e, table.bins.n), axis=0, keepdims=1)
    grid = stage.coarse_grid
    column = nodes.op("Mod", cell, nodes.int64(grid.n_x))
    row = nodes.op("Div", cell, nodes.int64(grid.n_x))
    return write.slopes(grid, column, row, nodes.constant(np.zeros(2, dtype=np.int64)))


def _solved(write: Writer, gram: str, right: str) -> tuple[str, str, str, str, str]:
    """Write `runtime.stages.pair.solving.solved`: x, shift, up, taken, known."""
    nodes, n = write.nodes, 2 * N_COLUMNS
    limit = solving.LIMIT

    def kept(value: str) -> str:
        return nodes.clip(value, -limit, limit, "int64")

    places = nodes.constant(np.arange(n, dtype=np.int64) * (n + 1))
    diagonal = nodes.op("Gather", nodes.reshape(gram, n * n), places)
    bits = write.bits(nodes.op("Max", diagonal, nodes.int64(1)), (n,))
    least = nodes.op("ReduceMin", bits, nodes.indices(0), keepdims=1)
    known = nodes.op("GreaterOrEqual", least, nodes.int64(2 * solving.LEAST_SHIFT - 1))
    shift = nodes.op("Div", nodes.op("Add", bits, nodes.int64(1)), nodes.int64(2))
    shift = nodes.op("Max", shift, nodes.int64(solving.LEAST_SHIFT))
    down = nodes.op("Add", nodes.reshape(shift, n, 1), nodes.reshape(shift, 1, n))
    down = nodes.op("Sub", down, nodes.int64(solving.ENTRY_BITS))
    m = kept(write.round_shift(gram, down))
    most = nodes.op("Div", nodes.op("Abs", right), write.power(shift))
    most = nodes.op("Max", nodes.op("ReduceMax", most, keepdims=0), nodes.int64(1))
    up = nodes.op("Sub", nodes.int64(solving.RIGHT_BITS), write.bits(most, ()))
    up = nodes.op("Min", up, nodes.int64(solving.MOST_UP))
    first = r = kept(write.round_shift(right, nodes.op("Sub", shift, up)))
    raise_by = nodes.int64(1 << solving.UP)
    steps = []
    for k in range(n):
        rest = n - k
        pivot = nodes.reshape(nodes.slice(nodes.slice(m, 0, 1), 0, 1, axis=1), 1)
        enough = nodes.op("GreaterOrEqual", pivot, nodes.int64(solving.LEAST_PIVOT))
        known = nodes.op("And", known, enough)
        pivot = nodes.op("Max", pivot, nodes.int64(solving.LEAST_PIVOT))
        exponent = nodes.op("Sub", write.bits(pivot, (1,)), nodes.int64(1))
        by = write.power(nodes.op("Sub", nodes.int64(solving.ENTRY_BITS), exponent))
        factor = write.inverse(nodes.op("Mul", pivot, by))
        row, own = nodes.slice(nodes.slice(m, 0, 1), 1, rest, axis=1), nodes.slice(r, 0, 1)
        steps.append((row, own, factor, exponent))
        if rest == 1:
            break
        column = nodes.reshape(nodes.slice(nodes.slice(m, 1, rest), 0, 1, axis=1), rest - 1)
        share = nodes.op("Mul", nodes.op("Mul", column, raise_by), factor)
        drop = nodes.int64(solving.UP + 15 - solving.FACTOR_BITS)
        share = kept(write.round_shift(share, nodes.op("Add", exponent, drop)))
        off = nodes.op("Mul", nodes.reshape(share, rest - 1, 1), row)
        off = nodes.round_shift(off, solving.FACTOR_BITS)
        m = kept(nodes.op("Sub", nodes.slice(nodes.slice(m, 1, rest), 1, rest, axis=1), off))
        off = nodes.round_shift(nodes.op("Mul", share, own), solving.FACTOR_BITS)
        r = kept(nodes.op("Sub", nodes.slice(r, 1, rest), off))
    x = ""
    for row, own, factor, exponent in reversed(steps):
        if x:
            parts = nodes.op("Mul", nodes.reshape(row, -1), x)
            parts = nodes.round_shift(parts, solving.ENTRY_BITS)
            own = nodes.op("Sub", own, nodes.op("ReduceSum", parts, nodes.indices(0), keepdims=1))
        found = nodes.op("Mul", nodes.op("Mul", own, raise_by), factor)
        found = kept(write.round_shift(found, nodes.op("Add", exponent, nodes.int64(solving.UP))))
        x = nodes.op("Concat", found, x, axis=0) if x else found
    x = nodes.op("Where", known, x, nodes.int64(0))
    taken = nodes.op("ReduceSum", nodes.op("Mul", x, first), nodes.indices(0), keepdims=1)
    return x, shift, up, nodes.op("Max", taken, nodes.int64(0)), known


def _fitted(write: Writer, table: Table, b: str, at: _Fit, last: int) -> _Fit:
    """Write one round of `runtime.stages.pair.joint.fitted`."""
    nodes, n, limit = write.nodes, table.bins.n, table.bins.limit
    each = [_columns(write, table, slopes) for slopes in at.slopes]
    columns = nodes.op("Concat", *each, axis=0)
    parts = [
        nodes.op("Mul", amount, nodes.reshape(nodes.slice(own, 0, 1), n))
        for amount, own in zip(at.amounts, each, strict=True)
    ]
    seen = nodes.round_shift(nodes.op("Add", *parts), AMOUNT_BITS)
    e = nodes.clip(nodes.op("Sub", b, seen), -limit, limit, "int64")
    gram = nodes.op("MatMul", columns, nodes.op("Transpose", columns, perm=[1, 0]))
    x, shift, up, taken, known = _solved(write, gram, write.dots(columns, e, n))
    own = nodes.op("ReduceSum", nodes.op("Mul", e, e), nodes.indices(0), keepdims=1)
    taken = in_steps(write, taken, nodes.op("Neg", up), 0)
    left = nodes.op("Max", nodes.op("Sub", own, taken), nodes.int64(0))
    poor, flat = nodes.op("Not", known), nodes.reshape(gram, (2 * N_COLUMNS) ** 2)
    slopes, amounts, squares = [], [], []
    for k in (0, 1):
        first = N_COLUMNS * k
        own_x, own_shift = (nodes.slice(v, first, first + N_COLUMNS) for v in (x, shift))
        place = first * (2 * N_COLUMNS + 1)
        squares.append(nodes.slice(flat, place, place + 1))
        to, amount, bad = _moved(
            write, table, (at.slopes[k], at.amounts[k]), (own_x, own_shift, up), last
        )
        slopes.append(to)
        amounts.append(amount)
        poor = nodes.op("Or", poor, bad)
    return _Fit(
        (slopes[0], slopes[1]), (amounts[0], amounts[1]), (squares[0], squares[1]), left, poor
    )


def _moved(
    write: Writer, table: Table, at: tuple[str, str], solved: tuple[str, str, str], last: int
) -> tuple[str, str, str]:
    """Return where one source goes, how strong it is, and whether that is poor, a scalar (1,)."""
    nodes, grid = write.nodes, table.grid
    x, shift, up = solved
    down = nodes.op("Add", nodes.slice(shift, 0, 1), up)
    down = nodes.op("Sub", down, nodes.int64(AMOUNT_BITS))
    more, none = nodes.slice(x, 0, 1), nodes.int64(0)
    raised = nodes.op("Mul", more, write.power(nodes.clip(nodes.op("Neg", down), 0, 5, "int64")))
    lower = write.round_shift(more, nodes.clip(down, 0, 31, "int64"))
    falls = nodes.op("GreaterOrEqual", down, none)
    amount = nodes.op("Add", at[1], nodes.op("Where", falls, lower, raised))
    poor = nodes.op("Less", amount, nodes.int64(LEAST_AMOUNT))
    amount = nodes.clip(amount, LEAST_AMOUNT, MOST_AMOUNT, "int64")
    exponent = nodes.op("Sub", write.bits(amount, (1,)), nodes.int64(1))
    mantissa = nodes.op("Mul", amount, nodes.int64(1 << 15))
    factor = write.inverse(nodes.op("Div", mantissa, write.power(exponent)))
    down = nodes.op("Add", nodes.op("Add", nodes.slice(shift, 1, 3), up), exponent)
    down = nodes.clip(nodes.op("Sub", down, nodes.int64(3)), 17, 46, "int64")
    step = nodes.op("Mul", nodes.op("Mul", nodes.slice(x, 1, 3), nodes.int64(1 << 8)), factor)
    step = nodes.clip(write.round_shift(step, down), -_ONE, _ONE, "int64")
    moved = nodes.round_shift(nodes.op("Mul", step, nodes.int64(grid.step)), DELTA_BITS)
    to = nodes.op("Add", at[0], moved)
    low = np.array([grid.low_x, grid.low_y], dtype=np.int64)
    high = low + np.array([grid.n_x, grid.n_y]) * grid.step - 1
    inside = nodes.op("Min", nodes.op("Max", to, nodes.constant(low)), nodes.constant(high))
    away = nodes.op("Abs", nodes.op("Sub", to, inside))
    away = nodes.op("ReduceMax", away, keepdims=1)
    size = nodes.op("ReduceMax", nodes.op("Abs", step), keepdims=1)
    poor = nodes.op("Or", poor, nodes.op("Greater", size, nodes.int64(last)))
    return inside, amount, nodes.op("Or", poor, nodes.op("Greater", away, none))


def _kept(write: Writer, before: _Fit, after: _Fit) -> _Fit:
    """Take what is after where what was before is poor."""

    def chosen(new: str, old: str) -> str:
        return write.nodes.op("Where", before.poor, new, old)

    pairs = {
        name: tuple(
            chosen(new, old)
            for new, old in zip(getattr(after, name), getattr(before, name), strict=True)
        )
        for name in ("slopes", "amounts", "squares")
    }
    poor = write.nodes.op("And", before.poor, after.poor)
    return _Fit(**pairs, left=chosen(after.left, before.left), poor=poor)  # type: ignore[arg-type]


def _rounds(
    write: Writer, table: Table, b: str, slopes: tuple[str, str], limits: tuple[int, int]
) -> _Fit:
    """Write `runtime.stages.pair.joint.rounds_of`: at most so many, and the longest last step."""
    zero = write.nodes.constant(np.zeros(1, dtype=np.int64))
    rounds, last = limits
    at = _fitted(write, table, b, _Fit(slopes, (zero, zero), (zero, zero), zero, ""), last)
    for _ in range(rounds - 1):
        at = _kept(write, at, _fitted(write, table, b, at, last))
    return at


def _both(stage: Any, write: Writer, values: str, slopes: str) -> tuple[str, str]:
    """Write two sources of a frame by itself: int64 (8,), and the track (5,)."""
    coarse = stage.tables[0]
    b, _ = _about_mean(write, coarse, stage.windows, values)
    second = _begun(stage, write, coarse, b, slopes)
    at = _rounds(write, coarse, b, (slopes, second), (ROUNDS[0], MOST_LAST))
    return _last(stage, write, values, at.slopes, (ROUNDS[1], MOST_LAST))


def _last(
    stage: Any, write: Writer, values: str, slopes: tuple[str, str], limits: tuple[int, int]
) -> tuple[str, str]:
    """Write rounds on finer bins and their judgement: int64 (8,), and the track (5,)."""
    nodes, fine = write.nodes, stage.tables[1]
    b, shift = _about_mean(write, fine, stage.fine_windows, values)
    at = _rounds(write, fine, b, slopes, limits)
    rule, grid = stage.pair_rule, fine.grid
    energy = nodes.op("ReduceSum", nodes.op("Mul", b, b), nodes.indices(0), keepdims=1)
    total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
    noise = write.scale(
        nodes.op("Max", total, nodes.int64(0)), rule.noise_multiplier, rule.noise_shift
    )
    noise = nodes.op("Min", noise, nodes.int64((1 << 30) - 1))
    noise = nodes.op("Add", noise, nodes.int64(rule.floor))
    lost = nodes.reshape(shift, 1)
    wrong = write.scale(
        in_steps(write, energy, lost, rule.energy_bits), rule.tolerance, TOLERANCE_SHIFT
    )
    excess = nodes.op("Sub", in_steps(write, at.left, lost, rule.energy_bits), noise)
    excess = nodes.op("Sub", excess, wrong)
    between = nodes.op("Abs", nodes.op("Sub", *at.slopes))
    between = nodes.op("Div", between, nodes.int64(1 << 6))
    between = nodes.op("ReduceSum", nodes.op("Mul", between, between), nodes.indices(0), keepdims=1)
    near = nodes.op("Less", between, nodes.int64((stage.apart >> 6) ** 2))
    least = nodes.op("Where", nodes.op("Or", near, at.poor), nodes.int64(1), excess)
    excess = nodes.op("Max", excess, least)
    each, levels = [], []
    for k in (0, 1):
        level = nodes.op("Mul", level_of(write, at.amounts[k]), nodes.int64(2))
        level = nodes.op("Add", level, level_of(write, at.squares[k]))
        level = nodes.op("Add", level, nodes.op("Mul", lost, nodes.int64(32)))
        level = nodes.op("Add", level, nodes.int64(stage.pair_level))
        levels.append(nodes.clip(level, 0, 16 * 31, "int64"))
        _, d = _place(write, fine, at.slopes[k])
        square = nodes.round_shift(nodes.op("Mul", d, d), DELTA_BITS)
        cubic = nodes.round_shift(nodes.op("Mul", square, d), DELTA_BITS)
        cubic = nodes.op("Sub", cubic, nodes.round_shift(d, 2))
        off = nodes.round_shift(nodes.op("Mul", cubic, nodes.int64(stage.bend)), DELTA_BITS)
        off = nodes.round_shift(nodes.op("Mul", off, nodes.int64(grid.step)), DELTA_BITS)
        own = nodes.op("Sub", at.slopes[k], off)
        each.append(nodes.op("Concat", own, levels[k], excess, axis=0))
    first = nodes.op("GreaterOrEqual", *levels)
    ordered = nodes.op(
        "Where", first, nodes.op("Concat", *each, axis=0), nodes.op("Concat", *each[::-1], axis=0)
    )
    bright = nodes.op("GreaterOrEqual", nodes.op("Min", *levels), nodes.int64(stage.least_level))
    told = nodes.op("And", bright, nodes.op("LessOrEqual", excess, nodes.int64(0)))
    one = nodes.constant(np.ones(1, dtype=np.int64))
    track = nodes.op("Concat", one, *at.slopes, axis=0)
    return ordered, nodes.op("Mul", track, nodes.cast(told, "int64"))
