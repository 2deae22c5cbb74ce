"""What two sources are fitted to: bins about their mean, and patterns with their derivatives.

The pattern in bins at a place is a quadratic B-spline over the cells of registration, nine stored
patterns weighted (`runtime.stages.alignment.binned`); the spline's own derivatives, per cell, are
columns of the fit. Numbers: with n bins, patterns keep so many bits of fraction, and bins so many
bits, that all sums of n products are below 2**31: a place is within 5/8 of a cell, where the
weights of a derivative sum to 2.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import round_shift, scale
from runtime.stages.alignment.arithmetic import ACCEPTED, block_cut
from runtime.stages.alignment.binned import mean_factor
from runtime.stages.alignment.geometry import DELTA_BITS, CellGrid
from runtime.stages.contract.stage import Float64, Int64

__all__ = ["N_COLUMNS", "WEIGHT_BITS", "Bins", "columns_float", "place_factor", "places"]

N_COLUMNS = 3
"""Of each source: the pattern, and its derivatives along x and y."""
WEIGHT_BITS = 22
_ONE = 1 << 11
_MOST_FRACTION = 4
_PLACE_BITS = 8


@dataclass(frozen=True, slots=True)
class Bins:
    """The numbers of a fit to so many bins.

    Parameters
    ----------
    n : int
        4 to 1,024.
    """

    n: int

    @property
    def n_bits(self) -> int:
        """Bits of the number of bins."""
        return (self.n - 1).bit_length()

    @property
    def fraction_bits(self) -> int:
        """Bits of fraction that patterns keep."""
        return min(_MOST_FRACTION, (14 - self.n_bits) // 2)

    @property
    def value_bits(self) -> int:
        """Bits of a bin's magnitude."""
        return (30 - self.n_bits) // 2

    @property
    def limit(self) -> int:
        """Largest magnitude of a bin, and of what is left of it."""
        return (1 << self.value_bits) - 1

    def about_mean(self, sums: Int64) -> tuple[Int64, Int64]:
        """Return bins (n_frames, n) less their mean, cut to their bits, and how far they were."""
        mean = scale(sums.sum(axis=1), *mean_factor(self.n))
        cut, shift = block_cut(sums - mean[:, None], self.value_bits)
        return np.clip(cut, -self.limit, self.limit), shift

    def columns(self, patterns: NDArray[Any], place: Int64) -> Int64:
        """Return a source's pattern and derivatives, int64 (n_frames, 3, n).

        Parameters
        ----------
        patterns : int8 (n_frames, 9, n)
        place : int64 (n_frames, 2)
            In steps of 2**-14 of a cell, from its middle.
        """
        each, along = _weights(place >> 3)
        wide = patterns.astype(np.int64).reshape(len(place), 3, 3, self.n)
        found = [
            np.einsum("fi,fj,fijb->fb", down, across, wide)
            for down, across in (
                (each[:, 1], each[:, 0]), (each[:, 1], along[:, 0]), (along[:, 1], each[:, 0]),
            )
        ]  # fmt: skip
        return round_shift(np.stack(found, axis=1), WEIGHT_BITS - self.fraction_bits)


def _weights(d: Int64) -> tuple[Int64, Int64]:
    """Return the three weights of each axis and their derivatives, Q11, int64 (n, axis, 3)."""
    low, high = ((_ONE // 2 - d) ** 2) >> 12, ((_ONE // 2 + d) ** 2) >> 12
    along = np.stack([d - _ONE // 2, -2 * d, d + _ONE // 2], axis=2)
    return np.stack([low, _ONE - low - high, high], axis=2), along


def columns_float(patterns: NDArray[Any], place: Float64) -> Float64:
    """Return the same of places in cells on real numbers, (n_frames, 3, n_bins)."""
    each = np.stack([(0.5 - place) ** 2 / 2, 0.75 - place**2, (0.5 + place) ** 2 / 2], axis=2)
    along = np.stack([place - 0.5, -2 * place, place + 0.5], axis=2)
    wide = patterns.astype(np.float64).reshape(len(place), 3, 3, patterns.shape[-1])
    return np.stack(
        [
            np.einsum("fi,fj,fijb->fb", down, across, wide)
            for down, across in (
                (each[:, 1], each[:, 0]), (each[:, 1], along[:, 0]), (along[:, 1], each[:, 0]),
            )
        ],
        axis=1,
    )  # fmt: skip


def place_factor(grid: CellGrid) -> tuple[int, int]:
    """Return the multiplier and the shift from steps of a slope, times 2**8, to those of a place.

    The multiplier has at most 15 bits, the shift is at least 17.
    """
    shift = _PLACE_BITS + 9
    while shift < 40 and round((1 << (shift + 1 + DELTA_BITS - _PLACE_BITS)) / grid.step) < 1 << 15:
        shift += 1
    return round((1 << (shift + DELTA_BITS - _PLACE_BITS)) / grid.step), shift


def places(grid: CellGrid, slopes: Int64) -> tuple[Int64, Int64]:
    """Return the cells (n,) of slopes (n, 2), and the places in them, in steps of 2**-14."""
    cell = grid.cell_of(slopes)
    middle = grid.slopes(cell, np.zeros_like(slopes))
    place = scale((slopes - middle) << _PLACE_BITS, *place_factor(grid))
    return cell, np.clip(place, -ACCEPTED, ACCEPTED)
