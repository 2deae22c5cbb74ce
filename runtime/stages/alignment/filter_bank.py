"""The filters of all pixels: windows of one bank, and what they make of a readout.

A corner's filter begins at its start in the bank, a row every stride: filters by themselves stand
one behind the other; where directions move a pattern, many are windows of one plane, at a few bytes
each. Windows do not sum to zero. What a filter's sum sees of light that is alike on all pixels, the
readout's mean in sixteenths of a count, is taken off its dot product.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import INT32_MAX, round_shift, scale
from runtime.stages.alignment.arithmetic import D_BITS
from runtime.stages.alignment.binned import mean_factor
from runtime.stages.alignment.geometry import MEAN_BITS, N_CORNERS, CellGrid, Windows
from runtime.stages.contract.stage import Float64, Int64, require

__all__ = ["MOST_STRIDE", "FilterBank"]

MOST_STRIDE = 4096
"""Values from one row of a filter to the next."""

_ROUNDING = 1 << (30 - D_BITS)
"""Half of the last bit that is kept of the largest dot product: it is added before the cut."""


@dataclass(frozen=True, eq=False)
class FilterBank:
    """A bank of filters, and where in it each corner's begins.

    Parameters
    ----------
    windows : Windows
    grid : CellGrid
    bank : int8 (n_bank,)
    stride : int
        From one row of a filter to the next.
    starts : int32 (n_apertures or 1, n_nodes)
        One row may serve all apertures.
    """

    windows: Windows
    grid: CellGrid
    bank: NDArray[Any]
    stride: int
    starts: NDArray[Any]

    def check(self, where: str) -> None:
        """Check that every filter lies within the bank; raises FormatError."""
        n = len(self.windows.offsets)
        if len(self.starts) not in (1, n):
            raise FormatError(where, "apertures of starts", len(self.starts), f"1 or {n}")
        require(where, "bank_stride", self.stride, self.windows.n_cols, MOST_STRIDE)
        last = len(self.bank) - (self.windows.n_rows - 1) * self.stride - self.windows.n_cols
        if self.starts.min() < 0 or self.starts.max() > last:
            raise FormatError(where, "starts", "beyond the bank", f"0 to {last}")

    @cached_property
    def inside(self) -> Int64:
        """Places of a filter's values from its start, int64 (n_pixels,)."""
        rows, cols = np.arange(self.windows.n_rows), np.arange(self.windows.n_cols)
        return np.asarray((rows[:, None] * self.stride + cols).ravel(), dtype=np.int64)

    @cached_property
    def sums(self) -> Int64:
        """The sum of each corner's filter, int64, of the starts' shape."""
        starts, where = np.unique(self.starts, return_inverse=True)
        sums = [int(self.bank[k + self.inside].sum(dtype=np.int64)) for k in starts.tolist()]
        return np.array(sums, dtype=np.int64)[where.reshape(self.starts.shape)]

    def row(self, aperture: int) -> int:
        """Return the row of starts that serves an aperture."""
        return min(aperture, len(self.starts) - 1)

    def filters(self, aperture: int, cells: Int64) -> Iterator[NDArray[Any]]:
        """Give the filters of one cell's corners after another's, int8 (4, n_pixels) each.

        Those of a recording's frames all at once would fill the memory.
        """
        first = self.starts[self.row(aperture)][self.grid.corners[cells]]
        return (self.bank[four[:, None] + self.inside] for four in first)

    def dots(self, values: Int64, aperture: int, cells: Int64) -> Int64:
        """Multiply values (n, n_pixels) with the filters of a cell each: int64 (n, 4)."""
        dots = np.zeros((len(values), N_CORNERS), dtype=np.int64)
        for row, (four, own) in enumerate(zip(self.filters(aperture, cells), values, strict=True)):
            dots[row] = four.astype(np.int64) @ own
        mean = scale(values.sum(axis=1) << MEAN_BITS, *mean_factor(self.windows.n_pixels))
        sums = self.sums[self.row(aperture)][self.grid.corners[cells]]
        return np.asarray(dots - round_shift(sums * mean[:, None], MEAN_BITS))

    def dots_float(self, values: Float64, aperture: int, cells: Int64) -> Float64:
        """Multiply the same on real numbers."""
        dots = np.zeros((len(values), N_CORNERS))
        for row, (four, own) in enumerate(zip(self.filters(aperture, cells), values, strict=True)):
            dots[row] = four @ own
        sums = self.sums[self.row(aperture)][self.grid.corners[cells]]
        return np.asarray(dots - sums * values.mean(axis=1, keepdims=True))

    def prove(self, where: str, aperture: int, most: Int64) -> None:
        """Prove an aperture's dot products within 32 bits, given each pixel's largest magnitude."""
        total = int(most.sum())
        whole = np.array([total << MEAN_BITS])
        mean = int(scale(whole, *mean_factor(self.windows.n_pixels))[0]) + 1
        largest = 0
        for start in np.unique(self.starts[self.row(aperture)]).tolist():
            size = np.abs(self.bank[start + self.inside].astype(np.int64))
            largest = max(largest, int(size @ most))
        alike = int(np.abs(self.sums[self.row(aperture)]).max()) * mean + (1 << MEAN_BITS)
        for what, worst in (
            ("a sum of counts in sixteenths", total << MEAN_BITS),
            ("a filter's sum times the mean", alike),
            ("a dot product", largest + (alike >> MEAN_BITS) + 1 + _ROUNDING),
        ):
            if worst > INT32_MAX:
                raise OverflowRisk(
                    where, what, f"up to {worst}", f"at most {INT32_MAX}", "use smaller filters"
                )
