"""From an optic as learned to the registration stage: grids, filters and terms in integers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from runtime.fixedpoint import MAX_MULTIPLIER
from runtime.stages.alignment.arithmetic import COMBINATION_LIMIT, ROOT_SHIFT
from runtime.stages.alignment.binned import MOST_BINS
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    N_COMBINED,
    N_OF_PLACE,
    N_OF_ROOT,
    SLOPE_BITS,
    CellGrid,
    Windows,
)
from runtime.stages.alignment.registration import Registration
from trainer.align.binned import bin_energy, bin_tolerance, splines_of
from trainer.align.cells import (
    CellFit,
    Design,
    cell_terms,
    dearest,
    grid_over,
    holding,
    polynomials,
    slopes_of,
)  # fmt: skip
from trainer.align.light import light_numbers, light_tolerance
from trainer.align.multipliers import at_least_17
from trainer.align.windows import Bank, Storage, joined, storages

__all__ = ["LearnedOptic", "Lowering", "lower_registration", "with_tolerance"]

Floats = npt.NDArray[np.float64]

FINE_STEPS = (0.1, 0.085, 0.07, 0.06, 0.05, 0.046, 0.042, 0.038, 0.034, 0.03)
"""Sides of fine cells that are tried, widest first: flash falls with their square."""
COARSE_STEPS = (0.24, 0.2, 0.17, 0.14, 0.12, 0.1, 0.085, 0.07, 0.06)
MOST_LOSS, MOST_BIAS = 1.14, 0.2
"""What cells may cost: 14 % above the bound and a bias of a fifth of it, which together are 16 %
above; with what calibration leaves unknown the whole is to stay within 1.3 and 0.3."""
MOST_COARSE_LOSS = 1.5
"""The coarse alignment has but to find the fine cell."""
MOST_HANDED_ON = 0.1
"""Of a fine cell: the coarse alignment's bias, which with the stage's room beyond a cell rarely
makes a second fine alignment."""
MOST_CELLS = 96
"""A side that the stage takes: of wider fields the narrowest cells are not tried."""
MOST_LOST = 0.4
"""Of a fine cell: what any coarse cell that was looked at may be off by. Polynomials of the cell
beyond whose edge that is still lead back; of a coarse cell that is too wide for the pattern there
are none, and all of its directions would be lost."""
_SAMPLES, _COARSE_SAMPLES = 12, 48
_ROOT_BITS = ROOT_SHIFT - 15
"""A share of 1 in steps of the stage's is the amplitude over two to so many."""
_FEW = 16.0
"""Times what the middle cell needs, four bits: 11 of a term's 15 stay for that one itself."""
_MOST_BINS = math.isqrt(MOST_BINS)
"""Of a side: as many as the stage takes, were the sensor a square."""
_STRAIGHT, _SIGMAS = 0.01, 4.0
"""Noise s of the root energy R, about that of one pixel, counts straight in what is left: z times
2 R s, which is at most e R**2 + (z s)**2 / e, a share of what is explained and so much more noise.
"""


class LearnedOptic(Protocol):
    """What a calibration taught of one aperture: see `templates` and `pattern`."""

    @property
    def low(self) -> Floats:
        """Lower ends of the calibrated slopes."""
        ...

    @property
    def high(self) -> Floats:
        """Upper ends."""
        ...

    @property
    def seen(self) -> Floats:
        """All calibrated slopes."""
        ...

    def at(self, slopes: Floats, along: int | None = None) -> Floats:
        """Return templates (n, n_pixels)."""
        ...


@dataclass(frozen=True, slots=True)
class Lowering:
    """What the stage is made for.

    Parameters
    ----------
    n_rows, n_cols, stride, n_values : int
        Of the windows, see `runtime.stages.alignment.registration.Registration`.
    offsets : tuple of int
    max_counts : int
        Of the sensor.
    gain_dn_per_e : float
        Conversion gain.
    design : Design
    most_disparity : float
        Largest difference of slopes between apertures that is to be found.
    """

    n_rows: int
    n_cols: int
    stride: int
    n_values: int
    offsets: tuple[int, ...]
    max_counts: int
    gain_dn_per_e: float
    design: Design
    most_disparity: float


@dataclass(frozen=True, eq=False)
class _Level:
    """One level of cells of one aperture in integers."""

    bank: Bank
    fit: CellFit


