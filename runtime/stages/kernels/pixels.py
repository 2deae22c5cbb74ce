"""The C of the stages where a frame's work is: reading the exposures, and multiplying.

Which kernel a stage gets is decided when weights and ranges are known; which of a kernel's
variants a core gets is decided by ``#if`` in the text, so that one folder serves every core.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from runtime.stages.contract.c_text import CStage, Edge, table
from runtime.stages.kernels.bins import bins_c
from runtime.stages.kernels.dense import dense_c
from runtime.stages.kernels.template import fill

if TYPE_CHECKING:
    from runtime.stages.pixels import Pixels

__all__ = ["bins_c", "dense_c", "pixels_c"]

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
