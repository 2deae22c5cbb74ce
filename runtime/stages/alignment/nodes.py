"""The ONNX of registration: everything in int64, the second fine alignment always made.

Where the C leaves it out, the first one's place is taken.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.fixedpoint import INT32_MAX
from runtime.stages.alignment import binned
from runtime.stages.alignment.arithmetic import (
    ACCEPTED,
    ALPHA_FLOOR_BITS,
    D_BITS,
    RECIPROCALS,
    ROOT_SHIFT,
    SEARCH_BITS,
)
from runtime.stages.alignment.energy import ROOT_LIMIT, SUM_LIMIT, TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    MEAN_BITS,
    N_COMBINED,
    N_OF_PLACE,
    N_OF_ROOT,
    CellGrid,
)

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Writer", "in_steps", "level_of", "quotient", "registration_nodes"]

_POWERS = np.int64(1) << np.arange(63, dtype=np.int64)
_LIMIT = 1 << DELTA_BITS


@dataclass(frozen=True)
class Writer:
    """Integer idioms on top of the shared ones; every value is int64."""

    nodes: Nodes

    def table(self, values: np.ndarray) -> str:
        """Return a constant in the smallest type that holds it, for Gather or Cast."""
        # Of -32768 in 16 bits there is no magnitude in 16 bits.
        least = np.min_scalar_type(-1 - int(np.abs(values.astype(np.int64)).max()))
        return self.nodes.constant(values.astype(least))

    def power(self, exponent: str) -> str:
        """Return 2 to exponents."""
        return self.nodes.op("Gather", self.nodes.constant(_POWERS), exponent)

    def bits(self, value: str, shape: tuple[int, ...]) -> str:
        """Return the number of bits of values that are 0 and more."""
        reached = self.nodes.op(
            "GreaterOrEqual",
            self.nodes.reshape(value, *shape, 1),
            self.nodes.constant(_POWERS[:40]),
        )
        return self.nodes.sum(self.nodes.cast(reached, "int64"), len(shape))

    def round_shift(self, value: str, shift: str) -> str:
        """Round by a shift that is a value itself."""
        divisor = self.power(shift)
        half = self.nodes.op("Div", divisor, self.nodes.int64(2))
        return self.nodes.floor_divide(self.nodes.op("Add", value, half), divisor)

    def scale(self, value: str, multiplier: int, shift: int) -> str:
        """Scale by constants."""
        product = self.nodes.op("Mul", value, self.nodes.int64(multiplier))
        return self.nodes.round_shift(product, shift)

    def cut(self, values: str, n_bits: int) -> tuple[str, str]:
        """Cut a vector to bits of its largest magnitude: values, and the shift, a scalar."""
        most = self.nodes.op("ReduceMax", self.nodes.op("Abs", values), keepdims=0)
        surplus = self.nodes.op("Sub", self.bits(most, ()), self.nodes.int64(n_bits))
        shift = self.nodes.op("Max", surplus, self.nodes.int64(0))
        return self.round_shift(values, shift), shift

    def row(self, table: np.ndarray, index: str) -> str:
        """Take a row of a constant table, as int64."""
        return self.nodes.cast(self.nodes.op("Gather", self.table(table), index), "int64")

    def dots(self, filters: str, values: str, n: int) -> str:
        """Multiply a matrix (k, n) with a vector (n,)."""
        product = self.nodes.op("MatMul", filters, self.nodes.reshape(values, n, 1))
        return self.nodes.reshape(product, -1)

    def monomials(self, place: str) -> str:
        """Return the monomials up to the fifth power of a place (2,): (21,)."""
        nodes = self.nodes

        def product(a: str, b: str) -> str:
            return nodes.round_shift(nodes.op("Mul", a, b), DELTA_BITS)

        x, y = (nodes.slice(place, axis, axis + 1) for axis in (0, 1))
        squares = xx, xy, yy = product(x, x), product(x, y), product(y, y)
        cubes = [product(a, b) for a, b in ((xx, x), (xx, y), (yy, x), (yy, y))]
        fourth = [product(a, b) for a, b in ((xx, xx), (xx, xy), (xx, yy), (xy, yy), (yy, yy))]
        fifth = [product(cube, each) for cube in (cubes[0], cubes[3]) for each in squares]
        one = nodes.constant(np.array([_LIMIT], dtype=np.int64))
        return nodes.op("Concat", one, x, y, *squares, *cubes, *fourth, *fifth, axis=0)

    def value(self, coefficients: str, monomials: str, n: int) -> str:
        """Evaluate one polynomial: (1,)."""
        parts = self.nodes.op("Mul", coefficients, self.nodes.slice(monomials, 0, n))
        summed = self.nodes.op("ReduceSum", parts, self.nodes.indices(0), keepdims=1)
        return self.nodes.round_shift(summed, DELTA_BITS)

    def inverse(self, mantissa: str) -> str:
        """Write `runtime.stages.alignment.arithmetic.inverse_mantissa`."""
        nodes, unit = self.nodes, self.nodes.int64(1 << 15)
        index = nodes.op("Sub", nodes.op("Div", mantissa, nodes.int64(1 << 9)), nodes.int64(64))
        first = nodes.op("Gather", nodes.constant(RECIPROCALS), index)
        off = nodes.op("Sub", nodes.int64(1 << 30), nodes.op("Mul", mantissa, first))
        off = nodes.op("Mul", first, nodes.floor_divide(off, unit))
        return nodes.op("Add", first, nodes.floor_divide(off, unit))

    def placed(
        self, dots: str, terms: str, gain_bits: int, with_root: bool
    ) -> tuple[str, str, str]:
        """Write `runtime.stages.alignment.arithmetic.placed` for one frame."""
        nodes = self.nodes
        cut, shift = self.cut(dots, D_BITS)
        combined = nodes.reshape(nodes.slice(terms, 0, N_COMBINED), 3, -1)
        sums = self.dots(combined, cut, 4)
        alpha = nodes.op("Max", nodes.slice(sums, 0, 1), nodes.int64(1 << ALPHA_FLOOR_BITS))
        exponent = nodes.op("Sub", self.bits(alpha, (1,)), nodes.int64(1))
        less = self.power(nodes.op("Sub", exponent, nodes.int64(15)))
        mantissa = nodes.op("Div", alpha, less)
        own = nodes.op("Mul", nodes.slice(sums, 1, 3), self.inverse(mantissa))
        u = self.round_shift(own, nodes.op("Add", exponent, nodes.int64(1 - gain_bits)))
        powers = self.monomials(nodes.clip(u, -_LIMIT, _LIMIT, "int64"))
        ends = [N_COMBINED + k * N_OF_PLACE for k in range(3)]
        each = [self.value(nodes.slice(terms, a, b), powers, N_OF_PLACE) for a, b in pairwise(ends)]
        place = nodes.clip(nodes.op("Concat", *each, axis=0), -_LIMIT, _LIMIT, "int64")
        if not with_root:
            return place, "", ""
        of_root = nodes.slice(terms, ends[2], ends[2] + N_OF_ROOT)
        share = self.value(of_root, self.monomials(place), N_OF_ROOT)
        share = nodes.op("Mul", mantissa, nodes.clip(share, 0, ROOT_LIMIT, "int64"))
        down = self.power(nodes.op("Sub", nodes.int64(ROOT_SHIFT), exponent))
        return place, nodes.clip(nodes.op("Div", share, down), 0, ROOT_LIMIT, "int64"), shift

    def accepted(self, place: str) -> str:
        """Return whether a place is accepted in its cell, a scalar."""
        away = self.nodes.op("ReduceMax", self.nodes.op("Abs", place), keepdims=0)
        return self.nodes.op("LessOrEqual", away, self.nodes.int64(ACCEPTED))

    def index(self, grid: CellGrid, slopes: str) -> tuple[str, str]:
        """Return the column and the row of cells of slopes (2,), each (1,)."""
        nodes, found = self.nodes, []
        multiplier, shift = grid.inverse
        for axis, (low, n) in enumerate(((grid.low_x, grid.n_x), (grid.low_y, grid.n_y))):
            above = nodes.op("Sub", nodes.slice(slopes, axis, axis + 1), nodes.int64(low))
            above = nodes.op("Div", nodes.clip(above, 0, 1 << 20, "int64"), nodes.int64(16))
            product = nodes.op("Mul", above, nodes.int64(multiplier))
            column = nodes.op("Div", product, nodes.int64(1 << shift))
            found.append(nodes.clip(column, 0, n - 1, "int64"))
        return found[0], found[1]

    def slopes(self, grid: CellGrid, column: str, row: str, place: str) -> str:
        """Return the slopes (2,) of a place within a cell."""
        nodes = self.nodes
        middle = np.array([grid.low_x, grid.low_y], dtype=np.int64) + grid.step // 2
        cells = nodes.op("Concat", column, row, axis=0)
        cells = nodes.op("Mul", cells, nodes.int64(grid.step))
        moved = nodes.round_shift(nodes.op("Mul", place, nodes.int64(grid.step)), DELTA_BITS)
        return nodes.op("Add", nodes.op("Add", nodes.constant(middle), cells), moved)

    def cell(self, grid: CellGrid, column: str, row: str) -> str:
        """Return the number of a cell, (1,)."""
        first = self.nodes.op("Mul", row, self.nodes.int64(grid.n_x))
        return self.nodes.op("Add", first, column)


def registration_nodes(stage: Any, nodes: Nodes, x: str) -> str:
    """Write the nodes of one frame; returns the name of int32 (n_out,)."""
    write = Writer(nodes)
    wide, seed, once, outputs = nodes.cast(x, "int64"), "", "", []
    for aperture in range(len(stage.offsets)):
        values = nodes.op("Gather", wide, nodes.constant(stage.windows.columns(aperture)))
        found, near = _aligned(stage, write, values, aperture, (seed, once))
        slopes, root, shift, place, *left = found
        once = nodes.op("And", once, near) if once else near
        explained = in_steps(write, nodes.op("Mul", root, root), shift,
                           stage.rule.energy_bits + 2 * stage.rule.root_bits)  # fmt: skip
        excess = _excess(stage, write, values, explained)
        of_bins = _excess_of_bins(stage.bin_rule, write, values, tuple(left))
        otherwise = nodes.op("Where", write.accepted(place), nodes.op("Max", excess, of_bins),
                             nodes.int64(1))  # fmt: skip
        excess = nodes.op("Where", nodes.op("Greater", excess, nodes.int64(0)), excess, otherwise)
        outputs += [slopes, level_of(write, explained), excess]
        seed = seed or slopes
    whole = nodes.clip(nodes.op("Concat", *outputs, axis=0), -INT32_MAX, INT32_MAX, "int64")
    return nodes.cast(whole, "int32")


def _aligned(
    stage: Any, write: Writer, values: str, aperture: int, before: tuple[str, str]
) -> tuple[tuple[str, ...], str]:
    """Align; returns also whether the first place was accepted.

    `before`: the first aperture's slopes, and whether all before had theirs accepted, or empty.
    """
    nodes, windows, grid = write.nodes, stage.windows, stage.coarse_grid
    seed, once = before
    height, width = stage.n_rows // stage.bin_rows, stage.n_cols // stage.bin_cols
    split = nodes.reshape(values, stage.bin_rows, height, stage.bin_cols, width)
    bins, bin_shift = write.cut(
        nodes.reshape(nodes.sum(nodes.sum(split, 3), 1), windows.n_bins), SEARCH_BITS
    )
    patterns = nodes.cast(write.table(stage.search[aperture]), "int64")
    scores = write.dots(patterns, bins, windows.n_bins)
    if seed:
        scores = nodes.op("Where", _near(stage, write, seed), scores, nodes.int64(-(1 << 40)))
    cell = nodes.op("ArgMax", scores, axis=0, keepdims=1)
    column = nodes.op("Mod", cell, nodes.int64(grid.n_x))
    row = nodes.op("Div", cell, nodes.int64(grid.n_x))
    corners = nodes.reshape(write.row(grid.corners, cell), 4)
    filters = write.row(stage.coarse_filters[aperture], corners)
    terms = nodes.reshape(write.row(stage.coarse_terms[aperture], cell), -1)
    dots = write.dots(filters, bins, windows.n_bins)
    place, _, _ = write.placed(dots, terms, stage.gain_bits[0], with_root=False)
    slopes = write.slopes(grid, column, row, place)
    grid = stage.fine_grid
    bank = write.table(stage.bank)
    total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
    mean = nodes.op("Mul", total, nodes.int64(1 << MEAN_BITS))
    mean = write.scale(mean, *binned.mean_factor(windows.n_pixels))
    turns = []
    for _ in range(2):
        column, row = write.index(grid, slopes)
        cell = write.cell(grid, column, row)
        corners = write.row(grid.corners, cell)
        starts = write.row(stage.starts[stage.filters.row(aperture)], nodes.reshape(corners, 4, 1))
        at = nodes.op("Add", starts, nodes.cast(write.table(stage.filters.inside), "int64"))
        filters = nodes.cast(nodes.op("Gather", bank, at), "int64")
        dots = write.dots(filters, values, windows.n_pixels)
        sums = nodes.reshape(write.row(stage.filters.sums[stage.filters.row(aperture)], corners), 4)
        alike = nodes.round_shift(nodes.op("Mul", sums, mean), MEAN_BITS)
        dots = nodes.op("Sub", dots, alike)
        terms = nodes.reshape(write.row(stage.fine_terms[aperture], cell), -1)
        place, root, shift = write.placed(dots, terms, stage.gain_bits[1], with_root=True)
        slopes = write.slopes(grid, column, row, place)
        turns.append((cell, place, root, shift, slopes))
    near = write.accepted(turns[0][1])
    first = nodes.op("Or", near, nodes.op("Not", once)) if once else near
    cell, place, root, shift, slopes = (
        nodes.op("Where", first, one, two) for one, two in zip(*turns, strict=True)
    )
    rows_of = nodes.reshape(write.row(grid.spline_of, cell), binned.N_SPLINE)
    patterns = write.row(stage.patterns(aperture), rows_of)
    own = np.array(stage.spline_offset[2 * aperture : 2 * aperture + 2], dtype=np.int64)
    left = _left(
        stage, write, bins, bin_shift, patterns, nodes.op("Add", place, nodes.constant(own))
    )
    return (slopes, root, shift, place, *left), near


def _left(
    stage: Any, write: Writer, bins: str, shift: str, patterns: str, place: str
) -> tuple[str, str, str]:
    """Write `runtime.stages.alignment.binned.BinRule.left` for one frame, each (1,)."""
    nodes, n_bins, unit = write.nodes, stage.windows.n_bins, write.nodes.int64(1 << 10)
    d = nodes.floor_divide(place, nodes.int64(8))
    low, high = (nodes.op(name, nodes.int64(1024), d) for name in ("Sub", "Add"))
    low, high = (nodes.op("Div", nodes.op("Mul", x, x), nodes.int64(1 << 12)) for x in (low, high))
    middle = nodes.op("Sub", nodes.op("Sub", nodes.int64(2048), low), high)
    each = nodes.op("Concat", *(nodes.reshape(x, 1, 2) for x in (low, middle, high)), axis=0)
    across = nodes.reshape(nodes.slice(each, 0, 1, axis=1), 1, 3)
    down = nodes.slice(each, 1, 2, axis=1)
    curved = [nodes.constant(binned.CURVED.reshape(shape)) for shape in ((1, 3), (3, 1))]
    spread = nodes.op("Add", nodes.op("Mul", down, curved[0]), nodes.op("Mul", curved[1], across))

    def pattern(weights: str, bits: int) -> str:
        of_all = nodes.op("MatMul", nodes.reshape(weights, 1, binned.N_SPLINE), patterns)
        return nodes.reshape(nodes.round_shift(of_all, bits), n_bins)

    def product(x: str, y: str) -> str:
        return nodes.op("ReduceSum", nodes.op("Mul", x, y), nodes.indices(0), keepdims=1)

    def part(factor: str, of: str) -> str:
        return nodes.op("Div", nodes.op("Mul", factor, of), unit)

    t = pattern(nodes.op("Mul", down, across), binned.PATTERN_BITS)
    wide = pattern(spread, binned.SPREAD_BITS)
    total = nodes.op("ReduceSum", bins, nodes.indices(0), keepdims=1)
    b = nodes.op("Sub", bins, write.scale(total, *binned.mean_factor(n_bins)))
    b = nodes.round_shift(b, binned.CUT_BITS)
    own, cross, square, mixed = product(b, b), product(b, t), product(t, t), product(t, wide)
    factor, whole = quotient(write, cross, square), nodes.op("Mul", own, nodes.int64(1 << 20))
    once = nodes.op("Mul", cross, nodes.int64(1 << 11))
    once = nodes.op("Sub", once, nodes.op("Mul", factor, square))
    rest = nodes.op("Sub", whole, nodes.op("Mul", factor, once))
    rest = nodes.op("Div", rest, nodes.int64(1 << 20))
    size = nodes.op("Abs", mixed)
    shared = nodes.op("Mul", nodes.op("Sign", mixed), part(factor, size))
    along = nodes.op("Sub", product(b, wide), shared)
    less = part(quotient(write, nodes.op("Neg", mixed), square), size)
    length = product(wide, wide)
    width = nodes.op("Sub", length, less)
    over = part(quotient(write, along, width), nodes.op("Max", along, nodes.int64(0)))
    alike = nodes.op("Less", width, nodes.op("Div", length, nodes.int64(1 << binned.ALIKE_BITS)))
    over = nodes.op("Where", alike, nodes.int64(0), over)
    lost = nodes.reshape(nodes.op("Add", shift, nodes.int64(binned.CUT_BITS)), 1)
    most, bits = nodes.int64((1 << 30) - 1), stage.bin_rule.energy_bits
    left, spread, energy = (
        in_steps(write, nodes.op("Min", x, most), lost, bits) for x in (rest, over, own)
    )
    return left, spread, energy


def quotient(write: Writer, cross: str, square: str) -> str:
    """Write the twin of the reference's: cross / square in Q10, (1,)."""
    nodes, least = write.nodes, binned.LEAST_SQUARE_BITS
    kept = nodes.op("Max", square, nodes.int64(1 << least))
    exponent = nodes.op("Sub", write.bits(kept, (1,)), nodes.int64(1))
    raised = nodes.op("Mul", kept, nodes.int64(1 << 15))
    mantissa = nodes.op("Div", raised, write.power(exponent))
    product = nodes.op("Mul", nodes.op("Max", cross, nodes.int64(0)), write.inverse(mantissa))
    found = write.round_shift(product, nodes.op("Add", exponent, nodes.int64(5)))
    none = nodes.op(
        "Or",
        nodes.op("Less", square, nodes.int64(1 << least)),
        nodes.op("Less", found, nodes.int64(2)),
    )
    return nodes.op("Where", none, nodes.int64(0), nodes.op("Min", found, nodes.int64(32767)))


