"""What one source leaves unexplained of an aperture's bins: sums of squares in integers.

Bins of several pixels gather what is coherent (another source's pattern) and average what is not
(noise): the same residual energy stands out against the noise of some sixty bins as it would not
against that of a thousand pixels. And here the brightness is fitted to the residual itself, so that
its error counts squared, not, as in the pixels' energy less that of the root, straight.

The pattern t in bins at a place of the cell is a quadratic B-spline over the cells (C. de Boor, A
Practical Guide to Splines, 1978, from memory): nine stored patterns f, weighted in Q11. With b the
bins about their mean, ``a = (b . t) / (t . t)`` in Q10 leaves exactly

    sum (2**10 b - a t)**2 = 2**20 b . b - a (2**11 b . t - a (t . t)),

whatever the error of a, and is never negative. Numbers: bins have 13 bits with sign, patterns 14;
sums over up to 64 products fit 31 bits, those with a 62.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import MAX_MULTIPLIER, MAX_SHIFT, bit_length, round_shift, scale
from runtime.stages.alignment.arithmetic import inverse_mantissa
from runtime.stages.alignment.energy import TOLERANCE_SHIFT, in_steps
from runtime.stages.contract.stage import Float64, Int64, require

__all__ = [
    "CUT_BITS",
    "LEAST_SQUARE_BITS",
    "MOST_BINS",
    "N_SPLINE",
    "BinRule",
    "mean_factor",
    "spline_weights",
    "spline_weights_float",
]

MOST_BINS = 64
N_SPLINE = 9
"""Patterns that one place is made of: three by three."""
CUT_BITS = 2
"""Bits that bins, cut for the search, lose once more."""
LEAST_SQUARE_BITS = 12
"""Smaller sums of squares of a pattern are what rounding to 8 bits makes: no pattern at all."""
_ONE = 1 << 11
_MOST_STEPS = (1 << 30) - 1
_MOST_FACTOR = (1 << 15) - 1


def spline_weights(place: Int64) -> Int64:
    """Return the weights of nine patterns, row by row, Q11, int64 (n, 9), of places in Q14."""
    d = place >> 3
    low, high = ((_ONE // 2 - d) ** 2) >> 12, ((_ONE // 2 + d) ** 2) >> 12
    each = np.stack([low, _ONE - low - high, high], axis=2)  # (n, axis, 3)
    both = round_shift(each[:, 1, :, None] * each[:, 0, None, :], 11)
    return np.asarray(both.reshape(len(place), N_SPLINE))


def spline_weights_float(place: Float64) -> Float64:
    """Return the same weights of places in cells from their middles, float64 (n, 9)."""
    each = np.stack([(0.5 - place) ** 2 / 2, 0.75 - place**2, (0.5 + place) ** 2 / 2], axis=2)
    both = each[:, 1, :, None] * each[:, 0, None, :]
    return np.asarray(both.reshape(len(place), N_SPLINE))


def mean_factor(n_bins: int) -> tuple[int, int]:
    """Return a multiplier and a shift, 17 and more, that divide by 4 to 65,536 bins, or pixels."""
    shift = max(17, 13 + n_bins.bit_length())
    return round((1 << shift) / n_bins), shift


def _quotient(cross: Int64, square: Int64) -> Int64:
    """Return ``cross / square`` in Q10, 0 to 2**15 - 1; 0 of squares that rounding could make.

    Good to 6e-5. A single step of Q10 is none, so that rounding never makes the quotient twice what
    it is: the C takes no negative difference.
    """
    exponent = np.maximum(bit_length(square) - 1, LEAST_SQUARE_BITS)
    mantissa = np.where(
        exponent < 15,
        square << np.maximum(15 - exponent, 0),
        square >> np.maximum(exponent - 15, 0),
    )
    factor = inverse_mantissa(np.clip(mantissa, 1 << 15, (1 << 16) - 1))
    found = np.minimum(scale(np.maximum(cross, 0), factor, exponent + 5), _MOST_FACTOR)
    return np.where((square < 1 << LEAST_SQUARE_BITS) | (found < 2), 0, found)


@dataclass(frozen=True, slots=True)
class BinRule:
    """How the energy of bins is counted, and what of it may be left.

    Parameters
    ----------
    energy_bits : int
        A step of energy is ``2**energy_bits`` squared counts.
    floor : int
        Noise without light, in steps of energy, with room for its scatter.
    noise_multiplier, noise_shift : int
        From the sum of all counts to their noise, in steps of energy, with room for its scatter.
    tolerance : int
        Share of the bins' energy, in 2**-17, that the patterns may be wrong by.
    """

    energy_bits: int
    floor: int
    noise_multiplier: int
    noise_shift: int
    tolerance: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        for name, low, high in (
            ("energy_bits", 0, 30), ("floor", 0, 1 << 29),
            ("noise_multiplier", 1, MAX_MULTIPLIER), ("noise_shift", 17, MAX_SHIFT),
            ("tolerance", 0, 1 << 14),
        ):  # fmt: skip
            require(where, f"{name} of bins", getattr(self, name), low, high)

    def left(
        self, cut: Int64, shift: Int64, patterns: NDArray[Any], place: Int64
    ) -> tuple[Int64, Int64]:
        """Return what is left of the bins' energy about their mean, and that energy, in steps.

        Parameters
        ----------
        cut : int64 (n, n_bins)
            Bins in steps of ``2**shift`` counts, 14 bits with sign.
        shift : int64 (n,)
        patterns : int8 (n, 9, n_bins)
        place : int64 (n, 2)
        """
        mean = scale(cut.sum(axis=1), *mean_factor(cut.shape[1]))
        b = round_shift(cut - mean[:, None], CUT_BITS)
        weighted = spline_weights(place)[:, :, None] * patterns.astype(np.int64)
        t = round_shift(weighted.sum(axis=1), 7)
        own, cross, square = (b * b).sum(axis=1), (b * t).sum(axis=1), (t * t).sum(axis=1)
        factor = _quotient(cross, square)
        rest = ((own << 20) - factor * ((cross << 11) - factor * square)) >> 20
        down = self.energy_bits - 2 * (shift + CUT_BITS)
        return (
            in_steps(np.minimum(rest, _MOST_STEPS), down),
            in_steps(np.minimum(own, _MOST_STEPS), down),
        )

    def excess(self, left: Int64, energy: Int64, total: Int64) -> Int64:
        """Return what is left above what is allowed, int64 (n,)."""
        wrong = scale(energy, self.tolerance, TOLERANCE_SHIFT)
        return np.asarray(left - self.noise(total) - wrong - self.floor)

    def noise(self, total: Int64) -> Int64:
        """Return the noise that a sum of counts may bring, in steps of energy, int64 (n,)."""
        noise = scale(np.maximum(total, 0), self.noise_multiplier, self.noise_shift)
        return np.minimum(noise, _MOST_STEPS)

    def excess_float(self, bins: Float64, total: Float64, patterns: Float64, place: Float64) -> Any:
        """Return the same on real numbers; patterns (n, 9, n_bins), places in cells."""
        b = bins - bins.mean(axis=1, keepdims=True)
        t = (spline_weights_float(place)[:, :, None] * patterns).sum(axis=1)
        square, energy = np.maximum((t * t).sum(axis=1), 1e-9), (b * b).sum(axis=1)
        step = 2.0**self.energy_bits
        left = (energy - np.maximum((b * t).sum(axis=1), 0.0) ** 2 / square) / step
        noise = np.maximum(total, 0.0) * (self.noise_multiplier / 2.0**self.noise_shift)
        return left - noise - energy / step * self.tolerance / 2.0**TOLERANCE_SHIFT - self.floor
