"""Mean, variance and covariance of thinned readouts against those of the same scenes recorded anew.

Two recordings of a scene at a setting differ by noise alone, and so does a thinned one from either:
the variance of its difference from one is held against that of the two from each other, which holds
whatever moves. A mean that is wrong adds to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
from rerecorded import Scene

from capture.frames import FrameBlock
from capture.thin.setting import Setting
from capture.thin.thinned import thinned

Floats = npt.NDArray[np.float64]
N_BINS = 8
STRETCH = 32
SETTINGS = {
    "LED 1/4": Setting(led_current_fraction=0.25),
    "LED 1/10": Setting(led_current_fraction=0.1),
    "LED 1/30": Setting(led_current_fraction=1 / 30),
    "exposure 1/4": Setting(exposure_fraction=0.25),
    "exposure 1/10": Setting(exposure_fraction=0.1),
    "LED and exposure 0.3": Setting(0.3, 0.3),
    "LED 1/20, exposure 1/2": Setting(0.05, 0.5),
    "LED 1/4, 1/3 of the rate, 16 rows": Setting(0.25, rows=(8, 24), frame_rate_divisor=3),
    "exposure 1/4, LED 1/2, 10 bits": Setting(0.5, 0.25, bit_depth=10),
    "LED 1/4, 28 electrons of read noise": Setting(0.25, read_noise_e=28.0),
}
STATED = {
    "mean": 0.01, "mean_in_bins": 0.3, "lit": 0.3, "dark": 0.1, "difference": 0.05, "bins": 0.1,
    "rows": 0.15, "whole": 2.0, "between": 0.12,
}  # fmt: skip
"""Largest error of each moment. Lit alone, and its correlation with dark, have what is made up for
in lit minus dark. Of flicker that comes to 20 counts a pixel, a hundredth that is not followed is a
small part of each pixel's noise, and in the sum over all pixels as much as all their noise."""


@dataclass(frozen=True)
class Moments:
    """How far thinned readouts are from recorded ones.

    Parameters
    ----------
    mean : float
        Error of the mean of lit minus dark, as a share of it.
    mean_in_bins : float
        Error of the means of 8 by 8 bins over stretches of 32 frames, rms, noise taken off, as a
        share of the noise of one bin in one frame pair.
    lit, dark, difference, bins, rows, whole : float
        Variance over that of a recording, less 1: of pixels of both exposures and of their
        difference; of the difference's sums over 8 by 8 bins, over rows, and over all. With
        independent pixels the sums' variance follows from the pixels', so that these show what
        pixels have in common.
    between : float
        Correlation of a pixel's noise in lit and in dark, less that of a recording.
    """

    mean: float
    mean_in_bins: float
    lit: float
    dark: float
    difference: float
    bins: float
    rows: float
    whole: float
    between: float


def moments(scenes: Sequence[Scene], setting: Setting, seed: int = 1) -> Moments:
    """Compare thinned with recorded readouts over some scenes of one sensor."""
    sums: dict[str, Floats] = {}
    means: list[tuple[float, float]] = []
    biases, noises = [], []
    for number, scene in enumerate(scenes):
        full, first, second = (
            scene.record(Setting(), 10 * seed),
            scene.record(setting, 10 * seed + 1),
            scene.record(setting, 10 * seed + 2),
        )
        rng = np.random.default_rng([seed, number])
        thin = FrameBlock.concatenate(list(thinned([full], scene.sensor, setting, rng)))
        # What a saturated frame would have been nobody knows; those are left out.
        clear = (full.lit < scene.sensor.saturation_counts).all(axis=(1, 2))
        clear = clear[:: setting.frame_rate_divisor]
        thin, first, second = (_only(block, clear) for block in (thin, first, second))
        for name, values in _seen(thin, first).items():
            anew = _seen(second, first)[name]
            each = np.array([(values**2).mean(), (anew**2).mean()])
            sums[name] = sums.get(name, np.zeros(2)) + each
        sums["between"] = sums.get("between", np.zeros(2)) + _between(thin, first, second)
        means.append((_light(thin).mean(), 0.5 * (_light(first) + _light(second)).mean()))
        off = _binned(_light(thin) - 0.5 * (_light(first) + _light(second)))
        n = len(off) // STRETCH * STRETCH
        biases.append((off[:n].reshape(-1, STRETCH, off.shape[1]).mean(axis=1) ** 2).mean())
        noises.append((_binned(_light(second) - _light(first)) ** 2).mean() / 2.0)
    got, wanted = np.array(means).sum(axis=0)
    # The thinned has one part of noise, the mean of two recordings half of one.
    left = float(np.mean(biases)) / float(np.mean(noises)) - 1.5 / STRETCH
    excess = {name: 2.0 * float(a / b - 1.0) for name, (a, b) in sums.items() if name != "between"}
    cross, other = sums["between"] / len(scenes)
    return Moments(
        mean=float(got / wanted - 1.0), mean_in_bins=float(np.sqrt(max(left, 0.0))),
        between=float(cross - other), **excess,
    )  # fmt: skip


def _only(block: FrameBlock, wanted: npt.NDArray[np.bool_]) -> FrameBlock:
    return FrameBlock(*(getattr(block, field.name)[wanted] for field in fields(block)))


def _light(block: FrameBlock) -> Floats:
    return block.lit.astype(np.float64) - block.dark


def _binned(light: Floats) -> Floats:
    for axis in (1, 2):
        n_bins = min(N_BINS, light.shape[axis])
        starts = np.arange(n_bins) * light.shape[axis] // n_bins
        light = np.add.reduceat(light, starts, axis=axis)
    return light.reshape(len(light), -1)


def _seen(one: FrameBlock, other: FrameBlock) -> dict[str, Floats]:
    """Return the differences of two recordings of a scene, as they are looked at."""
    light = _light(one) - _light(other)
    return {
        "lit": _swinging(one.lit.astype(np.float64) - other.lit),
        "dark": _swinging(one.dark.astype(np.float64) - other.dark),
        "difference": light,
        "bins": _binned(light),
        "rows": light.sum(axis=2),
        "whole": light.sum(axis=(1, 2)),
    }


def _swinging(noise: Floats) -> Floats:
    """Return what changes: a pixel's own black level is scaled with its light, and known to be."""
    return np.asarray(noise - noise.mean(axis=0))


def _between(thin: FrameBlock, first: FrameBlock, second: FrameBlock) -> Floats:
    """Return the correlation of lit and dark noise: thinned and one recording, two recordings."""
    found = []
    for one in (thin, second):
        seen = _seen(one, first)
        lit, dark = seen["lit"], seen["dark"]
        # Of the covariance, what is the other recording's own is independent of everything.
        found.append((lit * dark).mean() / np.sqrt((lit**2).mean() * (dark**2).mean()) * 2.0)
    return np.array(found)
