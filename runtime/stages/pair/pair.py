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
    COARSE_ROUNDS,
    FOLLOWED,
    FOLLOWED_LAST,
    FOLLOWED_SHIFTS,
    FOUND_LAST,
    FOUND_SHIFTS,
    LOOKED,
    N_TRACK,
    NEARED,
    ROUNDS,
    PairLight,
    Round,
    Table,
    amounts_at,
    ends_of,
    fitted,
    fitted_float,
    rounds_of,
    track_at,
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
_NONE = np.array([0, 0, 0, 1], dtype=np.int64)
"""What is given of a source that is none."""


@dataclass(frozen=True, eq=False)
class Pair(Registration):
    """Slopes of the two brightest sources at one aperture, how bright each is, and validity.

    Registration first. Where one source explains what was seen, it is the first, and there is no
    second. Where it does not, the next frame searches once more in what the one found leaves, and
    both are fitted together (`runtime.stages.pair.joint`): frames make two rounds each on the
    search's bins, then one on finer ones, so that what any frame costs is bounded. Until in two
    frames the two explain the finer bins, are apart, stand within the cells and have come to rest,
    there is no value, of neither. The first is the brighter.
    From then on each frame makes one round on finer bins, judged alike, begun from where both were
    and as much farther as they had moved. Where a few frames tell no two, all of it is done anew.
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
    pair_light : tuple of int
        As of `runtime.stages.pair.joint.PairLight`.

    Raises
    ------
    FormatError
        A value is out of range, shapes disagree, or there are several apertures.

    Notes
    -----
    Places of `spline` are those of the cells: its offset is 0. All else is said in
    `runtime.stages.alignment.registration.Registration`. Its state ``track``, int32 (13,), is a
    count of frames (0: look for one source; to `FOLLOWED`: two were told, and so many frames
    without are left; to `NEARED`: rounds on finer bins; beyond: on the search's), the slopes along
    x and y of either, how they move a frame, the amounts of both, by how many bits the bins that
    these are of were cut, and whether a second one is searched for near the one alone.
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
    pair_light: tuple[int, ...]

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
        if not isinstance(self.pair_light, tuple) or len(self.pair_light) != 7:
            raise FormatError(self.kind, "pair_light", repr(self.pair_light), "7 integers")
        PairLight(*self.pair_light).check(self.kind)
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
        """Of the frame that takes most: registration, or rounds."""
        bins, fine = self.windows.n_bins, self.fine_windows.n_bins
        return max(super().n_operations, max(COARSE_ROUNDS * bins, fine) * (2 * 27 + 28))

    def initial_state(self) -> State:
        """Return that nothing was seen before."""
        return {"track": np.zeros(N_TRACK, dtype=np.int32)}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Make each frame's part of the work: see the class.

        Without a state each frame is taken by itself, as if it were shown for as many frames as
        finding two can take: what is told first is told.
        """
        if not state:
            return self._held(x), state
        track, outputs = state["track"][None].astype(np.int64), []
        for i in range(len(x)):
            own, track = self.stepped(x[i : i + 1], track)
            outputs.append(own)
        every = np.concatenate([np.zeros((0, self.n_out), dtype=np.int64), *outputs])
        return saturate(every, -INT32_MAX, INT32_MAX), {"track": track[0].astype(np.int32)}

    def _held(self, x: Int32) -> Int32:
        outputs = np.zeros((len(x), self.n_out), dtype=np.int64)
        tracks, left = np.zeros((len(x), N_TRACK), dtype=np.int64), np.arange(len(x))
        for _ in range(2 * (1 + LOOKED)):
            outputs[left], tracks[left] = self.stepped(x[left], tracks[left])
            left = left[(outputs[left, 7] > 0) & (tracks[left][:, [0, 12]] > 0).any(axis=1)]
        return saturate(outputs, -INT32_MAX, INT32_MAX)

    def stepped(self, x: Int32, track: Int64) -> tuple[Int64, Int64]:
        """Return outputs (n, 8) of frames (n, n_values), and tracks (n, 13) from those before."""
        outputs, after = np.tile(_NONE, (len(x), 2)), np.zeros_like(track)
        step = track[:, 0]
        looks, again = np.flatnonzero(step == 0), np.flatnonzero(step == LOOKED)
        coarse = np.flatnonzero((step > NEARED) & (step < LOOKED))
        fine = np.flatnonzero((step > 0) & (step <= NEARED))
        values = x.astype(np.int64)[:, self.windows.columns(0)]
        if looks.size:
            one = super().run(x[looks], {})[0].astype(np.int64)
            outputs[looks, :4] = one
            found = track_at(np.full(len(one), LOOKED), np.tile(one[:, :2], 2))
            found[:, 12] = track[looks, 12]
            after[looks] = found * self._more(one)[:, None]
        if again.size:
            after[again] = self._looked_again(values[again], track[again])
        if coarse.size:
            after[coarse] = self._nearer(values[coarse], track[coarse])
        if fine.size:
            outputs[fine], after[fine] = self._followed(values[fine], track[fine])
        return outputs, after

    def _looked_again(self, values: Int64, track: Int64) -> Int64:
        """Return the tracks of frames of which one source leaves more."""
        table = self.tables[0]
        b, _ = table.bins.about_mean(self.windows.binned(values))
        begun = self._begun(table, b, track[:, 1:3], track[:, 12] > 0).reshape(-1, 4)
        return track_at(np.full(len(begun), LOOKED - 1), begun, track[:, 12])

    def _nearer(self, values: Int64, track: Int64) -> Int64:
        """Return the tracks after rounds on the search's bins."""
        table = self.tables[0]
        b, _ = table.bins.about_mean(self.windows.binned(values))
        found = rounds_of(table, b, track[:, 1:5].reshape(-1, 2, 2), COARSE_ROUNDS)
        left = np.where(found.poor, track[:, 0] - 1, NEARED)
        return track_at(left, found.slopes.reshape(-1, 4), track[:, 12])

    def _followed(self, values: Int64, track: Int64) -> tuple[Int64, Int64]:
        """Return outputs and tracks after one round on finer bins."""
        table, left, moved = self.tables[1], track[:, 0], track[:, 5:9]
        low, high = (np.tile(end, 2) for end in ends_of(self.fine_grid))
        begun = np.clip(track[:, 1:5] + moved, low, high)
        b, shift = table.bins.about_mean(self.fine_windows.binned(values))
        told_before = left <= FOLLOWED
        last = np.where(told_before, FOLLOWED_LAST, FOUND_LAST)
        amounts = amounts_at(track[:, 9:11], shift - track[:, 11])
        found = fitted(table, b, begun.reshape(-1, 2, 2), amounts, last)
        outputs, told = self._judged(values, found, (b * b).sum(axis=1), shift)
        # What one good round says may still be on its way: the next one has to say so too.
        outputs[~told_before, 3::4] = np.maximum(outputs[~told_before, 3::4], 1)
        left = np.where(told, FOLLOWED, left - 1)
        left[~told & ~told_before & (left == FOLLOWED)] = 0
        off, most = found.slopes.reshape(-1, 4) - begun, self.fine_grid.step
        shifts = np.where(told_before, *np.array([FOLLOWED_SHIFTS, FOUND_SHIFTS])[:, :, None])
        slopes = begun + round_shift(off, shifts[0][:, None])
        # Places of the first such frame come from other bins: how far they went is no motion.
        off = off * (track[:, :1] < NEARED)
        moved = np.clip(moved + round_shift(off, shifts[1][:, None]), -most, most)
        after = np.column_stack([left, slopes, moved, found.amounts, shift]) * (left > 0)[:, None]
        tried = np.where(left > 0, track[:, 12], 1 - track[:, 12])
        tried[told & told_before] = 1  # where these are lost, all cells are searched again
        return outputs, np.column_stack([after, tried])

    def _more(self, one: NDArray[Any]) -> NDArray[np.bool_]:
        """Return where there is light that one source does not explain."""
        return np.asarray((one[:, 3] > 0) & (one[:, 2] >= self.least_level))

    def joint(self, values: Int64, slopes: Int64) -> tuple[Round, Int64, Int64]:
        """Fit two sources to values (n, n_pixels), from the slopes (n, 2) of one.

        Returns the last round, the finer bins' energy, and bits that they were cut by.
        """
        coarse = self.tables[0]
        b, _ = coarse.bins.about_mean(self.windows.binned(values))
        begun = self._begun(coarse, b, slopes, np.zeros(len(b), dtype=bool))
        found = rounds_of(coarse, b, begun, ROUNDS[0])
        fine = self.tables[1]
        b, shift = fine.bins.about_mean(self.fine_windows.binned(values))
        return rounds_of(fine, b, found.slopes, ROUNDS[1]), (b * b).sum(axis=1), shift

    def _begun(self, table: Table, b: Int64, slopes: Int64, near: np.ndarray) -> Int64:
        """Begin with the one source, and with the cell (near it) that fits best what it leaves."""
        t = table.columns(slopes)[:, 0]
        factor = quotient((b * t).sum(axis=1), (t * t).sum(axis=1))
        limit = table.bins.limit
        e = np.clip(b - round_shift(factor[:, None] * t, 10), -limit, limit)
        cell = np.where(near, self.searched(e, 0, slopes), self.searched(e, 0, None))
        second = self.coarse_grid.slopes(cell, np.zeros((len(cell), 2), dtype=np.int64))
        return np.stack([slopes, second], axis=1)

    def _judged(
        self, values: Int64, found: Round, energy: Int64, shift: Int64
    ) -> tuple[Int64, np.ndarray]:
        """Return the outputs (n, 8) of two sources fitted to values, and whether two are told."""
        rule, grid = self.pair_rule, self.fine_grid
        down = rule.energy_bits - 2 * shift
        total = values.sum(axis=1)
        noise = rule.noise(total) + rule.floor
        wrong = scale(in_steps(energy, down), rule.tolerance, TOLERANCE_SHIFT)
        excess = in_steps(found.left, down) - noise - wrong
        light = np.maximum(total - self.light_offset[0], 0)
        of_light = PairLight(*self.pair_light).excess(light, found.amounts, shift)
        excess = np.maximum(excess, of_light)
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
        return np.where(first, np.hstack(each), np.hstack(each[::-1])), np.asarray(told)

    def run_float(self, x: Float64) -> Float64:
        """Find the same with the same tables, nothing rounded, in each frame by itself."""
        one = super().run_float(x)
        outputs = np.hstack([one, np.tile([0.0, 0.0, 0.0, 1.0], (len(x), 1))])
        left = np.flatnonzero(self._more(one))
        for near in (False, True):
            values = x[left][:, self.windows.columns(0)]
            outputs[left] = self._both_float(values, one[left, :2], near)
            left = left[outputs[left, 7] > 0]
        return outputs

    def _both_float(self, values: Float64, slopes: Float64, near: bool) -> Float64:
        coarse, fine = self.tables
        bins = [w.binned(values) for w in (self.windows, self.fine_windows)]  # type: ignore[arg-type]
        b, last = (each - each.mean(axis=1, keepdims=True) for each in bins)
        whole = np.floor(slopes).astype(np.int64)
        t = coarse.columns(whole)[:, 0].astype(np.float64)
        share = (b * t).sum(axis=1) / np.maximum((t * t).sum(axis=1), 1e-9)
        cell = self.searched(b - np.maximum(share, 0.0)[:, None] * t, 0, whole if near else None)
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
        light = np.maximum(values.sum(axis=1) - self.light_offset[0], 0.0)
        of_light = PairLight(*self.pair_light).excess_float(light, amounts, fine.bins.fraction_bits)
        excess = np.maximum(rest / step - noise - rule.floor - wrong, of_light)
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
        """Write registration and each kind of round, of every frame."""
        with nodes.once():
            y, track = pair_nodes(self, nodes, x, state["track"])
            return y, {"track": track}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Write registration, and rounds of those frames that need them."""
        return pair_c(self, prefix, x, y)
