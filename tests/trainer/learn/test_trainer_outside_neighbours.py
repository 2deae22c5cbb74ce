"""The nearest neighbour on real recorded series, against the error counts that are published.

A stream of series is cut by the window stage and answered by the prototypes stage with every
training series as a prototype. Fewer or more errors than published would tell of a window that is
cut one frame wrong, of a wrong distance, or of rounding that matters.

Series: UCR archive (H. A. Dau et al., IEEE/CAA J. Automatica Sinica 6, 2019), read where aeon and
tslearn bundle them. Error counts: table ``singleTrainTest.csv`` of the tslearn package, columns
Euclidean_1NN and DTW_R1_1NN (A. Bagnall et al., Data Min. Knowl. Discov. 31, 2017).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from importlib import resources

import numpy as np
import pytest
from aeon.datasets import load_classification
from numpy.typing import NDArray
from tslearn.datasets import CachedDatasets
from tslearn.metrics import cdist_dtw

from runtime.stages.prototypes import Prototypes
from runtime.stages.window import Window

# Name, samples a frame, wrong answers of the nearest neighbour: Euclidean and dynamic time warping.
PUBLISHED = {
    "GunPoint": (3, 13, 14),
    "ItalyPowerDemand": (1, 46, 51),
    "Trace": (5, 24, 0),
}


@dataclass(frozen=True)
class Problem:
    """A published problem: series float64 (n_series, n_samples), and their classes from 0."""

    x_train: NDArray[np.float64]
    y_train: NDArray[np.int32]
    x_test: NDArray[np.float64]
    y_test: NDArray[np.int32]


def _load(name: str) -> Problem:
    if name == "Trace":
        x_train, y_train, x_test, y_test = CachedDatasets().load_dataset(name)
        x_train, x_test = x_train[:, :, 0], x_test[:, :, 0]
    else:
        (x_train, y_train), (x_test, y_test) = (
            load_classification(name, split=side) for side in ("train", "test")
        )
        x_train, x_test = x_train[:, 0], x_test[:, 0]
    kinds = np.unique(y_train)
    train, test = (np.searchsorted(kinds, y).astype(np.int32) for y in (y_train, y_test))
    return Problem(x_train, train, x_test, test)


def _cut(series: NDArray[np.float64], scale: float, per_frame: int) -> NDArray[np.int32]:
    """Play series one after the other as one stream, and take the window at the end of each."""
    n_frames = series.shape[1] // per_frame
    stream = np.floor(series * scale + 0.5).astype(np.int32).reshape(-1, per_frame)
    window = Window(per_frame, n_frames, 1)
    cut, _ = window.run(stream, window.initial_state())
    return cut[n_frames - 1 :: n_frames]


def _windows(problem: Problem, per_frame: int) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Quantise as finely as squared distances in 32 bits allow, and cut both sides."""
    largest = max(np.abs(problem.x_train).max(), np.abs(problem.x_test).max())
    limit = np.floor(np.sqrt((2**31 - 1) / problem.x_train.shape[1]) / 2) - 1
    train, test = (
        _cut(side, limit / largest, per_frame) for side in (problem.x_train, problem.x_test)
    )
    return train, test


@pytest.mark.parametrize("name", PUBLISHED)
def test_euclidean_neighbours_err_as_often_as_published(name: str) -> None:
    """Window and prototypes stages make exactly the published number of errors on real series."""
    per_frame, wrong, _ = PUBLISHED[name]
    problem = _load(name)
    x_train, x_test = _windows(problem, per_frame)
    n_classes = int(problem.y_train.max()) + 1
    stage = Prototypes(
        centres=x_train.astype(np.int16),
        owners=problem.y_train,
        n_classes=n_classes,
        squared=True,
        real_centres=x_train.astype(np.float64),
    )
    limit = np.full(stage.n_in, max(np.abs(x_train).max(), np.abs(x_test).max()), dtype=np.int64)
    stage.bounds(-limit, limit)  # raises if a distance could pass 32 bits
    scores, _ = stage.run(x_test, {})
    assert (scores.argmax(axis=1) != problem.y_test).sum() == wrong


@pytest.mark.slow  # time warping is compiled on first use
@pytest.mark.parametrize("name", PUBLISHED)
def test_warped_neighbours_err_as_often_as_published(name: str) -> None:
    """The windows hold all that another library's time warping needs for the published errors."""
    per_frame, _, wrong = PUBLISHED[name]
    problem = _load(name)
    x_train, x_test = _windows(problem, per_frame)
    distances = cdist_dtw(x_test.astype(np.float64), x_train.astype(np.float64))
    assert (problem.y_train[distances.argmin(axis=1)] != problem.y_test).sum() == wrong


def test_the_error_counts_are_those_of_the_published_table() -> None:
    """The counts above are the table's accuracies of the same numbers of test series."""
    table = resources.files("tslearn") / ".cached_datasets" / "singleTrainTest.csv"
    rows = {row[""]: row for row in csv.DictReader(table.read_text().splitlines(), delimiter=";")}
    for name, (_, euclidean, warped) in PUBLISHED.items():
        n_test = len(_load(name).y_test)
        for column, wrong in (("Euclidean_1NN", euclidean), ("DTW_R1_1NN", warped)):
            assert (1 - float(rows[name][column])) * n_test == pytest.approx(wrong, abs=1e-4)
