"""The integer arithmetic of alignment: from four dot products to a place within a cell.

A cell's four corners hold filters; a readout's dot products with them, ``d``, lie for every place
``delta`` within the cell and every brightness A on a known surface, ``d = A mu(delta)``. Training
fits, for each cell, the filters' best linear unbiased combinations for the error of x and of y as
polynomials of delta, so that

    p(delta) = sum over m of (C[m] . d) delta^m / (a . d)

is zero at the true place and falls with slope 1 around it: ``delta += p(delta)`` is Newton's step.
A third polynomial gives the root of the energy that the source left.

Numbers: d is cut to 14 bits by a block exponent, coefficients have 14 bits, their products with d
sum to at most 2**30. What is divided by ``a . d`` goes through a table of reciprocals, whose error
only scales a step. Places are in 2**-14 of a cell.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import bit_length, round_shift, scale
from runtime.stages.alignment.geometry import DELTA_BITS, N_MONOMIALS
from runtime.stages.contract.stage import Float64, Int64

__all__ = [
    "ALPHA_FLOOR_BITS",
    "D_BITS",
    "N_STEPS",
    "RECIPROCALS",
    "RECIPROCAL_BITS",
    "SEARCH_BITS",
    "TERM_LIMIT",
    "Aligned",
    "block_cut",
    "log_level",
    "monomials",
    "placed",
    "placed_float",
]  # fmt: skip

D_BITS = 14
SEARCH_BITS = 14
TERM_LIMIT = (1 << 14) - 1
"""Largest magnitude of a coefficient."""
N_STEPS = 4
ALPHA_FLOOR_BITS = 23
"""A weaker amplitude than this in steps of its coefficients is none at all."""
RECIPROCAL_BITS = 6
_UNIT = 1 << RECIPROCAL_BITS
_MIDDLES = 2 * np.arange(_UNIT, dtype=np.int64) + 1
RECIPROCALS: Int64 = ((2 * _UNIT << 15) + (2 * _UNIT + _MIDDLES) // 2) // (2 * _UNIT + _MIDDLES)
"""``2**15 / (1 + f)`` in the middle of each interval of the mantissa f."""
_COEFFICIENT_LIMIT = (1 << 16) - 1
_ENERGY_DROP = 14


class Aligned(NamedTuple):
    """One aperture's readouts, aligned: slopes, root energy, bins, and where in the fine cells."""

    slopes: Int64
    root: Int64
    root_shift: Int64
    cut: Int64
    shift: Int64
    cell: Int64
    place: Int64


def block_cut(values: Int64, n_bits: int) -> tuple[Int64, Int64]:
    """Shift each row right until its largest magnitude has `n_bits` bits: values and shifts."""
    most = np.abs(values).max(axis=1)
    shift = np.maximum(bit_length(most) - n_bits, 0)
    return round_shift(values, shift[:, None]), shift


def monomials(place: Any) -> list[Any]:
    """Return the monomials of places (n, 2) in steps of 2**-14, each product rounded to such steps.

    In order: x, y, x x, x y, y y, x x x, x x y, x y y, y y y.
    """
    x, y = place[:, 0], place[:, 1]
    xx, xy, yy = (round_shift(a * b, DELTA_BITS) for a, b in ((x, x), (x, y), (y, y)))
    cubes = [round_shift(a * b, DELTA_BITS) for a, b in ((xx, x), (xx, y), (yy, x), (yy, y))]
    return [x, y, xx, xy, yy, *cubes]


