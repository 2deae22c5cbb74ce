"""Bins: lit minus dark, summed over rectangular bins; 2 by 2 bins are a four-quadrant sensor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import (
    Counts,
    EntryStage,
    Int32,
    Int64,
    prove_int32,
    require,
    require_divisor,
)
from runtime.stages.kernels.bins import BinGrid, bins_c

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Bins"]


@dataclass(frozen=True, eq=False)
class Bins(EntryStage):
    """Sums of lit minus dark over a grid of equal bins; pixels outside the region are never read.

    Cost per frame: one load per two pixels and exposure, and one sum per bin.

    Parameters
    ----------
    n_rows, n_cols : int
        Geometry of an exposure, 1 to 256.
    bin_rows, bin_cols : int
        Number of bins down and across; each divides the region's rows and columns.
    first_row, last_row, first_col, last_col : int
        Region read, first inclusive, last exclusive; -1 as last means the whole sensor.

    Raises
    ------
    FormatError
        A value is out of range, or the bins do not divide the region.
    """

    kind: ClassVar[str] = "bins"
    n_rows: int
    n_cols: int
    bin_rows: int
    bin_cols: int
    first_row: int = 0
    last_row: int = -1
    first_col: int = 0
    last_col: int = -1

    def __post_init__(self) -> None:
        require(self.kind, "n_rows", self.n_rows, 1, 256)
        require(self.kind, "n_cols", self.n_cols, 1, 256)
        if self.last_row == -1:
            object.__setattr__(self, "last_row", self.n_rows)
        if self.last_col == -1:
            object.__setattr__(self, "last_col", self.n_cols)
        require(self.kind, "last_row", self.last_row, 1, self.n_rows)
        require(self.kind, "last_col", self.last_col, 1, self.n_cols)
        require(self.kind, "first_row", self.first_row, 0, self.last_row - 1)
        require(self.kind, "first_col", self.first_col, 0, self.last_col - 1)
        require_divisor(self.kind, "bin_rows", self.bin_rows, self.last_row - self.first_row)
        require_divisor(self.kind, "bin_cols", self.bin_cols, self.last_col - self.first_col)

    @property
    def n_out(self) -> int:
        """Bins, row by row."""
        return self.bin_rows * self.bin_cols

    @property
    def bin_height(self) -> int:
        """Rows of one bin."""
        return (self.last_row - self.first_row) // self.bin_rows

    @property
    def bin_width(self) -> int:
        """Columns of one bin."""
        return (self.last_col - self.first_col) // self.bin_cols

    @property
    def rows_read(self) -> range:
        """Rows of the region."""
        return range(self.first_row, self.last_row)

    @property
    def n_pixels_read(self) -> int:
        """Pixels of the region."""
        return self.n_out * self.bin_height * self.bin_width

    def run_frames(self, lit: Counts, dark: Counts) -> Int32:
        """Sum rows first, in whole-row additions, then columns; the order changes nothing."""
        rows = slice(self.first_row, self.last_row)
        cols = slice(self.first_col, self.last_col)
        lit, dark = lit[:, rows, cols], dark[:, rows, cols]
        sums = np.zeros((len(lit), self.bin_rows, lit.shape[2]), dtype=np.int32)
        for row in range(self.bin_height):
            sums += lit[:, row :: self.bin_height]
            sums -= dark[:, row :: self.bin_height]
        edges = np.arange(0, sums.shape[2], self.bin_width)
        bins = np.add.reduceat(sums, edges, axis=2, dtype=np.int32)
        return bins.reshape(len(lit), self.n_out)

    def run_difference(self, x: NDArray[Any]) -> NDArray[Any]:
        """Sum an already subtracted image over the bins."""
        image = x.reshape(-1, self.n_rows, self.n_cols)
        region = image[:, self.first_row : self.last_row, self.first_col : self.last_col]
        split = region.reshape(-1, self.bin_rows, self.bin_height, self.bin_cols, self.bin_width)
        sums: NDArray[Any] = split.sum(axis=(2, 4), dtype=x.dtype)
        return sums.reshape(-1, self.n_out)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Sum the bounds of each bin's pixels."""
        low, high = self.run_difference(low[None])[0], self.run_difference(high[None])[0]
        prove_int32(self.kind, "sum of bin", low, high)
        return low, high

    def onnx_frames(self, nodes: Nodes, lit: str, dark: str) -> str:
        """Slice, widen, subtract, and sum inside the bins."""
        x = nodes.op("Sub", nodes.cast(lit, "int32"), nodes.cast(dark, "int32"))
        if self.n_pixels_read != self.n_in:
            x = nodes.slice(x, self.first_row, self.last_row, axis=0)
            x = nodes.slice(x, self.first_col, self.last_col, axis=1)
        x = nodes.reshape(x, self.bin_rows, self.bin_height, self.bin_cols, self.bin_width)
        return nodes.reshape(nodes.sum(nodes.sum(x, 3), 1), self.n_out)

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Load each pixel once: see the kernel's own notes."""
        grid = BinGrid(
            self.first_row, self.last_row, self.first_col, self.n_cols,
            self.bin_height, self.bin_width, self.bin_rows, self.bin_cols,
        )  # fmt: skip
        return bins_c(grid, prefix, x, y)
