"""Where apertures lie in a frame, and the cells of directions that patterns are stored for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import round_shift
from runtime.stages.contract.stage import Float64, Int64, require, require_divisor

__all__ = [
    "DELTA_BITS",
    "MEAN_BITS",
    "N_COMBINED",
    "N_CORNERS",
    "N_OF_PLACE",
    "N_OF_ROOT",
    "SLOPE_BITS",
    "WEIGHT_BITS",
    "CellGrid",
    "Windows",
    "axis_weights",
    "axis_weights_float",
]

SLOPE_BITS = 18
"""Slopes are in steps of 2**-18, 3.8 microradians near the axis."""
DELTA_BITS = 14
"""Places within a cell are in steps of 2**-14 of its side, from its middle."""
MEAN_BITS = 4
"""The mean that is taken off a filter's dot product stands in sixteenths of a count."""
N_CORNERS = 4
N_COMBINED = 3 * N_CORNERS
"""Numbers that combine the dot products of a cell's corners: for brightness, x and y."""
N_OF_PLACE = 21
"""Monomials of two variables up to the fifth power."""
N_OF_ROOT = 10
"""Up to the third."""
WEIGHT_BITS = 11
"""Of fraction of the weights by which a place is made of those around it."""
_DROP = 4
_MOST_SLOPE = 1 << 19
_INDEX_SHIFT = 30


@dataclass(frozen=True, slots=True)
class Windows:
    """The parts of the frame's values that the apertures see, all of one size.

    Parameters
    ----------
    n_rows, n_cols : int
        Pixels of one aperture.
    stride : int
        Values from one row to the next.
    offsets : tuple of int
        First value of each aperture.
    bin_rows, bin_cols : int
        Bins down and across, for the search; they divide rows and columns.
    """

    n_rows: int
    n_cols: int
    stride: int
    offsets: tuple[int, ...]
    bin_rows: int
    bin_cols: int

    def check(self, where: str, n_values: int) -> None:
        """Check that the apertures lie in a frame of so many values; raises FormatError."""
        require(where, "n_values", n_values, 1, 65536)
        require(where, "n_rows", self.n_rows, 1, 256)
        require(where, "n_cols", self.n_cols, 1, 256)
        require(where, "stride", self.stride, self.n_cols, 65536)
        last = n_values - (self.n_rows - 1) * self.stride - self.n_cols
        for offset in self.offsets:
            require(where, "offset", offset, 0, last)
        require_divisor(where, "bin_rows", self.bin_rows, self.n_rows)
        require_divisor(where, "bin_cols", self.bin_cols, self.n_cols)

    def columns(self, aperture: int) -> Int64:
        """Return the places of an aperture's values in the frame, int64 (n_pixels,)."""
        rows, cols = np.arange(self.n_rows), np.arange(self.n_cols)
        at = self.offsets[aperture] + rows[:, None] * self.stride + cols
        return np.asarray(at.ravel(), dtype=np.int64)

    @property
    def n_pixels(self) -> int:
        """Pixels of one aperture."""
        return self.n_rows * self.n_cols

    @property
    def n_bins(self) -> int:
        """Bins of one aperture."""
        return self.bin_rows * self.bin_cols

    def binned(self, values: Int64) -> Int64:
        """Sum (n_frames, n_pixels) over the bins: (n_frames, n_bins)."""
        height, width = self.n_rows // self.bin_rows, self.n_cols // self.bin_cols
        split = values.reshape(len(values), self.bin_rows, height, self.bin_cols, width)
        return np.asarray(split.sum(axis=(2, 4)).reshape(len(values), self.n_bins))