def placed(dots: Int64, terms: NDArray[np.integer], gain_bits: int) -> tuple[Int64, Int64, Int64]:
    """Find the place within a cell.

    Parameters
    ----------
    dots : int64 (n, 4)
    terms : int (n, 21 or 27, 4)
        Coefficients of the amplitude, then ten of x, ten of y and, where there are more, six of
        the root energy.
    gain_bits : int
        Those of x and y stand in steps ``2**gain_bits`` times those of the amplitude.

    Returns
    -------
    place : int64 (n, 2)
        Within plus and minus 2**14.
    root : int64 (n,)
        Root energy, 0 to 2**15 - 1, in steps of ``2**shift``; 0 without its coefficients.
    shift : int64 (n,)
    """
    cut, shift = block_cut(dots, D_BITS)
    sums = (terms.astype(np.int64) * cut[:, None, :]).sum(axis=2)
    alpha = np.maximum(sums[:, 0], 1 << ALPHA_FLOOR_BITS)
    exponent = bit_length(alpha) - 1
    mantissa = ((alpha << RECIPROCAL_BITS) >> exponent) - _UNIT
    factor = RECIPROCALS[mantissa]
    shifts = (exponent + 1 - gain_bits)[:, None]
    own = sums[:, 1 : 1 + 2 * N_MONOMIALS]
    steps = np.clip(
        scale(own, factor[:, None], shifts), -_COEFFICIENT_LIMIT, _COEFFICIENT_LIMIT
    ).reshape(len(sums), 2, N_MONOMIALS)
    place = np.zeros((len(dots), 2), dtype=np.int64)
    for _ in range(N_STEPS):
        place = np.clip(place + _valued(steps, place), -(1 << DELTA_BITS), 1 << DELTA_BITS)
    root = np.zeros(len(dots), dtype=np.int64)
    if terms.shape[1] > 1 + 2 * N_MONOMIALS:
        energy = round_shift(sums[:, 1 + 2 * N_MONOMIALS :], _ENERGY_DROP)[:, None, :]
        root = np.clip(_valued(energy, place)[:, 0], 0, (1 << 15) - 1)
    return place, root, shift


def _valued(coefficients: Int64, place: Int64) -> Int64:
    """Evaluate polynomials (n, k, 6 or 10) at places (n, 2): (n, k)."""
    value = coefficients[:, :, 0].copy()
    every = monomials(place)[: coefficients.shape[2] - 1]
    for index, monomial in enumerate(every, start=1):
        value += round_shift(coefficients[:, :, index] * monomial[:, None], DELTA_BITS)
    return value


def placed_float(dots: Float64, terms: Float64, gain_bits: int) -> tuple[Float64, Float64]:
    """Find the same on real numbers: places in cells, and the root energy in its unshifted step."""
    sums = (terms * dots[:, None, :]).sum(axis=2)
    alpha = np.maximum(sums[:, 0], 1e-9)
    steps = sums[:, 1 : 1 + 2 * N_MONOMIALS].reshape(len(sums), 2, N_MONOMIALS)
    steps = steps * (2.0**gain_bits / alpha)[:, None, None]
    place = np.zeros((len(dots), 2))
    for _ in range(2 * N_STEPS):
        place = np.clip(place + _valued_float(steps, place), -1.0, 1.0)
    root = np.zeros(len(dots))
    if terms.shape[1] > 1 + 2 * N_MONOMIALS:
        energy = sums[:, None, 1 + 2 * N_MONOMIALS :] / 2.0**_ENERGY_DROP
        root = np.maximum(_valued_float(energy, place)[:, 0], 0.0)
    return place, root


def _valued_float(coefficients: Float64, place: Float64) -> Float64:
    x, y = place[:, 0], place[:, 1]
    every = [np.ones_like(x), x, y, x * x, x * y, y * y]
    every += [x * x * x, x * x * y, x * y * y, y * y * y]
    values = np.stack(every[: coefficients.shape[2]], axis=1)
    return np.asarray((coefficients * values[:, None, :]).sum(axis=2))


def log_level(energy: Int64) -> Int64:
    """Return 16 times the base-2 logarithm of positive energies, straight within each octave."""
    kept = np.maximum(energy, 1)
    exponent = bit_length(kept) - 1
    return np.asarray(16 * exponent + (((kept << 4) >> exponent) - 16), dtype=np.int64)
