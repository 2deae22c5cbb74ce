"""The ONNX of triangulation, in int64."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.stages.alignment.nodes import Writer

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes
    from runtime.stages.contract.stage import Int64

__all__ = ["range_nodes"]

_MOST_SLOPE = (1 << 19) - 1


def _between(nodes: Nodes, table: Int64, place: str, bits: int) -> str:
    """Read a table straight between its entries; places are 0 and more."""
    unit = nodes.int64(1 << bits)
    index = nodes.op("Div", place, unit)
    part = nodes.op("Mod", place, unit)
    low = nodes.op("Gather", nodes.constant(table[:-1]), index)
    steps = nodes.op("Gather", nodes.constant(np.diff(table)), index)
    return nodes.op("Add", low, nodes.round_shift(nodes.op("Mul", steps, part), bits))


def range_nodes(stage: Any, nodes: Nodes, x: str, tables: tuple[Int64, Int64, Int64]) -> str:
    """Write the nodes of one frame; returns the name of int32 (n_out,)."""
    write, wide = Writer(nodes), nodes.cast(x, "int64")
    atan, cosines, reciprocals = tables

    def one(index: int) -> str:
        return nodes.slice(wide, index, index + 1)

    def size_of(slope: str) -> str:
        return nodes.clip(nodes.op("Abs", slope), 0, _MOST_SLOPE, "int64")

    def angle(slope: str) -> str:
        return nodes.op("Mul", nodes.op("Sign", slope), _between(nodes, atan, size_of(slope), 11))

    if stage.n_apertures == 1:
        parts = [angle(one(0)), angle(one(1)), one(2), one(3)]
        return nodes.cast(nodes.op("Concat", *parts, axis=0), "int32")
    limit = 1 << 17
    d = [nodes.clip(nodes.op("Sub", one(k), one(4 + k)), -limit, limit, "int64") for k in (0, 1)]
    ux, uy = nodes.int64(stage.baseline_x), nodes.int64(stage.baseline_y)

    def product(a: str, b: str) -> str:
        return nodes.op("Mul", a, b)

    along = nodes.round_shift(nodes.op("Add", product(d[0], ux), product(d[1], uy)), 13)
    across = nodes.round_shift(nodes.op("Sub", product(d[1], ux), product(d[0], uy)), 13)
    depth = write.scale(product(along, nodes.int64(1024)), stage.multiplier, stage.shift)
    depth = nodes.clip(depth, 0, (1 << 21) - 1, "int64")
    cut = nodes.op("Div", depth, nodes.int64(64))
    slopes, squares = [], []
    for axis, middle in ((0, stage.middle_x), (1, stage.middle_y)):
        mean = nodes.round_shift(nodes.op("Add", one(axis), one(4 + axis)), 1)
        moved = nodes.round_shift(product(cut, nodes.int64(middle)), 10)
        slopes.append(nodes.op("Add", mean, moved))
        small = nodes.op("Div", size_of(slopes[-1]), nodes.int64(16))
        squares.append(nodes.op("Div", product(small, small), nodes.int64(1024)))
    both = nodes.clip(nodes.op("Add", *squares), 0, (1 << 20) - 1, "int64")
    cosine = _between(nodes, cosines, both, 12)
    inverse = nodes.round_shift(product(depth, cosine), 17)
    kept = nodes.op("Max", inverse, nodes.int64(16))
    exponent = nodes.op("Sub", write.bits(kept, (1,)), nodes.int64(1))
    raised = nodes.op("Div", product(kept, nodes.int64(1 << 24)), write.power(exponent))
    mantissa = nodes.op("Div", nodes.op("Sub", raised, nodes.int64(1 << 24)), nodes.int64(16))
    factor = product(_between(nodes, reciprocals, mantissa, 12), nodes.int64(4000))
    near = write.round_shift(factor, exponent)
    none = nodes.op("Less", inverse, nodes.int64(16))
    distance = nodes.op("Where", none, nodes.int64(1 << 24), near)
    parts = [angle(slopes[0]), angle(slopes[1]), inverse, distance,
             one(2), one(3), one(6), one(7), across, along]  # fmt: skip
    return nodes.cast(nodes.op("Concat", *parts, axis=0), "int32")
