"""What one source leaves unexplained of an aperture's bins: sums of squares in integers.

Bins of several pixels gather what is coherent (another source's pattern) and average what is not
(noise): the same residual energy stands out against the noise of some sixty bins as it would not
against that of a thousand pixels. And here the brightness is fitted to the residual itself, so that
its error counts squared, not, as in the pixels' energy less that of the root, straight.

The pattern t in bins at a place of the cell is a quadratic B-spline over the cells (C. de Boor, A
Practical Guide to Splines, 1978, from memory): nine stored patterns f, weighted in Q22. With b the
bins about their mean, ``a = (b . t) / (t . t)`` in Q10 leaves exactly

    sum (2**10 b - a t)**2 = 2**20 b . b - a (2**11 b . t - a (t . t)),

whatever the error of a, and is never negative. Numbers: bins have 13 bits with sign, patterns 14;
sums over up to 64 products fit 31 bits, those with a 62.

Two sources near each other, and a film over an aperture, spread the pattern: to the second order in
how far they are apart, what they leave is the sum l of the pattern's second derivatives, which the
same nine patterns give, and it is added, never taken off. So the part of what is left that is along
l, that of t taken off both, is judged by itself: one number, whose noise is a hundredth of the
whole residual's energy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import MAX_MULTIPLIER, MAX_SHIFT, bit_length, round_shift, scale
from runtime.stages.alignment.arithmetic import inverse_mantissa
from runtime.stages.alignment.energy import TOLERANCE_SHIFT, in_steps
from runtime.stages.alignment.geometry import axis_weights, axis_weights_float
from runtime.stages.contract.stage import Float64, Int64, require

__all__ = [
    "ALIKE_BITS",
    "CURVED",
    "CUT_BITS",
    "LEAST_SQUARE_BITS",
    "MOST_BINS",
    "MOST_OFFSET",
    "N_SPLINE",
    "PATTERN_BITS",
    "SPREAD_BITS",
    "SPREAD_SHIFT",
    "BinRule",
    "Left",
    "mean_factor",
    "quotient",
    "spline_weights",
    "spline_weights_float",
    "spread_weights",
]

MOST_BINS = 64
N_SPLINE = 9
"""Patterns that one place is made of: three by three."""
CUT_BITS = 2
"""Bits that bins, cut for the search, lose once more."""
LEAST_SQUARE_BITS = 12
"""Smaller sums of squares of a pattern are what rounding to 8 bits makes: no pattern at all."""
PATTERN_BITS = 18
"""Bits that a weighted pattern loses: it keeps four of fraction."""
SPREAD_BITS = 9
"""Bits that the sum of second derivatives loses: weights sum to 2**14, and 13 bits with sign stay.
"""
MOST_OFFSET = 1 << 11
"""An eighth of a cell: with the eighth beyond a cell that is accepted, weights are none below 0."""
ALIKE_BITS = 4
"""Second derivatives of which less than a sixteenth is not the pattern itself tell nothing."""
SPREAD_SHIFT = 20
"""The share of energy that patterns may be wrong by along it is in 2**-20."""
CURVED: Int64 = np.array([1, -2, 1], dtype=np.int64)
"""Second derivative of the three weights of one axis."""
_MOST_STEPS = (1 << 30) - 1
_MOST_FACTOR = (1 << 15) - 1


def spline_weights(place: Int64) -> Int64:
    """Return the weights of nine patterns, row by row, Q22, int64 (n, 9), of places in Q14."""
    each = axis_weights(place)
    both = each[:, 1, :, None] * each[:, 0, None, :]
    return np.asarray(both.reshape(len(place), N_SPLINE))


def spline_weights_float(place: Float64) -> Float64:
    """Return the same weights of places in cells from their middles, float64 (n, 9)."""
    each = axis_weights_float(place)
    both = each[:, 1, :, None] * each[:, 0, None, :]
    return np.asarray(both.reshape(len(place), N_SPLINE))


def spread_weights(place: Int64) -> Int64:
    """Return the weights of both second derivatives' sum, Q11, int64 (n, 9), of places in Q14."""
    return np.asarray(_curved(axis_weights(place)))


def _curved(each: Any) -> Any:
    """Return the weights of both second derivatives' sum, (n, 9), of each axis's (n, axis, 3)."""
    both = each[:, 1, :, None] * CURVED + CURVED[:, None] * each[:, 0, None, :]
    return both.reshape(len(each), N_SPLINE)


