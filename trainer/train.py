"""Train a model and write its whole folder: the step that ``palmwatt train`` and the demo take."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from trainer.fit.training import Notify, fit_model
from trainer.recipe import Recipe
from trainer.tell.export import refuse_used_folder, write_model_folder
from trainer.work.jobs import Workers

__all__ = ["train_model"]


def train_model(
    data: Path,
    recipe: Recipe | Sequence[Recipe],
    out: Path,
    progress: Notify | None = None,
    workers: Workers | None = None,
) -> dict[str, Any]:
    """Train, examine and write the whole model folder; return the evaluation.

    Parameters and errors are those of :func:`trainer.fit.training.fit_model`, and UsageError when
    `out` is in use.
    """
    refuse_used_folder(out)
    trained = fit_model(data, recipe, progress, workers)
    if progress:
        progress("exporting")
    write_model_folder(trained, out)
    return trained.evaluation
