"""A guess drawn darker where it is doubted.

A mean over all hands that might have been there is grey around each of them, where the scene is
dark; who is asked for a picture that looks alike draws no haze.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from runtime.stages.contract.stage import Float64
from trainer.audit.pictures.learned import Guess

__all__ = ["darkened"]

_POWERS = (0.0, 0.5, 1.0)
_CUTS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5)
_N_FOR_STRENGTH = 400  # pictures that a strength is chosen on


def darkened(
    guess: Guess,
    chances: tuple[Float64, Float64],
    truth: Float64,
    likeness: Callable[[Float64, Float64], float],
) -> Guess:
    """Darken a guess by each cell's chance to be lit, as much as suits the people set apart best.

    A cell is made as bright as it was times a power of its chance, and dark below a least chance.

    Parameters
    ----------
    guess : Guess
    chances : two float64 arrays, of the shapes of the guess's
        Of each cell to be lit; they are kept as its outlines.
    truth : float64 (n_apart, n_cells)
        The pictures of the people set apart.
    likeness : callable
        How alike made pictures and true ones are, both float64 (n, n_cells); larger for more.
    """
    some = slice(None, None, max(1, len(truth) // _N_FOR_STRENGTH))

    def made(cells: Float64, chance: Float64, power: float, least: float) -> Float64:
        return np.where(chance >= least, np.clip(cells, 0.0, 1.0) * chance**power, 0.0)

    best = max(
        ((power, least) for power in _POWERS for least in _CUTS),
        key=lambda how: likeness(made(guess.apart[some], chances[0][some], *how), truth[some]),
    )
    apart, asked = made(guess.apart, chances[0], *best), made(guess.asked, chances[1], *best)
    return Guess(apart, asked, outlines=chances)
