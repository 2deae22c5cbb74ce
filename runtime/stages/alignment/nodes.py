"""What the ONNX of alignment is written with: integer idioms, everything in int64."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from runtime.stages.alignment import binned
from runtime.stages.alignment.arithmetic import (
    ACCEPTED,
    ALPHA_FLOOR_BITS,
    D_BITS,
    RECIPROCALS,
    ROOT_SHIFT,
)
from runtime.stages.alignment.energy import ROOT_LIMIT
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    N_COMBINED,
    N_OF_PLACE,
    N_OF_ROOT,
    WEIGHT_BITS,
    CellGrid,
)

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Writer", "in_steps", "level_of", "quotient", "shifted"]

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

    def axis_weights(self, place: str) -> tuple[str, str]:
        """Write `runtime.stages.alignment.geometry.axis_weights`: of x (1, 3), of y (3, 1)."""
        nodes, one = self.nodes, 1 << WEIGHT_BITS
        d = nodes.floor_divide(place, nodes.int64(1 << (DELTA_BITS - WEIGHT_BITS)))
        ends = [nodes.op(name, nodes.int64(one // 2), d) for name in ("Sub", "Add")]
        low, high = (nodes.op("Div", nodes.op("Mul", x, x), nodes.int64(1 << 12)) for x in ends)
        middle = nodes.op("Sub", nodes.op("Sub", nodes.int64(one), low), high)
        each = nodes.op("Concat", *(nodes.reshape(x, 1, 2) for x in (low, middle, high)), axis=0)
        across = nodes.reshape(nodes.slice(each, 0, 1, axis=1), 1, 3)
        return across, nodes.slice(each, 1, 2, axis=1)

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


def level_of(write: Writer, explained: str) -> str:
    """Write `runtime.stages.alignment.arithmetic.log_level`, of one value (1,)."""
    nodes = write.nodes
    kept = nodes.op("Max", explained, nodes.int64(1))
    exponent = nodes.op("Sub", write.bits(kept, (1,)), nodes.int64(1))
    raised = nodes.op("Div", nodes.op("Mul", kept, nodes.int64(16)), write.power(exponent))
    octaves = nodes.op("Mul", exponent, nodes.int64(16))
    return nodes.op("Sub", nodes.op("Add", octaves, raised), nodes.int64(16))


def in_steps(write: Writer, square: str, shift: str, bits: int) -> str:
    """Write `runtime.stages.alignment.energy.in_steps`: squares of numbers cut by a shift."""
    twice = write.nodes.op("Mul", shift, write.nodes.int64(2))
    return shifted(write, square, write.nodes.op("Sub", write.nodes.int64(bits), twice))


def shifted(write: Writer, square: str, down: str) -> str:
    """Write the same of bits that are known."""
    nodes = write.nodes
    rounded = write.round_shift(square, nodes.clip(down, 0, 31, "int64"))
    up = write.power(nodes.clip(nodes.op("Neg", down), 0, 30, "int64"))
    raised = nodes.op("Mul", nodes.op("Min", square, nodes.op("Div", nodes.int64(1 << 30), up)), up)
    falls = nodes.op("GreaterOrEqual", down, nodes.int64(0))
    return nodes.op("Where", falls, rounded, raised)


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