@dataclass(frozen=True, slots=True)
class CellGrid:
    """Square cells of slopes; corners are numbered row by row, y rising.

    Parameters
    ----------
    n_x, n_y : int
        Cells, 1 to 96.
    low_x, low_y : int
        Lowest corner, in steps of 2**-18.
    step : int
        Side of a cell, even, in the same steps.
    """

    n_x: int
    n_y: int
    low_x: int
    low_y: int
    step: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        require(where, "cells", self.n_x, 1, 96)
        require(where, "cells", self.n_y, 1, 96)
        require(where, "lowest slope", self.low_x, -_MOST_SLOPE, _MOST_SLOPE)
        require(where, "lowest slope", self.low_y, -_MOST_SLOPE, _MOST_SLOPE)
        require(where, "side of a cell", self.step, 1 << 10, 1 << 16)
        require(where, "lowest bit of a cell's side", self.step % 2, 0, 0)

    @property
    def n_cells(self) -> int:
        """Cells."""
        return self.n_x * self.n_y

    @property
    def n_nodes(self) -> int:
        """Corners of cells."""
        return (self.n_x + 1) * (self.n_y + 1)

    @property
    def n_spline(self) -> int:
        """Coefficients of a quadratic B-spline: one a cell, and one more all around."""
        return (self.n_x + 2) * (self.n_y + 2)

    @property
    def spline_of(self) -> Int64:
        """The coefficients that each cell is made of, row by row, (n_cells, 9)."""
        x, y = np.arange(self.n_x), np.arange(self.n_y)[:, None]
        first = (y * (self.n_x + 2) + x).ravel()
        steps = (np.arange(3)[:, None] * (self.n_x + 2) + np.arange(3)).ravel()
        return np.asarray(first[:, None] + steps, dtype=np.int64)

    @property
    def corners(self) -> Int64:
        """The corners of each cell: lower left and right, upper left and right, (n_cells, 4)."""
        x, y = np.arange(self.n_x), np.arange(self.n_y)[:, None]
        first = (y * (self.n_x + 1) + x).ravel()
        steps = np.array([0, 1, self.n_x + 1, self.n_x + 2])
        return np.asarray(first[:, None] + steps, dtype=np.int64)

    @property
    def inverse(self) -> tuple[int, int]:
        """Multiplier and shift that a slope's distance from the lowest is divided with.

        The distance is cut by 4 bits first; the multiplier has at most 15 bits.
        """
        shift = _INDEX_SHIFT
        multiplier = round((1 << (shift + _DROP)) / self.step)
        while multiplier >= 1 << 13:
            shift -= 1
            multiplier = round((1 << (shift + _DROP)) / self.step)
        return multiplier, shift

    def index(self, slopes: Int64, low: int, n: int) -> Int64:
        """Return the column (or row) of cells that slopes lie in, the outermost beyond the ends."""
        multiplier, shift = self.inverse
        above = np.clip(slopes - low, 0, 2 * _MOST_SLOPE) >> _DROP
        return np.asarray(np.clip((above * multiplier) >> shift, 0, n - 1), dtype=np.int64)

    def near(self, slopes: Int64, reach: tuple[int, ...]) -> NDArray[np.bool_]:
        """Return the cells (n, n_cells) within so many, along x and y, of those of slopes."""
        cells = np.arange(self.n_cells)
        near = np.ones((len(slopes), self.n_cells), dtype=bool)
        for axis, (low, n, own) in enumerate(
            ((self.low_x, self.n_x, cells % self.n_x), (self.low_y, self.n_y, cells // self.n_x))
        ):
            at = self.index(slopes[:, axis].astype(np.int64), low, n)
            near &= np.abs(own - at[:, None]) <= reach[axis]
        return near

    def middle(self, index: Int64, low: int) -> Int64:
        """Return the middle of a column (or row) of cells."""
        return np.asarray(low + index * self.step + self.step // 2, dtype=np.int64)

    def cell_of(self, slopes: Int64) -> Int64:
        """Return the cells of slopes (n, 2), row by row; the outermost beyond the ends."""
        row = self.index(slopes[:, 1], self.low_y, self.n_y)
        return row * self.n_x + self.index(slopes[:, 0], self.low_x, self.n_x)

    def reached(self, axis: int) -> tuple[int, int]:
        """Return the least and the greatest slope that a place within a cell may stand for."""
        low, n = ((self.low_x, self.n_x), (self.low_y, self.n_y))[axis]
        return low - self.step // 2, low + n * self.step + self.step // 2

    def slopes(self, cell: Int64, place: Int64) -> Int64:
        """Return the slopes of places (n, 2) within cells."""
        x = self.middle(cell % self.n_x, self.low_x)
        y = self.middle(cell // self.n_x, self.low_y)
        return np.stack([x, y], axis=1) + round_shift(place * self.step, DELTA_BITS)

    def slopes_float(self, cell: Int64, place: Float64) -> Float64:
        """Return the same of places in cells, as real numbers."""
        middle = self.slopes(cell, np.zeros((len(cell), 2), dtype=np.int64))
        return np.asarray(middle + place * self.step)


def axis_weights(place: Int64) -> Int64:
    """Return the weights of a quadratic B-spline's three coefficients along each axis.

    Parameters
    ----------
    place : int64 (n, 2)
        In a cell, from its middle.

    Returns
    -------
    int64 (n, axis, 3)
        In 2**-11.
    """
    d, one = place >> (DELTA_BITS - WEIGHT_BITS), 1 << WEIGHT_BITS
    low, high = ((one // 2 - d) ** 2) >> 12, ((one // 2 + d) ** 2) >> 12
    return np.stack([low, one - low - high, high], axis=2)


def axis_weights_float(place: Float64) -> Float64:
    """Return the same of places in cells on real numbers, (n, axis, 3)."""
    return np.stack([(0.5 - place) ** 2 / 2, 0.75 - place**2, (0.5 + place) ** 2 / 2], axis=2)
