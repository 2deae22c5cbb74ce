"""The C of filters: each patch is copied to one place, and the kernel of a matrix runs on it.

So every core's kernel of a matrix serves filters as well, with its inputs on a word boundary and
room behind them for whole turns. A line of a patch stands together in the grid, since channels are
the last axis: copying costs a load and a store a value, for as many multiplications as there are
filters.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import CStage, Edge, fill
from runtime.stages.contract.stage import Int64

__all__ = ["PatchGrid", "filters_c"]

_TURN = 8
"""Inputs that a kernel may read at once: behind the patch there is room for that."""

_COPY = """\
/* Lines of a patch, one behind the other. Its lengths are arguments: told them, a compiler unrolls
 * whole lines and keeps an address for each value on the stack. */
PW_STAGE void pw_patch_@BITS@(
    @X@ *to, const @X@ *from, uint32_t n_lines, uint32_t n_line, uint32_t n_across)
{
    for (uint32_t i = 0u; i < n_lines; i++) {
        for (uint32_t k = 0u; k < n_line; k++) {
            to[k] = from[k];
        }
        to = &to[n_line];
        from = &from[n_across];
    }
}
"""

_RUN = """\

/* The filters at every place: patches of @SIZE@ by @SIZE@, one every @STEP@ rows and columns. */
PW_STAGE void @P@_run(const @X@ *x, @Y@ *y)
{
    union {
        uint32_t words; /* aligns the others */
        @X@ values[@N_PADDED@];
    } patch;
    @Y@ *out = y;
    for (uint32_t i = @N_PATCH@u; i < @N_PADDED@u; i++) {
        patch.values[i] = 0; /* multiplied by nothing */
    }
    for (uint32_t row = 0u; row <= @LAST_ROW@u; row += @STEP@u) {
        for (uint32_t col = 0u; col <= @LAST_COL@u; col += @STEP@u) {
            const @X@ *from = &x[((row * @N_COLS@u) + col) * @N_CHANNELS@u];
            pw_patch_@BITS@(patch.values, from, @SIZE@u, @N_LINE@u, @N_ACROSS@u);
            @P@_patch_run(patch.values, out);
            out = &out[@N_FILTERS@];
        }
    }
}
"""


class PatchGrid(NamedTuple):
    """A grid of values, and its patches: squares of places that lie wholly within it.

    Values are in the order rows, columns, channels; so are those of a patch, and places are in the
    order rows, columns.

    Parameters
    ----------
    n_rows, n_cols, n_channels : int
        Of the grid.
    size : int
        Rows and columns of a patch, at most those of the grid.
    step : int
        Rows or columns from one patch to the next.
    """

    n_rows: int
    n_cols: int
    n_channels: int
    size: int
    step: int

    @property
    def n_values(self) -> int:
        """Values of the grid."""
        return self.n_rows * self.n_cols * self.n_channels

    @property
    def n_patch(self) -> int:
        """Values of a patch."""
        return self.size * self.size * self.n_channels

    @property
    def places(self) -> tuple[int, int]:
        """Rows and columns of places."""
        down, across = ((n - self.size) // self.step + 1 for n in (self.n_rows, self.n_cols))
        return down, across

    @property
    def n_places(self) -> int:
        """How many patches there are."""
        down, across = self.places
        return down * across

    @property
    def patches(self) -> Int64:
        """Where the values of each patch stand, int64 (n_places, n_patch)."""
        return np.asarray(self.patches_of(np.arange(self.n_values, dtype=np.int64)[None])[0])

    def patches_of(self, values: NDArray[Any]) -> NDArray[Any]:
        """Return all patches of values (n, n_values) side by side, (n, n_places, n_patch)."""
        grid = values.reshape(-1, self.n_rows, self.n_cols, self.n_channels)
        windows = np.lib.stride_tricks.sliding_window_view(grid, (self.size,) * 2, axis=(1, 2))
        chosen = windows[:, :: self.step, :: self.step].transpose(0, 1, 2, 4, 5, 3)
        return np.ascontiguousarray(chosen).reshape(len(grid), self.n_places, self.n_patch)


def filters_c(grid: PatchGrid, on_patch: CStage, prefix: str, x: Edge, y: Edge) -> CStage:
    """Return the C of a layer at every place of a grid.

    Parameters
    ----------
    grid : PatchGrid
    on_patch : CStage
        The layer, its prefix being this one with ``_patch`` behind it; `y` has its outputs.
    prefix : str
    x, y : Edge
        Of the whole frame, and of one patch's outputs.
    """
    values: dict[str, object] = {
        "P": prefix, "X": x.ctype, "Y": y.ctype, "BITS": x.ctype.strip("int_"),
        "SIZE": grid.size, "STEP": grid.step,
        "N_PATCH": grid.n_patch, "N_PADDED": -(-grid.n_patch // _TURN) * _TURN,
        "N_LINE": grid.size * grid.n_channels, "N_ACROSS": grid.n_cols * grid.n_channels,
        "N_COLS": grid.n_cols, "N_CHANNELS": grid.n_channels, "N_FILTERS": y.length,
        "LAST_ROW": grid.n_rows - grid.size, "LAST_COL": grid.n_cols - grid.size,
    }  # fmt: skip
    return replace(
        on_patch,
        functions=on_patch.functions + fill(_RUN, **values),
        shared=(*on_patch.shared, fill(_COPY, **values)),
    )
