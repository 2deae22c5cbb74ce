"""Six linear equations in integers: normal equations of a fit, by elimination.

With G the sums of products of columns and h those of columns and what is left, columns are scaled
by powers of two, so that the diagonal lies between a quarter and one in Q15. A matrix that is
positive and has such a diagonal keeps all that elimination makes of it within one, without
pivoting (N. J. Higham, Accuracy and Stability of Numerical Algorithms, 2002, chapter 10, from
memory). A pivot below 2**-8 says that one column is nearly a sum of others, as those of two
sources in one place are: there is no solution then.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from runtime.fixedpoint import bit_length, round_shift, scale
from runtime.stages.alignment.arithmetic import inverse_mantissa
from runtime.stages.contract.stage import Int64

__all__ = [
    "ENTRY_BITS",
    "FACTOR_BITS",
    "LEAST_PIVOT",
    "LEAST_SHIFT",
    "LIMIT",
    "MOST_UP",
    "RIGHT_BITS",
    "UP",
    "Solved",
    "solved",
]

ENTRY_BITS = 15
LIMIT = (1 << ENTRY_BITS) - 1
"""Largest magnitude of an entry, of a right side and of a solution."""
FACTOR_BITS = 11
"""Of a row that is taken off another one."""
RIGHT_BITS = 11
"""Bits of the right side: a solution may be sixteen times as large."""
LEAST_SHIFT = 8
"""A column whose squares sum to less than 2**14 is no pattern."""
MOST_UP = 10
LEAST_PIVOT = 1 << (ENTRY_BITS - 8)
UP = 10
"""Bits by which a number is raised before it is multiplied by a reciprocal."""


class Solved(NamedTuple):
    """A solution: the amount of column i is ``x[i] / 2**(up + shift[i])``.

    Parameters
    ----------
    x, shift : int64 (n, 6)
    up : int64 (n,)
    taken : int64 (n,)
        What the solution takes off the sum of squares, in ``2**(-2 up)``; 0 and more.
    known : bool (n,)
        Whether there is a solution; x is 0 where there is none.
    """

    x: Int64
    shift: Int64
    up: Int64
    taken: Int64
    known: np.ndarray


def solved(gram: Int64, right: Int64) -> Solved:
    """Solve ``gram @ x = right``, int64 (n, 6, 6) and (n, 6), magnitudes below 2**31."""
    n_columns = right.shape[1]
    diagonal = np.einsum("fii->fi", gram)
    bits = bit_length(np.maximum(diagonal, 1))
    known = (bits >= 2 * LEAST_SHIFT - 1).all(axis=1)
    shift = np.maximum((bits + 1) >> 1, LEAST_SHIFT)
    down = shift[:, :, None] + shift[:, None, :] - ENTRY_BITS
    m = np.clip(round_shift(gram, down), -LIMIT, LIMIT)
    most = (np.abs(right) >> shift).max(axis=1)
    up = np.minimum(RIGHT_BITS - bit_length(np.maximum(most, 1)), MOST_UP)
    first = np.clip(round_shift(right, shift - up[:, None]), -LIMIT, LIMIT)
    r, factors, exponents = first.copy(), [], []
    for k in range(n_columns):
        known &= m[:, k, k] >= LEAST_PIVOT
        pivot = np.maximum(m[:, k, k], LEAST_PIVOT)
        exponent = bit_length(pivot) - 1
        factor = inverse_mantissa(pivot << (ENTRY_BITS - exponent))
        factors.append(factor)
        exponents.append(exponent)
        rows = slice(k + 1, n_columns)
        share = scale(
            m[:, rows, k] << UP, factor[:, None], (exponent + UP + 15 - FACTOR_BITS)[:, None]
        )
        share = np.clip(share, -LIMIT, LIMIT)
        off = round_shift(share[:, :, None] * m[:, k, None, rows], FACTOR_BITS)
        m[:, rows, rows] = np.clip(m[:, rows, rows] - off, -LIMIT, LIMIT)
        off = round_shift(share * r[:, k, None], FACTOR_BITS)
        r[:, rows] = np.clip(r[:, rows] - off, -LIMIT, LIMIT)
    x = np.zeros_like(r)
    for k in reversed(range(n_columns)):
        others = round_shift(m[:, k, k + 1 :] * x[:, k + 1 :], ENTRY_BITS).sum(axis=1)
        found = scale((r[:, k] - others) << UP, factors[k], exponents[k] + UP)
        x[:, k] = np.where(known, np.clip(found, -LIMIT, LIMIT), 0)
    taken = np.maximum((x * first).sum(axis=1), 0)
    return Solved(x, shift, up, taken, np.asarray(known))
