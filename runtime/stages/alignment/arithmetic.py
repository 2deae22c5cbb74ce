"""The integer arithmetic of alignment: from four dot products to a place within a cell.

A cell's four corners hold filters; a readout's dot products with them, ``d``, lie for every place
delta within the cell and every brightness A on a known surface, ``d = A mu(delta)``. Training finds
three combinations of the four: ``alpha = a . d`` for the brightness, and ``c_x . d`` and
``c_y . d``, which over alpha are all but the place itself; noise that says nothing of the place is
what they leave out. What they say for each place is known, and so polynomials of the fifth power
turn ``u = c . d / alpha`` into the place:

    delta = F(u).

A third polynomial, of the place, gives the root of the energy that the source left, over alpha.

Numbers: d is cut to 16 bits by a block exponent, combinations have 12 bits and so sum to less than
2**30. Division by alpha is a table of reciprocals and one of Newton's steps, good to 6e-5: a
twentieth of what a million electrons' noise is. Places are in 2**-14 of a cell.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import bit_length, round_shift, scale
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    N_COMBINED,
    N_CORNERS,
    N_OF_PLACE,
    N_OF_ROOT,
)
from runtime.stages.contract.stage import Float64, Int64

__all__ = [
    "ACCEPTED",
    "ALPHA_FLOOR_BITS",
    "COMBINATION_LIMIT",
    "D_BITS",
    "POLYNOMIAL_LIMIT",
    "RECIPROCALS",
    "ROOT_SHIFT",
    "SEARCH_BITS",
    "Aligned",
    "block_cut",
    "check_terms",
    "inverse_mantissa",
    "is_beyond",
    "log_level",
    "monomials",
    "placed",
    "placed_float",
]  # fmt: skip

D_BITS = 16
SEARCH_BITS = 14
COMBINATION_LIMIT = (1 << 12) - 1
"""Largest magnitude of a coefficient that a dot product is multiplied with."""
POLYNOMIAL_LIMIT = (1 << 17) - 2
"""Of a polynomial's coefficients all magnitudes sum to no more."""
ACCEPTED = 5 << (DELTA_BITS - 3)
"""An eighth of a cell beyond its edge a place is still as good as the neighbour's."""
ALPHA_FLOOR_BITS = 23
"""A weaker amplitude than this in steps of its coefficients is none at all."""
_HALVES = 64
_MIDDLES = 2 * np.arange(_HALVES, dtype=np.int64) + 1
RECIPROCALS: Int64 = ((2 * _HALVES << 15) + (2 * _HALVES + _MIDDLES) // 2) // (
    2 * _HALVES + _MIDDLES
)
"""``2**15 / (1 + f)`` in the middle of each interval of the mantissa f."""
ROOT_SHIFT = 45
"""A root energy is its share times the amplitude over 2**30."""


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


def check_terms(where: str, name: str, terms: NDArray[np.integer]) -> None:
    """Check terms (n_apertures, n_cells, 54 or 64), see `placed`; raises FormatError."""
    size = np.abs(terms.astype(np.int32))
    parts = np.split(size, [N_COMBINED, N_COMBINED + N_OF_PLACE, N_COMBINED + 2 * N_OF_PLACE], 2)
    most = max(int(part.sum(axis=2).max()) for part in parts[1:])
    if parts[0].max() > COMBINATION_LIMIT:
        raise FormatError(where, name, "too large", f"within {COMBINATION_LIMIT}")
    if most > POLYNOMIAL_LIMIT:
        what = f"coefficients of a polynomial in {name}"
        raise FormatError(where, what, most, f"{POLYNOMIAL_LIMIT} in all")


def inverse_mantissa(mantissa: Int64) -> Int64:
    """Return ``2**30 / mantissa`` of 2**15 to 2**16 - 1, to 6e-5 and below 2**15."""
    first = RECIPROCALS[(mantissa >> 9) - _HALVES]
    off = ((1 << 30) - mantissa * first) >> 15
    return np.asarray(first + ((first * off) >> 15))


def is_beyond(place: Any) -> NDArray[np.bool_]:
    """Return which places (n, 2), in steps of 2**-14, are not accepted in their cell."""
    return np.asarray(np.abs(place).max(axis=1, initial=0) > ACCEPTED)