def mean_factor(n_bins: int) -> tuple[int, int]:
    """Return a multiplier and a shift, 17 and more, that divide by 4 to 65,536 bins, or pixels."""
    shift = max(17, 13 + n_bins.bit_length())
    return round((1 << shift) / n_bins), shift


def quotient(cross: Int64, square: Int64) -> Int64:
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


class Left(NamedTuple):
    """What one source leaves of the bins' energy about their mean, in steps, int64 (n,) each.

    `spread` is the part that a spread of the pattern would leave, 0 where it is narrower.
    """

    whole: Int64
    spread: Int64
    energy: Int64


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
    spread_multiplier, spread_shift : int
        Share of that noise and floor that the spread alone may bring.
    spread_tolerance : int
        Share of the bins' energy, in 2**-20, that the patterns' own spread may be wrong by.
    """

    energy_bits: int
    floor: int
    noise_multiplier: int
    noise_shift: int
    tolerance: int
    spread_multiplier: int
    spread_shift: int
    spread_tolerance: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        for name, low, high in (
            ("energy_bits", 0, 30), ("floor", 0, 1 << 29),
            ("noise_multiplier", 1, MAX_MULTIPLIER), ("noise_shift", 17, MAX_SHIFT),
            ("tolerance", 0, 1 << 14), ("spread_multiplier", 1, MAX_MULTIPLIER),
            ("spread_shift", 17, MAX_SHIFT), ("spread_tolerance", 0, MAX_MULTIPLIER),
        ):  # fmt: skip
            require(where, f"{name} of bins", getattr(self, name), low, high)

    def left(self, cut: Int64, shift: Int64, patterns: NDArray[Any], place: Int64) -> Left:
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
        t = round_shift(weighted.sum(axis=1), PATTERN_BITS)
        own, cross, square = (b * b).sum(axis=1), (b * t).sum(axis=1), (t * t).sum(axis=1)
        factor = quotient(cross, square)
        rest = ((own << 20) - factor * ((cross << 11) - factor * square)) >> 20
        curved = spread_weights(place)[:, :, None] * patterns.astype(np.int64)
        wide = round_shift(curved.sum(axis=1), SPREAD_BITS)
        along, mixed, length = (b * wide).sum(axis=1), (t * wide).sum(axis=1), (wide**2).sum(axis=1)
        along = along - np.sign(mixed) * ((factor * np.abs(mixed)) >> 10)
        width = length - ((quotient(-mixed, square) * np.abs(mixed)) >> 10)
        spread = (quotient(along, width) * np.maximum(along, 0)) >> 10
        spread = np.where(width < length >> ALIKE_BITS, 0, spread)
        down = self.energy_bits - 2 * (shift + CUT_BITS)
        parts = (in_steps(np.minimum(part, _MOST_STEPS), down) for part in (rest, spread, own))
        return Left(*parts)

    def excess(self, left: Left, total: Int64) -> Int64:
        """Return what is left above what is allowed, in all or of a spread, int64 (n,)."""
        noise = self.noise(total) + self.floor
        wrong = scale(left.energy, self.tolerance, TOLERANCE_SHIFT)
        spread = scale(left.energy, self.spread_tolerance, SPREAD_SHIFT) + self.spread_noise(noise)
        return np.asarray(np.maximum(left.whole - noise - wrong, left.spread - spread - 1))

    def spread_noise(self, noise: Int64) -> Int64:
        """Return what of noise and floor a spread alone may bring, int64 (n,)."""
        return scale(noise, self.spread_multiplier, self.spread_shift)

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
        cross = np.maximum((b * t).sum(axis=1), 0.0)
        noise = np.maximum(total, 0.0) * (self.noise_multiplier / 2.0**self.noise_shift)
        noise, wrong = noise + self.floor, energy / step / 2.0**SPREAD_SHIFT
        whole = (energy - cross**2 / square) / step - noise - 8.0 * wrong * self.tolerance
        wide = (_curved(axis_weights_float(place))[:, :, None] * patterns).sum(axis=1)
        mixed = (t * wide).sum(axis=1) / square
        along = np.maximum((b * wide).sum(axis=1) - cross * mixed, 0.0)
        length = (wide**2).sum(axis=1)
        width = length - np.minimum(mixed, 0.0) ** 2 * square
        along = np.where(width < length / 2.0**ALIKE_BITS, 0.0, along)
        allowed = noise * self.spread_multiplier / 2.0**self.spread_shift
        spread = along**2 / np.maximum(width, 1e-9) / step
        return np.maximum(whole, spread - allowed - wrong * self.spread_tolerance - 1.0)
