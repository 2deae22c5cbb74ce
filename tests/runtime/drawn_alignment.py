"""Registration and triangulation with drawn tables: no optic behind them, every branch in reach."""

from __future__ import annotations

import math

import numpy as np

from runtime.stages.alignment.arithmetic import COMBINATION_LIMIT, POLYNOMIAL_LIMIT
from runtime.stages.alignment.geometry import CellGrid
from runtime.stages.alignment.registration import Registration
from runtime.stages.alignment.triangulation import Triangulation
from runtime.stages.pair.pair import Pair

__all__ = ["drawn_pair", "drawn_registration", "drawn_triangulation", "seen_by_pair"]


def drawn_registration(
    rng: np.random.Generator, n_apertures: int = 1, rows: int = 6, cols: int = 8, most: int = 4095
) -> Registration:
    """Return a stage of random filters on small apertures that lie side by side."""
    coarse, fine = (
        CellGrid(3, 2, -90_000, -60_000, 60_000),
        CellGrid(7, 5, -91_000, -61_000, 26_000),
    )
    bins, n_pixels = (2, 4), rows * cols
    stride = cols * n_apertures + 1
    n_nodes = fine.n_nodes
    sum_shift = max(0, (n_pixels * most).bit_length() - 15)
    energy_bits = max(0, (n_pixels * most**2).bit_length() - 29)
    while 2.0 ** (2 * sum_shift - energy_bits) / n_pixels >= 0.25:
        energy_bits += 1
    real = 2.0 ** (2 * sum_shift - energy_bits) / n_pixels
    shift = min(46, max(17, 15 - math.frexp(real)[1]))
    starts = rng.permutation(n_apertures * n_nodes).reshape(n_apertures, -1) * 3
    n_own = n_apertures if rng.random() < 0.5 else 1  # or one set of filters for all

    def terms(n_cells: int, *polynomials: int) -> np.ndarray:
        combined = rng.normal(0, COMBINATION_LIMIT / 6, (n_apertures, n_cells, 12))
        combined[:, :, :4] = np.abs(combined[:, :, :4]) * 3
        parts = [np.clip(combined, -COMBINATION_LIMIT, COMBINATION_LIMIT)]
        for n in polynomials:
            drawn = rng.normal(0, 1, (n_apertures, n_cells, n)) ** 3
            share = rng.uniform(0.2, 0.99, (n_apertures, n_cells, 1)) * POLYNOMIAL_LIMIT
            drawn *= share / np.abs(drawn).sum(axis=2, keepdims=True)
            parts.append(np.clip(drawn, -32767, 32767))
        every = np.concatenate(parts, axis=2)
        every[:, 0] = 0  # as of a cell that was never calibrated
        return np.trunc(every).astype(np.int16)

    def filters(*shape: int) -> np.ndarray:
        return rng.integers(-127, 128, shape).astype(np.int8)

    return Registration(
        n_values=stride * rows, n_rows=rows, n_cols=cols, stride=stride,
        offsets=tuple(cols * k for k in range(n_apertures)), bin_rows=bins[0], bin_cols=bins[1],
        coarse=(3, 2, -90_000, -60_000, 60_000), fine=(7, 5, -91_000, -61_000, 26_000),
        reach=(1, 1), gain_bits=(2, 3),
        energy=(
            energy_bits, sum_shift, round(math.ldexp(real, shift)), shift, 3, 40, 9000, 20, 700,
        ),
        bin_energy=(max(0, energy_bits - 1), 30, 9000, 21, 900, 17_000, 17, 300),
        spline_offset=tuple(rng.integers(-2048, 2049, 2 * n_apertures).tolist()),
        search=filters(n_apertures, coarse.n_cells, bins[0] * bins[1]),
        coarse_filters=filters(n_apertures, coarse.n_nodes, bins[0] * bins[1]),
        coarse_terms=terms(coarse.n_cells, 21, 21),
        bank=filters(3 * n_apertures * n_nodes + n_pixels + 4 * rows), bank_stride=cols + 2,
        starts=starts[:n_own].astype(np.int32), fine_terms=terms(fine.n_cells, 21, 21, 10),
        spline=filters(n_own, fine.n_spline, bins[0] * bins[1]),
        light=(17, int(rng.integers(-2, 6)), 9000, 19, int(rng.choice([50, 1 << 29])), 900),
        light_offset=tuple(rng.integers(-400, 400, n_apertures).tolist()),
        norms=rng.integers(0, 32767, (n_apertures, fine.n_spline)).astype(np.int16),
    )  # fmt: skip


def drawn_triangulation(n_apertures: int) -> Triangulation:
    """Return the stage of a baseline of 2 mm that is a little turned."""
    if n_apertures == 1:
        return Triangulation(1, 0, 0, 1, 17, 0, 0)
    real = 2.0**-14 / 2e-3
    shift = 15 - math.frexp(real)[1]
    return Triangulation(2, 8191, 128, round(math.ldexp(real, shift)), shift, 900, -50)


def drawn_pair(rng: np.random.Generator, rows: int = 6, cols: int = 8, most: int = 4095) -> Pair:
    """Return a stage whose finer bins are single pixels, of random waves over the cells."""
    one = drawn_registration(rng, 1, rows, cols, most)
    grid, bins = one.fine_grid, one.windows.n_bins

    def waves(n_bins: int) -> np.ndarray:
        row, column = np.divmod(np.arange(grid.n_spline), grid.n_x + 2)
        place = np.column_stack([column, row, np.ones(grid.n_spline)])
        drawn = rng.normal(0, 1, (3, n_bins)) * np.array([[0.4], [0.4], [9.0]])
        return np.trunc(127 * np.sin(place @ drawn)).astype(np.int8)

    fields = one.to_json() | one.arrays() | {"spline_offset": (0, 0), "spline": waves(bins)[None]}
    given = {k: tuple(v) if isinstance(v, list) else v for k, v in fields.items() if k != "kind"}
    return Pair(
        **given, pair_rows=rows, pair_cols=cols,
        pair_energy=(4, int(rng.choice([40, 1 << 29])), 9000, 21, 9000),
        least_level=int(rng.integers(0, 60)), pair_level=-37, apart=int(rng.choice([900, 9000])),
        bend=-3000, pair_spline=waves(rows * cols),
        pair_light=(20_000, 20, 3, 9000, 19, int(rng.choice([90, 1 << 29])), 3000),
    )  # fmt: skip


def seen_by_pair(stage: Pair, n: int, most: int, rng: np.random.Generator) -> np.ndarray:
    """Return values int64 (n, n_values) of two sources of the stage's own, which move a little."""
    grid = stage.fine_grid
    low, high = np.array([grid.low_x, grid.low_y]), np.array([grid.n_x, grid.n_y]) * grid.step
    slopes = low + rng.uniform(0.2, 0.8, (2, 2)) * high
    slopes = slopes + np.arange(n)[:, None, None] * rng.uniform(-0.05, 0.05, (2, 2)) * grid.step
    whole = np.clip(slopes, low, low + high - 1).astype(np.int64)
    table = stage.tables[1]
    parts = [table.columns(whole[:, k])[:, 0] >> table.bins.fraction_bits for k in (0, 1)]
    x = np.zeros((n, stage.n_values), dtype=np.int64)
    x[:, stage.windows.columns(0)] = (most // 127 * (2 * parts[0] + parts[1])) // 4
    return x
