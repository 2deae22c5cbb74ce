"""What energy a readout holds beside one source: sums of squares in integers of 32 bits.

With r a pixel's lit minus dark and n pixels, the energy about the mean is ``sum r**2 - (sum
r)**2 / n``; a source explains its root energy squared; noise adds, for each pixel, a floor, and the
conversion gain times the counts. All stand in steps of ``2**energy_bits`` squared counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from runtime.fixedpoint import INT32_MAX, MAX_MULTIPLIER, MAX_SHIFT, round_shift, scale
from runtime.stages.contract.stage import Float64, Int64, prove_int32, require

__all__ = ["ROOT_LIMIT", "SUM_LIMIT", "TOLERANCE_SHIFT", "EnergyRule", "in_steps"]

ROOT_LIMIT = (1 << 15) - 1
SUM_LIMIT = (1 << 15) - 1
TOLERANCE_SHIFT = 17
_MOST_EXPLAINED = 1 << 30


def in_steps(square: Int64, down: Int64) -> Int64:
    """Return squares, below 2**30, shifted right by `down` bits or left by less than none."""
    up = np.clip(-down, 0, 30)
    raised = np.minimum(square, _MOST_EXPLAINED >> up) << up
    return np.where(down >= 0, round_shift(square, np.clip(down, 0, 31)), raised)


@dataclass(frozen=True, slots=True)
class EnergyRule:
    """How energies are counted, and what is allowed to be left.

    Parameters
    ----------
    energy_bits : int
        A step of energy is ``2**energy_bits`` squared counts; each row's squares are cut by it.
    sum_shift : int
        Bits that the sum of all counts loses before it is squared.
    mean_multiplier, mean_shift : int
        From that square to steps of energy: ``2**(2 sum_shift - energy_bits) / n_pixels``.
    root_bits : int
        A root energy of a block exponent e stands for ``2**(e - root_bits)`` counts.
    floor : int
        Noise without light, in steps of energy, with room for its scatter.
    noise_multiplier, noise_shift : int
        From the sum of all counts to their noise, in steps of energy, with room for its scatter.
    tolerance : int
        Share of what a source explains, in 2**-17, that the patterns may be wrong by.
    """

    energy_bits: int
    sum_shift: int
    mean_multiplier: int
    mean_shift: int
    root_bits: int
    floor: int
    noise_multiplier: int
    noise_shift: int
    tolerance: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        for name, low, high in (
            ("energy_bits", 0, 20), ("sum_shift", 0, 16), ("mean_multiplier", 1, MAX_MULTIPLIER),
            ("mean_shift", 17, MAX_SHIFT), ("root_bits", -8, 24), ("floor", 0, 1 << 29),
            ("noise_multiplier", 1, MAX_MULTIPLIER), ("noise_shift", 17, MAX_SHIFT),
            ("tolerance", 0, MAX_MULTIPLIER),
        ):  # fmt: skip
            require(where, name, getattr(self, name), low, high)

    def sums(self, values: Int64, n_cols: int) -> tuple[Int64, Int64]:
        """Return the sum of each readout (n, n_pixels), and its energy about the mean: (n,) each.

        A readout's own mean cannot hold more than its energy; what rounding makes of that is cut.
        """
        total = values.sum(axis=1)
        rows = (values.reshape(len(values), values.shape[1] // n_cols, n_cols) ** 2).sum(axis=2)
        energy = round_shift(rows, self.energy_bits).sum(axis=1)
        cut = np.clip(round_shift(total, self.sum_shift), -SUM_LIMIT, SUM_LIMIT)
        of_mean = scale(cut * cut, self.mean_multiplier, self.mean_shift)
        return total, np.maximum(energy - of_mean, 0)

    def explained(self, root: Int64, shift: Int64) -> Int64:
        """Return what a source of a root energy explains, int64 (n,), up to 2**30."""
        return in_steps(root * root, self.energy_bits + 2 * self.root_bits - 2 * shift)

    def excess(self, total: Int64, energy: Int64, explained: Int64) -> Int64:
        """Return what is left above what is allowed, int64 (n,)."""
        noise = scale(np.maximum(total, 0), self.noise_multiplier, self.noise_shift)
        wrong = scale(explained, self.tolerance, TOLERANCE_SHIFT)
        left = energy - explained
        return np.asarray(left - np.minimum(noise, _MOST_EXPLAINED - 1) - wrong - self.floor)

    def float_twins(self, values: Float64, root: Float64) -> tuple[Float64, Float64]:
        """Return explained energy and excess on real numbers, from root energies of exponent 0."""
        total = values.sum(axis=1)
        step = 2.0**self.energy_bits
        energy = values.var(axis=1) * values.shape[1] / step
        explained = (root * 2.0**-self.root_bits) ** 2 / step
        noise = np.maximum(total, 0.0) * (self.noise_multiplier / 2.0**self.noise_shift)
        wrong = explained * self.tolerance / 2.0**TOLERANCE_SHIFT
        return explained, energy - explained - noise - wrong - self.floor

    def prove(self, where: str, most: Int64, n_cols: int) -> None:
        """Prove sums of squares within 32 bits, given each pixel's largest magnitude."""
        rows = (most.reshape(-1, n_cols) ** 2).sum(axis=1)
        half = (1 << self.energy_bits) >> 1
        prove_int32(where, "sum of squares of row", np.zeros_like(rows), rows + half)
        whole = np.atleast_1d(round_shift(rows, self.energy_bits).sum())
        limit = INT32_MAX // 2
        prove_int32(where, "twice the energy of aperture", np.zeros(1, np.int64), 2 * whole)
        total = np.atleast_1d(most.sum())
        prove_int32(where, "sum of counts", -total, total)
        cut = round_shift(total, self.sum_shift)
        if int(cut[0]) > SUM_LIMIT:
            prove_int32(where, "sum of counts that is squared", cut, cut + limit)
