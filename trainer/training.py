"""Training: from a data set and a recipe to a model and its examination."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from runtime.model import Model
from sklearn.model_selection import GroupKFold
from sklearn.pipeline import Pipeline

from runtime.stages.bins import Bins
from runtime.stages.contract import Int32
from runtime.stages.decision import Decision
from trainer.classifiers import fit_classifier, lower_classifier, real_scores
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
MAX_FOLDS = 3


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
    threshold: int


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
    tell("training on four quadrants")
    fitted_quadrants = _fit(quadrants[0], recipe, entries[1], corpus)

    tell("examining")
    model = _assemble(recipe, corpus, fitted)
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
    n_classes = len(recipe.answers)
    classifier = fit_classifier(recipe.classifier, x, labels, n_classes, recipe.seed)
    heads, unit = lower_classifier(classifier, x, chain.low, chain.high, quantisation)
    groups = np.repeat(
        groups_of([r.recording for r in train], recipe.evaluation.split),
        [len(r.frames) for r in train],
    )
    threshold = _held_out_threshold(recipe, x, labels, groups)
    return _Fitted(
        chain, chain.then(*heads), classifier, labels, max(0, math.floor(threshold / unit))
    )


def _held_out_threshold(
    recipe: Recipe, x: Int32, labels: NDArray[np.int64], groups: NDArray[np.str_]
) -> float:
    """Choose the score margin that right answers about unseen people pass with the asked recall.

    Classifiers are fitted without some of the training participants and asked about them; the
    margin is that of the best score over the second best. Test participants take no part.
    """
    n_groups = len(set(groups.tolist()))
    if n_groups < 2:
        return 0.0
    margins = []
    n_classes = len(recipe.answers)
    for kept, held in GroupKFold(min(MAX_FOLDS, n_groups)).split(x, labels, groups):
        classifier = fit_classifier(
            recipe.classifier, x[kept], labels[kept], n_classes, recipe.seed
        )
        scores = real_scores(classifier, x[held])
        right = (scores.argmax(axis=1) == labels[held]) & (labels[held] < len(recipe.classes))
        ordered = np.sort(scores[right], axis=1)
        margins.append(ordered[:, -1] - ordered[:, -2])
    passed = np.concatenate(margins)
    return float(np.quantile(passed, 1 - recipe.decision.recall)) if len(passed) else 0.0


def _assemble(recipe: Recipe, corpus: Corpus, fitted: _Fitted) -> Model:
    decision = Decision(
        other=tuple(name == OTHER for name in recipe.answers),
        threshold=fitted.threshold,
        hysteresis=fitted.threshold // 2,
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
        answers = [run(r.values)[r.ends].argmax(axis=1) for r in recordings]
        return Takes(
            tuple(r.recording.participant for r in recordings for _ in r.cues),
            np.array([cue.label for r in recordings for cue in r.cues], dtype=np.int64),
            np.concatenate(answers).astype(np.int64),
        )

    fixed = judged(test, fitted.whole.run)
    return {
        "float": figures(judged(test, fitted.whole.run_float)),
        "fixed": figures(fixed),
        "four_quadrant": figures(judged(test_quadrants, fitted_quadrants.whole.run)),
        "majority": figures(majority(fixed, fitted.labels)),
        "confusion": confusion(fixed, len(recipe.answers)),
    }
