"""An optic of the tests' own: a pseudo-random band-limited pattern that the direction moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter

__all__ = ["MovingPattern", "readouts"]

Floats = NDArray[np.float64]
_CELLS = 8  # of the drawn pattern, a pixel


class MovingPattern:
    """A pattern that shifts by so many pixels for a slope of 1, turns by so much, and fades.

    Pixels differ by a share `uneven`, rms, in what they make of the same light.

    Stands in the place of what is learned as well: `low`, `high`, `seen`, `at`.
    """

    def __init__(
        self, n: int = 24, pixels: float = 18.0, turn_rad: float = 0.0, seed: int = 1,
        reach: float = 0.45, uneven: float = 0.0,
    ) -> None:  # fmt: skip
        self.n, self.pixels, self.turn_rad = n, pixels, turn_rad
        side = (n + int(2 * pixels * reach) + 16) * _CELLS
        drawn = np.random.default_rng(seed).standard_normal((side, side))
        self.response = 1.0 + uneven * np.random.default_rng([seed, 1]).standard_normal(n * n)
        smooth = gaussian_filter(drawn, 1.0 * _CELLS, mode="wrap")
        light = np.clip(1.0 + 0.6 * smooth / smooth.std(), 0.05, None)
        self.spline = spline_filter(light / light.mean(), order=3, mode="grid-wrap")
        along = np.arange(n) - n / 2 + 0.5
        self.x, self.y = (a.ravel() for a in np.meshgrid(along, along))
        self.low, self.high = np.full(2, -reach), np.full(2, reach)
        line = np.linspace(-reach, reach, 30)
        self.seen = np.stack([a.ravel() for a in np.meshgrid(line, line)], axis=1)

    def light(self, slopes: Floats) -> Floats:
        """Return the pattern on the pixels, up to a factor: (n, n_pixels)."""
        slopes = np.atleast_2d(slopes)
        angle = self.turn_rad * (slopes**2).sum(axis=1, keepdims=True)
        x, y = self.x - self.pixels * slopes[:, :1], self.y - self.pixels * slopes[:, 1:]
        turned = np.cos(angle) * y - np.sin(angle) * x, np.cos(angle) * x + np.sin(angle) * y
        at = np.stack(turned) * _CELLS + self.spline.shape[0] / 2
        light = map_coordinates(self.spline, at, order=3, prefilter=False, mode="grid-wrap")
        return np.maximum(light, 0.0) * self.response

    def at(self, slopes: Floats, along: int | None = None) -> Floats:
        """Return templates of sum 1, or their derivatives."""
        slopes = np.atleast_2d(slopes)
        if along is not None:
            step = 1e-4 * np.eye(2)[along]
            return (self.at(slopes + step) - self.at(slopes - step)) / 2e-4
        light = self.light(slopes)
        return light / light.sum(axis=1, keepdims=True)


def readouts(
    templates: Floats, electrons: Floats | float, rng: np.random.Generator, read_e: float,
    gain: float, background_e: float = 0.0,
) -> NDArray[np.int32]:  # fmt: skip
    """Return lit minus dark in counts: photons, read noise, rounding, and light in both."""
    mean = np.asarray(electrons).reshape(-1, 1) * templates
    seen = rng.poisson(mean + background_e) - rng.poisson(np.full(mean.shape, background_e))
    counts = np.round((seen + rng.normal(0.0, read_e, mean.shape)) * gain)
    return np.clip(counts, -4095, 4095).astype(np.int32)
