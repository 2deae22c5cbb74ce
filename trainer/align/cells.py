"""Filters at the corners of cells, and the terms that turn dot products into a place.

A corner's filter is the logarithm of the light expected there, ``log(N t + floor)``, about its
mean: its derivative is the template's over the noise's variance, which is what the best estimate
weighs a readout with, and neighbouring corners span it for every place between them. A background
alike in all pixels drops out, as each filter sums to zero.

Four dot products tell brightness, two slopes, and one thing more, which noise alone moves where the
model holds: the best estimate does not heed it. What that is changes little over a cell; so the
combinations that are best in its middle serve all of it, and over their amplitude leave two
numbers, from which polynomials make the place, with no error but their own. What all of that costs
(filters as they are stored, four for a whole cell, one way to combine them) is known, since all
that follows is fitted to the filters as they are stored: `loss` says how much above the bound it
is, `bias` what the polynomials leave.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runtime.stages.alignment.arithmetic import POLYNOMIAL_LIMIT
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    N_OF_PLACE,
    N_OF_ROOT,
    SLOPE_BITS,
    CellGrid,
)

__all__ = [
    "CellFit",
    "Design",
    "cell_terms",
    "corner_filters",
    "dearest",
    "grid_over",
    "holding",
    "polynomials",
    "slopes_of",
]

Floats = npt.NDArray[np.float64]
TemplateSource = Callable[[Floats], Floats]
"""From slopes (n, 2) to templates (n, n_values)."""

_BLOCK = 5
_AT_ONCE = _BLOCK**2
_EACH_SIDE = 5
"""Places a side of each cell: a lattice that neighbouring cells share."""
_ALONG = (-9, -7, -5, -3, -1, 1, 3, 5, 7, 9)
"""Places that polynomials are fitted on, in tenths of a cell from its middle: what lies beyond the
cell still leads there."""
_SURE, _BEYOND = 0.75, 0.03
"""Half of the side of the square, in cells, whose places count in full, and weight of the others:
so much beyond the cell that the stage may accept places there."""
_RIDGES = (0.0, 1e-10, 1e-9, 1e-8, 1e-7, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2)
"""The least with which polynomials' coefficients fit into integers is taken."""
_LEAST_LOSS = 0.99
"""Of the bound: what polynomials are off by may take a little off."""
_EXPONENTS = tuple((n - j, j) for n in range(6) for j in range(n + 1))
"""Of monomials up to the fifth power, in the order of the stage's."""


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
    """Terms of cells, as real numbers, and what they cost.

    Parameters
    ----------
    combined : float64 (n_cells, 3, 4)
        Combinations of the dot products: amplitude, and x and y in cells over it.
    given : float64 (n_cells, n_places, 4)
        Dot products of the templates, each of one electron, at places all over the cell.
    energy : float64 (n_cells, n_places)
        Root energy of the same.
    loss : float64 (n_cells,)
        Root mean square error over the bound's, over the cell, at the design's electrons.
    bias : float64 (n_cells,)
        Root mean square bias over the cell, over the bound at the brightest.
    offset : float64 (n_cells,)
        The same bias in cells.
    """

    combined: Floats
    given: Floats
    energy: Floats
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


def _powers(places: Floats, n_terms: int) -> Floats:
    return np.stack(
        [places[:, 0] ** i * places[:, 1] ** j for i, j in _EXPONENTS[:n_terms]], axis=1
    )


def _slope_of(places: Floats, axis: int) -> Floats:
    """Return the derivatives of the monomials at places."""
    columns = []
    for powers in _EXPONENTS:
        less = [p - (k == axis) for k, p in enumerate(powers)]
        factor = powers[axis]
        value = places[:, 0] ** max(less[0], 0) * places[:, 1] ** max(less[1], 0)
        columns.append(factor * value)
    return np.stack(columns, axis=1)


def _places() -> Floats:
    y, x = np.meshgrid(_ALONG, _ALONG, indexing="ij")
    return np.stack([x.ravel(), y.ravel()], axis=1) / (2.0 * _EACH_SIDE)


