"""MiniRocket with a ridge classifier on the windows that a trained model sees, and what both cost.

Both are asked about the same windows of the locked people, whose last frames are known to the
emulator of the sensor: neither has a part in choosing them.

A. Dempster, D. Schmidt, G. Webb, "MiniRocket: a very fast (almost) deterministic transform for time
series classification", KDD 2021; the implementation is aeon's. Difference, entry and level stages
come before both and are counted for neither.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from aeon.transformations.collection.convolution_based import MiniRocket
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from sklearn.linear_model import RidgeClassifierCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from runtime.model import Model
from runtime.stages.contract.stage import Stage
from runtime.stages.level import Level
from runtime.stages.window import Window
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import reduce_for
from trainer.fit.training import Trained
from trainer.judge.evaluate import Takes, figures
from trainer.recipe import Recipe
from trainer.tell.tables import figure_text
from trainer.work.jobs import LocalWorkers

__all__ = ["compare"]

KERNEL_TAPS = 9
N_KERNELS = 84
PENALTIES = np.logspace(-3, 3, 10)  # as published
SHARE_WANTED = 200


Moments = Callable[[Reduced], list[int]]
"""The frame at which each take of a recording is judged."""


def compare(
    data: Path,
    recipe: Recipe,
    trained: Trained,
    most_windows: int,
    moments: Callable[[Sequence[Reduced]], Moments],
) -> None:
    """Print accuracy on the locked people's takes and operations a window, beside the model's.

    Parameters
    ----------
    moments : callable
        Is given the recordings that training learns from, and returns the rule for the others.
    """
    began = time.perf_counter()
    (candidate,) = reduce_for(data.absolute(), [recipe], LocalWorkers(), lambda _: None)
    recordings = candidate.main
    front = _front(trained.model)
    window = next(stage for stage in trained.model.stages if isinstance(stage, Window))
    length = max(KERNEL_TAPS, window.n_frames)
    train = [r for r in recordings if not r.recording.locked]
    test = [r for r in recordings if r.recording.locked and r.takes]
    kept = _kept([r.labels for r in train], most_windows)
    x = np.concatenate(
        [_cut(r, r.frames[chosen], front, length) for r, chosen in zip(train, kept, strict=True)]
    )
    labels = np.concatenate([r.labels[chosen] for r, chosen in zip(train, kept, strict=True)])
    rocket = MiniRocket(random_state=1)
    ridge = make_pipeline(StandardScaler(), RidgeClassifierCV(PENALTIES))
    ridge.fit(rocket.fit_transform(x), labels)
    judged_at = moments(train)
    lag = (recipe.decision.average_frames - 1) // 2  # the model's scores are means up to the frame
    frames = [judged_at(r) for r in test]
    own, figure = (
        figures(_takes(test, answers))["accuracy"]
        for answers in (
            [_answers(trained.model, r, f) for r, f in zip(test, frames, strict=True)],
            [
                ridge.predict(rocket.transform(_cut(r, np.subtract(f, lag), front, length)))
                for r, f in zip(test, frames, strict=True)
            ],
        )
    )
    took = time.perf_counter() - began
    behind = figure["value"] - own["value"]
    theirs = _operations_of_rocket(rocket, x.shape[1], length, len(recipe.answers))
    ours = sum(stage.n_operations for stage in trained.model.stages[len(front) :])
    print(f"  at these windows  {figure_text(own)} of takes, fixed point")
    print(
        f"  MiniRocket        {figure_text(figure)} of takes, learned from {len(x)} windows of"
        f" {length} frames, {took:.0f} s"
    )
    print(f"  behind it by      {100 * behind:.2f} points; at most 1 wanted")
    total = sum(theirs.values())
    parts = ", ".join(f"{count} {name}" for name, count in theirs.items())
    print(
        f"  operations        {ours} a frame against {total} a window ({parts}): 1 /"
        f" {total / ours:.0f}; 1 / {SHARE_WANTED} wanted",
        flush=True,
    )


def _kept(labels: Sequence[NDArray[np.int64]], most: int) -> list[NDArray[np.int64]]:
    """Choose windows to learn from, as many of each class as far as there are, evenly spaced."""
    whole = np.concatenate(labels)
    counts = np.bincount(whole)
    chosen = np.zeros(len(whole), dtype=bool)
    for label, count in enumerate(counts):
        share = min(count, -(-most // len(counts)))
        own = np.flatnonzero(whole == label)
        chosen[own[np.linspace(0, count - 1, share).round().astype(np.int64)]] = True
    ends = np.cumsum([len(each) for each in labels])
    return [np.flatnonzero(part) for part in np.split(chosen, ends[:-1])]


def _takes(recordings: Sequence[Reduced], answers: Sequence[NDArray[np.int64]]) -> Takes:
    return Takes(
        tuple(r.recording.participant for r in recordings for _ in r.takes),
        np.array([cue.label for r in recordings for cue, _ in r.takes], dtype=np.int64),
        np.concatenate(answers),
    )


def _answers(model: Model, recording: Reduced, frames: Sequence[int]) -> NDArray[np.int64]:
    """Return the class with the best score of the model's own stages at each frame."""
    values = recording.values
    for stage in model.stages[1:-1]:
        values, _ = stage.run(values, stage.initial_state())
    return values[list(frames)].argmax(axis=1)


def _front(model: Model) -> tuple[Stage, ...]:
    """Return the stages up to the level: what the model and the reference have in common."""
    kinds = [isinstance(stage, Level) for stage in model.stages]
    return model.stages[: kinds.index(True) + 1]


def _cut(
    recording: Reduced, frames: Sequence[int] | NDArray[np.int64], front: Sequence[Stage], n: int
) -> NDArray[np.float32]:
    """Return the last n frames up to each frame given, float32 (n_windows, n_values, n)."""
    values = recording.values
    for stage in front[1:]:
        values, _ = stage.run(values, stage.initial_state())
    padded = np.concatenate([np.zeros((n - 1, values.shape[1]), dtype=np.int32), values])
    return sliding_window_view(padded, n, axis=0)[np.asarray(frames)].astype(np.float32)


def _operations_of_rocket(
    rocket: MiniRocket, n_channels: int, length: int, n_classes: int
) -> dict[str, int]:
    """Count what aeon's loops do for one window, by kind.

    For each dilation the shifted sums are shared by all kernels; each kernel then adds three of
    them for each of its channels, and the channels; each feature compares every position with its
    threshold and counts. The ridge is one multiply-add for each feature and class.
    """
    channels, _, dilations, per_dilation, _ = rocket.parameters
    n_features = N_KERNELS * int(np.sum(per_dilation))
    shared = len(dilations) * (KERNEL_TAPS - 1 + 2) * n_channels * length
    n_sums = int(np.sum(channels))
    positions = 0
    starts = range(len(dilations))
    for index, dilation, count in zip(starts, dilations, per_dilation, strict=True):
        inner = length - (KERNEL_TAPS - 1) * int(dilation)
        whole = sum((index + kernel) % 2 == 0 for kernel in range(N_KERNELS))
        positions += int(count) * (whole * length + (N_KERNELS - whole) * inner)
    return {
        "additions": shared + 4 * n_sums * length - len(channels) * length,
        "comparisons": positions,
        "multiply-adds": n_features * n_classes,
    }
