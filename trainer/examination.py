"""The examination: every take of held-out people judged by each pipeline."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract import Int32
from trainer.evaluate import Takes, confusion, figures, majority
from trainer.pipeline import Fitted
from trainer.recipe import Recipe
from trainer.reduced import Reduced

__all__ = ["examine", "judge", "together"]


def examine(
    recipe: Recipe,
    test: list[Reduced],
    test_quadrants: list[Reduced],
    fitted: Fitted,
    fitted_quadrants: Fitted,
) -> dict[str, Any]:
    """Judge every take of the held-out participants by each pipeline, and give the figures."""

    def judged(recordings: list[Reduced], run: Callable[[Int32], NDArray[Any]]) -> Takes:
        return together([judge(r, run(r.values)) for r in recordings])

    fixed = judged(test, fitted.whole.run)
    return {
        "float": figures(judged(test, fitted.whole.run_float)),
        "fixed": figures(fixed),
        "four_quadrant": figures(judged(test_quadrants, fitted_quadrants.whole.run)),
        "majority": figures(majority(fixed, fitted.labels)),
        "confusion": confusion(fixed, len(recipe.answers)),
    }


def judge(recording: Reduced, scores: NDArray[Any]) -> Takes:
    """Answer each take of a recording with the class of its highest score.

    Parameters
    ----------
    scores : int32 or float64 (n_frames, n_classes)
        Of every frame; those at the takes' frames count.
    """
    takes = recording.takes
    return Takes(
        (recording.recording.participant,) * len(takes),
        np.array([cue.label for cue, _ in takes], dtype=np.int64),
        scores[[end for _, end in takes]].argmax(axis=1).astype(np.int64),
    )


def together(parts: Sequence[Takes]) -> Takes:
    """Join the takes of several recordings."""
    return Takes(
        tuple(name for part in parts for name in part.participants),
        np.concatenate([part.labels for part in parts]),
        np.concatenate([part.answers for part in parts]),
    )
