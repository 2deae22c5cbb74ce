"""Rounds of a joint fit: both sources' brightness and places at once, by Gauss and Newton.

What two sources leave of the bins is ``e = b - A1 t(s1) - A2 t(s2)``. In its first order both
amounts and both places follow from six linear equations, whose columns are each source's pattern
and its two derivatives: a step of Gauss and Newton (C. F. Gauss, Theoria motus, 1809; J. Nocedal
and S. J. Wright, Numerical Optimization, 2006, chapter 10, from memory). A place moves by its
derivatives' shares over the amount, by one cell at most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import MAX_MULTIPLIER, MAX_SHIFT, bit_length, round_shift, scale
from runtime.stages.alignment.arithmetic import inverse_mantissa
from runtime.stages.alignment.energy import (
    LIGHT_BITS,
    TOLERANCE_SHIFT,
    check_noise_of_light,
    in_steps,
    noise_of_light,
    noise_of_light_float,
)
from runtime.stages.alignment.geometry import DELTA_BITS, CellGrid
from runtime.stages.contract.stage import Float64, Int64, require
from runtime.stages.pair.levels import N_COLUMNS, Bins, columns_float, places
from runtime.stages.pair.solving import solved

__all__ = [
    "AMOUNT_BITS",
    "COARSE_FRAMES",
    "COARSE_ROUNDS",
    "FINE_FRAMES",
    "FOLLOWED",
    "FOLLOWED_LAST",
    "FOLLOWED_SHIFTS",
    "FOUND_LAST",
    "FOUND_SHIFTS",
    "LEAST_AMOUNT",
    "LOOKED",
    "MORE_BITS",
    "MOST_AMOUNT",
    "MOST_LAST",
    "NEARED",
    "N_TRACK",
    "ROUNDS",
    "PairLight",
    "Round",
    "Table",
    "amounts_at",
    "ends_of",
    "fitted",
    "fitted_float",
    "rounds_of",
    "track_at",
]

COARSE_ROUNDS = 2
"""Of one frame, on the bins of the search: what costs less than one on finer bins."""
COARSE_FRAMES, FINE_FRAMES = 2, 12
"""At most: frames of rounds on the bins of the search, whose wider pixels lead from farther away;
and frames of one round on finer ones, until two are told: of lights that may move, places overshoot
at first, which takes twice as many rounds as those of one frame by itself."""
FOLLOWED = 3
"""What the track's count of frames is while two are told: so many without, and all is done anew."""
NEARED = FOLLOWED + FINE_FRAMES
"""The same when rounds on finer bins begin."""
LOOKED = NEARED + COARSE_FRAMES + 1
"""The same when one source was found that leaves more: the next frame looks once more. By itself,
as a search of a wide field takes half of what registration does."""
ROUNDS = COARSE_FRAMES * COARSE_ROUNDS, 6
"""At most, of one frame that is fitted whole."""
AMOUNT_BITS = 12
"""Bits of fraction of an amount."""
LEAST_AMOUNT, MOST_AMOUNT = 1 << 6, (1 << 17) - 1
"""A weaker source than this is none."""
MOST_LAST = 1 << (DELTA_BITS - 5)
"""Of a cell: a fit whose step is longer has not come to its end."""
FOUND_LAST, FOLLOWED_LAST = 2 * MOST_LAST, 4 * MOST_LAST
"""The same of one round on finer bins: of two that are looked for, and of those that are followed,
whose steps are noise for the most part. Twice as long ones told of 4 degrees what was far off."""
FOUND_SHIFTS, FOLLOWED_SHIFTS = (0, 1), (1, 3)
"""Parts, as powers of a half, of what a round found beside where it began, by which places and how
they move are corrected. Of lights that are followed a round begins so nearer to the truth than one
frame's noise allows: steps are 1.25 times as long as noise alone, and not 1.8 times. What is given
is what the round found."""
N_TRACK = 13
MORE_BITS = 12
"""Bits that a sum of amounts is raised by before it is turned into light."""
_ONE = 1 << DELTA_BITS
_UP = 8
_MOST_STEPS = (1 << 30) - 1


@dataclass(frozen=True, eq=False)
class Table:
    """Patterns that two sources are fitted with.

    Parameters
    ----------
    grid : CellGrid
    patterns : int8 (n_spline, n_bins)
        Coefficients of a quadratic B-spline over the cells.
    """

    grid: CellGrid
    patterns: NDArray[Any]

    @property
    def bins(self) -> Bins:
        """The numbers of the fit."""
        return Bins(self.patterns.shape[1])

    def columns(self, slopes: Int64) -> Int64:
        """Return the pattern of sources at slopes (n, 2) and its derivatives, (n, 3, n_bins)."""
        cell, place = places(self.grid, slopes)
        return self.bins.columns(self.patterns[self.grid.spline_of[cell]], place)


