"""The C of registration: four dot products at a time, then a few hundred steps of arithmetic.

One kernel serves the search (four cells' patterns on bins), the coarse alignment (four corners on
bins) and the fine one (four corners on all pixels, row by row, as filters may lie a longer row
apart). Variants, all the same bits: Helium takes eight pixels of a filter at once; the DSP
extension two products an instruction, filters unpacked from bytes; plain C everywhere else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from runtime.stages.alignment.arithmetic import (
    ACCEPTED,
    ALPHA_FLOOR_BITS,
    D_BITS,
    RECIPROCALS,
    ROOT_SHIFT,
    SEARCH_BITS,
)
from runtime.stages.alignment.binned import (
    ALIKE_BITS,
    LEAST_SQUARE_BITS,
    PATTERN_BITS,
    SPREAD_BITS,
    SPREAD_SHIFT,
    mean_factor,
)
from runtime.stages.alignment.c_cell import BINNED, LIGHT, PLACE, STEPS
from runtime.stages.alignment.c_kernel import four_c
from runtime.stages.alignment.energy import LIGHT_BITS, TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import WEIGHT_BITS
from runtime.stages.contract.c_text import CStage, Edge, fill, table

if TYPE_CHECKING:
    from runtime.stages.alignment.geometry import CellGrid

__all__ = ["registration_c"]

_INDEX = """\
/* Column or row of @WHAT@ cells that a slope lies in. */
PW_LOCAL int32_t @P@_@WHAT@_index(int32_t slope, int32_t low, int32_t n)
{
    const int32_t above = pw_sat(slope - low, 0, 1048576) >> 4;
    return pw_sat((int32_t)(((uint32_t)above * @INVERSE@u) >> @INVERSE_SHIFT@), 0, n - 1);
}
"""

_RUN = """\
PW_LOCAL int @P@_accepted(const int32_t *at)
{
    return ((at[0] == pw_sat(at[0], -@ACCEPTED@, @ACCEPTED@))
            && (at[1] == pw_sat(at[1], -@ACCEPTED@, @ACCEPTED@)))
        ? 1 : 0;
}

/* Bins, sum and energy about the mean of an aperture's values. */
PW_STAGE void @P@_sums(const @X@ *x, int32_t *bins, int32_t *totals)
{
    int32_t energy = 0;
    int32_t total = 0;
    for (uint32_t b = 0u; b < @N_BINS@u; b++) {
        bins[b] = 0;
    }
    for (uint32_t line = 0u; line < @BIN_ROWS@u; line++) {
        for (uint32_t row = 0u; row < @BIN_HEIGHT@u; row++) {
            int32_t squares = 0;
            PW_UNROLL
            for (uint32_t b = 0u; b < @BIN_COLS@u; b++) {
                int32_t sum = bins[b];
@TWO_BY_TWO@                PW_UNROLL
                for (uint32_t i = 0u; i < @BIN_WIDTH@u; i++) {
                    const int32_t value = x[i];
                    sum += value;
                    squares += value * value;
                }
                x = &x[@BIN_WIDTH@];
@TWO_END@                bins[b] = sum;
            }
            energy += @P@_cut(squares, @ENERGY_BITS@);
            x = &x[@SKIPPED@];
        }
        for (uint32_t b = 0u; b < @BIN_COLS@u; b++) {
            total += bins[b];
        }
        bins = &bins[@BIN_COLS@];
    }
    const int32_t cut = pw_sat(@P@_cut(total, @SUM_SHIFT@), -32767, 32767);
    energy -= pw_requant(cut * cut, @MEAN_MULTIPLIER@, @MEAN_SHIFT@);
    totals[0] = total;
    totals[1] = (energy < 0) ? 0 : energy;
}

/* The cell of columns x0 to x1 and rows y0 to y1 whose pattern fits the bins best. */
PW_STAGE void @P@_search(const int16_t *bins, const int8_t *patterns, const int32_t *ends,
    int32_t *best)
{
    int32_t most = INT32_MIN;
    int32_t scores[4];
    for (int32_t y = ends[2]; y <= ends[3]; y++) {
        for (int32_t x = ends[0]; x <= ends[1]; x += 4) {
            const int32_t cell = (y * @COARSE_N_X@) + x;
            const int32_t n = ((ends[1] - x) < 3) ? ((ends[1] - x) + 1) : 4;
            const int8_t *f[4];
            for (int32_t i = 0; i < 4; i++) {
                f[i] = &patterns[(cell + ((i < n) ? i : 0)) * @N_BINS@];
            }
            @FOUR_BINS@(bins, f, 1u, @N_BINS@u, 0u, 0u, scores);
            for (int32_t i = 0; i < n; i++) {
                if (scores[i] > most) {
                    most = scores[i];
                    best[0] = x + i;
                    best[1] = y;
                }
            }
        }
    }
}

