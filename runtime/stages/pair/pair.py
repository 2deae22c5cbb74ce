"""Pair: the two brightest sources of one aperture, each by its slopes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import INT32_MAX, round_shift, saturate, scale
from runtime.stages.alignment.arithmetic import log_level
from runtime.stages.alignment.binned import BinRule, quotient
from runtime.stages.alignment.energy import TOLERANCE_SHIFT, in_steps
from runtime.stages.alignment.geometry import DELTA_BITS, Windows
from runtime.stages.alignment.registration import OUTPUTS, Registration
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    State,
    frozen_array,
    prove_int32,
    require,
    require_divisor,
)
from runtime.stages.pair.c_text import pair_c
from runtime.stages.pair.joint import (
    AMOUNT_BITS,
    MOST_LAST,
    ROUNDS,
    TRACK_LAST,
    TRACK_ROUNDS,
    Round,
    Table,
    fitted_float,
    rounds_of,
)
from runtime.stages.pair.levels import places
from runtime.stages.pair.nodes import pair_nodes

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import CStage, Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["MOST_FINE", "Pair"]

MOST_FINE = 1024
"""Bins of the last rounds."""
_MOST_LEVEL = 16 * 31
_N_TRACK = 5


@dataclass(frozen=True, eq=False)
class Pair(Registration):
    """Slopes of the two brightest sources at one aperture, how bright each is, and validity.

    Registration first. Where one source explains what was seen, it is the first, and there is no
    second. Where it does not, the search is made once more of what the one found leaves, and both
    are fitted together, in rounds on the search's bins and then on finer ones
    (`runtime.stages.pair.joint`), after which the two must explain the finer bins, be apart, stand
    within the cells, and have come to rest. The first is the brighter.
    While two are told, the next frame begins where they were: a round or two on finer bins, judged
    alike. Only where those do not tell two is all of it done anew, as of a frame by itself.
    Outputs of each source are those of registration; an excess above 0 says that there is none.

    Parameters
    ----------
    pair_rows, pair_cols : int
        Finer bins down and across; they divide rows and columns.
    pair_energy : tuple of int
        Of finer bins: energy_bits, floor, noise_multiplier, noise_shift and tolerance, as of
        `runtime.stages.alignment.binned.BinRule`.
    least_level : int
        Of one source: where it explains less than this there is no light to be two sources.
    pair_level : int
        Added to a level of finer bins, so that it is that of the pixels.
    apart : int
        Sources nearer than this are none, in steps of 2**-18 of a slope.
    bend : int
        What a quadratic spline makes of a place d in its cell, in 2**-14: it shows ``d + bend (d**3
        - d / 4)``, by its third derivative.
    pair_spline : int8 (n_spline, n_pair_bins)
        Patterns in finer bins, as `spline`.

    Raises
    ------
    FormatError
        A value is out of range, shapes disagree, or there are several apertures.

    Notes
    -----
    Places of `spline` are those of the cells: its offset is 0. All else is said in
    `runtime.stages.alignment.registration.Registration`. Its state ``track``, int32 (5,), is
    whether two were told, and the slopes along x and y of either.
    """

    kind: ClassVar[str] = "pair"
    pair_rows: int
    pair_cols: int
    pair_energy: tuple[int, ...]
    least_level: int
    pair_level: int
    apart: int
    bend: int
    pair_spline: NDArray[Any]

    def __post_init__(self) -> None:
        super().__post_init__()
        require(self.kind, "apertures", len(self.offsets), 1, 1)
        for offset in self.spline_offset:
            require(self.kind, "spline_offset", offset, 0, 0)
        require_divisor(self.kind, "pair_rows", self.pair_rows, self.n_rows)
        require_divisor(self.kind, "pair_cols", self.pair_cols, self.n_cols)
        require(self.kind, "finer bins", self.fine_windows.n_bins, 4, MOST_FINE)
        if not isinstance(self.pair_energy, tuple) or len(self.pair_energy) != 5:
            raise FormatError(self.kind, "pair_energy", repr(self.pair_energy), "5 integers")
        self.pair_rule.check(self.kind)
        require(self.kind, "least_level", self.least_level, 0, _MOST_LEVEL)
        require(self.kind, "pair_level", self.pair_level, -4096, 4096)
        require(self.kind, "apart", self.apart, 1, 1 << 15)
        require(self.kind, "bend", self.bend, -(1 << DELTA_BITS), 1 << DELTA_BITS)
        shape = self.fine_grid.n_spline, self.fine_windows.n_bins
        own = frozen_array(self.kind, "pair_spline", self.pair_spline, "int8", shape)
        if own.min() < -127:
            raise FormatError(self.kind, "pair_spline", -128, "-127 to 127")
        object.__setattr__(self, "pair_spline", own)

    @property
    def fine_windows(self) -> Windows:
        """The aperture in finer bins."""
        return Windows(
            self.n_rows, self.n_cols, self.stride, self.offsets, self.pair_rows, self.pair_cols
        )

    @property
    def pair_rule(self) -> BinRule:
        """What energy of the finer bins may be left."""
        bits, floor, multiplier, shift, tolerance = self.pair_energy
        return BinRule(bits, floor, multiplier, shift, tolerance, 1, 17, 0)

    @property
    def tables(self) -> tuple[Table, Table]:
        """The patterns of the first rounds and of the last."""
        return Table(self.fine_grid, self.patterns(0)), Table(self.fine_grid, self.pair_spline)

    @property
    def n_out(self) -> int:
        """Four values a source."""
        return 2 * len(OUTPUTS)

    @property
    def n_operations(self) -> int:
        """Of one frame of two sources: registration, the search again, and the rounds."""
        searched = self.coarse_grid.n_cells * self.windows.n_bins
        fits = sum(
            rounds * bins * (2 * 27 + 28)
            for rounds, bins in zip(
                ROUNDS, (self.windows.n_bins, self.fine_windows.n_bins), strict=True
            )
        )
        return super().n_operations + searched + fits

    def initial_state(self) -> State:
        """Return that nothing was told before."""
        return {"track": np.zeros(_N_TRACK, dtype=np.int32)}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Go on from two sources of the frame before, or find one, and two where that is too few.

        Without a state each frame is taken by itself.
        """
        outputs, tracks = self._alone(x)
        if state:
            track = state["track"].astype(np.int64)
            for i, own in enumerate(x.astype(np.int64)[:, self.windows.columns(0)]):
                if track[0]:
                    found, seen = self._followed(own[None], track[None, 1:].reshape(1, 2, 2))
                    if seen[0, 0]:
                        outputs[i], tracks[i] = found[0], seen[0]
                track = tracks[i]
            state = {"track": track.astype(np.int32)}
        return saturate(outputs, -INT32_MAX, INT32_MAX), state

    def _alone(self, x: Int32) -> tuple[Int64, Int64]:
        """Return outputs (n, 8) of frames by themselves, and what the next ones begin with."""
        one = super().run(x, {})[0].astype(np.int64)
        none = np.tile(np.array([0, 0, 0, 1], dtype=np.int64), (len(x), 1))
        outputs = np.concatenate([one, none], axis=1)
        tracks = np.zeros((len(x), _N_TRACK), dtype=np.int64)
        left = np.flatnonzero(self._more(one))
        if left.size:
            values = x[left].astype(np.int64)[:, self.windows.columns(0)]
            outputs[left], tracks[left] = self._judged(values, *self.joint(values, one[left, :2]))
        return outputs, tracks

    def _followed(self, values: Int64, slopes: Int64) -> tuple[Int64, Int64]:
        """Return the same of frames whose sources were at slopes (n, 2, 2) before."""
        return self._judged(values, *self._last(values, slopes, TRACK_ROUNDS, TRACK_LAST))

    def _more(self, one: NDArray[Any]) -> NDArray[np.bool_]:
        """Return where there is light that one source does not explain."""
        return np.asarray((one[:, 3] > 0) & (one[:, 2] >= self.least_level))

    def joint(self, values: Int64, slopes: Int64) -> tuple[Round, Int64, Int64]:
        """Fit two sources to values (n, n_pixels), from the slopes (n, 2) of one.

        Returns
        -------
        Round
            The last one.
        energy : int64 (n,)
            Sum of squares of the finer bins.
        shift : int64 (n,)
            Bits that they were cut by.
        """
        coarse = self.tables[0]
        b, _ = coarse.bins.about_mean(self.windows.binned(values))
        found = rounds_of(coarse, b, self._begun(coarse, b, slopes), ROUNDS[0])
        return self._last(values, found.slopes, ROUNDS[1], MOST_LAST)

    def _last(
        self, values: Int64, slopes: Int64, rounds: int, last: int
    ) -> tuple[Round, Int64, Int64]:
        """Fit on finer bins, from both sources' slopes (n, 2, 2)."""
        fine = self.tables[1]
        b, shift = fine.bins.about_mean(self.fine_windows.binned(values))
        return rounds_of(fine, b, slopes, rounds, last), (b * b).sum(axis=1), shift

    def _begun(self, table: Table, b: Int64, slopes: Int64) -> Int64:
        """Begin with the one source, and with the cell that fits best what it leaves."""
        t = table.columns(slopes)[:, 0]
        factor = quotient((b * t).sum(axis=1), (t * t).sum(axis=1))
        limit = table.bins.limit
        e = np.clip(b - round_shift(factor[:, None] * t, 10), -limit, limit)
        cell = self.searched(e, 0, None)
        second = self.coarse_grid.slopes(cell, np.zeros((len(cell), 2), dtype=np.int64))
        return np.stack([slopes, second], axis=1)

    def _judged(
        self, values: Int64, found: Round, energy: Int64, shift: Int64
    ) -> tuple[Int64, Int64]:
        """Return the outputs (n, 8) of two sources fitted to values, and what comes of them."""
        rule, grid = self.pair_rule, self.fine_grid
        down = rule.energy_bits - 2 * shift
        noise = rule.noise(values.sum(axis=1)) + rule.floor
        wrong = scale(in_steps(energy, down), rule.tolerance, TOLERANCE_SHIFT)
        excess = in_steps(found.left, down) - noise - wrong
        between = np.abs(found.slopes[:, 0] - found.slopes[:, 1]) >> 6
        near = (between**2).sum(axis=1) < (self.apart >> 6) ** 2
        excess = np.where(found.poor | near, np.maximum(excess, 1), excess)
        each = []
        for k in (0, 1):
            level = log_level(found.squares[:, k]) + 2 * log_level(found.amounts[:, k])
            level = np.clip(level + 32 * shift + self.pair_level, 0, _MOST_LEVEL)
            own = found.slopes[:, k]
            d = places(grid, own)[1]
            cubic = round_shift(round_shift(d * d, DELTA_BITS) * d, DELTA_BITS) - round_shift(d, 2)
            off = round_shift(self.bend * cubic, DELTA_BITS)
            own = own - round_shift(off * grid.step, DELTA_BITS)
            each.append(np.column_stack([own, level, excess]))
        levels = np.stack([own[:, 2] for own in each])
        first = (levels[0] >= levels[1])[:, None]
        told = (excess <= 0) & (levels.min(axis=0) >= self.least_level)
        track = np.column_stack([told, found.slopes.reshape(-1, 4)]) * told[:, None]
        return np.where(first, np.hstack(each), np.hstack(each[::-1])), track

    def run_float(self, x: Float64) -> Float64:
        """Find the same with the same tables, nothing rounded, in each frame by itself."""
        one = super().run_float(x)
        outputs = np.hstack([one, np.tile([0.0, 0.0, 0.0, 1.0], (len(x), 1))])
        left = np.flatnonzero(self._more(one))
        if left.size:
            outputs[left] = self._both_float(x[left][:, self.windows.columns(0)], one[left, :2])
        return outputs

    def _both_float(self, values: Float64, slopes: Float64) -> Float64:
        coarse, fine = self.tables
        bins = [w.binned(values) for w in (self.windows, self.fine_windows)]  # type: ignore[arg-type]
        b, last = (each - each.mean(axis=1, keepdims=True) for each in bins)
        whole = np.floor(slopes).astype(np.int64)
        t = coarse.columns(whole)[:, 0].astype(np.float64)
        share = (b * t).sum(axis=1) / np.maximum((t * t).sum(axis=1), 1e-9)
        cell = self.searched(b - np.maximum(share, 0.0)[:, None] * t, 0, None)
        second = self.coarse_grid.slopes(cell, np.zeros((len(cell), 2), dtype=np.int64))
        at = np.stack([slopes, second.astype(np.float64)], axis=1)
        amounts, rest, poor = np.zeros((len(b), 2)), np.zeros(len(b)), np.zeros(len(b), dtype=bool)
        for table, own, rounds in zip((coarse, fine), (b, last), ROUNDS, strict=True):
            going = np.arange(len(values))
            for _ in range(rounds):
                at[going], amounts[going], rest[going], poor[going] = found = fitted_float(
                    table, own[going], at[going]
                )
                going = going[found[3]]
        rule, step, grid = self.pair_rule, 2.0**self.pair_rule.energy_bits, self.fine_grid
        noise = np.maximum(values.sum(axis=1), 0.0) * rule.noise_multiplier / 2.0**rule.noise_shift
        wrong = (last * last).sum(axis=1) / step * rule.tolerance / 2.0**TOLERANCE_SHIFT
        excess = rest / step - noise - rule.floor - wrong
        near = np.hypot(*(at[:, 0] - at[:, 1]).T) < self.apart
        excess = np.where(poor | near, np.maximum(excess, 1.0), excess)
        each = []
        for k in (0, 1):
            cell, d = (v for v in places(grid, np.floor(at[:, k]).astype(np.int64)))
            light = fine.columns(np.floor(at[:, k]).astype(np.int64))[:, 0] / 2.0 ** (
                fine.bins.fraction_bits
            )
            square = np.maximum((light**2).sum(axis=1) * amounts[:, k] ** 2, 1.0)
            level = 16 * np.log2(square) + 32 * AMOUNT_BITS + self.pair_level
            place = d / 2.0**DELTA_BITS
            off = self.bend / 2.0**DELTA_BITS * (place**3 - place / 4)
            each.append(np.column_stack([at[:, k] - off * grid.step, level, excess]))
        first = (each[0][:, 2] >= each[1][:, 2])[:, None]
        return np.where(first, np.hstack(each), np.hstack(each[::-1]))

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove registration's sums within 32 bits, and those of the finer bins."""
        least, most = super().bounds(low, high)
        own = np.maximum(np.abs(low), np.abs(high))[self.windows.columns(0)]
        sums = self.fine_windows.binned(own[None])[0]
        prove_int32(self.kind, "sum of finer bin", -sums, 2 * sums)
        room = self.fine_grid.step
        for axis in (0, 1):
            least[axis], most[axis] = least[axis] - room, most[axis] + room
        return np.tile(least, 2), np.tile(most, 2)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Write registration, and a joint fit that is made of every frame."""
        with nodes.once():
            y, track = pair_nodes(self, nodes, x, state["track"])
            return y, {"track": track}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Write registration, and the fit of those frames that need it."""
        return pair_c(self, prefix, x, y)
