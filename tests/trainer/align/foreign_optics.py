"""Optics of the tests' own whose pattern changes while it moves, of four kinds."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from scipy.special import expit

__all__ = ["Caustics", "Lobes", "Pinholes", "Speckle"]

Floats = NDArray[np.float64]


class _Optic:
    """Templates and derivatives of what `light` throws on pixels of uneven response."""

    def __init__(self, shape: tuple[int, int], seed: int) -> None:
        self.rng = np.random.default_rng([seed, 61])
        rows, cols = shape
        y, x = np.meshgrid(np.arange(rows), np.arange(cols), indexing="ij")
        self.x, self.y = x.ravel() - (cols - 1) / 2, y.ravel() - (rows - 1) / 2
        self.response = 1.0 + 0.01 * self.rng.standard_normal(rows * cols)

    def light(self, slopes: Floats) -> Floats:
        """Return the light on the pixels, up to a factor: (n, n_pixels)."""
        raise NotImplementedError

    def at(self, slopes: Floats, along: int | None = None) -> Floats:
        """Return templates of sum 1, or their derivatives."""
        slopes = np.atleast_2d(slopes)
        if along is not None:
            step = 1e-4 * np.eye(2)[along]
            return (self.at(slopes + step) - self.at(slopes - step)) / 2e-4
        light = self.light(slopes) * self.response
        return light / light.sum(axis=1, keepdims=True)


class Speckle(_Optic):
    """Far-field speckle of a thick diffuser: it shifts, and over `memory` of slope becomes another.

    Waves of a disc of directions, each with a phase of its own that the slope turns (a memory
    effect of Gaussian shape), of three lines whose speckles add up without interference.
    """

    def __init__(
        self, shape: tuple[int, int], seed: int, grain: float = 4.5, memory: float = 1.5
    ) -> None:
        super().__init__(shape, seed)
        self.moves = 14.0
        self.lines = []
        for _ in range(3):
            radius = np.sqrt(self.rng.uniform(0, 1, 160)) * (0.61 / grain)
            angle = self.rng.uniform(0, 2 * np.pi, 160)
            waves = np.stack([radius * np.cos(angle), radius * np.sin(angle)])
            turned = self.rng.standard_normal((2, 160)) / memory
            phases = self.rng.uniform(0, 2 * np.pi, 160)
            self.lines.append((waves, turned, phases))

    def light(self, slopes: Floats) -> Floats:
        """Return the light on the pixels."""
        total = np.zeros((len(slopes), len(self.x)))
        for waves, turned, phases in self.lines:
            basis = np.exp(2j * np.pi * (np.stack([self.x, self.y], axis=1) @ waves)).T
            own = np.exp(1j * (slopes @ (turned - 2 * np.pi * self.moves * waves) + phases))
            total += np.abs(own @ basis) ** 2
        return total / (1.0 + (slopes**2).sum(axis=1, keepdims=True))


class Caustics(_Optic):
    """Caustics of a random smooth surface: oblique light travels further and is focused more."""

    def __init__(self, shape: tuple[int, int], seed: int, grain: float = 2.2) -> None:
        super().__init__(shape, seed)
        self.moves, self.cells = 16.0, 6
        side = (max(shape) + 2 * int(self.moves) + 16) * self.cells
        self.side = side
        height = gaussian_filter(
            self.rng.standard_normal((side, side)), grain * self.cells, mode="wrap"
        )
        self.height = height / np.gradient(np.gradient(height, axis=0), axis=0).std()

    @cached_property
    def parts(self) -> list[Floats]:
        """Return splines of the surface's second derivatives: xx + yy, and the determinant."""
        dy, dx = np.gradient(self.height)
        yy, yx = np.gradient(dy)
        xx = np.gradient(dx, axis=1)
        return [spline_filter(p, order=3, mode="grid-wrap") for p in (xx + yy, xx * yy - yx**2)]

    def light(self, slopes: Floats) -> Floats:
        """Return the light on the pixels."""
        square = (slopes**2).sum(axis=1, keepdims=True)
        stretch = 1.0 + 0.02 * square
        across = self.x * stretch - self.moves * slopes[:, :1] * (1.0 - 0.1 * square)
        down = self.y * stretch - self.moves * slopes[:, 1:] * (1.0 - 0.1 * square)
        at = np.stack([down, across]) * self.cells + self.side / 2
        trace, product = (
            map_coordinates(p, at, order=3, prefilter=False, mode="grid-wrap") for p in self.parts
        )
        way = 0.3 * np.sqrt(1.0 + square)
        focus = 1.0 + way * trace + way**2 * product
        return 1.0 / np.sqrt(focus**2 + 0.15) / (1.0 + square)


class Pinholes(_Optic):
    """A mask of random pinholes of unlike depth: soft edges, and walls that cut oblique light."""

    def __init__(self, shape: tuple[int, int], seed: int, n: int = 260) -> None:
        super().__init__(shape, seed)
        self.moves = 15.0
        reach = np.array([shape[1], shape[0]]) / 2 + self.moves
        self.places = self.rng.uniform(-1, 1, (n, 2)) * reach
        self.radii = self.rng.uniform(1.0, 2.4, n)
        self.walls = self.rng.uniform(0.3, 0.9, (n, 2))

    def light(self, slopes: Floats) -> Floats:
        """Return the light on the pixels."""
        total = np.full((len(slopes), len(self.x)), 0.08)
        for place, radius, wall in zip(self.places, self.radii, self.walls, strict=True):
            moved = place + self.moves * slopes
            away = np.hypot(self.x - moved[:, :1], self.y - moved[:, 1:])
            seen = np.exp(-((slopes * wall) ** 2).sum(axis=1, keepdims=True))
            total += seen * expit((radius - away) / 0.28)
        return total / (1.0 + (slopes**2).sum(axis=1, keepdims=True))


class Lobes(_Optic):
    """A few lenslets of unlike height: broad lobes, each of which moves by a travel of its own."""

    def __init__(self, shape: tuple[int, int], seed: int, n: int = 40) -> None:
        super().__init__(shape, seed)
        self.moves = 15.0
        reach = np.array([shape[1], shape[0]]) / 2 + self.moves
        self.places = self.rng.uniform(-1, 1, (n, 2)) * reach
        self.widths = self.rng.uniform(1.2, 2.5, n)
        self.travels = self.moves * self.rng.uniform(0.93, 1.07, n)

    def light(self, slopes: Floats) -> Floats:
        """Return the light on the pixels."""
        total = np.full((len(slopes), len(self.x)), 0.02)
        for place, width, travel in zip(self.places, self.widths, self.travels, strict=True):
            moved = place + travel * slopes
            away = (self.x - moved[:, :1]) ** 2 + (self.y - moved[:, 1:]) ** 2
            total += np.exp(-away / (2 * width**2))
        return total / (1.0 + (slopes**2).sum(axis=1, keepdims=True)) ** 1.5
