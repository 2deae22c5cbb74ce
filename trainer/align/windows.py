"""Filters of all pixels as windows of a few planes, where directions move one pattern.

Neighbouring directions throw the pattern alike but for a shift. So the pattern is laid down in
planes, each turned and stretched as some of the directions turn and stretch it, at shifts of half
pixels; the filter of a direction is the window of the nearest plane at the nearest shift. What a
window is off by costs little, as the polynomials of the cells are fitted to filters as they are
stored, and what it costs is counted with them. Apertures whose optics are made in one piece share
the planes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from runtime.errors import UsageError
from runtime.stages.alignment.filter_bank import MOST_STRIDE
from runtime.stages.alignment.geometry import CellGrid
from trainer.align.cells import Design, corner_filters, slopes_of
from trainer.align.pattern import Pattern

__all__ = ["Bank", "Storage", "joined", "storages"]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

_PHASES = 2
"""Planes a pixel, each way: windows are off by a quarter of a pixel at most. Three would take more
than twice the flash."""
_MOST_OFF = 0.25
"""Pixels that a plane's turn and stretch may move a window's corner: as much as its shift may."""
_MOST_TRIED = 60
_ABREAST = range(2, 9)
"""Planes of the largest width that may lie side by side in the bank; the least bank is taken."""
_LARGEST = 126.0
"""Of 8 bits, with one step left: what rounding leaves over is taken off places by one each."""


@dataclass(frozen=True, eq=False)
class Bank:
    """Filters as they are stored.

    Parameters
    ----------
    values : int8 (n_bank,)
    stride : int
        From one row of a filter to the next.
    starts : int32 (n_nodes,)
        Where the filter of each corner begins; 0 where none was wanted.
    shape : tuple of int
        Rows and columns of a filter.
    """

    values: npt.NDArray[np.int8]
    stride: int
    starts: npt.NDArray[np.int32]
    shape: tuple[int, int]

    def filters(self, nodes: Integers) -> Floats:
        """Return filters of corners, of sum zero as they act, (n, n_pixels)."""
        rows, cols = (np.arange(n) for n in self.shape)
        inside = (rows[:, None] * self.stride + cols).ravel()
        found = self.values[self.starts[nodes][:, None] + inside].astype(np.float64)
        return np.asarray(found - found.mean(axis=1, keepdims=True))

    def of_cell(self, grid: CellGrid, cell: int) -> Floats:
        """Return the filters of a cell's corners, (4, n_pixels)."""
        return self.filters(grid.corners[cell])

    def spread(self, stride: int) -> Bank:
        """Return the same with wider rows."""
        rows, room = len(self.values) // self.stride, stride - self.stride
        if not room:
            return self
        wide = np.pad(self.values.reshape(rows, self.stride), ((0, 0), (0, room)))
        row, col = self.starts // self.stride, self.starts % self.stride
        return Bank(wide.ravel(), stride, (row * stride + col).astype(np.int32), self.shape)


@dataclass(frozen=True, eq=False)
class Storage:
    """How the filters of a level are stored.

    Parameters
    ----------
    kind : str
        ``shared``: windows of the first optic's pattern, for all; ``windows`` of each one's own
        pattern; ``own``: a filter for each corner.
    shape : tuple of int
        Rows and columns of a filter.
    design : Design
    """

    kind: str
    shape: tuple[int, int]
    design: Design

    def bank(self, optics: Sequence[Any], optic: Any, grid: CellGrid, nodes: Integers) -> Bank:
        """Return the filters of some corners for one of the optics."""
        slopes = slopes_of(grid, corners=True)
        if self.kind == "own":
            return _own_filters(optic, slopes, nodes, self.shape, self.design)
        if self.kind == "windows":
            return _pattern_windows(optic, slopes, nodes, self.shape, self.design)
        return _pattern_windows(optics[0], slopes, nodes, self.shape, self.design)


def storages(optics: Sequence[Any]) -> tuple[str, ...]:
    """Return the ways to store these optics' filters, least flash first."""
    if not all(isinstance(optic, Pattern) for optic in optics):
        return ("own",)
    return ("shared", "windows", "own") if len(optics) > 1 else ("windows", "own")