/* What one source explains of the energy, and what is left above what may be. */
PW_LOCAL int32_t @P@_judge(const int32_t *totals, const int32_t *at, @Y@ *y)
{
    const int32_t explained = @P@_steps(at[2] * at[2], @ROOT_DOWN@ - (2 * at[3]));
    const int32_t kept = (explained < 1) ? 1 : explained;
    const int32_t octave = @P@_bits((uint32_t)kept) - 1;
    const uint32_t part = (octave < 4) ? ((uint32_t)kept << (4 - octave))
                                       : ((uint32_t)kept >> (octave - 4));
    y[2] = (@Y@)((16 * octave) + (int32_t)part - 16);
    int32_t noise = pw_requant((totals[0] < 0) ? 0 : totals[0], @NOISE_MULTIPLIER@, @NOISE_SHIFT@);
    noise = (noise < 1073741823) ? noise : 1073741823;
    const int32_t left = totals[1] - explained - @FLOOR@;
    const int32_t most = noise + pw_requant(explained, @TOLERANCE@, @TOLERANCE_SHIFT@);
    return (left < (most - INT32_MAX)) ? -INT32_MAX : (left - most);
}

/* One aperture: search, two alignments, the second repeated where its place is beyond the cell,
 * once in a frame. */
PW_STAGE void @P@_aperture(const @X@ *x, uint32_t aperture, const int32_t *ends, int *again,
    @Y@ *y)
{
    const @X@ *own = &x[@P@_offset[aperture]];
    const int32_t *node = &@P@_starts[@NODES_OF@];
    const @SUM@ *node_sum = &@P@_filter_sums[@NODES_OF@];
    int32_t bins[@N_BINS@];
    int16_t cut[@N_BINS@];
    int32_t totals[2];
    int32_t d[4];
    int32_t at[4];
    @P@_sums(own, bins, totals);
    const int32_t shift = @P@_surplus(bins, @N_BINS@u, @SEARCH_BITS@);
    int32_t sum = 0;
    for (uint32_t b = 0u; b < @N_BINS@u; b++) {
        cut[b] = (int16_t)@P@_cut(bins[b], shift);
        sum += cut[b];
    }
    int32_t best[2] = {0, 0};
    @P@_search(cut, &@P@_patterns[aperture * @ALL_PATTERNS@u], ends, best);
    int32_t column = best[0];
    int32_t row = best[1];
    const uint32_t found = (uint32_t)((row * @COARSE_N_X@) + column);
    const int8_t *f[4];
    for (int32_t i = 0; i < 4; i++) {
        const int32_t corner = ((row + (i >> 1)) * (@COARSE_N_X@ + 1)) + column + (i & 1);
        f[i] = &@P@_coarse[(aperture * @COARSE_NODES@u + (uint32_t)corner) * @N_BINS@u];
    }
    @FOUR_BINS@(cut, f, 1u, @N_BINS@u, 0u, 0u, d);
    const uint32_t coarse = (aperture * @COARSE_CELLS@u) + found;
    @P@_place(d, &@P@_coarse_terms[coarse * @N_COARSE_TERMS@u], @GAIN_0@, 0, at);
    int32_t slope_x = @COARSE_MIDDLE_X@ + (column * @COARSE_STEP@)
        + @P@_cut(at[0] * @COARSE_HALF@, 13);
    int32_t slope_y = @COARSE_MIDDLE_Y@ + (row * @COARSE_STEP@)
        + @P@_cut(at[1] * @COARSE_HALF@, 13);
    int32_t before = -1;
    const int32_t mean = pw_requant(totals[0] * 16, @MEAN_PIXELS@, @MEAN_PIXELS_SHIFT@);
    int32_t alike[4];
    for (;;) {
        column = @P@_fine_index(slope_x, @FINE_LOW_X@, @FINE_N_X@);
        row = @P@_fine_index(slope_y, @FINE_LOW_Y@, @FINE_N_Y@);
        const int32_t cell = (row * @FINE_N_X@) + column;
        if (cell == before) {
            break; /* the same filters give the same again */
        }
        before = cell;
        for (int32_t i = 0; i < 4; i++) {
            const int32_t corner = ((row + (i >> 1)) * (@FINE_N_X@ + 1)) + column + (i & 1);
            f[i] = &@P@_bank[node[corner]];
            alike[i] = @P@_cut(node_sum[corner] * mean, 4);
        }
        @FOUR_PIXELS@(own, f, @N_ROWS@u, @N_COLS@u, @STRIDE@u, @BANK_STRIDE@u, d);
        for (uint32_t i = 0u; i < 4u; i++) {
            d[i] -= alike[i];
        }
        @P@_place(d, &@P@_fine_terms[(aperture * @FINE_CELLS@u + (uint32_t)cell) * @N_FINE_TERMS@u],
            @GAIN_1@, 1, at);
        slope_x = @FINE_MIDDLE_X@ + (column * @FINE_STEP@) + @P@_cut(at[0] * @FINE_HALF@, 13);
        slope_y = @FINE_MIDDLE_Y@ + (row * @FINE_STEP@) + @P@_cut(at[1] * @FINE_HALF@, 13);
        if ((@P@_accepted(at) != 0) || (*again == 0)) {
            break;
        }
        *again = 0;
    }
    y[0] = (@Y@)slope_x;
    y[1] = (@Y@)slope_y;
    int32_t excess = @P@_judge(totals, at, y);
    if ((excess <= 0) && (@P@_accepted(at) == 0)) {
        excess = 1;
    }
    if (excess <= 0) { /* else it is refused already */
        const uint32_t corner = (uint32_t)((row * (@FINE_N_X@ + 2)) + column);
        const int16_t *const norms = &@P@_norms[(aperture * @N_SPLINE@u) + corner];
        const int32_t parted = @P@_parted(at, norms, totals[0] - @P@_light_offset[aperture]);
        at[0] += @P@_spline_offset[2u * aperture];
        at[1] += @P@_spline_offset[(2u * aperture) + 1u];
        const int8_t *const patterns = &@P@_spline[@SPLINE_OF@(corner * @N_BINS@u)];
        const int32_t left = @P@_left(cut, sum, shift, patterns, at, totals[0]);
        excess = (excess < left) ? left : excess;
        excess = (excess < parted) ? parted : excess;
    }
    y[3] = (@Y@)excess;
}

PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    int32_t ends[4] = {0, @COARSE_N_X@ - 1, 0, @COARSE_N_Y@ - 1};
    int again = 1;
    for (uint32_t aperture = 0u; aperture < @N_APERTURES@u; aperture++) {
        @P@_aperture(x, aperture, ends, &again, &y[4u * aperture]);
@NEAR@    }
}
"""

_TWO = """\
#if defined(PW_DUAL_MAC) && !defined(PW_VECTOR)
                PW_UNROLL
                for (uint32_t i = 0u; i < @BIN_WIDTH@u; i += 2u) {
                    x = pw_two_more(x, &sum, &squares);
                }
#else
"""

_NEAR = """\
        if (aperture == 0u) { /* the others see the source nearly where the first does */
            @P@_near((int32_t)y[0], (int32_t)y[1], ends);
        }
"""

_ENDS = """\
/* The columns and rows of cells within reach of that of a direction. */
PW_LOCAL void @P@_near(int32_t slope_x, int32_t slope_y, int32_t *ends)
{
    const int32_t column = @P@_coarse_index(slope_x, @COARSE_LOW_X@, @COARSE_N_X@);
    const int32_t row = @P@_coarse_index(slope_y, @COARSE_LOW_Y@, @COARSE_N_Y@);
    ends[0] = pw_sat(column - @REACH_X@, 0, @COARSE_N_X@ - 1);
    ends[1] = pw_sat(column + @REACH_X@, 0, @COARSE_N_X@ - 1);
    ends[2] = pw_sat(row - @REACH_Y@, 0, @COARSE_N_Y@ - 1);
    ends[3] = pw_sat(row + @REACH_Y@, 0, @COARSE_N_Y@ - 1);
}

