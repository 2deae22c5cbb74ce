"""The ONNX of registration: everything in int64, the second fine alignment always made.

Where the C leaves it out, the first one's place is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.fixedpoint import INT32_MAX
from runtime.stages.alignment import binned
from runtime.stages.alignment.arithmetic import SEARCH_BITS
from runtime.stages.alignment.energy import LIGHT_BITS, SUM_LIMIT, TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import MEAN_BITS, WEIGHT_BITS
from runtime.stages.alignment.nodes import Writer, in_steps, level_of, quotient, shifted

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["near_cells", "registration_nodes"]


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
        of_bins = _excess_of_bins(stage.bin_rule, write, values, tuple(left[:3]))
        total = nodes.op("ReduceSum", values, nodes.indices(0), keepdims=1)
        light = nodes.op("Sub", total, nodes.int64(stage.light_offset[aperture]))
        of_light = _excess_of_light(stage, write, light, (root, shift, left[3]))
        most = nodes.op("Max", excess, of_bins, of_light)
        otherwise = nodes.op("Where", write.accepted(place), most, nodes.int64(1))
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
        scores = nodes.op("Where", near_cells(stage, write, seed), scores, nodes.int64(-(1 << 40)))
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
    at = nodes.op("Add", place, nodes.constant(own))
    left = _left(stage, write, bins, bin_shift, patterns, at)
    norms = write.row(stage.norms[aperture], rows_of)
    return (slopes, root, shift, place, *left, _norm(write, norms, place)), near


def _norm(write: Writer, norms: str, place: str) -> str:
    """Write the norm at a place, (1,), of those that make it up."""
    nodes, (across, down) = write.nodes, write.axis_weights(place)
    rows = nodes.op("MatMul", nodes.reshape(norms, 3, 3), nodes.reshape(across, 3, 1))
    rows = nodes.reshape(nodes.round_shift(rows, WEIGHT_BITS), 1, 3)
    whole = nodes.reshape(nodes.op("MatMul", rows, down), 1)
    return nodes.op("Max", nodes.round_shift(whole, WEIGHT_BITS), nodes.int64(0))


def _excess_of_light(stage: Any, write: Writer, light: str, at: tuple[str, str, str]) -> str:
    """Write `runtime.stages.alignment.energy.LightRule` of all light (1,) of one frame.

    `at` are root energy, its shift, and the norm of its place.
    """
    nodes, rule, zero = write.nodes, stage.light_rule, write.nodes.int64(0)
    root, shift, norm = at
    light = nodes.op("Max", light, zero)
    cut = nodes.op("Sub", write.bits(light, (1,)), nodes.int64(LIGHT_BITS))
    cut = nodes.op("Max", cut, zero)
    product = nodes.op("Mul", nodes.op("Div", light, write.power(cut)), norm)
    down = nodes.op("Sub", nodes.int64(rule.norm_bits - rule.step_bits), cut)
    belongs = shifted(write, product, down)
    down = nodes.op("Sub", nodes.int64(stage.rule.root_bits - rule.step_bits), shift)
    off = nodes.op("Abs", nodes.op("Sub", shifted(write, root, down), belongs))
    off = nodes.op("Sub", off, write.scale(belongs, rule.tolerance, TOLERANCE_SHIFT))
    off = nodes.clip(off, 0, (1 << LIGHT_BITS) - 1, "int64")
    noise = write.scale(light, rule.noise_multiplier, rule.noise_shift)
    noise = nodes.op("Add", nodes.op("Min", noise, nodes.int64((1 << 30) - 1)),
                     nodes.int64(rule.floor))  # fmt: skip
    return nodes.op("Sub", nodes.op("Mul", off, off), noise)


def near_cells(stage: Any, write: Writer, seed: str) -> str:
    """Return which cells are within reach of the first aperture's direction."""
    nodes, grid = write.nodes, stage.coarse_grid
    cells = np.arange(grid.n_cells, dtype=np.int64)
    every = []
    for own, at, reach in zip(
        (cells % grid.n_x, cells // grid.n_x), write.index(grid, seed), stage.reach, strict=True
    ):
        away = nodes.op("Abs", nodes.op("Sub", nodes.constant(own), at))
        every.append(nodes.op("LessOrEqual", away, nodes.int64(reach)))
    return nodes.op("And", *every)


def _left(
    stage: Any, write: Writer, bins: str, shift: str, patterns: str, place: str
) -> tuple[str, str, str]:
    """Write `runtime.stages.alignment.binned.BinRule.left` for one frame, each (1,)."""
    nodes, n_bins, unit = write.nodes, stage.windows.n_bins, write.nodes.int64(1 << 10)
    across, down = write.axis_weights(place)
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