@dataclass(frozen=True, slots=True)
class PairLight:
    """How far the light that both amounts stand for may be from all light that there is.

    Patterns sum to known light, and so do amounts of them: what a third source brings is in neither
    of both, and all of it in the sum of counts.

    Parameters
    ----------
    multiplier, shift : int
        From ``2**12`` times the sum of both amounts to counts, as cut as the bins are.
    step_bits : int
        What both are parted by is squared in steps of ``2**step_bits`` counts.
    noise_multiplier, noise_shift, floor, tolerance : int
        As of `runtime.stages.alignment.energy.LightRule`, the tolerance of all light.
    """

    multiplier: int
    shift: int
    step_bits: int
    noise_multiplier: int
    noise_shift: int
    floor: int
    tolerance: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        for name, low, high in (
            ("multiplier", 1, MAX_MULTIPLIER), ("shift", 17, MAX_SHIFT), ("step_bits", 0, 14),
        ):  # fmt: skip
            require(where, f"{name} of both's light", getattr(self, name), low, high)
        check_noise_of_light(where, self, "both's light")

    def parted(self, light: Int64, amounts: Int64, cut: Int64) -> tuple[Int64, Int64]:
        """Return what amounts (n, 2) stand for and all light (n,), in counts cut by `cut` bits."""
        both = scale(amounts.sum(axis=1) << MORE_BITS, self.multiplier, self.shift)
        return both, round_shift(light, cut)

    def noise(self, light: Int64) -> Int64:
        """Return what noise may part both by, squared, in steps, int64 (n,)."""
        return noise_of_light(self, light)

    def excess(self, light: Int64, amounts: Int64, cut: Int64) -> Int64:
        """Return the square of what both are parted by above what is allowed, int64 (n,)."""
        both, here = self.parted(light, amounts, cut)
        off = np.abs(both - here) - scale(here, self.tolerance, TOLERANCE_SHIFT)
        off = in_steps(np.clip(off, 0, _MOST_STEPS), self.step_bits - cut)
        off = np.minimum(off, (1 << LIGHT_BITS) - 1)
        return np.asarray(off * off - self.noise(light))

    def excess_float(self, light: Float64, amounts: Float64, fraction_bits: int) -> Float64:
        """Return the same of amounts of patterns as stored."""
        per = self.multiplier * 2.0 ** (AMOUNT_BITS + MORE_BITS - fraction_bits - self.shift)
        off = np.abs(amounts.sum(axis=1) * per - light)
        off = np.maximum(off - light * self.tolerance / 2.0**TOLERANCE_SHIFT, 0.0)
        return np.asarray((off / 2.0**self.step_bits) ** 2 - noise_of_light_float(self, light))


class Round(NamedTuple):
    """Where a round of the fit ends.

    Parameters
    ----------
    slopes : int64 (n, 2, 2)
        Of both sources, along x and y.
    amounts : int64 (n, 2)
        In 2**-12 of the patterns as stored.
    squares : int64 (n, 2)
        Sums of squares of the patterns.
    left : int64 (n,)
        Sum of squares of what both leave, below 2**30.
    poor : bool (n,)
        There was no solution, one source came out as none, or a place still moved.
    """

    slopes: Int64
    amounts: Int64
    squares: Int64
    left: Int64
    poor: np.ndarray


def fitted(
    table: Table, b: Int64, slopes: Int64, amounts: Int64, last: Int64 | int = MOST_LAST
) -> Round:
    """Make one round, from slopes (n, 2, 2) and amounts (n, 2), on bins (n, n_bins).

    A step longer than `last`, of all frames or each, is poor.
    """
    grid, limit = table.grid, table.bins.limit
    columns = np.concatenate([table.columns(slopes[:, k]) for k in (0, 1)], axis=1)
    seen = round_shift(np.einsum("fk,fkb->fb", amounts, columns[:, ::N_COLUMNS]), AMOUNT_BITS)
    e = np.clip(b - seen, -limit, limit)
    gram = np.einsum("fib,fjb->fij", columns, columns)
    found = solved(gram, np.einsum("fib,fb->fi", columns, e))
    left = np.maximum((e * e).sum(axis=1) - in_steps(found.taken, 2 * found.up), 0)
    poor = ~found.known
    moved, stronger = np.zeros_like(slopes), np.zeros_like(amounts)
    ends = ends_of(grid)
    for k in (0, 1):
        x, shift = (a[:, N_COLUMNS * k : N_COLUMNS * (k + 1)] for a in (found.x, found.shift))
        more = _shifted(x[:, 0], found.up + shift[:, 0] - AMOUNT_BITS)
        poor |= amounts[:, k] + more < LEAST_AMOUNT
        amount = np.clip(amounts[:, k] + more, LEAST_AMOUNT, MOST_AMOUNT)
        exponent = bit_length(amount) - 1
        mantissa = np.where(
            exponent < 15,
            amount << np.maximum(15 - exponent, 0),
            amount >> np.maximum(exponent - 15, 0),
        )
        down = found.up[:, None] + shift[:, 1:] + exponent[:, None] + (_UP - 11)
        step = scale(x[:, 1:] << _UP, inverse_mantissa(mantissa)[:, None], np.clip(down, 17, 46))
        step = np.clip(step, -_ONE, _ONE)
        to = slopes[:, k] + round_shift(step * grid.step, DELTA_BITS)
        poor |= np.abs(step).max(axis=1) > last
        moved[:, k], stronger[:, k] = np.clip(to, ends[0], ends[1]), amount
        poor |= (moved[:, k] != to).any(axis=1)
    squares = np.stack([gram[:, 0, 0], gram[:, N_COLUMNS, N_COLUMNS]], axis=1)
    return Round(moved, stronger, squares, left, poor)


