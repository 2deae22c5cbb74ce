"""Patterns in bins as a quadratic B-spline over the cells, and what they may leave unexplained."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2, norm

from runtime.fixedpoint import MAX_MULTIPLIER
from runtime.stages.alignment.binned import (
    CUT_BITS,
    MOST_OFFSET,
    SPREAD_SHIFT,
    spline_weights_float,
)
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    SLOPE_BITS,
    CellGrid,
    axis_weights_float,
)
from runtime.stages.alignment.registration import Registration
from trainer.align.multipliers import at_least_17

__all__ = [
    "PASSED", "bin_energy", "bin_misfit", "bin_offset", "bin_spline", "bin_tolerance",
    "cell_spline", "splines_of",
]  # fmt: skip

Floats = npt.NDArray[np.float64]

_PER_CELL = 3
"""Places a side of each cell that the spline is fitted to: one coefficient a cell has room."""
_JUDGED = 200
"""Cells, of all over the field, that one spline is held to two optics in."""
_FALSE_ALARMS = 1e-4
"""Of readouts of one source, those whose noise alone may pass for something else."""
_FITTED = 4
"""Brightness, mean and place: what noise has lost of its degrees of freedom."""
_UNEVEN = 3.0
"""Of the mean misfit, what one place in two hundred shows: chi-square of eight degrees, 2.7."""
PASSED = 0.005
"""Of places, those that may show more than that."""


def _design(n_cells: int, per_cell: int) -> tuple[Floats, Floats]:
    """Return the places along one side, in cells, and the spline's weights there."""
    inside = (np.arange(per_cell) + 0.5) / per_cell - 0.5
    weights = axis_weights_float(np.stack([inside, np.zeros(per_cell)], axis=1))[:, 0]
    rows = np.zeros((n_cells * per_cell, n_cells + 2))
    for cell in range(n_cells):
        rows[cell * per_cell : (cell + 1) * per_cell, cell : cell + 3] = weights
    return (np.arange(n_cells)[:, None] + 0.5 + inside).ravel(), rows


def cell_spline(values: Callable[[Floats], Floats], grid: CellGrid, per_cell: int) -> Floats:
    """Fit the coefficients of a quadratic B-spline over the cells, (n_spline, n_values)."""
    (x, by_x), (y, by_y) = _design(grid.n_x, per_cell), _design(grid.n_y, per_cell)
    unit = 1 << SLOPE_BITS
    across, down = np.meshgrid((grid.low_x + x * grid.step) / unit,
                               (grid.low_y + y * grid.step) / unit)  # fmt: skip
    places = np.stack([across.ravel(), down.ravel()], axis=1)
    found = np.concatenate([values(part) for part in np.array_split(places, 32)])
    solved = np.einsum(
        "ys,stb,xt->yxb", np.linalg.pinv(by_y), found.reshape(len(y), len(x), -1),
        np.linalg.pinv(by_x), optimize=True,
    )  # fmt: skip
    return np.asarray(solved.reshape(grid.n_spline, -1))


def bin_spline(binned: Callable[[Floats], Floats], grid: CellGrid) -> Floats:
    """Fit the coefficients of all cells, (n_spline, n_bins); patterns are about their mean."""

    def about_mean(slopes: Floats) -> Floats:
        light = binned(slopes)
        return np.asarray(light - light.mean(axis=1, keepdims=True))

    return cell_spline(about_mean, grid, _PER_CELL)


def splines_of(
    binned: Sequence[Callable[[Floats], Floats]], grid: CellGrid
) -> tuple[list[Floats], tuple[int, ...]]:
    """Return patterns in bins, and from where in them each aperture's are taken.

    One set serves all where, at their offsets, others differ from it by less than its rounding.
    """
    first = bin_spline(binned[0], grid)
    step = float(np.abs(first).max()) / 127
    rounded = np.round(first / step) * step
    alike = bin_misfit(rounded, binned[0], grid)
    offsets = [bin_offset(first, each, grid) for each in binned[1:]]
    others = list(zip(binned[1:], offsets, strict=True))
    if all(bin_misfit(first, each, grid, offset) <= alike for each, offset in others):
        return [first], (0, 0, *(v for offset in offsets for v in offset))
    own = [bin_spline(each, grid) for each in binned[1:]]
    return [first, *own], (0,) * (2 * len(binned))


