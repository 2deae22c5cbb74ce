"""The ONNX of a joint fit's rounds: columns, six equations, and where both sources go.

Twins: `runtime.stages.pair.joint`, `runtime.stages.pair.levels`, `runtime.stages.pair.solving`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runtime.stages.alignment.arithmetic import ACCEPTED
from runtime.stages.alignment.binned import N_SPLINE
from runtime.stages.alignment.geometry import DELTA_BITS
from runtime.stages.alignment.nodes import Writer, in_steps
from runtime.stages.pair import solving
from runtime.stages.pair.joint import AMOUNT_BITS, LEAST_AMOUNT, MOST_AMOUNT, Table
from runtime.stages.pair.levels import N_COLUMNS, WEIGHT_BITS, place_factor

__all__ = ["Fit", "begun_at", "columns_of", "place_of", "rounds_of"]

_ONE = 1 << DELTA_BITS


@dataclass(frozen=True)
class Fit:
    """Names of where a fit stands: slopes (2,) and amounts (1,) of both, squares, left, poor."""

    slopes: tuple[str, str]
    amounts: tuple[str, str]
    squares: tuple[str, str]
    left: str
    poor: str


def place_of(write: Writer, table: Table, slopes: str) -> tuple[str, str]:
    """Return the cell (1,) of slopes (2,), and the place in it."""
    nodes, grid = write.nodes, table.grid
    column, row = write.index(grid, slopes)
    zero = nodes.constant(np.zeros(2, dtype=np.int64))
    off = nodes.op("Sub", slopes, write.slopes(grid, column, row, zero))
    raised = nodes.op("Mul", off, nodes.int64(1 << 8))
    place = nodes.clip(write.scale(raised, *place_factor(grid)), -ACCEPTED, ACCEPTED, "int64")
    return write.cell(grid, column, row), place


def columns_of(write: Writer, table: Table, slopes: str) -> str:
    """Write `runtime.stages.pair.joint.Table.columns`: (3, n)."""
    nodes = write.nodes
    cell, place = place_of(write, table, slopes)
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


def _fitted(write: Writer, table: Table, b: str, at: Fit, last: str) -> Fit:
    """Write one round of `runtime.stages.pair.joint.fitted`."""
    nodes, n, limit = write.nodes, table.bins.n, table.bins.limit
    each = [columns_of(write, table, slopes) for slopes in at.slopes]
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
    return Fit(
        (slopes[0], slopes[1]), (amounts[0], amounts[1]), (squares[0], squares[1]), left, poor
    )


def _moved(
    write: Writer, table: Table, at: tuple[str, str], solved: tuple[str, str, str], last: str
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
    poor = nodes.op("Or", poor, nodes.op("Greater", size, last))
    return inside, amount, nodes.op("Or", poor, nodes.op("Greater", away, none))


def _kept(write: Writer, before: Fit, after: Fit) -> Fit:
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
    return Fit(**pairs, left=chosen(after.left, before.left), poor=poor)  # type: ignore[arg-type]


def rounds_of(write: Writer, table: Table, b: str, at: Fit, limits: tuple[int, str]) -> Fit:
    """Write `runtime.stages.pair.joint.rounds_of`: at most so many, and the longest last step."""
    rounds, last = limits
    at = _fitted(write, table, b, at, last)
    for _ in range(rounds - 1):
        at = _kept(write, at, _fitted(write, table, b, at, last))
    return at


def begun_at(write: Writer, slopes: tuple[str, str], amounts: tuple[str, str]) -> Fit:
    """Return where rounds begin."""
    zero = write.nodes.constant(np.zeros(1, dtype=np.int64))
    return Fit(slopes, amounts, (zero, zero), zero, "")