def joined(banks: Sequence[Bank]) -> list[Bank]:
    """Return banks that are parts of one, each beginning where the one before ends."""
    stride = max(bank.stride for bank in banks)
    spread = [bank.spread(stride) for bank in banks]
    values = np.concatenate([bank.values for bank in spread])
    before = np.cumsum([0, *(len(bank.values) for bank in spread)])
    return [
        Bank(values, stride, (bank.starts + first).astype(np.int32), bank.shape)
        for bank, first in zip(spread, before.tolist(), strict=False)
    ]


def _own_filters(
    optic: Any, slopes: Floats, nodes: Integers, shape: tuple[int, int], design: Design
) -> Bank:
    """Store a filter of its own for each of some corners.

    Parameters
    ----------
    optic : LearnedOptic
    slopes : float64 (n_nodes, 2)
        Of all corners.
    nodes : int64 (n,)
        Those that are wanted.
    shape : tuple of int
    design : Design
    """
    parts = [optic.at(slopes[some]) for some in np.array_split(nodes, max(1, len(nodes) // 64))]
    filters = _quantised(corner_filters(np.concatenate(parts), design))
    starts = np.zeros(len(slopes), dtype=np.int32)
    starts[nodes] = np.arange(len(nodes)) * filters.shape[1]
    return Bank(filters.ravel(), shape[1], starts, shape)


def _quantised(filters: Floats) -> npt.NDArray[np.int8]:
    """Round filters to 8 bits so that each still sums to zero, and light on all pixels drops out.

    What rounding leaves over is taken off where it was rounded furthest.
    """
    scale = _LARGEST / max(float(np.abs(filters).max()), 1e-12)
    wanted = filters * scale
    whole = np.round(wanted)
    for row, exact in zip(whole, wanted, strict=True):
        over = int(row.sum())
        way = 1 if over > 0 else -1
        furthest = np.argsort(way * (exact - row), kind="stable")[: abs(over)]
        row[furthest] -= way
    return np.asarray(whole.astype(np.int8))


def _pattern_windows(
    pattern: Pattern, slopes: Floats, nodes: Integers, shape: tuple[int, int], design: Design
) -> Bank:
    """Store the filters of some corners as windows of planes.

    Parameters
    ----------
    pattern : Pattern
    slopes : float64 (n_nodes, 2)
        Of all corners.
    nodes : int64 (n,)
        Those that are wanted.
    shape : tuple of int
        Rows and columns of the aperture.
    design : Design
    """
    inside = pattern.within(slopes[nodes])
    shifts, turns = _motions(pattern, inside, shape)
    centres = _covering(turns, shape)
    nearest = np.array([_apart(centres, turn, shape).argmin() for turn in turns])
    light = [pattern.read(*pattern.places(some), some) for some in np.array_split(inside, 16)]
    brightness = design.electrons / float(np.median(np.concatenate([p.sum(axis=1) for p in light])))
    planes: list[Floats] = []
    places, corners = [], []
    for index, centre in enumerate(centres):
        mine = np.flatnonzero(nearest == index)
        if not mine.size:
            continue
        plane, at = _plane(pattern, centre.reshape(2, 2), shifts[mine], shape)
        plane = np.log(np.maximum(plane * brightness, 0.0) + design.floor)
        for x, y in itertools.product(range(_PHASES), repeat=2):
            own = np.flatnonzero((at % _PHASES == (x, y)).all(axis=1))
            if not own.size:
                continue
            whole = at[own] // _PHASES
            left, top = whole.min(axis=0)
            right, below = whole.max(axis=0) + np.array(shape[::-1])
            corners.append(mine[own])
            places.append(np.column_stack([np.full(own.size, len(planes)), whole - (left, top)]))
            planes.append(plane[y::_PHASES, x::_PHASES][top:below, left:right])
    values, stride, origins = _packed(planes)
    starts = np.zeros(len(slopes), dtype=np.int32)
    every = np.concatenate(places)
    row, col = origins[every[:, 0]].T + every[:, :0:-1].T
    starts[nodes[np.concatenate(corners)]] = row * stride + col
    return Bank(values, stride, starts, shape)


def _motions(pattern: Pattern, slopes: Floats, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return where the aperture's middle reads the pattern, (n, 2), and its turn, (n, 4)."""
    rows, cols = shape
    across, down = pattern.places(slopes)
    first, right, below = 0, cols - 1, (rows - 1) * cols
    turns = [
        (of[:, end] - of[:, first]) / max(length - 1, 1)
        for of in (across, down)
        for end, length in ((right, cols), (below, rows))
    ]
    return np.stack([across.mean(axis=1), down.mean(axis=1)], axis=1), np.stack(turns, axis=1)


def _apart(turns: Floats, one: Floats, shape: tuple[int, int]) -> Floats:
    """Return how far apart, in pixels, two turns take the corner of an aperture, (n,)."""
    off = np.abs(turns - one)
    half = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    return np.maximum(off[:, :2] @ half, off[:, 2:] @ half)


def _covering(turns: Floats, shape: tuple[int, int]) -> Floats:
    """Return turns (n, 4) of which one is near each; most in need first."""
    left, found = np.ones(len(turns), dtype=bool), []
    while left.any():
        rest = turns[left]
        tried = rest[:: max(1, len(rest) // _MOST_TRIED)]
        counts = [int((_apart(rest, one, shape) <= _MOST_OFF).sum()) for one in tried]
        best = tried[int(np.argmax(counts))]
        near = rest[_apart(rest, best, shape) <= _MOST_OFF]
        middle = (near.max(axis=0) + near.min(axis=0)) / 2
        covered = _apart(turns, middle, shape) <= _MOST_OFF
        if not (covered & left).any():
            middle, covered = best, _apart(turns, best, shape) <= _MOST_OFF
        found.append(middle)
        left &= ~covered
    return np.array(found)


def _plane(
    pattern: Pattern, turn: Floats, shifts: Floats, shape: tuple[int, int]
) -> tuple[Floats, Integers]:
    """Return the pattern as a turn shows it, all its phases, and where windows begin, (n, 2)."""
    rows, cols = shape
    moved = np.linalg.solve(turn, shifts.T).T - [(cols - 1) / 2, (rows - 1) / 2]
    low = np.floor(moved.min(axis=0))
    at = np.round((moved - low) * _PHASES).astype(np.int64)
    size = (-(-(at.max(axis=0) + 1) // _PHASES) + [cols, rows]) * _PHASES
    x, y = (low[k] + np.arange(size[k]) / _PHASES for k in (0, 1))
    down, across = np.meshgrid(y, x, indexing="ij")
    places = turn @ np.stack([across.ravel(), down.ravel()])
    return pattern.plane(places[0], places[1]).reshape(down.shape), at


def _packed(planes: Sequence[Floats]) -> tuple[npt.NDArray[np.int8], int, Integers]:
    """Lay planes side by side on shelves, the highest first: values, stride, and their origins.

    Raises
    ------
    UsageError
        A plane is wider than the rows of a bank may be.
    """
    mean = float(np.mean([plane.mean() for plane in planes]))
    scale = _LARGEST / max(max(float(np.abs(plane - mean).max()) for plane in planes), 1e-12)
    shapes = [plane.shape for plane in planes]
    widest = max(cols for _, cols in shapes)
    if widest > MOST_STRIDE:
        do = "read fewer columns, or narrow half_field_deg of the recipe"
        raise UsageError("calibration", "pixels that the pattern moves over", widest,
                         f"at most {MOST_STRIDE} with the aperture's", do)  # fmt: skip
    strides = [n * widest for n in _ABREAST if n * widest <= MOST_STRIDE] or [widest]
    laid = [_laid(shapes, stride) for stride in strides]
    height, stride, origins = min(laid, key=lambda each: each[0] * each[1])
    bank = np.zeros((height, stride), dtype=np.int8)
    for plane, (row, col) in zip(planes, origins.tolist(), strict=True):
        part = bank[row : row + plane.shape[0], col : col + plane.shape[1]]
        part[:] = np.round((plane - mean) * scale)
    return bank.ravel(), stride, origins


def _laid(shapes: Sequence[tuple[int, ...]], stride: int) -> tuple[int, int, Integers]:
    """Return the rows and columns that planes take on shelves of a width, and their origins."""
    order = sorted(range(len(shapes)), key=lambda k: (-shapes[k][0], -shapes[k][1], k))
    origins = np.zeros((len(shapes), 2), dtype=np.int64)
    top = height = across = 0
    for k in order:
        rows, cols = shapes[k]
        if across + cols > stride:
            top, height, across = top + height, 0, 0
        height = max(height, rows)
        origins[k] = top, across
        across += cols
    return top + height, stride, origins
