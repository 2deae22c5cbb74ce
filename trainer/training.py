"""Training: from a data set and a recipe to a model and its examination."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import Pipeline

from runtime.errors import UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.contract import EntryStage
from trainer.dataset import Recording, groups_of, open_corpus
from trainer.evaluate import figures, log_test_use, refuse_shared_groups
from trainer.examination import examine, judge, together
from trainer.pipeline import assemble_model, fit_pipeline
from trainer.recipe import Recipe
from trainer.reduced import Reduced, reduce_sides

__all__ = ["Progress", "Trained", "fit_model", "train_model"]

Progress = Callable[[str], None]
QUADRANTS = (2, 2)
MAX_FOLDS = 6


@dataclass(frozen=True, slots=True)
class Trained:
    """A model, its examination, and what the exporters need beside it.

    Parameters
    ----------
    model : Model
    evaluation : dict
        Content of evaluation.json.
    classifier : sklearn Pipeline
        The fitted classifier, for the float ONNX.
    n_features : int
        Length of one window's features.
    test : tuple of Recording
        Recordings of the held-out participants.
    """

    model: Model
    evaluation: dict[str, Any]
    classifier: Pipeline
    n_features: int
    test: tuple[Recording, ...]


def fit_model(folder: Path, recipe: Recipe, progress: Progress | None = None) -> Trained:
    """Train a model from a data set and examine it on the locked participants.

    The same pipeline is trained a second time on readouts binned to four quadrants, for comparison.

    Parameters
    ----------
    folder : pathlib.Path
        Data set.
    recipe : Recipe
    progress : callable, optional
        Is told in a few words what begins.

    Raises
    ------
    UsageError
        The split leaves a side empty or shares a group, or a class has no take.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    tell = progress or (lambda _: None)
    corpus = open_corpus(folder, recipe)
    train, test = corpus.select(locked=False), corpus.select(locked=True)
    split = recipe.evaluation.split
    refuse_shared_groups(groups_of(train, split), groups_of(test, split), split)

    tell("reducing readouts")
    sensor = corpus.sensor
    entries = (
        Bins(sensor.n_rows, sensor.n_cols, *recipe.features.bins),
        Bins(sensor.n_rows, sensor.n_cols, *QUADRANTS),
    )
    main, quadrants = reduce_sides(recipe, entries, (train, test))
    tell("training")
    fitted = fit_pipeline(main[0], recipe, entries[0], sensor)
    tell("training without some participants")
    cross_validation, margin = _cross_validate(main[0], recipe, entries[0], sensor)
    tell("training on four quadrants")
    fitted_quadrants = fit_pipeline(quadrants[0], recipe, entries[1], sensor)

    tell("examining")
    model = assemble_model(recipe, sensor, fitted, margin, corpus.digest)
    evaluation = {
        "task": recipe.name,
        "classes": list(recipe.answers),
        "participants": {
            "train": sorted({r.participant for r in train}),
            "test": sorted({r.participant for r in test}),
        },
        "n_training_windows": len(fitted.labels),
        "recorded_by": sorted({f"unit {r.unit}, firmware {r.firmware}" for r in (*train, *test)}),
        "take_end": recipe.evaluation.take_end,
        "cross_validation": cross_validation,
        **examine(recipe, main[1], quadrants[1], fitted, fitted_quadrants),
    }
    use = {
        "recipe": recipe.digest(),
        "data": corpus.digest,
        "participants": evaluation["participants"]["test"],
    }
    evaluation["test_uses"] = log_test_use(corpus.folder, recipe.name, use)
    return Trained(model, evaluation, fitted.classifier, fitted.features.low.size, test)


def train_model(
    data: Path, recipe: Recipe, out: Path, progress: Progress | None = None
) -> dict[str, Any]:
    """Train, examine and write the whole model folder; return the evaluation.

    Parameters and errors are those of :func:`fit_model`, and UsageError when `out` is in use.
    """
    from trainer.export import refuse_used_folder, write_model_folder

    refuse_used_folder(out)
    trained = fit_model(data, recipe, progress)
    if progress:
        progress("exporting")
    write_model_folder(trained, out)
    return trained.evaluation


def _cross_validate(
    train: list[Reduced], recipe: Recipe, entry: EntryStage, sensor: Sensor
) -> tuple[dict[str, Any], float]:
    """Fit everything anew without some of the training participants, and ask about those.

    Returns
    -------
    figures : dict
        Of the fixed-point pipeline, over all training participants.
    margin : float
        The score margin (best over second best, real units) that right answers about unseen people
        pass with the recipe's recall. The final test's participants take no part in it.
    """
    groups = groups_of([r.recording for r in train], recipe.evaluation.split)
    if len(set(groups)) < 2:
        raise UsageError("split", "training participants", 1, "at least 2", "record more people")
    folds = GroupKFold(min(MAX_FOLDS, len(set(groups)))).split(train, groups=groups)
    parts, margins = [], []
    for kept, held in folds:
        fitted = fit_pipeline([train[i] for i in kept], recipe, entry, sensor)
        for recording in (train[i] for i in held):
            scores = fitted.whole.run(recording.values)
            part = judge(recording, scores)
            gesture = (part.answers == part.labels) & (part.labels < len(recipe.classes))
            at_takes = scores[[end for _, end in recording.takes]]
            ordered = np.sort(at_takes[gesture], axis=1)
            margins.append((ordered[:, -1] - ordered[:, -2]) * fitted.score_unit)
            parts.append(part)
    passed = np.concatenate(margins)
    margin = float(np.quantile(passed, 1 - recipe.decision.recall)) if len(passed) else 0.0
    return figures(together(parts)), margin
