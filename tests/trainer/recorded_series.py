"""Real recorded series for the trainer, bundled with aeon, and recipes for input without a sensor.

Series: UCR and UEA archives (H. A. Dau et al., IEEE/CAA J. Automatica Sinica 6, 2019; A. Bagnall et
al., arXiv 1811.00075, 2018). Accuracies of ROCKET: results/results_ucr.csv of its authors' own
repository (A. Dempster et al., Data Min. Knowl. Discov. 34, 2020), mean of ten runs; of
BasicMotions A. Pasos Ruiz et al., Data Min. Knowl. Discov. 35, 2021, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from aeon.datasets import load_classification
from numpy.typing import NDArray

from trainer.recipe import Recipe, parse_recipe

__all__ = ["SERIES", "Series", "load_series", "series_recipe"]

LARGEST = 4000
"""Series are scaled to about what a 12-bit sensor would give."""


@dataclass(frozen=True)
class Series:
    """One problem and how it is looked at.

    ``segments`` of ``segment_frames`` samples each are the window; series that are shorter begin
    with zeros, like a sensor that was switched on. ``rocket`` is the published accuracy.
    """

    name: str
    segments: int
    segment_frames: int
    rocket: float


SERIES = (
    Series("GunPoint", 50, 3, 1.0),
    Series("BasicMotions", 20, 5, 0.99),
    Series("PickupGestureWiimoteZ", 30, 12, 0.83),
)

RECIPE = """\
name = "series"
task = "series"
seed = 1
classes = [{classes}]

[features]
projection = "none"
motion = true
segments = {segments}
segment_frames = {segment_frames}

[classifier]
kind = "extra_trees"
trees = 100
depth = 12
least_in_leaf = 1
contrasts = false
"""


def load_series(problem: Series, side: str) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return int32 (n_series, n_samples, n_channels) and classes from 0, of ``train`` or ``test``.

    Scale and classes are those of the training side.
    """
    train, names = load_classification(problem.name, split="train")
    largest = max(float(np.abs(series).max()) for series in train)
    series, labels = load_classification(problem.name, split=side)
    n_samples = problem.segments * problem.segment_frames
    cut = np.zeros((len(series), n_samples, len(series[0])), dtype=np.int32)
    for row, one in zip(cut, series, strict=True):
        end = np.floor(one.T[-n_samples:] * (LARGEST / largest) + 0.5)
        row[n_samples - len(end) :] = end
    return cut, np.searchsorted(np.unique(names), labels).astype(np.int64)


def series_recipe(problem: Series, n_classes: int) -> Recipe:
    """Return the recipe for input of one dimension in time: window, changes, trees."""
    classes = ", ".join(f'"class_{number}"' for number in range(n_classes))
    text = RECIPE.format(
        classes=classes, segments=problem.segments, segment_frames=problem.segment_frames
    )
    return parse_recipe(text, "series")
