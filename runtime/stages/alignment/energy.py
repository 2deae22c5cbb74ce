"""What energy a readout holds beside one source: sums of squares in integers of 32 bits.

With r a pixel's lit minus dark and n pixels, the energy about the mean is ``sum r**2 - (sum
r)**2 / n``; a source explains its root energy squared; noise adds, for each pixel, a floor, and the
conversion gain times the counts. All stand in steps of ``2**energy_bits`` squared counts.

A pattern whose pixels sum to a known light has a known root energy as well: the norm of the pattern
times its light. So the root energy that a source explains is held to all light that there is. A
film takes contrast and leaves the light; another source brings light, and next to nothing of the
first one's pattern; full pixels lose of both. Each is one number against the noise of one, where
what is left of all pixels, or bins, is judged against the noise of hundreds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import (
    INT32_MAX,
    MAX_MULTIPLIER,
    MAX_SHIFT,
    bit_length,
    round_shift,
    scale,
)
from runtime.stages.alignment.geometry import WEIGHT_BITS, axis_weights, axis_weights_float
from runtime.stages.contract.stage import Float64, Int64, prove_int32, require

__all__ = [
    "LIGHT_BITS", "MOST_DARK", "ROOT_LIMIT", "SUM_LIMIT", "TOLERANCE_SHIFT", "EnergyRule",
    "LightRule", "check_noise_of_light", "in_steps", "noise_of_light", "noise_of_light_float",
]  # fmt: skip

ROOT_LIMIT = (1 << 15) - 1
SUM_LIMIT = (1 << 15) - 1
TOLERANCE_SHIFT = 17
_MOST_EXPLAINED = 1 << 30
MOST_DARK = 1 << 24
"""Of counts, the most that an aperture may sum to without a source."""
LIGHT_BITS = 15
"""Of all light, and of how far a root energy is off, before they are multiplied."""
_MOST_OFF = (1 << LIGHT_BITS) - 1


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


class NoiseOfLight(Protocol):
    """How much noise and wrong patterns may part two sums of light; see :class:`LightRule`."""

    @property
    def noise_multiplier(self) -> int:
        """From all light in counts to the square of what noise may part them by."""

    @property
    def noise_shift(self) -> int:
        """Bits that the product is shifted right by."""

    @property
    def floor(self) -> int:
        """The same without light."""

    @property
    def tolerance(self) -> int:
        """Share of light, in 2**-17, that patterns may be wrong by."""


def check_noise_of_light(where: str, rule: NoiseOfLight, whose: str) -> None:
    """Check the ranges; raises FormatError."""
    for name, low, high in (
        ("noise_multiplier", 1, MAX_MULTIPLIER), ("noise_shift", 17, MAX_SHIFT),
        ("floor", 0, 1 << 29), ("tolerance", 0, MAX_MULTIPLIER),
    ):  # fmt: skip
        require(where, f"{name} of {whose}", getattr(rule, name), low, high)


def noise_of_light(rule: NoiseOfLight, light: Int64) -> Int64:
    """Return what noise may part two sums of light by, squared, int64 (n,)."""
    noise = scale(light, rule.noise_multiplier, rule.noise_shift)
    return np.asarray(np.minimum(noise, _MOST_EXPLAINED - 1) + rule.floor)


def noise_of_light_float(rule: NoiseOfLight, light: Float64) -> Float64:
    """Return the same on real numbers."""
    return np.asarray(light * rule.noise_multiplier / 2.0**rule.noise_shift + rule.floor)


@dataclass(frozen=True, slots=True)
class LightRule:
    """How far a source's root energy may be from what belongs to all light that there is.

    Parameters
    ----------
    norm_bits : int
        Norms of patterns that sum to 1 are in steps of ``2**-norm_bits``.
    step_bits : int
        Root energies are compared in steps of ``2**-step_bits`` counts.
    noise_multiplier, noise_shift : int
        From all light in counts to the square of what noise may part them by.
    floor : int
        The same without light.
    tolerance : int
        Share of the root energy, in 2**-17, that norms may be wrong by.
    """

    norm_bits: int
    step_bits: int
    noise_multiplier: int
    noise_shift: int
    floor: int
    tolerance: int

    def check(self, where: str) -> None:
        """Check the ranges; raises FormatError."""
        require(where, "norm_bits of light", self.norm_bits, 0, 30)
        require(where, "step_bits of light", self.step_bits, -8, 14)
        check_noise_of_light(where, self, "light")

    def parts(
        self, light: Int64, root: Int64, down: Int64, norms: NDArray[Any], place: Int64
    ) -> tuple[Int64, Int64, Int64]:
        """Return root energies, those that belong to all light, and noise squared, (n,) each.

        Parameters
        ----------
        light : int64 (n,)
            Sum of an aperture's counts, less what is there without a source; 0 and more.
        root : int64 (n,)
            Root energy that a source explains, below 2**15.
        down : int64 (n,)
            From it to counts: bits that it is shifted right by.
        norms : int16 (n, 9)
            Of the patterns that make up that of a place.
        place : int64 (n, 2)
        """
        each = axis_weights(place)
        wide = norms.astype(np.int64).reshape(len(norms), 3, 3)
        rows = round_shift((wide * each[:, 0, None, :]).sum(axis=2), WEIGHT_BITS)
        norm = np.maximum(round_shift((rows * each[:, 1]).sum(axis=1), WEIGHT_BITS), 0)
        cut = np.maximum(bit_length(light) - LIGHT_BITS, 0)
        belongs = in_steps((light >> cut) * norm, self.norm_bits - self.step_bits - cut)
        return in_steps(root, down - self.step_bits), belongs, noise_of_light(self, light)

    def excess(self, root: Int64, belongs: Int64, noise: Int64) -> Int64:
        """Return the square of what they are parted by above what is allowed, int64 (n,)."""
        off = np.abs(root - belongs) - scale(belongs, self.tolerance, TOLERANCE_SHIFT)
        off = np.clip(off, 0, _MOST_OFF)
        return np.asarray(off * off - noise)

    def excess_float(self, light: Float64, root: Float64, norms: Float64, place: Float64) -> Any:
        """Return the same on real numbers: root energies in counts, places in cells."""
        each = axis_weights_float(place)
        square = norms.reshape(len(norms), 3, 3)
        norm = np.einsum("fi,fj,fij->f", each[:, 1], each[:, 0], square) / 2.0**self.norm_bits
        light = np.maximum(light, 0.0)
        belongs = np.maximum(norm, 0.0) * light
        off = np.abs(root - belongs) - belongs * self.tolerance / 2.0**TOLERANCE_SHIFT
        square = np.maximum(off * 2.0**self.step_bits, 0.0) ** 2
        return square - noise_of_light_float(self, light)
