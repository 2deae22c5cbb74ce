"""From the stage of one source to that of two: finer patterns, and what they may leave."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from runtime.fixedpoint import MAX_MULTIPLIER
from runtime.stages.alignment.energy import TOLERANCE_SHIFT, in_steps
from runtime.stages.alignment.geometry import DELTA_BITS, SLOPE_BITS, Windows
from runtime.stages.alignment.registration import Registration
from runtime.stages.pair.joint import AMOUNT_BITS, MORE_BITS, PairLight
from runtime.stages.pair.levels import Bins, columns_float
from runtime.stages.pair.pair import Pair
from trainer.align.binned import PASSED, bin_energy, bin_spline
from trainer.align.light import SIGMAS, coarser, share_apart
from trainer.align.multipliers import at_least_17

__all__ = ["LEAST_APART_DEG", "lower_pair", "with_pair_tolerance"]

Floats = npt.NDArray[np.float64]

LEAST_APART_DEG = 3.5
"""Sources nearer than this are refused: of two 4 degrees apart, what noise leaves of that; and one
smeared source comes out as two nearer ones."""
_MOST_BINS = 16
_PLACES = 400
_FALSE_ALARMS = 1e-4
"""Of readouts of two sources, those whose noise alone may pass for a third."""
_FITTED = 7
"""Both amounts and places, and the mean: what noise has lost of its degrees of freedom."""
_UNEVEN = 3.0
"""Times the misfit of all places together, which is larger at some of them: assumed."""


def _pair_bins(n: int) -> int:
    """Return the most bins of at least two pixels, up to sixteen, that divide a side."""
    return max(k for k in range(1, _MOST_BINS + 1) if n % k == 0 and (n // k >= 2 or k == 1))


def lower_pair(stage: Registration, optic: Any, max_counts: int, gain: float, floor: float) -> Pair:
    """Make the stage of two sources from that of one.

    Finer bins are of two by two pixels: with 32 by 32 pixels and features of two, both directions
    then cost 1.35 of the bound of all pixels from 10 degrees on, and twice at 4.

    Parameters
    ----------
    stage : Registration
        Of one aperture, its tolerances as they are to be.
    optic : as `trainer.align.lowered.LearnedOptic`
    max_counts : int
        Of the sensor.
    gain : float
        Conversion gain, counts an electron.
    floor : float
        Variance of a pixel without light, electrons squared.
    """
    rows, cols = _pair_bins(stage.n_rows), _pair_bins(stage.n_cols)
    windows = Windows(stage.n_rows, stage.n_cols, stage.stride, stage.offsets, rows, cols)

    def binned(slopes: Floats) -> Floats:
        return np.asarray(windows.binned(optic.at(slopes)))

    real = bin_spline(binned, stage.fine_grid)
    scaled = 127 / float(np.abs(real).max())
    spline = np.round(real * scaled).astype(np.int8)
    energy = bin_energy(windows.n_pixels, windows.n_bins, max_counts, gain, floor)
    some = optic.seen[np.unique(np.linspace(0, len(optic.seen) - 1, _PLACES).astype(int))]
    least = round(math.tan(math.radians(LEAST_APART_DEG)) * (1 << SLOPE_BITS))
    fields: dict[str, Any] = stage._values()
    return Pair(
        **(fields | {"spline_offset": (0, 0)}),
        pair_rows=rows, pair_cols=cols, pair_energy=energy[:5], least_level=0,
        pair_level=_level(stage, windows, optic.at(some)), apart=least,
        bend=_bend(stage, spline, binned, some), pair_spline=spline,
        pair_light=_light(stage, binned(some), scaled, gain, floor),
    )  # fmt: skip


def _light(
    stage: Registration, bins: Floats, scaled: float, gain: float, floor: float
) -> tuple[int, ...]:
    """Return the numbers of the rule of both sources' light, its tolerance 0.

    Bins in which a pattern of sum 1 has the contrast c tell its amount to 1 / c of what the sum of
    all counts is known to; two amounts at once, of patterns that are unlike, to sqrt(2) of that.
    """
    n_bins, n_pixels = bins.shape[1], stage.windows.n_pixels
    unit = scaled * 2.0 ** (Bins(n_bins).fraction_bits - AMOUNT_BITS - MORE_BITS)
    square = float(np.median(bins.var(axis=1))) * n_bins**2
    dark = math.sqrt(n_pixels * floor) * gain
    of_light = SIGMAS**2 * (1.0 + 2.0 / max(square, 1e-9))
    step_bits = int(np.clip(coarser(of_light * gain), 0, 14))
    room = of_light / 4.0**step_bits
    # What shines without a source, and flickers, is in the floor of one source's rule already.
    rule = stage.light_rule
    most = max(float(stage.norms.max()) / 2.0**rule.norm_bits, 1e-9)
    steady = SIGMAS**2 * (1.0 + n_pixels * most**2) * floor * gain**2
    flickers = max(rule.floor / 4.0**rule.step_bits - steady, 0.0) / most**2
    least = min(math.ceil(room * dark**2 + flickers / 4.0**step_bits), 1 << 29)
    return (*at_least_17(unit), step_bits, *at_least_17(room * gain), least, 0)


def _level(stage: Registration, windows: Windows, light: Floats) -> int:
    """Return what makes a level of finer bins one of pixels: the ratio of their energies."""
    bins = windows.binned(light)  # type: ignore[arg-type]  # sums of any dtype
    of_pixels = light.var(axis=1) * light.shape[1]
    of_bins = bins.var(axis=1) * bins.shape[1]
    ratio = 16 * math.log2(float(np.median(of_pixels / np.maximum(of_bins, 1e-30))))
    return round(ratio) - 32 * AMOUNT_BITS - 16 * stage.rule.energy_bits


def _bend(stage: Registration, spline: npt.NDArray[np.int8], binned: Any, slopes: Floats) -> int:
    """Return by how much the spline shows a place d elsewhere, in 2**-14 of ``d**3 - d / 4``.

    A quadratic spline misses the third derivative by that polynomial (C. de Boor, A Practical
    Guide to Splines, 1978, from memory), and a pattern's third derivative lies against its first.
    """
    grid = stage.fine_grid
    whole = np.floor(slopes * (1 << SLOPE_BITS)).astype(np.int64)
    cell = grid.cell_of(whole)
    middle = grid.slopes(cell, np.zeros_like(whole))
    place = (slopes * (1 << SLOPE_BITS) - middle) / grid.step
    inside = (np.abs(place) <= 0.5).all(axis=1)
    cell, place, bins = cell[inside], place[inside], binned(slopes[inside])
    bins = bins - bins.mean(axis=1, keepdims=True)
    columns = columns_float(spline[grid.spline_of[cell]], place)
    gram = columns @ columns.transpose(0, 2, 1) + 1e-9 * np.eye(3)
    x = np.linalg.solve(gram, np.einsum("fib,fb->fi", columns, bins)[:, :, None])[:, :, 0]
    off = (x[:, 1:] / np.where(x[:, :1] > 0, x[:, :1], np.inf)).ravel()
    cubic = (place**3 - place / 4).ravel()
    kept = np.abs(off) < 0.25  # an edge that was never calibrated tells nothing
    found = float((off[kept] @ cubic[kept]) / max(float(cubic[kept] @ cubic[kept]), 1e-30))
    one = 1 << DELTA_BITS
    return int(np.clip(round(found * one), -one, one))


def with_pair_tolerance(
    stage: Pair, values: npt.NDArray[np.int32], slopes: Floats, room: float
) -> Pair:
    """Return the stage allowing finer patterns the error that readouts of two sources show.

    The larger of two, as of one source: what all but one in two hundred leave above the noise's
    room, and the mean misfit of all of them times what it varies by over the field. Readouts whose
    fit ends elsewhere than at their sources do not count.

    Parameters
    ----------
    stage : Pair
    values : int32 (n, n_values)
        Of two sources.
    slopes : float64 (n, 2, 2)
        Where both are.
    room : float
    """
    own = values.astype(np.int64)[:, stage.windows.columns(0)]
    one = Registration.run(stage, values, {})[0].astype(np.int64)
    found, energy, shift = stage.joint(own, one[:, :2])
    at = found.slopes / float(1 << SLOPE_BITS)
    cell = stage.fine_grid.step / float(1 << SLOPE_BITS)
    off = [np.abs(at - way).max(axis=(1, 2)) for way in (slopes, slopes[:, ::-1])]
    kept = ~found.poor & (np.minimum(*off) < cell)
    if not kept.any():
        return stage
    rule, n_bins = stage.pair_rule, stage.fine_windows.n_bins
    down = rule.energy_bits - 2 * shift
    left, whole = in_steps(found.left, down)[kept], np.maximum(in_steps(energy, down), 1)[kept]
    noise = (rule.noise(own.sum(axis=1)) + rule.floor)[kept]
    most = float(chi2.isf(_FALSE_ALARMS, max(n_bins - _FITTED, 1)))
    above = float(np.quantile((left - noise) / whole, 1 - PASSED))
    misfit = float((left - (n_bins - _FITTED) / most * noise).sum() / whole.sum())
    share = max(0.0, room * above, room * _UNEVEN * misfit)
    tolerance = int(np.clip(math.ceil(share * 2**17), 0, 1 << 14))
    light = np.maximum(own.sum(axis=1) - stage.light_offset[0], 0)[kept]
    both, here = PairLight(*stage.pair_light).parted(light, found.amounts[kept], shift[kept])
    cut = 2.0 ** shift[kept]
    noise = (
        PairLight(*stage.pair_light).noise(light).astype(np.float64) * 4.0 ** stage.pair_light[2]
    )
    apart = room * share_apart((both - here) * cut, np.maximum(here, 1) * cut, noise)
    apart = min(math.ceil(apart * 2**TOLERANCE_SHIFT), MAX_MULTIPLIER)
    return replace(
        stage, pair_energy=(*stage.pair_energy[:4], tolerance),
        pair_light=(*stage.pair_light[:-1], apart),
    )  # fmt: skip