"""


def _of_grid(name: str, grid: CellGrid) -> dict[str, object]:
    """Return the marks of one grid."""
    return {
        f"{name}_N_X": grid.n_x, f"{name}_N_Y": grid.n_y, f"{name}_STEP": grid.step,
        f"{name}_LOW_X": f"({grid.low_x})", f"{name}_LOW_Y": f"({grid.low_y})",
        f"{name}_MIDDLE_X": f"({grid.low_x + grid.step // 2})",
        f"{name}_MIDDLE_Y": f"({grid.low_y + grid.step // 2})",
        f"{name}_HALF": grid.step // 2, f"{name}_NODES": grid.n_nodes,
        f"{name}_CELLS": grid.n_cells,
    }  # fmt: skip


def _sum_type(stage: Any) -> str:
    return "int16_t" if int(np.abs(stage.filters.sums).max()) < 1 << 15 else "int32_t"


def _tables(stage: Any, prefix: str) -> str:
    n, bins = len(stage.offsets), stage.windows.n_bins
    coarse, fine = stage.coarse_grid, stage.fine_grid
    every: tuple[tuple[str, Any, str, str], ...] = (
        ("offset", stage.offsets, "uint32_t", f"({n},) first value of each aperture"),
        ("reciprocal", RECIPROCALS, "uint16_t", "(64,) 1 / (1 + f) in Q15"),
        ("patterns", stage.search, "int8_t", f"({n}, {coarse.n_cells}, {bins}) searched on bins"),
        ("coarse", stage.coarse_filters, "int8_t", f"({n}, {coarse.n_nodes}, {bins}) filters"),
        ("coarse_terms", stage.coarse_terms, "int16_t", f"({n}, {coarse.n_cells}, 54)"),
        ("bank", stage.bank, "int8_t", f"({len(stage.bank)},) filters of all pixels"),
        ("starts", stage.starts, "int32_t", f"{stage.starts.shape} where a corner's begin"),
        ("filter_sums", stage.filters.sums, _sum_type(stage), f"{stage.starts.shape} its sum"),
        ("fine_terms", stage.fine_terms, "int16_t", f"({n}, {fine.n_cells}, 64)"),
        ("spline_offset", stage.spline_offset, "int16_t", f"({n}, 2) from a place to the spline's"),
        ("spline", stage.spline, "int8_t",
         f"({len(stage.spline)}, {fine.n_spline}, {bins}) patterns in bins"),
        ("norms", stage.norms, "int16_t", f"({n}, {fine.n_spline}) of patterns"),
        ("light_offset", stage.light_offset, "int32_t", f"({n},) sum of values without a source"),
    )  # fmt: skip
    return "".join(
        table(f"{prefix}_{name}", values, ctype, about) for name, values, ctype, about in every
    )


def registration_c(stage: Any, prefix: str, x: Edge, y: Edge, near: bool = False) -> CStage:
    """Return the C of a registration stage; with what searches near a direction, if asked for."""
    windows, rule, n = stage.windows, stage.rule, len(stage.offsets)
    coarse, fine = stage.coarse_grid, stage.fine_grid
    four_pixels = f"pw_four_{x.ctype.removeprefix('int').removesuffix('_t')}"
    values: dict[str, object] = {
        "P": prefix, "X": x.ctype, "Y": y.ctype, "N_APERTURES": n,
        "N_ROWS": stage.n_rows, "N_COLS": stage.n_cols, "STRIDE": stage.stride,
        "N_BINS": windows.n_bins, "BIN_ROWS": stage.bin_rows, "BIN_COLS": stage.bin_cols,
        "BIN_HEIGHT": stage.n_rows // stage.bin_rows, "BIN_WIDTH": stage.n_cols // stage.bin_cols,
        "SKIPPED": stage.stride - stage.n_cols, "BANK_STRIDE": stage.bank_stride,
        "ALL_PATTERNS": coarse.n_cells * windows.n_bins,
        "D_BITS": D_BITS, "SEARCH_BITS": SEARCH_BITS, "ALPHA_FLOOR": ALPHA_FLOOR_BITS,
        "ROOT_SHIFT": ROOT_SHIFT, "ACCEPTED": ACCEPTED,
        "N_COARSE_TERMS": stage.coarse_terms.shape[2], "N_FINE_TERMS": stage.fine_terms.shape[2],
        "GAIN_0": stage.gain_bits[0], "GAIN_1": stage.gain_bits[1],
        "ENERGY_BITS": rule.energy_bits, "SUM_SHIFT": rule.sum_shift,
        "MEAN_MULTIPLIER": rule.mean_multiplier, "MEAN_SHIFT": rule.mean_shift,
        "ROOT_DOWN": rule.energy_bits + 2 * rule.root_bits, "FLOOR": rule.floor,
        "NOISE_MULTIPLIER": rule.noise_multiplier, "NOISE_SHIFT": rule.noise_shift,
        "TOLERANCE": rule.tolerance, "TOLERANCE_SHIFT": TOLERANCE_SHIFT,
        "BIN_BITS": stage.bin_rule.energy_bits, "BIN_FLOOR": stage.bin_rule.floor,
        "BIN_NOISE": stage.bin_rule.noise_multiplier,
        "BIN_NOISE_SHIFT": stage.bin_rule.noise_shift,
        "BIN_TOLERANCE": stage.bin_rule.tolerance, "SPREAD_BITS": SPREAD_BITS,
        "ALIKE_BITS": ALIKE_BITS, "PATTERN_BITS": PATTERN_BITS,
        "PATTERN_HALF": 1 << (PATTERN_BITS - 1), "SPREAD_HALF": 1 << (SPREAD_BITS - 1),
        "SPREAD_NOISE": stage.bin_rule.spread_multiplier,
        "SPREAD_NOISE_SHIFT": stage.bin_rule.spread_shift,
        "SPREAD_TOLERANCE": stage.bin_rule.spread_tolerance, "SPREAD_SHIFT": SPREAD_SHIFT,
        "MEAN_BINS": mean_factor(windows.n_bins)[0],
        "MEAN_BINS_SHIFT": mean_factor(windows.n_bins)[1],
        "LEAST_SQUARE": LEAST_SQUARE_BITS,
        "SPLINE_ROW": (fine.n_x + 2) * windows.n_bins,
        "SPLINE_OF": (
            f"(aperture * {fine.n_spline * windows.n_bins}u) + "
            if len(stage.spline) > 1 else ""
        ),
        "N_SPLINE": fine.n_spline,
        "NORM_DOWN": f"({stage.light_rule.norm_bits - stage.light_rule.step_bits})",
        "LIGHT_DOWN": f"({rule.root_bits - stage.light_rule.step_bits})",
        "LIGHT_BITS": LIGHT_BITS, "WEIGHT_BITS": WEIGHT_BITS,
        "LIGHT_NOISE": stage.light_rule.noise_multiplier,
        "LIGHT_NOISE_SHIFT": stage.light_rule.noise_shift,
        "LIGHT_FLOOR": stage.light_rule.floor, "LIGHT_TOLERANCE": stage.light_rule.tolerance,
        "NODES_OF": f"aperture * {fine.n_nodes}u" if len(stage.starts) > 1 else "0",
        "SUM": _sum_type(stage), "MEAN_PIXELS": mean_factor(windows.n_pixels)[0],
        "MEAN_PIXELS_SHIFT": mean_factor(windows.n_pixels)[1],
        "REACH_X": stage.reach[0], "REACH_Y": stage.reach[1],
        "FOUR_BINS": "pw_four_16", "FOUR_PIXELS": four_pixels, "NEAR": _NEAR if n > 1 else "",
        **_of_grid("COARSE", coarse), **_of_grid("FINE", fine),
    }  # fmt: skip
    indices = ""
    for what, grid in (("fine", fine), ("coarse", coarse)):
        if what == "fine" or n > 1 or near:
            multiplier, shift = grid.inverse
            indices += fill(_INDEX, P=prefix, WHAT=what, INVERSE=multiplier, INVERSE_SHIFT=shift)
    shared = dict.fromkeys([*four_c("pw_four_16", "int16_t"), *four_c(four_pixels, x.ctype)])
    pairs = x.ctype == "int16_t" and (stage.n_cols // stage.bin_cols) % 2 == 0
    values |= {"TWO_BY_TWO": _TWO if pairs else "", "TWO_END": "#endif\n" if pairs else ""}
    indices += _ENDS if n > 1 or near else ""
    functions = fill(PLACE + indices + STEPS + BINNED + LIGHT + _RUN, **values)
    return CStage(_tables(stage, prefix), (), "", functions, shared=tuple(shared))