def rounds_of(table: Table, b: Int64, slopes: Int64, rounds: int, last: int = MOST_LAST) -> Round:
    """Make rounds from slopes (n, 2, 2): each frame's until it rests, at most so many."""
    both, one = np.zeros((2, len(b), 2), dtype=np.int64), np.zeros(len(b), dtype=np.int64)
    found, going = Round(slopes.copy(), both[0], both[1], one, one > 0), np.arange(len(b))
    for _ in range(rounds):
        own = fitted(table, b[going], found.slopes[going], found.amounts[going], last)
        for whole, part in zip(found, own, strict=True):
            whole[going] = part
        going = going[own.poor]
    return found


def track_at(left: Int64, slopes: Int64, tried: Int64 | int = 0) -> Int64:
    """Return tracks of places (n, 4) that are on their way: nothing moves, amounts are unknown."""
    after = np.zeros((len(slopes), N_TRACK), dtype=np.int64)
    after[:, 0], after[:, 1:5], after[:, 12] = left, slopes, tried
    return after


def amounts_at(amounts: Int64, more: Int64) -> Int64:
    """Return amounts (n, 2) of bins that are cut by so many bits `more` (n,) than theirs."""
    down, up = (np.clip(sign * more, 0, most)[:, None] for sign, most in ((1, 31), (-1, 14)))
    return np.asarray(np.minimum(amounts >> down << up, MOST_AMOUNT), dtype=np.int64)


def ends_of(grid: CellGrid) -> tuple[Int64, Int64]:
    """Return the lowest and the highest slopes (2,) that lie within the cells."""
    low = np.array([grid.low_x, grid.low_y], dtype=np.int64)
    return low, low + np.array([grid.n_x, grid.n_y]) * grid.step - 1


def _shifted(value: Int64, down: Int64) -> Int64:
    """Shift right with rounding, or left by up to 5 where `down` is negative."""
    up = np.clip(-down, 0, 5)
    return np.where(down >= 0, round_shift(value, np.clip(down, 0, 31)), value << up)


def fitted_float(
    table: Table, b: Float64, slopes: Float64
) -> tuple[Float64, Float64, Float64, np.ndarray]:
    """Make one round on real numbers: slopes, amounts, what is left, and whether it is poor."""
    grid = table.grid
    every = []
    for k in (0, 1):
        cell = grid.cell_of(np.floor(slopes[:, k]).astype(np.int64))
        middle = grid.slopes(cell, np.zeros((len(cell), 2), dtype=np.int64))
        place = (slopes[:, k] - middle) / grid.step
        every.append(columns_float(table.patterns[grid.spline_of[cell]], place))
    columns = np.concatenate(every, axis=1)
    gram, right = columns @ columns.transpose(0, 2, 1), np.einsum("fib,fb->fi", columns, b)
    size = np.sqrt(np.maximum(np.einsum("fii->fi", gram), 1.0))
    scaled = gram / size[:, :, None] / size[:, None, :]
    poor = np.linalg.eigvalsh(scaled)[:, 0] < 1e-3
    scaled[poor] = np.eye(2 * N_COLUMNS)
    x = np.linalg.solve(scaled, (right / size)[:, :, None])[:, :, 0] / size
    left = (b * b).sum(axis=1) - (x * right).sum(axis=1)
    amounts = x[:, ::N_COLUMNS]
    none = poor[:, None] | (amounts <= 0)
    poor |= none.any(axis=1)
    to = slopes.copy()
    ends = ends_of(grid)
    for k in (0, 1):
        own, still = np.where(none[:, k], 1.0, amounts[:, k])[:, None], none[:, k, None]
        step = np.clip(np.where(still, 0.0, x[:, 3 * k + 1 : 3 * k + 3] / own), -1.0, 1.0)
        to[:, k] = np.clip(slopes[:, k] + step * grid.step, ends[0], ends[1])
        poor |= (np.abs(step) > MOST_LAST / _ONE).any(axis=1)
    return to, amounts, left, poor
