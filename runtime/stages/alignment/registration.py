"""Registration: where one source of light stands, from readouts aligned with stored patterns."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError, OverflowRisk
from runtime.fixedpoint import INT32_MAX, saturate
from runtime.stages.alignment.arithmetic import (
    SEARCH_BITS,
    Aligned,
    block_cut,
    check_terms,
    is_beyond,
    log_level,
    placed,
    placed_float,
)
from runtime.stages.alignment.binned import MOST_BINS, MOST_OFFSET, BinRule, Left
from runtime.stages.alignment.c_text import registration_c
from runtime.stages.alignment.energy import MOST_DARK, EnergyRule, LightRule
from runtime.stages.alignment.filter_bank import FilterBank
from runtime.stages.alignment.geometry import (
    DELTA_BITS,
    N_COMBINED,
    N_CORNERS,
    N_OF_PLACE,
    N_OF_ROOT,
    CellGrid,
    Windows,
)
from runtime.stages.alignment.registration_nodes import registration_nodes
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
    require,
)

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["OUTPUTS", "Registration"]

OUTPUTS = ("slope_x", "slope_y", "level", "excess")
"""What is given for each aperture."""
_COARSE_TERMS = N_COMBINED + 2 * N_OF_PLACE
_FINE_TERMS = _COARSE_TERMS + N_OF_ROOT


@dataclass(frozen=True, eq=False)
class Registration(Stage):
    """Slopes of one source at each aperture, how bright it is, and whether one source explains it.

    A search over binned patterns finds the cell, then two alignments the place: one on bins, one on
    all pixels, the second of these repeated where its place lies well beyond its cell: once in a
    frame, for the first aperture that needs it, as that bounds what a frame costs. The first is
    searched whole, the others within `reach` cells of its direction.
    Outputs of an aperture: the two slopes in steps of 2**-18; the level, 16 times the base-2
    logarithm of the energy that one source explains; and the excess: what energy is left, above
    what noise and the patterns' own error allow, of pixels, and where that is not above 0 the
    largest one of pixels, of bins (in all, or of a spread of the pattern) and of the light that
    belongs to what is explained, each in its own steps.
    An excess above 0 means that something else was seen than one source (another source, a smeared
    or covered aperture, saturation), or one whose place is beyond all cells.

    Parameters
    ----------
    n_values : int
        Values taken per frame.
    n_rows, n_cols, stride, offsets, bin_rows, bin_cols : int and tuple of int
        As of `runtime.stages.alignment.geometry.Windows`.
    coarse, fine : tuple of int
        n_x, n_y, low_x, low_y, step of the cells searched and of those aligned with.
    reach : tuple of int
        Cells along x and y that other apertures may be away from the first.
    gain_bits : tuple of int
        Of coarse and fine terms, 0 to 6.
    energy : tuple of int
        As of `runtime.stages.alignment.energy.EnergyRule`.
    bin_energy : tuple of int
        As of `runtime.stages.alignment.binned.BinRule`.
    spline_offset : tuple of int
        Of each aperture x and y, in 2**-14 of a fine cell: where its place is in the spline.
    search : int8 (n_apertures, n_coarse_cells, n_bins)
        Patterns in the middle of the cells, all of one norm; zero where nothing was calibrated.
    coarse_filters : int8 (n_apertures, n_coarse_nodes, n_bins)
    coarse_terms : int16 (n_apertures, n_coarse_cells, 54)
        As of `runtime.stages.alignment.arithmetic.placed`.
    bank : int8 (n_bank,)
        Filters of all pixels; those of a corner begin at its start, a row every `bank_stride`: each
        by itself, or many as windows of one plane. What a filter's sum would see of light alike on
        all pixels, the readout's mean, is taken off.
    bank_stride : int
    starts : int32 (n_apertures or 1, n_fine_nodes)
    fine_terms : int16 (n_apertures, n_fine_cells, 64)
    spline : int8 (n_apertures or 1, (n_fine_x + 2) * (n_fine_y + 2), n_bins)
        Patterns in bins, coefficients of a quadratic B-spline over the fine cells; one set of them
        may serve all apertures.
    light : tuple of int
        As of `runtime.stages.alignment.energy.LightRule`.
    light_offset : tuple of int
        Of each aperture: the sum of its values without a source, taken off.
    norms : int16 (n_apertures, n_spline)
        Norms of patterns that sum to 1, coefficients over the fine cells; 0 and more.

    Raises
    ------
    FormatError
        A value is out of range or shapes disagree.
    """

    kind: ClassVar[str] = "registration"
    n_values: int
    n_rows: int
    n_cols: int
    stride: int
    offsets: tuple[int, ...]
    bin_rows: int
    bin_cols: int
    coarse: tuple[int, ...]
    fine: tuple[int, ...]
    reach: tuple[int, ...]
    gain_bits: tuple[int, ...]
    energy: tuple[int, ...]
    bin_energy: tuple[int, ...]
    spline_offset: tuple[int, ...]
    search: NDArray[Any]
    coarse_filters: NDArray[Any]
    coarse_terms: NDArray[Any]
    bank: NDArray[Any]
    bank_stride: int
    starts: Int32
    fine_terms: NDArray[Any]
    spline: NDArray[Any]
    light: tuple[int, ...]
    light_offset: tuple[int, ...]
    norms: NDArray[Any]

    def __post_init__(self) -> None:
        self._check_geometry()
        n = len(self.offsets)
        coarse, fine, bins = self.coarse_grid, self.fine_grid, self.windows.n_bins
        for name, dtype, shape in (
            ("search", "int8", (n, coarse.n_cells, bins)),
            ("coarse_filters", "int8", (n, coarse.n_nodes, bins)),
            ("coarse_terms", "int16", (n, coarse.n_cells, _COARSE_TERMS)),
            ("bank", "int8", (None,)),
            ("starts", "int32", (None, fine.n_nodes)),
            ("fine_terms", "int16", (n, fine.n_cells, _FINE_TERMS)),
            ("spline", "int8", (None, fine.n_spline, bins)),
            ("norms", "int16", (n, fine.n_spline)),
        ):
            frozen = frozen_array(self.kind, name, getattr(self, name), dtype, shape)
            object.__setattr__(self, name, frozen)
        if len(self.spline) not in (1, n):
            raise FormatError(self.kind, "apertures of spline", len(self.spline), f"1 or {n}")
        self.filters.check(self.kind)
        for name in ("coarse_terms", "fine_terms"):
            check_terms(self.kind, name, getattr(self, name))
        for name in ("search", "coarse_filters", "bank", "spline", "norms"):
            least = 0 if name == "norms" else -127
            if getattr(self, name).min() < least:
                raise FormatError(self.kind, name, getattr(self, name).min(), f"{least} and more")

    def _check_geometry(self) -> None:
        for name, n in (
            ("coarse", 5), ("fine", 5), ("reach", 2), ("gain_bits", 2), ("energy", 9),
            ("bin_energy", 8), ("spline_offset", 2 * len(self.offsets)), ("light", 6),
            ("light_offset", len(self.offsets)),
        ):  # fmt: skip
            value = getattr(self, name)
            if not isinstance(value, tuple) or len(value) != n:
                raise FormatError(self.kind, name, repr(value), f"{n} integers")
        if not isinstance(self.offsets, tuple) or not 1 <= len(self.offsets) <= 8:
            raise FormatError(self.kind, "offsets", repr(self.offsets), "1 to 8 apertures")
        self.windows.check(self.kind, self.n_values)
        require(self.kind, "bins", self.bin_rows * self.bin_cols, 4, MOST_BINS)
        for value in (*self.coarse, *self.fine, *self.reach, *self.gain_bits):
            require(self.kind, "a number of the cells", value, -(1 << 19), 1 << 19)
        for grid in (self.coarse_grid, self.fine_grid):
            grid.check(self.kind)
        for name, values, low, high in (
            ("spline_offset", self.spline_offset, -MOST_OFFSET, MOST_OFFSET),
            ("light_offset", self.light_offset, -MOST_DARK, MOST_DARK),
            ("reach", self.reach, 0, 96), ("gain_bits", self.gain_bits, 0, 6),
        ):  # fmt: skip
            for value in values:
                require(self.kind, name, value, low, high)
        for rule in (self.rule, self.bin_rule, self.light_rule):
            rule.check(self.kind)

    @property
    def windows(self) -> Windows:
        """Where the apertures are."""
        return Windows(
            self.n_rows, self.n_cols, self.stride, self.offsets, self.bin_rows, self.bin_cols
        )

    @property
    def coarse_grid(self) -> CellGrid:
        """Cells that are searched."""
        return CellGrid(*self.coarse)

    @property
    def fine_grid(self) -> CellGrid:
        """Cells that are aligned with."""
        return CellGrid(*self.fine)

    @property
    def rule(self) -> EnergyRule:
        """What energy may be left."""
        return EnergyRule(*self.energy)

    @property
    def bin_rule(self) -> BinRule:
        """What energy of the bins may be left."""
        return BinRule(*self.bin_energy)

    @property
    def light_rule(self) -> LightRule:
        """How far what is explained may be from what belongs to all light."""
        return LightRule(*self.light)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """Four values an aperture."""
        return len(OUTPUTS) * len(self.offsets)

    @property
    def n_operations(self) -> int:
        """Of one frame: sums, squares, the search, dot products once, polynomials."""
        n, windows = len(self.offsets), self.windows
        others = min((2 * self.reach[0] + 1) * (2 * self.reach[1] + 1), self.coarse_grid.n_cells)
        searched = self.coarse_grid.n_cells + (n - 1) * others
        each = (2 + N_CORNERS) * windows.n_pixels + (N_CORNERS + 12) * windows.n_bins
        return n * (each + 2 * _FINE_TERMS) + searched * windows.n_bins

    @cached_property
    def filters(self) -> FilterBank:
        """The filters of all pixels."""
        return FilterBank(self.windows, self.fine_grid, self.bank, self.bank_stride, self.starts)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Align one aperture after another."""
        outputs = []
        for aperture, (values, at) in enumerate(self._each(x)):
            explained = self.rule.explained(at.root, at.root_shift)
            total, energy = self.rule.sums(values, self.n_cols)
            excess = self.rule.excess(total, energy, explained)
            of_bins = self.bin_rule.excess(self._left(at, aperture), total)
            of_light = self.light_rule.excess(*self._lights(at, aperture, total))
            most = np.maximum(np.maximum(excess, of_bins), of_light)
            excess = np.where(excess > 0, excess, np.where(is_beyond(at.place), 1, most))
            outputs += [at.slopes[:, 0], at.slopes[:, 1], log_level(explained), excess]
        return saturate(np.stack(outputs, axis=1), -INT32_MAX, INT32_MAX), state

    def patterns(self, aperture: int) -> NDArray[Any]:
        """Return an aperture's patterns in bins, int8 (n_spline, n_bins)."""
        return np.asarray(self.spline[min(aperture, len(self.spline) - 1)])

    def _lights(self, at: Aligned, aperture: int, total: Int64) -> tuple[Int64, Int64, Int64]:
        _, norms = self._around(at.cell, aperture)
        light = np.maximum(total - self.light_offset[aperture], 0)
        down = self.rule.root_bits - at.root_shift
        return self.light_rule.parts(light, at.root, down, norms, at.place)

    def residuals(self, x: Int32) -> list[tuple[Left, tuple[Int64, Int64, Int64]]]:
        """Return, for each aperture, what is left of its bins, and parts as of `LightRule`."""
        every = [(at, k, v.sum(axis=1)) for k, (v, at) in enumerate(self._each(x))]
        return [(self._left(at, k), self._lights(at, k, total)) for at, k, total in every]

    def _each(self, x: Int32) -> Iterator[tuple[Int64, Aligned]]:
        """Give each aperture's values and where they were aligned."""
        wide, seed, again = x.astype(np.int64), None, np.ones(len(x), dtype=bool)
        for aperture in range(len(self.offsets)):
            values = wide[:, self.windows.columns(aperture)]
            at = self._aligned(values, aperture, seed, again)
            yield values, at
            seed = at.slopes if seed is None else seed

    def _left(self, at: Aligned, aperture: int) -> Left:
        patterns, _ = self._around(at.cell, aperture)
        return self.bin_rule.left(at.cut, at.shift, patterns, at.place + self._offset(aperture))

    def _around(self, cell: Int64, aperture: int) -> tuple[NDArray[Any], NDArray[Any]]:
        """Return the patterns in bins, and the norms, that make up those in cells."""
        nine = self.fine_grid.spline_of[cell]
        return self.patterns(aperture)[nine], self.norms[aperture][nine]

    def _offset(self, aperture: int) -> Int64:
        return np.array(self.spline_offset[2 * aperture : 2 * aperture + 2], dtype=np.int64)

    def _aligned(self, values: Int64, aperture: int, seed: Int64 | None, again: Any) -> Aligned:
        """Search and align one aperture's values (n, n_pixels); who aligns twice loses `again`."""
        cut, bin_shift = block_cut(self.windows.binned(values), SEARCH_BITS)
        coarse = self.coarse_grid
        cell = self.searched(cut, aperture, seed)
        filters = self.coarse_filters[aperture][coarse.corners[cell]].astype(np.int64)
        dots = np.einsum("fkb,fb->fk", filters, cut)
        place, _, _ = placed(dots, self.coarse_terms[aperture][cell], self.gain_bits[0])
        slopes = coarse.slopes(cell, place)
        root, shift, cell = np.zeros((3, len(values)), dtype=np.int64)
        left = np.arange(len(values))
        for _ in range(2):
            cell[left] = own = self.fine_grid.cell_of(slopes[left])
            dots = self.filters.dots(values[left], aperture, own)
            place[left], root[left], shift[left] = placed(
                dots, self.fine_terms[aperture][own], self.gain_bits[1]
            )
            slopes[left] = self.fine_grid.slopes(own, place[left])
            left = left[again[left] & is_beyond(place[left])]
            again[left] = False
        return Aligned(slopes, root, shift, cut, bin_shift, cell, place)

    def searched(self, cut: NDArray[Any], aperture: int, seed: NDArray[Any] | None) -> Int64:
        """Return the cell whose pattern fits bins best; the first of equals."""
        scores = cut @ self.search[aperture].astype(cut.dtype).T
        if seed is not None:
            near = self.coarse_grid.near(seed, self.reach)
            scores = np.where(near, scores, -(2.0**62) if cut.dtype.kind == "f" else -(1 << 40))
        return np.asarray(scores.argmax(axis=1), dtype=np.int64)

    def run_float(self, x: Float64) -> Float64:
        """Align with the same tables, nothing rounded."""
        outputs, seed, again = [], None, np.ones(len(x), dtype=bool)
        for aperture in range(len(self.offsets)):
            values = x[:, self.windows.columns(aperture)]
            bins = self.windows.binned(values)  # type: ignore[arg-type]  # sums of any dtype
            cell = self.searched(bins, aperture, seed)
            filters = self.coarse_filters[aperture][self.coarse_grid.corners[cell]]
            dots = np.einsum("fkb,fb->fk", filters.astype(np.float64), bins)
            terms = self.coarse_terms[aperture][cell].astype(np.float64)
            place, root = placed_float(dots, terms, self.gain_bits[0])
            slopes, left = self.coarse_grid.slopes_float(cell, place), np.arange(len(x))
            for _ in range(2):
                whole = np.floor(slopes[left]).astype(np.int64)
                cell[left] = own = self.fine_grid.cell_of(whole)
                dots = self.filters.dots_float(values[left], aperture, own)
                terms = self.fine_terms[aperture][own].astype(np.float64)
                place[left], root[left] = placed_float(dots, terms, self.gain_bits[1])
                slopes[left] = self.fine_grid.slopes_float(own, place[left])
                left = left[again[left] & is_beyond(place[left] * 2.0**DELTA_BITS)]
                again[left] = False
            explained, excess = self.rule.float_twins(values, root)
            patterns, norms = (part.astype(np.float64) for part in self._around(cell, aperture))
            total, at = values.sum(axis=1), place + self._offset(aperture) / 2.0**DELTA_BITS
            of_bins = self.bin_rule.excess_float(bins.astype(np.float64), total, patterns, at)
            light = total - self.light_offset[aperture]
            root = root * 2.0**-self.rule.root_bits
            of_light = self.light_rule.excess_float(light, root, norms, place)
            most = np.maximum(np.maximum(excess, of_bins), of_light)
            beyond = is_beyond(place * 2.0**DELTA_BITS)
            excess = np.where(excess > 0, excess, np.where(beyond, 1.0, most))
            level = 16.0 * np.log2(np.maximum(explained, 1.0))
            outputs += [slopes[:, 0], slopes[:, 1], level, excess]
            seed = slopes if seed is None else seed
        return np.stack(outputs, axis=1)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove bins, dot products, scores and energies within 32 bits."""
        most = np.maximum(np.abs(low), np.abs(high))
        for aperture in range(len(self.offsets)):
            own = most[self.windows.columns(aperture)]
            sums = self.windows.binned(own[None])[0]
            prove_int32(self.kind, "sum of bin", -sums, sums)
            self.filters.prove(self.kind, aperture, own)
            self.rule.prove(self.kind, own, self.n_cols)
            prove_int32(self.kind, "light", -sums, sums + MOST_DARK)
        if 127 * self.windows.n_bins << SEARCH_BITS > INT32_MAX:
            raise OverflowRisk(self.kind, "a score", "beyond 32 bits", "fewer bins")
        slopes = [self.fine_grid.reached(axis) for axis in (0, 1)]
        ends = np.array([*slopes, (0, 16 * 31), (-INT32_MAX, INT32_MAX)], dtype=np.int64)
        both = np.tile(ends, (len(self.offsets), 1))
        return both[:, 0], both[:, 1]

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write search and alignments with MatMul and Gather."""
        with nodes.once():
            return registration_nodes(self, nodes, x), state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Align one aperture after another: see the kernel's own notes."""
        return registration_c(self, prefix, x, y)