def _judged(binned: Callable[[Floats], Floats], grid: CellGrid) -> tuple[Any, Floats]:
    """Return cells of all over the field, and an optic's bins in their middles."""
    unit = 1 << SLOPE_BITS
    cells = np.unique(np.linspace(0, grid.n_cells - 1, _JUDGED).astype(np.int64))
    x, y = grid.middle(cells % grid.n_x, grid.low_x), grid.middle(cells // grid.n_x, grid.low_y)
    light = binned(np.stack([x, y], axis=1) / unit)
    return cells, light - light.mean(axis=1, keepdims=True)


def bin_offset(
    coefficients: Floats, binned: Callable[[Floats], Floats], grid: CellGrid
) -> tuple[int, int]:
    """Return how far off, in 2**-14 of a cell, a spline shows an optic's bins; 0, 0 where too far.

    One step of Gauss and Newton from none: optics of one piece are off by hundredths of a pixel.
    """
    cells, light = _judged(binned, grid)
    step = 0.05
    places = np.array([[0.0, 0.0], [step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]])
    weights = spline_weights_float(places)
    here, right, left, up, down = np.einsum(
        "pk,fkb->pfb", weights, coefficients[grid.spline_of[cells]]
    )
    columns = np.stack([here, (right - left) / (2 * step), (up - down) / (2 * step)])
    normal = np.einsum("afb,cfb->ac", columns, columns)
    found = np.linalg.lstsq(normal, np.einsum("afb,fb->a", columns, light), rcond=None)[0]
    x, y = (round(float(v / max(found[0], 1e-30)) * 2**DELTA_BITS) for v in found[1:])
    return (x, y) if max(abs(x), abs(y)) <= MOST_OFFSET else (0, 0)


def bin_misfit(
    coefficients: Floats, binned: Callable[[Floats], Floats], grid: CellGrid,
    offset: tuple[int, int] = (0, 0),
) -> float:  # fmt: skip
    """Return the share of an optic's energy in bins that a spline leaves, median over the cells."""
    cells, light = _judged(binned, grid)
    weights = spline_weights_float(np.tile(np.array(offset) / 2.0**DELTA_BITS, (len(cells), 1)))
    found = np.einsum("fk,fkb->fb", weights, coefficients[grid.spline_of[cells]])
    square = np.maximum((found**2).sum(axis=1), 1e-30)
    energy = np.maximum((light**2).sum(axis=1), 1e-30)
    return float(np.median(1.0 - (light * found).sum(axis=1) ** 2 / square / energy))


def bin_energy(
    n_pixels: int, n_bins: int, max_counts: int, gain: float, floor: float
) -> tuple[int, ...]:
    """Return the numbers of the rule, tolerances 0: see `runtime.stages.alignment.binned.BinRule`.

    Noise's room is chi-square's quantile at `_FALSE_ALARMS`, of all degrees of freedom; of the
    spread, one of them that counts where it is positive, the square of the normal distribution's.

    Parameters
    ----------
    n_pixels, n_bins, max_counts : int
        Of an aperture, and of the sensor.
    gain : float
        Conversion gain, counts an electron.
    floor : float
        Variance of a pixel without light, electrons squared.
    """
    bits = max(0, (n_bins * (n_pixels // n_bins * max_counts) ** 2).bit_length() - 30)
    room = float(chi2.isf(_FALSE_ALARMS, max(n_bins - _FITTED, 1)) / n_bins)
    rounding = n_bins * 4.0**CUT_BITS / 12.0
    dark = (n_pixels * floor * gain**2 + rounding) * room / 2.0**bits
    spread = at_least_17(float(norm.isf(_FALSE_ALARMS)) ** 2 / (room * n_bins))
    return (bits, math.ceil(dark), *at_least_17(gain * room / 2.0**bits), 0, *spread, 0)


def bin_tolerance(stage: Registration, values: npt.NDArray[np.int32], room: float) -> Registration:
    """Return the stage allowing the bins' patterns the error that calibration readouts show.

    Of single readouts noise hides the misfit, which brighter ones would show. Hence the larger
    of two: what all but one in two hundred leave above the noise's room, and the mean misfit of all
    of them, the expected noise taken off, times what it varies by over the field. Of the spread of
    patterns the same.
    """
    n_bins, rule, tolerances = stage.windows.n_bins, stage.bin_rule, np.zeros(2)
    most = float(chi2.isf(_FALSE_ALARMS, max(n_bins - _FITTED, 1)))
    # Half of the noise along a spread narrows the pattern and leaves nothing of it.
    expected = max(n_bins - _FITTED, 1) / most, 0.5 / norm.isf(_FALSE_ALARMS) ** 2
    uneven = _UNEVEN, 2.0 * float(chi2.isf(2.0 * PASSED, 1))
    for aperture, (found, _) in enumerate(stage.residuals(values)):
        total = values[:, stage.windows.columns(aperture)].sum(axis=1, dtype=np.int64)
        noise = rule.noise(total) + rule.floor
        parts = (found.whole, noise), (found.spread, rule.spread_noise(noise))
        for i, (left, room_of) in enumerate(parts):
            above = float(np.quantile((left - room_of) / np.maximum(found.energy, 1), 1 - PASSED))
            misfit = float((left - expected[i] * room_of).sum() / max(int(found.energy.sum()), 1))
            tolerances[i] = max(tolerances[i], room * above, room * uneven[i] * misfit)
    whole = int(np.clip(math.ceil(tolerances[0] * 2**17), 0, 1 << 14))
    spread = int(np.clip(math.ceil(tolerances[1] * 2**SPREAD_SHIFT), 0, MAX_MULTIPLIER))
    return replace(stage, bin_energy=(*stage.bin_energy[:4], whole, *stage.bin_energy[5:7], spread))