def _excess_of_bins(rule: Any, write: Writer, values: str, left: tuple[str, ...]) -> str:
    nodes, (whole, spread, energy) = write.nodes, left
    total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
    kept = nodes.op("Max", total, nodes.int64(0))
    noise = write.scale(kept, rule.noise_multiplier, rule.noise_shift)
    noise = nodes.op("Min", noise, nodes.int64((1 << 30) - 1))
    noise = nodes.op("Add", noise, nodes.int64(rule.floor))
    allowed = nodes.op("Add", noise, write.scale(energy, rule.tolerance, TOLERANCE_SHIFT))
    also = write.scale(noise, rule.spread_multiplier, rule.spread_shift)
    also = nodes.op("Add", also, write.scale(energy, rule.spread_tolerance, binned.SPREAD_SHIFT))
    also = nodes.op("Add", also, nodes.int64(1))
    return nodes.op("Max", nodes.op("Sub", whole, allowed), nodes.op("Sub", spread, also))


def _near(stage: Any, write: Writer, seed: str) -> str:
    """Return which cells are within reach of the first aperture's direction."""
    nodes, grid = write.nodes, stage.coarse_grid
    cells = np.arange(grid.n_cells, dtype=np.int64)
    near = []
    for own, at, reach in zip(
        (cells % grid.n_x, cells // grid.n_x), write.index(grid, seed), stage.reach, strict=True
    ):
        away = nodes.op("Abs", nodes.op("Sub", nodes.constant(own), at))
        near.append(nodes.op("LessOrEqual", away, nodes.int64(reach)))
    return nodes.op("And", *near)


def in_steps(write: Writer, square: str, shift: str, bits: int) -> str:
    """Write `runtime.stages.alignment.energy.in_steps`: squares of numbers cut by a shift."""
    nodes = write.nodes
    twice = nodes.op("Mul", shift, nodes.int64(2))
    down = nodes.op("Sub", nodes.int64(bits), twice)
    rounded = write.round_shift(square, nodes.clip(down, 0, 31, "int64"))
    up = write.power(nodes.clip(nodes.op("Neg", down), 0, 30, "int64"))
    raised = nodes.op("Mul", nodes.op("Min", square, nodes.op("Div", nodes.int64(1 << 30), up)), up)
    falls = nodes.op("GreaterOrEqual", down, nodes.int64(0))
    return nodes.op("Where", falls, rounded, raised)


def level_of(write: Writer, explained: str) -> str:
    """Write `runtime.stages.alignment.arithmetic.log_level`, of one value (1,)."""
    nodes = write.nodes
    kept = nodes.op("Max", explained, nodes.int64(1))
    exponent = nodes.op("Sub", write.bits(kept, (1,)), nodes.int64(1))
    raised = nodes.op("Div", nodes.op("Mul", kept, nodes.int64(16)), write.power(exponent))
    octaves = nodes.op("Mul", exponent, nodes.int64(16))
    return nodes.op("Sub", nodes.op("Add", octaves, raised), nodes.int64(16))


def _excess(stage: Any, write: Writer, values: str, explained: str) -> str:
    nodes, rule = write.nodes, stage.rule
    total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
    squares = nodes.reshape(nodes.op("Mul", values, values), stage.n_rows, stage.n_cols)
    rows = nodes.round_shift(nodes.sum(squares, 1), rule.energy_bits)
    energy = nodes.op("ReduceSum", rows, nodes.indices(0), keepdims=1)
    cut = nodes.clip(nodes.round_shift(total, rule.sum_shift), -SUM_LIMIT, SUM_LIMIT, "int64")
    mean = write.scale(nodes.op("Mul", cut, cut), rule.mean_multiplier, rule.mean_shift)
    energy = nodes.op("Max", nodes.op("Sub", energy, mean), nodes.int64(0))
    kept = nodes.op("Max", total, nodes.int64(0))
    noise = write.scale(kept, rule.noise_multiplier, rule.noise_shift)
    noise = nodes.op("Min", noise, nodes.int64((1 << 30) - 1))
    allowed = nodes.op("Add", noise, write.scale(explained, rule.tolerance, TOLERANCE_SHIFT))
    allowed = nodes.op("Add", allowed, nodes.int64(rule.floor))
    return nodes.op("Sub", nodes.op("Sub", energy, explained), allowed)
