"""Filters at the corners of cells, and the polynomials that turn dot products into a place.

A corner's filter is the logarithm of the light expected there, ``log(N t + floor)``, about its
mean: its derivative is the template's over the noise's variance, which is what the best estimate
weighs a readout with, and neighbouring corners span it for every place between them. A background
alike in all pixels drops out, as each filter sums to zero. What the filters cost (rounding to 8
bits, four of them for a whole cell) is known, since everything that follows is fitted to the
filters as they are stored; `loss` says how much above the bound it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.stages.alignment.geometry import (
    N_CORNERS,
    N_MONOMIALS,
    N_OF_ROOT,
    SLOPE_BITS,
    CellGrid,
)

__all__ = ["CellFit", "Design", "cell_terms", "corner_filters", "grid_over", "slopes_of"]

Floats = npt.NDArray[np.float64]
TemplateSource = Callable[[Floats], Floats]
"""From slopes (n, 2) to templates (n, n_values)."""

_REACH = 0.7
"""Half of the side of the square of places that polynomials are fitted on, in cells: a place just
beyond the cell still leads there."""
_SIDE = 5
_BIAS_WEIGHT = 10.0
"""A bias counts ten times a noise of its size: it does not average out."""
_SLOPE_WEIGHT = 1.0
"""A slope a tenth off costs what a bias of a hundredth of a cell does: steps stay Newton's."""
_CUBIC = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2), (3, 0), (2, 1), (1, 2), (0, 3))


@dataclass(frozen=True, slots=True)
class Design:
    """The brightness that filters are made for, and the noise of a value without light.

    Parameters
    ----------
    electrons : float
        Of a source on an aperture: weights fit this one, and lose little ten times off.
    brightest : float
        The brightest source for which a bias must stay below the noise.
    floor : float
        Variance of a value that the source does not reach, electrons squared.
    """

    electrons: float
    brightest: float
    floor: float

    def binned(self, pixels_a_bin: int) -> Design:
        """Return the same for sums of so many pixels."""
        return Design(self.electrons, self.brightest, self.floor * pixels_a_bin)


@dataclass(frozen=True, eq=False)
class CellFit:
    """Polynomials of cells, as real numbers, and what they cost.

    Parameters
    ----------
    amplitude : float64 (n_cells, 4)
    errors : float64 (n_cells, 2, 10, 4)
        Of x and y, in cells: coefficient of each monomial on each dot product.
    root : float64 (n_cells, 6, 4)
        Of the root energy, for templates that stand for one electron.
    loss : float64 (n_cells,)
        Root mean square error over the bound's, over the cell, at the design's electrons.
    bias : float64 (n_cells,)
        Root mean square bias over the cell, over the bound at the brightest.
    offset : float64 (n_cells,)
        The same bias in cells.
    """

    amplitude: Floats
    errors: Floats
    root: Floats
    loss: Floats
    bias: Floats
    offset: Floats


def grid_over(low: Floats, high: Floats, step: float) -> CellGrid:
    """Return cells of about a side that cover a square of slopes."""
    unit = 1 << SLOPE_BITS
    side = 2 * max(1, round(step * unit / 2))
    counts = [max(1, int(np.ceil((high[i] - low[i]) * unit / side - 1e-9))) for i in (0, 1)]
    starts = [
        round((low[i] + high[i]) / 2 * unit) - counts[i] * side // 2 for i in (0, 1)
    ]  # fmt: skip
    return CellGrid(counts[0], counts[1], starts[0], starts[1], side)


def slopes_of(grid: CellGrid, corners: bool) -> Floats:
    """Return the slopes of corners, or of the middles of cells, (n, 2)."""
    unit, extra = 1 << SLOPE_BITS, 1 if corners else 0
    offset = 0.0 if corners else grid.step / 2
    x = (grid.low_x + offset + grid.step * np.arange(grid.n_x + extra)) / unit
    y = (grid.low_y + offset + grid.step * np.arange(grid.n_y + extra)) / unit
    down, across = np.meshgrid(y, x, indexing="ij")
    return np.stack([across.ravel(), down.ravel()], axis=1)


def corner_filters(templates: Floats, design: Design) -> Floats:
    """Return the filters of templates (n, n_values), each of sum zero."""
    logs = np.log(design.electrons * np.maximum(templates, 0.0) + design.floor)
    return np.asarray(logs - logs.mean(axis=1, keepdims=True))


def _powers(places: Floats) -> Floats:
    return np.stack([places[:, 0] ** i * places[:, 1] ** j for i, j in _CUBIC], axis=1)


def _slope_of(places: Floats, axis: int) -> Floats:
    """Return the derivatives of the cubic monomials at places."""
    columns = []
    for powers in _CUBIC:
        less = [p - (k == axis) for k, p in enumerate(powers)]
        factor = powers[axis]
        value = places[:, 0] ** max(less[0], 0) * places[:, 1] ** max(less[1], 0)
        columns.append(factor * value)
    return np.stack(columns, axis=1)


def _places() -> Floats:
    along = np.linspace(-_REACH, _REACH, _SIDE)
    y, x = np.meshgrid(along, along, indexing="ij")
    return np.stack([x.ravel(), y.ravel()], axis=1)


