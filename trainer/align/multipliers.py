"""Real factors as a multiplier and a shift of integers."""

from __future__ import annotations

import math

import numpy as np

__all__ = ["at_least_17"]


def at_least_17(real: float) -> tuple[int, int]:
    """Return a multiplier and a shift of 17 and more, as two multiplications want them."""
    shift = int(np.clip(15 - math.frexp(real)[1], 17, 46))
    return min(max(round(math.ldexp(real, shift)), 1), (1 << 15) - 1), shift
