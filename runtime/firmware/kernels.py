"""The C of the two stages where a frame's work is: reading the exposures, and multiplying.

Which kernel a stage gets is decided here, when weights and ranges are known; which of a kernel's
variants a core gets is decided by ``#if`` in the text, so that one folder serves every core.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from runtime.firmware.kernels_bins import bins_c
from runtime.firmware.places import fill
from runtime.stages.ctext import CStage, Edge, table

if TYPE_CHECKING:
    from runtime.stages.dense import Dense
    from runtime.stages.pixels import Pixels

__all__ = ["bins_c", "dense_c", "pixels_c"]

_BLOCK = 4
"""Output rows that one pass over the inputs serves: each input is loaded once for all four."""

_PIXELS = """\
/* Chosen pixels of row `row`: those from @P@_start[row] up to @P@_start[row + 1]. */
PW_STAGE void @P@_row(@Y@ *y, uint32_t row, const uint16_t *lit, const uint16_t *dark)
{
    if ((row < @FIRST_ROW@u) || (row >= @LAST_ROW@u)) {
        return;
    }
    const uint32_t last = @P@_start[row - @FIRST_ROW@u + 1u];
    for (uint32_t i = @P@_start[row - @FIRST_ROW@u]; i < last; i++) {
        const uint32_t col = @P@_column[i];
        y[i] = (@Y@)((int32_t)lit[col] - (int32_t)dark[col]);
    }
}

