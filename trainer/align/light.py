"""How much light belongs to what a pattern explains, as calibration teaches it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from runtime.fixedpoint import MAX_MULTIPLIER
from runtime.stages.alignment.energy import MOST_DARK, TOLERANCE_SHIFT
from runtime.stages.alignment.geometry import CellGrid
from runtime.stages.alignment.registration import Registration
from trainer.align.binned import PASSED, cell_spline
from trainer.align.multipliers import at_least_17

__all__ = [
    "LEAST_QUIET",
    "SIGMAS", "coarser", "light_numbers", "light_tolerance", "quiet_sums", "share_apart",
    "with_quiet",
]  # fmt: skip

Floats = npt.NDArray[np.float64]

_FALSE_ALARMS = 1e-4
"""Of readouts of one source, those whose noise alone may part its light from its pattern."""
SIGMAS = float(norm.isf(_FALSE_ALARMS / 2.0))
_PER_CELL = 2
"""Places a side of each cell: a norm changes less from place to place than the pattern itself."""
_MOST_SHARE = 0.25
"""Of all light, the square of noise in steps: two multiplications shift by 17 at least."""
LEAST_QUIET = 8
"""Frames without a source: of fewer a variance is known within no better than a half (the root of
two over their number), and what the sensor states is better."""


def light_numbers(
    optics: Sequence[Callable[[Floats], Floats]], grid: CellGrid, used: npt.NDArray[np.bool_],
    gain: float, floor: float,
) -> tuple[tuple[int, ...], npt.NDArray[np.int16]]:  # fmt: skip
    """Return the numbers of the rule, tolerance 0, and norms of each optic's patterns.

    The difference of a root energy and of all light times the norm c / sqrt(n) of a pattern of n
    pixels, c its contrast, has the noise of one pixel for the first and c**2 of it for the second.

    Parameters
    ----------
    optics : sequence of callable
        From slopes (n, 2) to patterns of sum 1, (n, n_pixels).
    grid : CellGrid
    used : bool (n_cells,)
        Cells near calibrated directions: norms beyond are cut to what these have.
    gain : float
        Conversion gain, counts an electron.
    floor : float
        Variance of a pixel without light, electrons squared.
    """
    splines, n_pixels = [], 1

    def norms_of(light: Floats) -> Floats:
        about = light - light.mean(axis=1, keepdims=True)
        return np.asarray(np.linalg.norm(about, axis=1)[:, None])

    for optic in optics:
        splines.append(cell_spline(lambda s, at=optic: norms_of(at(s)), grid, _PER_CELL)[:, 0])  # type: ignore[misc]
        n_pixels = optic(np.zeros((1, 2))).shape[1]
    every = np.stack(splines)
    most = float(every[:, np.unique(grid.spline_of[used])].max())
    norm_bits = int(np.clip(math.floor(math.log2(32767.0 / most)), 0, 30))
    table = np.clip(np.round(every * 2.0**norm_bits), 0, 32767).astype(np.int16)
    of_light = SIGMAS**2 * (1.0 + n_pixels * most**2)
    step_bits = -coarser(of_light * gain / n_pixels)
    room = of_light * 4.0**step_bits
    least = min(math.ceil(room * floor * gain**2), 1 << 29)
    return (norm_bits, step_bits, *at_least_17(room * gain / n_pixels), least, 0), table


def coarser(share: float) -> int:
    """Return the least bits of steps in whose squares noise is such a share of the light at most.

    Steps as fine as that are a quarter of the noise of a hundred counts, and less of more.
    """
    return max(-14, math.ceil(math.log2(share / _MOST_SHARE) / 2.0))


def quiet_sums(stage: Registration, values: npt.NDArray[np.integer]) -> tuple[Floats, Floats]:
    """Return what apertures sum to without a source, and the variance of it beyond pixels' noise.

    Light that shines in both exposures, and flickers, leaves a sum that changes from frame to
    frame, where it hardly shows in any pixel. Nothing of both where there are too few frames.
    """
    n = len(stage.offsets)
    if len(values) < LEAST_QUIET:
        return np.zeros(n), np.zeros(n)
    parts = [values[:, stage.windows.columns(k)].astype(np.float64) for k in range(n)]
    sums = np.stack([part.sum(axis=1) for part in parts])
    middle = np.median(sums, axis=1)
    spread = np.median(np.abs(sums - middle[:, None]), axis=1) / norm.isf(0.25)
    own = np.array([part.var(axis=1).mean() * part.shape[1] for part in parts])
    return middle, np.maximum(spread**2 - own, 0.0)


def with_quiet(stage: Registration, values: npt.NDArray[np.integer]) -> Registration:
    """Return the stage that takes off what is read without a source, and allows its changes."""
    middle, spread = quiet_sums(stage, values)
    rule = stage.light_rule
    most = float(stage.norms.max()) / 2.0**rule.norm_bits
    more = (SIGMAS * most) ** 2 * float(spread.max()) * 4.0**rule.step_bits
    floor = min(rule.floor + math.ceil(more), 1 << 29)
    offset = tuple(int(v) for v in np.clip(np.round(middle), -MOST_DARK, MOST_DARK))
    return replace(stage, light=(*stage.light[:4], floor, rule.tolerance), light_offset=offset)


def share_apart(off: Floats, whole: Floats, noise: Floats) -> float:
    """Return the share that differences show beyond noise: of nearly all, or of their mean.

    Parameters
    ----------
    off, whole : float64 (n,)
        Differences, and what they are shares of.
    noise : float64 (n,)
        What noise may make of a difference, squared, `SIGMAS` of it.
    """
    above = float(np.quantile((np.abs(off) - np.sqrt(noise)) / whole, 1.0 - PASSED))
    square = float((off**2 - noise / SIGMAS**2).mean() / (whole**2).mean())
    return max(0.0, above, math.sqrt(max(square, 0.0)) * float(norm.isf(PASSED / 2.0)))


def light_tolerance(
    stage: Registration, values: npt.NDArray[np.int32], room: float
) -> Registration:
    """Return the stage allowing norms the error that calibration readouts show."""
    share = 0.0
    for _, (root, belongs, noise) in stage.residuals(values):
        whole = np.maximum(belongs, 1).astype(np.float64)
        share = max(
            share, share_apart((root - belongs).astype(np.float64), whole, noise.astype(np.float64))
        )
    tolerance = min(math.ceil(room * share * 2**TOLERANCE_SHIFT), MAX_MULTIPLIER)
    return replace(stage, light=(*stage.light[:-1], tolerance))
