"""An exposure that sets itself, as image sensors have it: by the frame before, within limits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from runtime.sensor import Sensor

__all__ = ["AutoExposure"]

_TARGET = 0.7  # of the way from black to saturation; room for noise and for what moves
_BRIGHTEST = 0.005  # share of the pixels that may be above: single hot pixels do not steer
_SHORTER, _LONGER = 0.25, 1.25  # at most, from one frame pair to the next; common practice
_SHORTEST = 1.0 / 256.0


class AutoExposure:
    """Chooses the length of each frame pair's exposures by what the one before read.

    The sensor's stated exposure is the longest; it is the one in force while there is little light.
    Where pixels are saturated it falls by four at once, else it goes where the brightest pixels
    would come to 70 % of the range, upwards by a quarter at most.

    Parameters
    ----------
    sensor : Sensor
        Black level and saturation.

    Attributes
    ----------
    share : float
        Length of the next exposures over the longest.
    """

    def __init__(self, sensor: Sensor) -> None:
        self._black = sensor.black_level_counts
        self._range = max(1, sensor.saturation_counts - sensor.black_level_counts)
        self.share = 1.0

    def saw(self, counts: npt.NDArray[np.uint16]) -> None:
        """Take note of a lit exposure, shape (n_pixels,)."""
        place = max(1, round(_BRIGHTEST * counts.size))
        brightest = float(np.partition(counts, -place)[-place])
        level = (brightest - self._black) / self._range
        wanted = _SHORTER if level >= 1.0 else _TARGET / max(level, 1e-3)
        self.share *= min(max(wanted, _SHORTER), _LONGER)
        self.share = min(max(self.share, _SHORTEST), 1.0)