def _bins(n: int) -> int:
    """Return the most bins of at least two pixels, up to eight, that divide a side."""
    return max(k for k in range(1, _MOST_BINS + 1) if n % k == 0 and (n // k >= 2 or k == 1))


def _near_seen(grid: CellGrid, seen: Floats) -> npt.NDArray[np.bool_]:
    """Return the cells with a calibrated direction near: 1.5 sides, or twice their spacing."""
    from scipy.spatial import cKDTree

    away, _ = cKDTree(seen).query(slopes_of(grid, corners=False))
    spacing = float(np.median(cKDTree(seen).query(seen, k=min(5, len(seen)))[0].max(axis=1)))
    return np.asarray(away <= max(1.5 * grid.step / (1 << SLOPE_BITS), 2.0 * spacing))


def _chosen(
    optics: Sequence[Any], bounds: tuple[Floats, Floats], steps: Sequence[float],
    most: tuple[float, float, float, float], storage: Storage,
) -> tuple[CellGrid, bool]:  # fmt: skip
    """Return the widest cells that cost no more than they may, or the narrowest that are tried.

    `most` holds loss, bias over the bound, and bias in steps of a slope, each of the median of some
    cells of any optic, and the last of any of them that holds a calibrated direction. With the
    cells comes whether they cost no more.
    """
    n_samples = _SAMPLES if math.isinf(most[3]) else _COARSE_SAMPLES
    grid = grid_over(*bounds, steps[0])
    for step in steps:
        narrower = grid_over(*bounds, step)
        if max(narrower.n_x, narrower.n_y) > MOST_CELLS:
            break
        grid, fits, lost = narrower, [], 0.0
        for optic in optics:
            usable = np.flatnonzero(_near_seen(grid, optic.seen))
            cells = usable[np.unique(np.linspace(0, len(usable) - 1, n_samples).astype(int))]
            bank = storage.bank(optics, optic, grid, np.unique(grid.corners[cells]))
            fits.append(
                cell_terms(grid, cells, partial(bank.of_cell, grid), optic.at, storage.design)
            )
            held = holding(grid, optic.seen)[cells]
            lost = max(lost, float((fits[-1].offset * held).max()) * grid.step)
        every = [np.ones(len(fit.loss), dtype=bool) for fit in fits]
        costs = [dearest(fits, every, name) for name in ("loss", "bias", "offset")]
        costs[2] *= grid.step
        if lost <= most[3] and all(a <= b for a, b in zip(costs, most, strict=False)):
            return grid, True
    return grid, False


@dataclass(frozen=True, eq=False)
class _Binned:
    """An optic whose pixels are summed to bins."""

    optic: LearnedOptic
    windows: Windows

    @property
    def seen(self) -> Floats:
        """The calibrated directions."""
        return self.optic.seen

    def at(self, slopes: Floats) -> Floats:
        """Return binned templates."""
        return np.asarray(self.windows.binned(self.optic.at(slopes)))  # type: ignore[arg-type]


def _level(optic: Any, grid: CellGrid, bank: Bank, design: Design) -> _Level:
    """Make a level: polynomials of the cells near the calibration, for filters as stored."""
    cells = np.flatnonzero(_near_seen(grid, optic.seen))
    fit = cell_terms(grid, cells, partial(bank.of_cell, grid), optic.at, design)
    return _Level(bank, _spread(fit, cells, grid.n_cells))


def _banks(optics: Sequence[Any], grid: CellGrid, storage: Storage) -> list[Bank]:
    """Return the filters of each optic, all behind one another; the same ones where shared."""
    seen = [np.unique(grid.corners[_near_seen(grid, optic.seen)]) for optic in optics]
    if storage.kind == "shared":
        shared = storage.bank(optics, optics[0], grid, np.unique(np.concatenate(seen)))
        return [shared] * len(optics)
    each = [storage.bank(optics, o, grid, nodes) for o, nodes in zip(optics, seen, strict=True)]
    return joined(each)


def _spread(fit: CellFit, cells: npt.NDArray[np.int64], n: int) -> CellFit:
    """Put the fits of some cells into arrays of all, zero elsewhere."""

    def whole(values: Floats) -> Floats:
        every = np.zeros((n, *values.shape[1:]))
        every[cells] = values
        return every

    return CellFit(*(whole(getattr(fit, field.name)) for field in fields(fit)))


def _gain_bits(fits: Sequence[CellFit]) -> int:
    ratios = [
        np.abs(f.combined[f.loss > 0, 1:]).max(axis=(1, 2))
        / np.abs(f.combined[f.loss > 0, 0]).max(axis=1)
        for f in fits
    ]
    middle = float(np.median(np.concatenate(ratios)))
    return int(np.clip(math.ceil(math.log2(max(middle, 1.0))), 0, 6))


def _terms(fit: CellFit, gain_bits: int) -> tuple[npt.NDArray[np.int16], Floats]:
    """Return the terms of all cells but for the root, int16 (n_cells, 54); zero where none is.

    Polynomials are fitted to combinations as they are rounded, whose error so is none. With them
    come the shares of the root energy, (n_cells, 10), of an amplitude in integers.
    """
    whole = np.zeros((len(fit.combined), N_COMBINED + 2 * N_OF_PLACE), dtype=np.int16)
    shares = np.zeros((len(whole), N_OF_ROOT))
    gain = np.array([[1.0], [2.0**gain_bits], [2.0**gain_bits]])
    for cell in np.flatnonzero(fit.loss > 0).tolist():
        combined = fit.combined[cell] / gain
        combined = np.round(combined * (COMBINATION_LIMIT / np.abs(combined).max()))
        of_place, shares[cell] = polynomials(combined * gain, fit.given[cell], fit.energy[cell])
        whole[cell, :N_COMBINED] = combined.ravel()
        whole[cell, N_COMBINED:] = np.round(of_place * 2.0**DELTA_BITS).ravel()
    return whole, shares


def _with_roots(
    levels: Sequence[tuple[npt.NDArray[np.int16], Floats]],
) -> tuple[npt.NDArray[np.int16], int]:
    """Return the terms of all apertures with those of the root, and the root's bits.

    The bits are the most with which nearly all cells' shares fit, and those that a few times the
    middle one's needs: what has more, at the edge of what was seen or where next to nothing is, is
    cut, and then explains less than it could.
    """
    shares = np.stack([share for _, share in levels])
    sizes = np.abs(shares).sum(axis=2)
    found = sizes[sizes > 0]
    most = min(float(np.quantile(found, 0.99)), _FEW * float(np.median(found)))
    bits = math.floor(math.log2(32767.0 / most)) - _ROOT_BITS
    steps = shares * 2.0 ** (bits + _ROOT_BITS)
    cut = np.minimum(1.0, 32767.0 / np.maximum(np.abs(steps).sum(axis=2, keepdims=True), 1.0))
    whole = np.round(steps * cut).astype(np.int16)
    return np.concatenate([np.stack([terms for terms, _ in levels]), whole], axis=2), bits


def _energy(lowering: Lowering, root_bits: int, tolerance: int) -> tuple[int, ...]:
    n = lowering.n_rows * lowering.n_cols
    sum_shift = max(0, (n * lowering.max_counts).bit_length() - 15)
    energy_bits = max(0, (n * lowering.max_counts**2).bit_length() - 30)
    while 2.0 ** (2 * sum_shift - energy_bits) / n >= 0.25:  # two multiplications shift by 17
        energy_bits += 1
    room = 1.0 + 5.0 * math.sqrt(2.0 / n) + _SIGMAS**2 / (_STRAIGHT * n)
    gain = lowering.gain_dn_per_e
    floor = n * lowering.design.floor * gain**2 * room / 2.0**energy_bits
    mean = at_least_17(2.0 ** (2 * sum_shift - energy_bits) / n)
    noise = at_least_17(gain * room / 2.0**energy_bits)
    return (energy_bits, sum_shift, *mean, root_bits, math.ceil(floor), *noise, tolerance)


def lower_registration(
    optics: Sequence[LearnedOptic], lowering: Lowering
) -> tuple[Registration, Any]:
    """Make the stage of some apertures.

    Returns
    -------
    stage : Registration
        It allows the patterns no error yet: see `with_tolerance`.
    cost : dict
        What the cells cost over the bound, as predicted, how their filters are stored, and whether
        any cells within the stage's limits cost no more than they may.
    """
    low = np.min([o.low for o in optics], axis=0)
    high = np.max([o.high for o in optics], axis=0)
    windows = Windows(
        lowering.n_rows, lowering.n_cols, lowering.stride, lowering.offsets,
        _bins(lowering.n_rows), _bins(lowering.n_cols),
    )  # fmt: skip
    binned = [_Binned(optic, windows) for optic in optics]
    coarse_design = lowering.design.binned(windows.n_pixels // windows.n_bins)
    design, shape = lowering.design, (lowering.n_rows, lowering.n_cols)
    for kind in storages(optics):
        storage = Storage(kind, shape, design)
        limits = MOST_LOSS, MOST_BIAS, math.inf, math.inf
        fine, enough = _chosen(optics, (low, high), FINE_STEPS, limits, storage)
        if enough:
            break
    limits = MOST_COARSE_LOSS, math.inf, MOST_HANDED_ON * fine.step, MOST_LOST * fine.step
    on_bins = Storage("own", (windows.bin_rows, windows.bin_cols), coarse_design)
    coarse, _ = _chosen(binned, (low, high), COARSE_STEPS, limits, on_bins)
    every_node = np.arange(coarse.n_nodes)
    coarse_levels = [
        _level(each, coarse, on_bins.bank(binned, each, coarse, every_node), coarse_design)
        for each in binned
    ]
    banks = _banks(optics, fine, storage)
    fine_levels = [
        _level(each, fine, bank, design) for each, bank in zip(optics, banks, strict=True)
    ]
    gains = _gain_bits([v.fit for v in coarse_levels]), _gain_bits([v.fit for v in fine_levels])
    fine_terms, root_bits = _with_roots([_terms(v.fit, gains[1]) for v in fine_levels])
    patterns = [_search_patterns(each, coarse) for each in binned]
    most = max(float(np.abs(p).max()) for p in patterns)
    alike = storage.kind == "shared"
    splines, spline_offset = splines_of([each.at for each in binned], fine)
    near = np.any([_near_seen(fine, optic.seen) for optic in optics], axis=0)
    light, norms = light_numbers(
        [optic.at for optic in optics], fine, near, lowering.gain_dn_per_e,
        design.floor,
    )  # fmt: skip
    largest = max(float(np.abs(p).max()) for p in splines)
    reach = int(np.ceil(lowering.most_disparity * (1 << 18) / coarse.step)) + 1
    stage = Registration(
        n_values=lowering.n_values, n_rows=lowering.n_rows, n_cols=lowering.n_cols,
        stride=lowering.stride, offsets=lowering.offsets,
        bin_rows=windows.bin_rows, bin_cols=windows.bin_cols,
        coarse=(coarse.n_x, coarse.n_y, coarse.low_x, coarse.low_y, coarse.step),
        fine=(fine.n_x, fine.n_y, fine.low_x, fine.low_y, fine.step),
        reach=(min(reach, MOST_CELLS), 1), gain_bits=gains,
        energy=_energy(lowering, root_bits, 0),
        bin_energy=bin_energy(
            windows.n_pixels, windows.n_bins, lowering.max_counts, lowering.gain_dn_per_e,
            lowering.design.floor,
        ),
        spline_offset=spline_offset,
        search=np.stack([np.round(p * (127 / most)) for p in patterns]).astype(np.int8),
        coarse_filters=np.stack(
            [v.bank.values.reshape(-1, windows.n_bins) for v in coarse_levels]
        ),
        coarse_terms=np.stack([_terms(v.fit, gains[0])[0] for v in coarse_levels]),
        bank=banks[0].values,
        bank_stride=banks[0].stride,
        starts=np.stack([bank.starts for bank in (banks[:1] if alike else banks)]),
        fine_terms=fine_terms,
        spline=np.stack([np.round(p * (127 / largest)) for p in splines]).astype(np.int8),
        light=light, light_offset=(0,) * len(optics), norms=norms,
    )  # fmt: skip
    every = [v.fit for v in fine_levels], [holding(fine, optic.seen) for optic in optics]
    cost = {
        "loss": dearest(*every, "loss"), "bias": dearest(*every, "bias"), "filters": storage.kind,
        "enough": enough,
    }  # fmt: skip
    return stage, cost


def _search_patterns(optic: _Binned, grid: CellGrid) -> Floats:
    """Return the bins of each cell's middle, of sum zero and norm 1; zero where none was seen."""
    light = optic.at(slopes_of(grid, corners=False))
    light = light - light.mean(axis=1, keepdims=True)
    light /= np.maximum(np.linalg.norm(light, axis=1, keepdims=True), 1e-30)
    return np.asarray(light * _near_seen(grid, optic.seen)[:, None])


def with_tolerance(stage: Registration, values: npt.NDArray[np.int32], room: float) -> Registration:
    """Return the stage allowing the patterns the error that calibration readouts show.

    All but one in two hundred of them pass, with some room; and so do dimmer ones.
    """
    silent = replace(
        stage, bin_energy=(*stage.bin_energy[:1], 1 << 29, *stage.bin_energy[2:]),
        light=(*stage.light[:4], 1 << 29, MAX_MULTIPLIER),
    )  # fmt: skip
    outputs, _ = silent.run(values, {})
    every = outputs.reshape(len(outputs), -1, 4).astype(np.float64)
    explained = 2.0 ** (every[:, :, 2] / 16.0)
    share = float(np.quantile(every[:, :, 3] / explained, 0.995)) * room
    tolerance = int(np.clip(math.ceil(max(share, _STRAIGHT) * 2**17), 0, 1 << 14))
    allowed = replace(stage, energy=(*stage.energy[:-1], tolerance))
    return light_tolerance(bin_tolerance(allowed, values, room), values, room)