def cell_terms(
    grid: CellGrid, cells: npt.NDArray[np.int64], filters: Callable[[int], Floats],
    templates: TemplateSource, design: Design,
) -> CellFit:  # fmt: skip
    """Fit the polynomials of cells.

    Parameters
    ----------
    grid : CellGrid
    cells : int64 (n,)
        Those to be fitted.
    filters : callable
        From a cell's number to its corners' filters as stored, (4, n_values).
    templates : callable
    design : Design
    """
    places = _places()
    cubic = _powers(places)
    solve = np.linalg.pinv(cubic)
    turned = [_slope_of(places, axis) @ solve for axis in (0, 1)]
    middles = slopes_of(grid, corners=False)[cells]
    side = grid.step / (1 << SLOPE_BITS)
    parts = []
    for start in range(0, len(cells), 16):
        some = slice(start, start + 16)
        at = (middles[some, None, :] + places * side).reshape(-1, 2)
        light = np.maximum(templates(at), 0.0).reshape(-1, len(places), templates(at[:1]).shape[1])
        for cell, own in zip(cells[some].tolist(), light, strict=True):
            parts.append(_cell(filters(cell), own, turned, places, design))
    return CellFit(*(np.array(each) for each in zip(*parts, strict=True)))


def _cell(
    filters: Floats, light: Floats, turned: list[Floats], places: Floats, design: Design
) -> tuple[Floats, Floats, Floats, float, float, float]:
    """Fit one cell: filters (4, n), templates (n_places, n)."""
    mean = light @ filters.T  # (places, 4): what one electron gives
    along = [turn @ mean for turn in turned]
    variance = design.electrons * light + design.floor
    spread = np.einsum("kv,pv,lv->pkl", filters, variance, filters, optimize=True)
    spread = (
        spread + np.eye(N_CORNERS) * (np.trace(spread, axis1=1, axis2=2) * 1e-10)[:, None, None]
    )
    jacobian = np.stack([mean, *along], axis=2)
    weighted = np.linalg.solve(spread, jacobian)
    normal = np.einsum("pki,pkj->pij", jacobian, weighted)
    normal += np.eye(3) * (np.trace(normal, axis1=1, axis2=2) * 1e-14)[:, None, None]
    best = np.linalg.solve(normal, weighted.transpose(0, 2, 1))  # (places, 3, 4)
    amplitude = best[len(places) // 2, 0]
    gain = mean @ amplitude
    monomials = _powers(places)[:, :N_MONOMIALS]
    lower = np.linalg.cholesky(spread)
    loud = 1.0 / (design.electrons * np.maximum(gain, 1e-3))
    wanted = best[:, 1:] * gain[:, None, None]
    noise_rows = np.einsum("pkl,pm,p->plmk", lower, monomials, loud).reshape(-1, N_MONOMIALS * 4)
    bias_rows = np.einsum("pk,pm,p->pmk", mean, monomials, _BIAS_WEIGHT / gain).reshape(
        len(places), -1
    )
    louder = np.sqrt(design.brightest / design.electrons)
    slope_rows = [
        np.einsum("pk,pm,p->pmk", each, monomials, _SLOPE_WEIGHT / gain).reshape(len(places), -1)
        for each in along
    ]
    matrix = np.vstack([noise_rows, louder * bias_rows, louder * np.vstack(slope_rows)])
    right = np.einsum("pkl,pik,p->pli", lower, wanted, loud).reshape(-1, 2)
    slopes = np.kron(np.eye(2), np.full((len(places), 1), louder * _SLOPE_WEIGHT))
    right = np.vstack([right, np.zeros((len(places), 2)), slopes])
    errors = np.linalg.lstsq(matrix, right, rcond=None)[0].T.reshape(2, N_MONOMIALS, 4)
    energy = np.sqrt(((light - light.mean(axis=1, keepdims=True)) ** 2).sum(axis=1))
    wanted_root = best[:, 0] * energy[:, None]
    right = np.concatenate(
        [np.einsum("pkl,pk,p->pl", lower, wanted_root, loud / energy).ravel(),
         np.full(len(places), _BIAS_WEIGHT)]
    )  # fmt: skip
    few = N_OF_ROOT * N_CORNERS  # the first monomials, whose columns come first
    shared = noise_rows.reshape(len(places), N_CORNERS, -1)[:, :, :few] / energy[:, None, None]
    root_rows = np.vstack([shared.reshape(-1, few), bias_rows[:, :few] * (gain / energy)[:, None]])
    root = np.linalg.lstsq(root_rows, right, rcond=None)[0].reshape(N_OF_ROOT, N_CORNERS)
    cost = _cost(light, errors, mean, gain, spread, places, design)
    return amplitude, errors, root, *cost


def _cost(
    light: Floats, errors: Floats, mean: Floats, gain: Floats, spread: Floats,
    places: Floats, design: Design,
) -> tuple[float, float, float]:  # fmt: skip
    """Return the error over the bound, the bias over that at the brightest, the bias in cells."""
    inner = np.abs(places).max(axis=1) < 0.6
    monomials = _powers(places)[:, :N_MONOMIALS]
    weights = np.einsum("pm,imk->pik", monomials, errors) / gain[:, None, None]
    moves = np.einsum("pik,pk->pi", weights, mean)
    noise = np.einsum("pik,pkl,pil->pi", weights, spread, weights) / design.electrons**2
    solve = np.linalg.pinv(_powers(places))
    slopes = [_slope_of(places, axis) @ solve @ light for axis in (0, 1)]
    bounds: list[float] = []
    brightest: list[float] = []
    for place in np.flatnonzero(inner):
        columns = np.stack(
            [slopes[0][place], slopes[1][place], light[place], np.ones(light.shape[1])], axis=1
        )
        for electrons, found in ((design.electrons, bounds), (design.brightest, brightest)):
            variance = electrons * light[place] + design.floor
            scaled = columns * np.array([electrons, electrons, electrons, 1.0])
            found.append(np.linalg.pinv(scaled.T @ (scaled / variance[:, None]))[:2, :2].trace())
    loss = float(np.sqrt(noise[inner].sum() / np.sum(bounds)))
    squares = float((moves[inner] ** 2).sum())
    bias = float(np.sqrt(squares / np.sum(brightest)))
    return loss, bias, float(np.sqrt(squares / inner.sum()))