PW_STAGE void @P@_frame(@Y@ *y, const uint16_t *lit, const uint16_t *dark)
{
    for (uint32_t row = @FIRST_ROW@u; row < @LAST_ROW@u; row++) {
        @P@_row(y, row, &lit[row * @N_COLS@u], &dark[row * @N_COLS@u]);
    }
}
"""

_DENSE = """\
/* y = saturate(round(@SCALE@ * (weights x + bias)))@RELU_NOTE@.
 * Four rows share each input; accumulators proved within +-@BOUND@. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    const @W@ *w = @P@_weights;
@FULL_BLOCKS@@REST@}
"""

_DENSE_FULL = """\
    for (uint32_t row = 0u; row < @FULL@u; row += 4u) {
        int32_t a0 = @P@_bias[row];
        int32_t a1 = @P@_bias[row + 1u];
        int32_t a2 = @P@_bias[row + 2u];
        int32_t a3 = @P@_bias[row + 3u];
        for (uint32_t i = 0u; i < @N_IN@u; i++) {
            const int32_t v = (int32_t)x[i];
            a0 += v * (int32_t)w[0];
            a1 += v * (int32_t)w[1];
            a2 += v * (int32_t)w[2];
            a3 += v * (int32_t)w[3];
            w = &w[4];
        }
        y[row] = (@Y@)@P@_scaled(a0);
        y[row + 1u] = (@Y@)@P@_scaled(a1);
        y[row + 2u] = (@Y@)@P@_scaled(a2);
        y[row + 3u] = (@Y@)@P@_scaled(a3);
    }
"""

_DENSE_REST = """\
    for (uint32_t row = @FULL@u; row < @N_OUT@u; row++) {
        int32_t sum = @P@_bias[row];
        for (uint32_t i = 0u; i < @N_IN@u; i++) {
            sum += (int32_t)x[i] * (int32_t)w[i];
        }
        w = &w[@N_IN@];
        y[row] = (@Y@)@P@_scaled(sum);
    }
"""

_TERNARY = """\
/* y = saturate(round(@SCALE@ * (weights x + bias)))@RELU_NOTE@, all weights -1, 0 or 1:
 * each row lists the inputs that it adds, then those that it subtracts; nothing is multiplied. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    const @I@ *at = @P@_inputs;
    for (uint32_t row = 0u; row < @N_OUT@u; row++) {
        int32_t sum = @P@_bias[row];
        for (uint32_t n = @P@_counts[2u * row]; n != 0u; n--) {
            sum += (int32_t)x[*at++];
        }
        for (uint32_t n = @P@_counts[(2u * row) + 1u]; n != 0u; n--) {
            sum -= (int32_t)x[*at++];
        }
        y[row] = (@Y@)@P@_scaled(sum);
    }
}
"""


def pixels_c(stage: Pixels, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of pixel selection: only rows with chosen pixels are read."""
    rows, columns = np.divmod(stage.indices, stage.n_cols)
    start = np.searchsorted(rows, np.arange(stage.first_row, stage.last_row + 1))
    tables = table(
        f"{prefix}_start", start, "uint16_t", "first chosen pixel of each row, and their number"
    ) + table(f"{prefix}_column", columns, "uint8_t", f"({stage.n_out},) columns of chosen pixels")
    values = {
        "P": prefix, "Y": y.ctype, "FIRST_ROW": stage.first_row, "LAST_ROW": stage.last_row,
        "N_COLS": stage.n_cols,
    }  # fmt: skip
    text = fill(_PIXELS, values)
    if stage.first_row == 0:
        text = text.replace("(row < 0u) || ", "").replace("row - 0u", "row")
    return CStage(tables=tables, state=(), init="", functions=text)


def dense_c(stage: Dense, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a matrix of weights; ternary weights are never multiplied."""
    bound = int(stage.accumulator_bound(*_ranges(x)).max())
    values: dict[str, object] = {
        "P": prefix, "X": x.ctype, "Y": y.ctype, "N_IN": stage.n_in, "N_OUT": stage.n_out,
        "BOUND": bound, "SCALE": f"{stage.multiplier} / 2^{stage.shift}",
        "RELU_NOTE": ", negative values raised to 0" if stage.relu else "",
    }  # fmt: skip
    tables = table(
        f"{prefix}_bias", stage.bias, "int32_t", f"({stage.n_out},) int32, accumulator units"
    )
    scaled = _scaled_c(stage, prefix, bound)
    if stage.ternary:
        return _ternary_c(stage, values, tables, scaled)
    return _blocked_c(stage, values, tables, scaled)


def _ranges(x: Edge) -> tuple[np.ndarray, np.ndarray]:
    """Return an edge's bounds as arrays, one value per input."""
    return np.full(x.length, x.lo, np.int64), np.full(x.length, x.hi, np.int64)


def _scaled_c(stage: Dense, prefix: str, bound: int) -> str:
    """Return the function from accumulator to output: one multiplication where that is proved."""
    from runtime.fixedpoint import fits_one_multiply

    low = 0 if stage.relu else -stage.limit
    if stage.out_bits == 32:
        value = "sum"
    elif fits_one_multiply(bound, stage.multiplier, stage.shift):
        half = (1 << stage.shift) >> 1
        value = f"pw_asr32((sum * {stage.multiplier}) + {half}, {stage.shift})"
    else:
        value = f"pw_requant(sum, {stage.multiplier}, {stage.shift})"
    if stage.out_bits != 32 or stage.relu:
        value = f"pw_sat({value}, {low}, {stage.limit})"
    return f"static inline int32_t {prefix}_scaled(int32_t sum)\n{{\n    return {value};\n}}\n\n"


def _blocked_c(stage: Dense, values: dict[str, object], tables: str, scaled: str) -> CStage:
    """Return the multiplying kernel; weights stand in the order in which they are read."""
    full = stage.n_out - stage.n_out % _BLOCK
    blocks = stage.weights[:full].reshape(-1, _BLOCK, stage.n_in).transpose(0, 2, 1)
    order = np.concatenate([blocks.ravel(), stage.weights[full:].ravel()])
    ctype = f"{stage.weights.dtype.name}_t"
    values |= {"W": ctype, "FULL": full}
    values["FULL_BLOCKS"] = fill(_DENSE_FULL, values) if full else ""
    values["REST"] = fill(_DENSE_REST, values) if full < stage.n_out else ""
    tables += table(
        f"{values['P']}_weights", order, ctype,
        f"({stage.n_out}, {stage.n_in}) {stage.weights.dtype.name}, four rows interleaved",
    )  # fmt: skip
    return CStage(tables, (), "", scaled + fill(_DENSE, values))


def _ternary_c(stage: Dense, values: dict[str, object], tables: str, scaled: str) -> CStage:
    """Return the kernel that adds and subtracts listed inputs."""
    lists, counts = [], []
    for row in stage.weights:
        for sign in (1, -1):
            at = np.flatnonzero(row == sign)
            lists.append(at)
            counts.append(len(at))
    inputs = np.concatenate(lists) if any(counts) else np.zeros(1, np.int64)
    values["I"] = "uint8_t" if stage.n_in <= 256 else "uint16_t"
    prefix = values["P"]
    tables += table(
        f"{prefix}_counts", np.array(counts), "uint16_t",
        f"({stage.n_out}, 2) inputs added and subtracted",
    )  # fmt: skip
    tables += table(f"{prefix}_inputs", inputs, str(values["I"]), "indices of those inputs")
    return CStage(tables, (), "", scaled + fill(_TERNARY, values))
