"""Two optics that form no image, as matrices from directions to pixels.

Each is worked out from where light lands behind it; neither is fitted to anything.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from worlds.light.sight import Eye

__all__ = ["caustics", "pinholes"]

Singles = NDArray[np.float32]
FINE = 4
"""Landing places are counted in squares of this many a pixel's side."""


@functools.lru_cache(maxsize=4)
def caustics(n_rows: int, n_cols: int, eye: Eye, seed: int) -> Singles:
    """Trace rays through a random smooth pane; what they draw on the sensor are its caustics.

    The pane's thickness is a random surface; thin-prism refraction bends each ray by
    (n - 1) times its slope (E. Hecht, Optics, section 5.5, from memory). Light from a direction
    draws the same caustics, moved by the gap times the direction's tangent, weaker by the fourth
    power of its cosine. Pixels are 40 um wide, the aperture 1.9 mm, the gap 1.3 mm; the surface's
    features are about 0.2 mm broad and its slope 0.10 rms. All these are invented.

    Returns
    -------
    float32 (n_pixels, n_cells)
        A white scene gives a pixel 1 on average.
    """
    rng = np.random.default_rng([seed, 1])
    pixel_mm, gap_mm, aperture_mm, index = 0.040, 1.3, 1.9, 1.5
    n_rays, surface_mm, smooth_mm = 1400, 2.4, 0.11
    n_nodes = 240
    height = ndimage.gaussian_filter(
        rng.standard_normal((n_nodes, n_nodes)), smooth_mm * n_nodes / surface_mm, mode="wrap"
    )
    step = surface_mm / n_nodes
    slopes = np.stack(np.gradient(height, step))
    slopes *= 0.10 / slopes.std() / (index - 1)
    grid = (np.arange(n_rays) + 0.5) / n_rays * aperture_mm - aperture_mm / 2
    y, x = (a.ravel() for a in np.meshgrid(grid, grid, indexing="ij"))
    inside = x * x + y * y < (aperture_mm / 2) ** 2
    y, x = y[inside], x[inside]
    nodes = np.stack([y, x]) / step + n_nodes / 2
    dy, dx = (
        (index - 1) * gap_mm * ndimage.map_coordinates(slope, nodes, order=1, mode="wrap")
        for slope in slopes
    )
    # The shadow of the aperture, as fine squares about the middle.
    fine_mm = pixel_mm / FINE
    half = round(2.2 / fine_mm)
    row = np.floor((y + dy) / fine_mm).astype(int) + half
    col = np.floor((x + dx) / fine_mm).astype(int) + half
    spot = np.zeros((2 * half, 2 * half), np.float32)
    np.add.at(spot, (row, col), 1.0)
    return _moved(spot, half, gap_mm / fine_mm, n_rows, n_cols, eye)


@functools.lru_cache(maxsize=4)
def pinholes(n_rows: int, n_cols: int, eye: Eye, seed: int) -> Singles:
    """Cast the shadow of a mask with pseudo-random holes.

    The holes follow a modified uniformly redundant array of 29 by 29 elements (S. Gottesman and
    E. Fenimore, Applied Optics 28, 1989: open where quadratic residues of row and column agree),
    with a third of the open ones closed at random, as the smaller holes of a real mask are. An
    element is 90 um, the gap 1.9 mm, a pixel 50 um; holes spread by diffraction to about
    wavelength times gap over breadth, 20 um (940 nm). The layout is invented.

    Returns
    -------
    float32 (n_pixels, n_cells)
        A white scene gives a pixel 1 on average.
    """
    prime, element_um, gap_mm, pixel_mm = 29, 90.0, 1.9, 0.050
    squares = {(k * k) % prime for k in range(1, prime)}
    residue = np.array([1 if k in squares else -1 for k in range(prime)])
    holes = residue[:, None] * residue == 1
    holes[0] = False
    holes[1:, 0] = True
    keep = np.random.default_rng([seed, 2]).random(holes.shape) < 0.67
    fine_mm = pixel_mm / FINE
    across = element_um / 1000 / fine_mm
    half = round(3.6 / fine_mm)
    index = np.floor((np.arange(2 * half) - half) / across + prime / 2).astype(int)
    # One mask alone: outside of it nothing is open.
    open_at = (index >= 0) & (index < prime)
    index = np.clip(index, 0, prime - 1)
    spot = ((holes & keep)[np.ix_(index, index)] & open_at[:, None] & open_at).astype(np.float32)
    spot = ndimage.gaussian_filter(spot, 0.020 / fine_mm / 2)
    return _moved(spot, half, gap_mm / fine_mm, n_rows, n_cols, eye)


def _moved(spot: Singles, half: int, gap: float, n_rows: int, n_cols: int, eye: Eye) -> Singles:
    """Return what each direction's moved copy of a pattern gives to each pixel."""
    # A cell of the grid is no point: what it draws is as broad as the cell is.
    spot = ndimage.uniform_filter(spot, max(1, round(eye.cell * gap)), mode="constant")
    columns = []
    for u, v in eye.directions:
        # Light from the right lands on the left, and likewise away and near.
        top = half - n_rows * FINE // 2 + round(float(-v) * gap)
        left = half - n_cols * FINE // 2 + round(float(u) * gap)
        cut = np.zeros((n_rows * FINE, n_cols * FINE), np.float32)
        rows = slice(max(0, top), min(len(spot), top + n_rows * FINE))
        cols = slice(max(0, left), min(len(spot), left + n_cols * FINE))
        part = spot[rows, cols]
        cut[rows.start - top : rows.start - top + part.shape[0],
            cols.start - left : cols.start - left + part.shape[1]] = part  # fmt: skip
        pixels = cut.reshape(n_rows, FINE, n_cols, FINE).sum(axis=(1, 3)).ravel()
        columns.append(pixels / (1 + u * u + v * v) ** 2)
    matrix = np.stack(columns, axis=1)
    return np.ascontiguousarray(matrix / matrix.sum(axis=1).mean(), dtype=np.float32)
