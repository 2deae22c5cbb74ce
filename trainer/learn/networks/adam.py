"""Adam's steps (D. Kingma and J. Ba, Adam, ICLR 2015, algorithm 1), in single precision."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["Adam"]

Float32 = NDArray[np.float32]


class Adam:
    """The way that a network's parameters went so far, and their next step along it.

    Parameters
    ----------
    rate : float
        Of a step, at most about what a parameter moves by.
    decay, decay_of_squares, least : float
        Of slopes and of their squares, and what keeps the step finite; the paper's own.
    """

    def __init__(
        self,
        rate: float,
        decay: float = 0.9,
        decay_of_squares: float = 0.999,
        least: float = 1e-8,
    ) -> None:
        self._rate, self._least = rate, least
        self._decays = decay, decay_of_squares
        self.n_steps = 0
        self._moments: list[tuple[Float32, Float32]] = []

    def step(
        self, parameters: Sequence[Float32], slopes: Sequence[Float32], share: float = 1.0
    ) -> None:
        """Move every parameter, in place.

        The root of the squares' mean is divided by its bias in the rate, not in each value, as the
        paper's section 2 says for speed.

        Parameters
        ----------
        parameters : sequence of float32 arrays
            The same ones at each step.
        slopes : sequence of float32 arrays, shaped as these
            Of the loss; overwritten.
        share : float
            Of the rate, for a rate that changes.
        """
        if not self._moments:
            self._moments = [(np.zeros_like(p), np.zeros_like(p)) for p in parameters]
        self.n_steps += 1
        decay, decay_of_squares = self._decays
        first, second = (1.0 - each**self.n_steps for each in self._decays)
        rate = self._rate * share * (math.sqrt(second) / first)
        for parameter, slope, (mean, square) in zip(parameters, slopes, self._moments, strict=True):
            mean *= decay
            mean += (1.0 - decay) * slope
            slope *= slope
            slope *= 1.0 - decay_of_squares
            square *= decay_of_squares
            square += slope
            step = np.sqrt(square, out=slope)
            step += self._least
            np.divide(mean, step, out=step)
            step *= rate
            parameter -= step
