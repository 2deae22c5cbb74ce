"""Integer arithmetic of every stage, and the one rounding rule.

**The rule.** Wherever an integer is divided by a power of two, the exact quotient is rounded to
the nearest integer and ties go up (towards plus infinity)::

    round_shift(x, s) = floor((x + 2**(s-1)) / 2**s)        s > 0;  round_shift(x, 0) = x

A real factor is a multiplier and a shift, applied with that rule to the exact product::

    scale(x, m, s) = round_shift(x * m, s)

Activations are then saturated symmetrically, to plus or minus ``2**(n_bits-1) - 1``, so that a
value and its negative are both representable. There is no other rounding in any stage; ONNX nodes
and C compute these same numbers.

**Why multipliers have 15 bits.** The scale of an activation is free: the next stage's weights
absorb it. So ``m / 2**s`` need not hit a wanted real number closely, and `choose_multiplier` picks
as many bits as let ``accumulator * m`` fit 32 bits. One 32-bit multiplication is then enough on
every core. Where the accumulator is too wide for that, ``m < 2**15`` and ``s >= 17`` allow two
(x split into a signed high and an unsigned low half), still without any 64-bit arithmetic.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from runtime.errors import OverflowRisk

__all__ = [
    "INT32_MAX",
    "INT32_MIN",
    "MAX_MULTIPLIER",
    "MAX_SHIFT",
    "SPLIT_SHIFT",
    "bit_length",
    "choose_multiplier",
    "exact_matmul",
    "fits_one_multiply",
    "round_shift",
    "saturate",
    "scale",
    "symmetric_limit",
]

INT32_MIN = -(2**31)
INT32_MAX = 2**31 - 1
MAX_MULTIPLIER = 2**15 - 1
MAX_SHIFT = 46
SPLIT_SHIFT = 17
"""Smallest shift for which two 32-bit multiplications give the exact scaled value."""

Int64 = NDArray[np.int64]
Integers = NDArray[np.integer]


def symmetric_limit(n_bits: int) -> int:
    """Return the largest magnitude of a symmetric signed number of `n_bits` bits (127 for 8)."""
    return (1 << (n_bits - 1)) - 1


def saturate(x: Integers, low: int, high: int) -> NDArray[np.int32]:
    """Clamp to ``low <= x <= high``, both within int32; returns int32 of the same shape."""
    return np.clip(x.astype(np.int64, copy=False), low, high).astype(np.int32)


def round_shift(x: Integers, shift: int | Integers) -> Int64:
    """Divide by ``2**shift``, ties up: ``floor((x + 2**(shift-1)) / 2**shift)``.

    Parameters
    ----------
    x : integer array, any shape
        Magnitudes below 2**62.
    shift : int or integer array that broadcasts with `x`
        0 to 62; 0 changes nothing.

    Returns
    -------
    int64 array
    """
    x = x.astype(np.int64, copy=False)
    shift = np.asarray(shift, dtype=np.int64)
    half = (np.int64(1) << shift) >> 1
    return np.asarray((x + half) >> shift, dtype=np.int64)


def scale(x: Integers, multiplier: int | Integers, shift: int | Integers) -> Int64:
    """Multiply by ``multiplier / 2**shift`` with the one rounding rule; exact in int64.

    `x` is an int32 value (any integer dtype), `multiplier` has at most 32 bits.
    """
    product = x.astype(np.int64, copy=False) * np.asarray(multiplier, dtype=np.int64)
    return round_shift(product, shift)


def bit_length(x: Integers) -> Int64:
    """Return the number of bits of each positive integer below 2**52; 0 has none."""
    return np.frexp(x.astype(np.float64))[1].astype(np.int64)


def exact_matmul(x: Integers, weights: Integers) -> Int64:
    """Return ``x @ weights.T`` exactly, (n_frames, n_in) by (n_out, n_in).

    Runs in float64, where integers below 2**53 and their sums in any order are exact; the caller
    has proved that the sum of magnitudes fits int32. About twelve times faster than
    NumPy's integer product (1024 by 330 by 32, one core).
    """
    product = x.astype(np.float64) @ weights.astype(np.float64).T
    return product.astype(np.int64)


def fits_one_multiply(bound: int, multiplier: int, shift: int) -> bool:
    """Tell whether ``x * multiplier`` and its rounding term fit int32 for all ``|x| <= bound``."""
    return bound * multiplier + ((1 << shift) >> 1) <= INT32_MAX


def choose_multiplier(real: float, bound: int, where: str = "multiplier") -> tuple[int, int]:
    """Choose the multiplier and shift for a real factor, given the largest accumulator.

    The most bits (15 to 5) that need only one 32-bit multiplication; else 15 bits with a shift
    that allows two; else whatever fits one. The caller uses ``multiplier / 2**shift`` as the
    true scale from then on.

    Parameters
    ----------
    real : float
        Wanted factor, > 0.
    bound : int
        Largest magnitude of the accumulator.

    Returns
    -------
    multiplier, shift : int
        1 to 32767 and 0 to 46.

    Raises
    ------
    OverflowRisk
        No multiplier keeps the product within 32 bits.
    """
    if not (math.isfinite(real) and real > 0):
        raise OverflowRisk(where, "scale", real, "a finite number above 0")
    candidates = [_with_bits(real, n_bits) for n_bits in range(15, 0, -1)]
    usable = [(m, s) for m, s in candidates if 0 <= s <= MAX_SHIFT and 0 < m <= MAX_MULTIPLIER]
    for m, s in usable:
        if m >= 16 and fits_one_multiply(bound, m, s):
            return m, s
    for m, s in usable:
        if s >= SPLIT_SHIFT or fits_one_multiply(bound, m, s):
            return m, s
    what = f"scale {real:g} times an accumulator of up to {bound}"
    raise OverflowRisk(where, what, "wider than 32 bits", do="lower the scale or the weights")


def _with_bits(real: float, n_bits: int) -> tuple[int, int]:
    """Round `real` to a multiplier of `n_bits` bits; the shift may be out of range."""
    shift = n_bits - math.frexp(real)[1]
    multiplier = round(math.ldexp(real, shift))
    if multiplier >> n_bits:  # rounding carried into one more bit
        multiplier, shift = multiplier >> 1, shift - 1
    return multiplier, shift