def monomials(place: Any) -> Int64:
    """Return the monomials of places (n, 2) in steps of 2**-14, int64 (n, 21), up to the fifth.

    By powers, and in each by falling ones of x; each product is rounded to such steps.
    """
    x, y = place[:, 0], place[:, 1]

    def product(a: Any, b: Any) -> Any:
        return round_shift(a * b, DELTA_BITS)

    xx, xy, yy = product(x, x), product(x, y), product(y, y)
    xxx, yyy = product(xx, x), product(yy, y)
    every = [np.full_like(x, 1 << DELTA_BITS), x, y, xx, xy, yy]
    every += [xxx, product(xx, y), product(yy, x), yyy]
    every += [product(a, b) for a, b in ((xx, xx), (xx, xy), (xx, yy), (xy, yy), (yy, yy))]
    every += [product(xxx, a) for a in (xx, xy, yy)] + [product(yyy, a) for a in (xx, xy, yy)]
    return np.stack(every, axis=1)


def placed(dots: Int64, terms: NDArray[np.integer], gain_bits: int) -> tuple[Int64, Int64, Int64]:
    """Find the place within a cell.

    Parameters
    ----------
    dots : int64 (n, 4)
    terms : int (n, 54 or 64)
        Combinations for the amplitude, x and y, four numbers each; 21 coefficients of the place
        along x, and along y; and, where there are more, ten of the root energy.
    gain_bits : int
        Combinations for x and y stand in steps ``2**gain_bits`` times those of the amplitude.

    Returns
    -------
    place : int64 (n, 2)
        Within plus and minus 2**14.
    root : int64 (n,)
        Root energy, 0 to 2**15 - 1, in steps of ``2**shift``; 0 without its coefficients.
    shift : int64 (n,)
    """
    cut, shift = block_cut(dots, D_BITS)
    wide = terms.astype(np.int64)
    combined = wide[:, :N_COMBINED].reshape(len(dots), 3, N_CORNERS)
    sums = (combined * cut[:, None, :]).sum(axis=2)
    alpha = np.maximum(sums[:, 0], 1 << ALPHA_FLOOR_BITS)
    exponent = bit_length(alpha) - 1
    mantissa = alpha >> (exponent - 15)
    factor, shifts = inverse_mantissa(mantissa)[:, None], (exponent + 1 - gain_bits)[:, None]
    one = 1 << DELTA_BITS
    u = np.clip(scale(sums[:, 1:], factor, shifts), -one, one)
    end = N_COMBINED + 2 * N_OF_PLACE
    both = wide[:, N_COMBINED:end].reshape(len(dots), 2, N_OF_PLACE)
    place = np.clip(
        round_shift((both * monomials(u)[:, None, :]).sum(axis=2), DELTA_BITS), -one, one
    )
    if terms.shape[1] == end:
        return place, np.zeros(len(dots), dtype=np.int64), shift
    of_root = (wide[:, end:] * monomials(place)[:, :N_OF_ROOT]).sum(axis=1)
    share = np.clip(round_shift(of_root, DELTA_BITS), 0, (1 << 15) - 1)
    root = np.minimum((mantissa * share) >> (ROOT_SHIFT - exponent), (1 << 15) - 1)
    return place, root, shift


def placed_float(dots: Float64, terms: Float64, gain_bits: int) -> tuple[Float64, Float64]:
    """Find the same on real numbers: places in cells, and the root energy in its unshifted step."""
    sums = (terms[:, :N_COMBINED].reshape(len(dots), 3, N_CORNERS) * dots[:, None, :]).sum(axis=2)
    alpha = np.maximum(sums[:, 0], 1e-9)
    u = np.clip(sums[:, 1:] * (2.0**gain_bits / alpha)[:, None], -1.0, 1.0)
    end = N_COMBINED + 2 * N_OF_PLACE
    both = terms[:, N_COMBINED:end].reshape(len(dots), 2, N_OF_PLACE) / 2.0**DELTA_BITS
    place = np.clip((both * _monomials_float(u)[:, None, :]).sum(axis=2), -1.0, 1.0)
    if terms.shape[1] == end:
        return place, np.zeros(len(dots))
    share = (terms[:, end:] * _monomials_float(place)[:, :N_OF_ROOT]).sum(axis=1)
    return place, np.maximum(share, 0.0) * alpha / 2.0 ** (ROOT_SHIFT - 15)


def _monomials_float(place: Float64) -> Float64:
    x, y = place[:, 0], place[:, 1]
    return np.stack([x ** (n - j) * y**j for n in range(6) for j in range(n + 1)], axis=1)


def log_level(energy: Int64) -> Int64:
    """Return 16 times the base-2 logarithm of positive energies, straight within each octave."""
    kept = np.maximum(energy, 1)
    exponent = bit_length(kept) - 1
    return np.asarray(16 * exponent + (((kept << 4) >> exponent) - 16), dtype=np.int64)
