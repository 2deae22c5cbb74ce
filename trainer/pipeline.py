"""The pipeline: features and classifier fitted together, lowered to one chain of integer stages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.contract import EntryStage
from runtime.stages.decision import Decision
from trainer.classifiers import fit_classifier, lower_classifier
from trainer.features import StageChain, learn_features, learn_level
from trainer.recipe import OTHER, Recipe
from trainer.reduced import Reduced, excerpts

__all__ = ["Fitted", "assemble_model", "fit_pipeline"]

MAX_WINDOWS = 200_000
"""A classifier learns from no more: of a larger data set, evenly from every recording."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """A fitted pipeline: features, the whole chain to the scores, and what it was fitted to.

    Parameters
    ----------
    features, whole : StageChain
        Up to the window's features, and up to the scores.
    classifier : sklearn Pipeline
    labels : int64 (n_windows,)
        Classes of the training windows.
    score_unit : float
        Real value of one step of a score.
    """

    features: StageChain
    whole: StageChain
    classifier: Pipeline
    labels: NDArray[np.int64]
    score_unit: float


def fit_pipeline(
    train: Sequence[Reduced], recipe: Recipe, entry: EntryStage, sensor: Sensor
) -> Fitted:
    """Learn features, fit the classifier, lower both to integer stages.

    Raises
    ------
    UsageError
        A class has no take.
    OverflowRisk
        The integer pipeline could pass 32 bits.
    """
    quantisation = recipe.quantisation
    seen = excerpts(train)
    values = np.concatenate([e.values for e in seen])
    level = learn_level(values, recipe.features, quantisation.clip_quantile)
    chain = StageChain.start(entry, sensor.max_counts).then(level)
    levelled = [chain.run(e.values) for e in seen]
    samples = [(e.frames, e.labels) for e in seen]
    chain = learn_features(chain, levelled, samples, recipe.features, quantisation)
    every = max(1, -(-sum(len(r.frames) for r in train) // MAX_WINDOWS))
    x = np.concatenate([chain.run(r.values)[r.frames[::every]] for r in train])
    labels = np.concatenate([r.labels[::every] for r in train])
    classifier = fit_classifier(
        recipe.classifier, x, labels, len(recipe.answers), recipe.features.segments, recipe.seed
    )
    heads, unit = lower_classifier(classifier, x, chain.low, chain.high, quantisation)
    return Fitted(chain, chain.then(*heads), classifier, labels, unit)


def assemble_model(
    recipe: Recipe, sensor: Sensor, fitted: Fitted, margin: float, data_digest: str
) -> Model:
    """Put a decision behind a fitted pipeline.

    Parameters
    ----------
    margin : float
        Score margin (best over second best, real units) that an event needs.
    data_digest : str
        SHA-256 of the data set's recordings and labels.
    """
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
        sensor=sensor,
        classes=recipe.answers,
        stages=(chain.entry, *chain.stages, decision),
        provenance={"recipe": recipe.digest(), "data": data_digest},
    )
