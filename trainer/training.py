"""Training: from a data set and a recipe to a model and its examination."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import Pipeline

from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.bins import Bins
from runtime.stages.contract import Int32
from runtime.stages.decision import Decision
from trainer.classifiers import fit_classifier, lower_classifier
from trainer.dataset import (
    Corpus,
    LabelledCue,
    Recording,
    groups_of,
    open_corpus,
    reduce_recording,
)
from trainer.evaluate import Takes, confusion, figures, log_test_use, majority, refuse_shared_groups
from trainer.features import StageChain, learn_features, learn_level
from trainer.recipe import OTHER, Recipe
from trainer.windows import take_frames, training_frames

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


@dataclass(frozen=True, slots=True)
class _Reduced:
    """One recording after an entry stage, with the frames that training and test look at."""

    recording: Recording
    values: Int32
    cues: list[LabelledCue]
    ends: list[int]
    frames: NDArray[np.int64]
    labels: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A fitted pipeline: features, the whole chain to the scores, and what it was fitted to."""

    features: StageChain
    whole: StageChain
    classifier: Pipeline
    labels: NDArray[np.int64]
    score_unit: float


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
    main, quadrants = _reduce(corpus, recipe, entries, train, test)
    tell("training")
    fitted = _fit(main[0], recipe, entries[0], corpus)
    tell("training without some participants")
    cross_validation, margin = _cross_validate(main[0], recipe, entries[0], corpus)
    tell("training on four quadrants")
    fitted_quadrants = _fit(quadrants[0], recipe, entries[1], corpus)

    tell("examining")
    model = _assemble(recipe, corpus, fitted, margin)
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
        **_examine(recipe, main[1], quadrants[1], fitted, fitted_quadrants),
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


def _reduce(
    corpus: Corpus,
    recipe: Recipe,
    entries: tuple[Bins, Bins],
    train: Sequence[Recording],
    test: Sequence[Recording],
) -> list[tuple[list[_Reduced], list[_Reduced]]]:
    """Read every recording once; return (train, test) for each entry stage.

    The frames to look at are found on the recipe's own bins and used for both pipelines, so that
    the comparison differs in nothing but the readout.
    """
    read = [[reduce_recording(r, recipe, entries) for r in side] for side in (train, test)]
    first_values = np.concatenate([values[0] for values, _ in read[0]])
    level = learn_level(first_values, recipe.features, recipe.quantisation.clip_quantile)
    results: list[tuple[list[_Reduced], list[_Reduced]]] = [([], []) for _ in entries]
    for side, recordings in enumerate((train, test)):
        for recording, (values, cues) in zip(recordings, read[side], strict=True):
            levelled, _ = level.run(values[0], {})
            ends = take_frames(recipe, levelled, cues)
            frames, labels = training_frames(recipe, cues, ends, len(levelled))
            for result, value in zip(results, values, strict=True):
                result[side].append(_Reduced(recording, value, cues, ends, frames, labels))
    return results


def _fit(train: list[_Reduced], recipe: Recipe, entry: Bins, corpus: Corpus) -> _Fitted:
    """Learn features, fit the classifier, lower both to integer stages."""
    quantisation = recipe.quantisation
    values = np.concatenate([r.values for r in train])
    level = learn_level(values, recipe.features, quantisation.clip_quantile)
    chain = StageChain.start(entry, corpus.sensor.max_counts).then(level)
    levelled = [chain.run(r.values) for r in train]
    samples = [(r.frames, r.labels) for r in train]
    chain = learn_features(chain, levelled, samples, recipe.features, quantisation)
    x = np.concatenate([chain.run(r.values)[r.frames] for r in train])
    labels = np.concatenate([r.labels for r in train])
    classifier = fit_classifier(
        recipe.classifier, x, labels, len(recipe.answers), recipe.features.segments, recipe.seed
    )
    heads, unit = lower_classifier(classifier, x, chain.low, chain.high, quantisation)
    return _Fitted(chain, chain.then(*heads), classifier, labels, unit)


def _cross_validate(
    train: list[_Reduced], recipe: Recipe, entry: Bins, corpus: Corpus
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
        fitted = _fit([train[i] for i in kept], recipe, entry, corpus)
        for recording in (train[i] for i in held):
            scores = fitted.whole.run(recording.values)[recording.ends]
            part = _judged(recording, scores)
            gesture = (part.answers == part.labels) & (part.labels < len(recipe.classes))
            ordered = np.sort(scores[gesture], axis=1)
            margins.append((ordered[:, -1] - ordered[:, -2]) * fitted.score_unit)
            parts.append(part)
    passed = np.concatenate(margins)
    margin = float(np.quantile(passed, 1 - recipe.decision.recall)) if len(passed) else 0.0
    return figures(_together(parts)), margin


def _assemble(recipe: Recipe, corpus: Corpus, fitted: _Fitted, margin: float) -> Model:
    threshold = max(0, math.floor(margin / fitted.score_unit))
    decision = Decision(
        other=tuple(name == OTHER for name in recipe.answers),
        threshold=threshold,
        hysteresis=threshold // 2,
        persist=recipe.decision.hold_frames,
        hold_off=recipe.decision.hold_off_frames,
    )
    chain = fitted.whole
    return Model(
        name=recipe.name,
        task=recipe.task,
        sensor=corpus.sensor,
        classes=recipe.answers,
        stages=(chain.entry, *chain.stages, decision),
        provenance={"recipe": recipe.digest(), "data": corpus.digest},
    )


def _examine(
    recipe: Recipe,
    test: list[_Reduced],
    test_quadrants: list[_Reduced],
    fitted: _Fitted,
    fitted_quadrants: _Fitted,
) -> dict[str, Any]:
    """Judge every take of the held-out participants by each pipeline, and give the figures."""

    def judged(recordings: list[_Reduced], run: Callable[[Int32], NDArray[Any]]) -> Takes:
        return _together([_judged(r, run(r.values)[r.ends]) for r in recordings])

    fixed = judged(test, fitted.whole.run)
    return {
        "float": figures(judged(test, fitted.whole.run_float)),
        "fixed": figures(fixed),
        "four_quadrant": figures(judged(test_quadrants, fitted_quadrants.whole.run)),
        "majority": figures(majority(fixed, fitted.labels)),
        "confusion": confusion(fixed, len(recipe.answers)),
    }


def _judged(recording: _Reduced, scores: NDArray[Any]) -> Takes:
    """Answer each take of a recording with the class of its highest score."""
    return Takes(
        (recording.recording.participant,) * len(recording.cues),
        np.array([cue.label for cue in recording.cues], dtype=np.int64),
        scores.argmax(axis=1).astype(np.int64),
    )


def _together(parts: Sequence[Takes]) -> Takes:
    return Takes(
        tuple(name for part in parts for name in part.participants),
        np.concatenate([part.labels for part in parts]),
        np.concatenate([part.answers for part in parts]),
    )