def _lit(grid: CellGrid, cells: npt.NDArray[np.int64], templates: TemplateSource) -> Floats:
    """Return the templates at all places of some cells, (n_cells, n_places, n_values).

    What cells share is worked out once.
    """
    y, x = np.meshgrid(_ALONG, _ALONG, indexing="ij")
    inside = np.stack([x.ravel(), y.ravel()], axis=1)
    middles = np.stack([cells % grid.n_x, cells // grid.n_x], axis=1)
    lattice = 2 * _EACH_SIDE * middles[:, None] + _EACH_SIDE + inside
    places, back = np.unique(lattice.reshape(-1, 2), axis=0, return_inverse=True)
    low = np.array([grid.low_x, grid.low_y])
    slopes = (low + places * (grid.step / (2 * _EACH_SIDE))) / (1 << SLOPE_BITS)
    light = np.maximum(templates(slopes), 0.0)
    return np.asarray(light[back.ravel()].reshape(len(cells), len(inside), -1))


def cell_terms(
    grid: CellGrid, cells: npt.NDArray[np.int64], filters: Callable[[int], Floats],
    templates: TemplateSource, design: Design,
) -> CellFit:  # fmt: skip
    """Fit the terms of cells.

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
    solve: Floats = np.asarray(np.linalg.pinv(_powers(places, N_OF_PLACE)), dtype=np.float64)
    middle = solve[:3]
    turned: Floats = np.stack([_slope_of(places, axis) @ solve for axis in (0, 1)])[
        :, _inner(places)
    ]
    order, parts = _by_blocks(grid, cells), []
    for start in range(0, len(cells), _AT_ONCE):
        some = cells[order[start : start + _AT_ONCE]]
        for cell, own in zip(some.tolist(), _lit(grid, some, templates), strict=True):
            parts.append(_cell(filters(cell), own, (middle, turned), places, design))
    back = np.argsort(order)
    return CellFit(*(np.array(each)[back] for each in zip(*parts, strict=True)))


def holding(grid: CellGrid, seen: Floats) -> npt.NDArray[np.bool_]:
    """Return which cells hold one of some directions (n, 2) at least, (n_cells,)."""
    own = grid.cell_of(np.floor(seen * (1 << SLOPE_BITS)).astype(np.int64))
    return np.isin(np.arange(grid.n_cells), own)


def dearest(fits: Sequence[CellFit], counted: Sequence[npt.NDArray[np.bool_]], name: str) -> float:
    """Return ``loss``, ``bias`` or ``offset``: of each optic's cells the median, of these the most.

    Of all optics together, one whose filters fit would hide another whose do not. A cell that seems
    to lose less than the bound is worth nothing: no estimate does, nothing moves in part of it.

    Parameters
    ----------
    fits : sequence of CellFit
        Of each optic.
    counted : sequence of bool (n_cells,)
        Which of its cells count.
    name : str
    """
    found = []
    for fit, own in zip(fits, counted, strict=True):
        costs = np.where(fit.loss >= _LEAST_LOSS, getattr(fit, name), math.inf)[own]
        found.append(float(np.median(costs)) if costs.size else math.inf)
    return max(found)


def _by_blocks(grid: CellGrid, cells: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return the order in which neighbours, which share places, follow one another."""
    row, column = cells // grid.n_x, cells % grid.n_x
    return np.lexsort((column, row, column // _BLOCK, row // _BLOCK))


def _inner(places: Floats) -> npt.NDArray[np.bool_]:
    """Return which places lie in the cell itself."""
    return np.asarray(np.abs(places).max(axis=1) < 0.5 + 1e-9)


def _cell(
    filters: Floats, light: Floats, derived: tuple[Floats, Floats], places: Floats, design: Design
) -> tuple[Floats, Floats, Floats, float, float, float]:
    """Fit one cell: filters (4, n), templates (n_places, n).

    `derived` leads from values at all places to those of the middle with both derivatives, and to
    the derivatives at the places of the cell itself.
    """
    given = light @ filters.T
    here, *along = derived[0] @ given
    variance = design.electrons * (derived[0][0] @ light) + design.floor
    spread = (filters * variance) @ filters.T
    unheeded = spread @ np.linalg.svd(np.stack([here, *along]))[2][-1]
    unheeded *= float(np.linalg.norm(here)) / max(float(np.linalg.norm(unheeded)), 1e-30)
    # Beyond the calibration two corners may be of one filter, or nothing may move.
    combined = np.linalg.pinv(np.stack([here, *along, unheeded], axis=1), rcond=1e-9)[:3]
    energy = np.sqrt(((light - light.mean(axis=1, keepdims=True)) ** 2).sum(axis=1))
    of_place, _ = polynomials(combined, given, energy)
    inner = _inner(places)
    u = _seen(combined, given[inner])
    moves = _powers(u, N_OF_PLACE) @ of_place.T - places[inner]
    # Over the amplitude an error of the dots moves u by what follows, and u the place by F's slope.
    weights = combined[1:] - u[:, :, None] * combined[0]
    weights = weights / _amplitudes(combined, given[inner])[:, None, None]
    slope = np.stack([_slope_of(u, axis) @ of_place.T for axis in (0, 1)], axis=2)
    weights = slope @ weights  # (places, 2, 4)
    own = light[inner]
    spread = np.einsum(
        "kv,pv,lv->pkl", filters, design.electrons * own + design.floor, filters, optimize=True
    )
    noise = np.einsum("pik,pkl,pil->p", weights, spread, weights) / design.electrons**2
    by_place = np.einsum("apq,qv->pav", derived[1], light, optimize=True)
    squares = float((moves**2).sum())
    least, brightest = (
        float(_bounds(own, by_place, n, design).sum()) for n in (design.electrons, design.brightest)
    )
    # Where nothing moves there is no bound, and nothing that a cell could lose of it.
    loss = math.sqrt(float(noise.sum()) / least) if least > 0.0 else 0.0
    bias = math.sqrt(squares / brightest) if brightest > 0.0 else math.inf
    return combined, given, energy, loss, bias, float(np.sqrt(squares / inner.sum()))


def _seen(combined: Floats, given: Floats) -> Floats:
    """Return what combinations make of dot products (n, 4), over their amplitude: (n, 2)."""
    return np.asarray(given @ combined[1:].T / _amplitudes(combined, given)[:, None])


def _amplitudes(combined: Floats, given: Floats) -> Floats:
    """Return the amplitudes of dot products (n, 4), above 0 also where the model is none."""
    sums = given @ combined[0]
    return np.asarray(np.maximum(sums, 1e-3 * float(np.abs(sums).max()) + 1e-30))


def polynomials(combined: Floats, given: Floats, energy: Floats) -> tuple[Floats, Floats]:
    """Fit the polynomials that follow from combinations of dot products, within integers.

    Parameters
    ----------
    combined : float64 (3, 4)
        Of any scale: x and y stand over the amplitude.
    given : float64 (n_places, 4)
    energy : float64 (n_places,)
        Root energy of the same.

    Returns
    -------
    of_place : float64 (2, 21)
        From ``u`` to the place, both in cells; 1 everywhere where none fits into integers.
    of_root : float64 (10,)
        From the place to the root energy over the amplitude.
    """
    places = _places()
    weight = np.where(np.abs(places).max(axis=1) < _SURE, 1.0, _BEYOND)[:, None]
    rows = _powers(_seen(combined, given), N_OF_PLACE) * weight
    of_place: Floats = np.zeros((2, N_OF_PLACE))
    for ridge in _RIDGES:
        square = rows.T @ rows + ridge * len(rows) * np.eye(N_OF_PLACE)
        solved = np.linalg.lstsq(square, rows.T @ (places * weight), rcond=None)[0]
        of_place = np.asarray(solved.T, dtype=np.float64)
        if _fits(of_place):
            break
    else:  # of a cell at the edge of what was seen: no place in it, but one that is refused
        of_place = np.eye(1, N_OF_PLACE).repeat(2, axis=0)
    rows = _powers(places, N_OF_ROOT) * weight
    share = energy / _amplitudes(combined, given)
    of_root = np.linalg.lstsq(rows, share * weight[:, 0], rcond=None)[0]
    return of_place, np.asarray(of_root, dtype=np.float64)


def _fits(coefficients: Floats) -> bool:
    """Return whether coefficients are small enough for the stage's integers."""
    size = np.abs(coefficients) * 2.0**DELTA_BITS
    room = POLYNOMIAL_LIMIT - coefficients.shape[1]
    return bool(size.max() < 32767.0 and size.sum(axis=1).max() < room)


def _bounds(light: Floats, by_place: Floats, electrons: float, design: Design) -> Floats:
    """Return the bound's variance of both axes together at places (n,), in cells squared."""
    columns = (
        np.stack([by_place[:, 0], by_place[:, 1], light, np.full_like(light, light.mean())], axis=1)
        * electrons
    )
    variance = electrons * light + design.floor
    information = np.einsum("pav,pv,pbv->pab", columns, 1.0 / variance, columns, optimize=True)
    return np.asarray(np.linalg.pinv(information, hermitian=True)[:, (0, 1), (0, 1)].sum(axis=1))
