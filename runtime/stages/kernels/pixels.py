"""The C of chosen pixels: lit minus dark, only in rows with a chosen pixel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import CStage, Edge, fill, table

__all__ = ["pixels_c"]

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


def pixels_c(indices: NDArray[np.integer], n_cols: int, prefix: str, y: Edge) -> CStage:
    """Return the C of pixel selection: only rows with chosen pixels are read.

    Parameters
    ----------
    indices : int (n_chosen,)
        Rising, into an exposure read row by row.
    n_cols : int
        Pixels of a row.
    """
    rows, columns = np.divmod(indices, n_cols)
    first, last = int(rows[0]), int(rows[-1]) + 1
    start = np.searchsorted(rows, np.arange(first, last + 1))
    tables = table(
        f"{prefix}_start", start, "uint16_t", "first chosen pixel of each row, and their number"
    ) + table(f"{prefix}_column", columns, "uint8_t", f"({len(rows)},) columns of chosen pixels")
    text = fill(_PIXELS, P=prefix, Y=y.ctype, FIRST_ROW=first, LAST_ROW=last, N_COLS=n_cols)
    if first == 0:
        text = text.replace("(row < 0u) || ", "").replace("row - 0u", "row")
    return CStage(tables=tables, state=(), init="", functions=text)
