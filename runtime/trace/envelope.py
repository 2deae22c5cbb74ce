"""Lowest and highest current over a whole trace, in a bounded number of cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Envelope"]

Floats = NDArray[np.float64]

_MOST_CELLS = 1024


class Envelope:
    """Grows with the trace; whenever it has too many cells, neighbours become one."""

    def __init__(self) -> None:
        self.samples_a_cell = 64
        self._low, self._high = np.zeros(0), np.zeros(0)
        self._open: tuple[float, float, int] = (np.inf, -np.inf, 0)

    def take(self, current: Floats) -> None:
        """Take the next samples."""
        low, high, n = self._open
        room = min(self.samples_a_cell - n, len(current))
        if room:
            low, high = (
                min(low, float(current[:room].min())),
                max(high, float(current[:room].max())),
            )
            n += room
        rest = current[room:]
        if n == self.samples_a_cell:
            n_cells = len(rest) // self.samples_a_cell
            cells = rest[: n_cells * self.samples_a_cell].reshape(n_cells, self.samples_a_cell)
            self._low = np.concatenate((self._low, [low], cells.min(axis=1)))
            self._high = np.concatenate((self._high, [high], cells.max(axis=1)))
            rest = rest[n_cells * self.samples_a_cell :]
            low, high = np.inf, -np.inf
            if len(rest):
                low, high = float(rest.min()), float(rest.max())
            n = len(rest)
        self._open = (low, high, n)
        while len(self._low) > _MOST_CELLS:
            self._halve()

    def _halve(self) -> None:
        if len(self._low) % 2:
            low, high, n = self._open
            self._open = (
                min(low, float(self._low[-1])), max(high, float(self._high[-1])),
                n + self.samples_a_cell,
            )  # fmt: skip
        n = len(self._low) // 2
        self._low = self._low[: 2 * n].reshape(n, 2).min(axis=1)
        self._high = self._high[: 2 * n].reshape(n, 2).max(axis=1)
        self.samples_a_cell *= 2

    def cells(self) -> tuple[Floats, Floats]:
        """Return the lowest and the highest current of each cell, the last one shorter."""
        low, high, n = self._open
        if not n:
            return self._low, self._high
        return np.append(self._low, low), np.append(self._high, high)
