"""Readout energy: how much the light that comes back changes from one frame pair to the next."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from capture.frames import Counts

__all__ = ["EnergyMeter"]


class EnergyMeter:
    """Takes a session's readouts in order and gives the energy of each.

    Readout energy is the sum over the pixels of the absolute change of lit minus dark from the
    frame pair before, in counts; 0 at the first.
    """

    def __init__(self) -> None:
        self._before: npt.NDArray[np.int32] | None = None

    def add(self, lit: Counts, dark: Counts) -> npt.NDArray[np.float64]:
        """Return the energy of the next frame pairs.

        Parameters
        ----------
        lit, dark : uint16 array, shape (n_frames, n_rows, n_cols)
            At least one frame pair.

        Returns
        -------
        float64 array, shape (n_frames,)
        """
        light = lit.astype(np.int32) - dark
        before = light[:1] if self._before is None else self._before
        self._before = light[-1:]
        # Mostly one frame pair at a time: nothing is to be put together then.
        change = np.abs(light - (before if len(light) == 1 else [*before, *light[:-1]]))
        energy: npt.NDArray[np.float64] = change.sum(axis=(1, 2), dtype=np.float64)
        return energy
