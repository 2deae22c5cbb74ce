"""The pipeline: features and classifier fitted together, lowered to one chain of integer stages."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from runtime.errors import UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.contract.stage import EntryStage, Float64, Int32, Int64, Stage
from runtime.stages.skip import Skip
from runtime.stages.teaching.enrol import Enrol
from runtime.stages.window import Window
from trainer.corpus.reduced import Reduced, excerpts, rate_of, value_noise
from trainer.corpus.windows import gesture_free
from trainer.judge.events import Margins, decision_for
from trainer.learn.classifiers import fit_classifier, fit_regressor
from trainer.learn.entry_stage import learn_pixels
from trainer.learn.excerpt import Excerpt, seen_values
from trainer.learn.features import StageChain, learn_features, learn_window
from trainer.learn.filtered import fit_filters
from trainer.learn.levels import in_view, learn_level, shape_floor
from trainer.learn.lowering import lower_classifier, lower_regressor
from trainer.learn.mains import frames_kept, steadied
from trainer.learn.networks.filters import filter_layers
from trainer.learn.owner import Favour, carried_past, favoured, learning_head
from trainer.learn.quantise import shift_to_fit
from trainer.recipe import Recipe

__all__ = ["Fitted", "assemble_model", "fit_pipeline", "fit_windows", "with_own_gestures"]

SCORE_BITS = 16
"""Width of an averaged score."""
MAX_WINDOWS = 300_000
"""A classifier learns from no more: of a larger data set, evenly from every recording. Of 136
features as float64 they are 330 MB, of which a fit needs about three; half of what it sees once
over."""

HARD_SHARE = math.exp(-1.0)
"""A window is hard when a gesture is at most one unit of log odds behind "other": within one, the
scores of two fits differ by chance (a margin of -1)."""


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


@dataclass(frozen=True, slots=True)
class _Windows:
    """Windows to learn from.

    Parameters
    ----------
    x : int32 (n_windows, n_features)
    labels, people : int64 (n_windows,)
        Class of each, and whose it is: 0 and on.
    targets : float64 (n_windows,), optional
        The quantity to learn, in its unit.
    """

    x: Int32
    labels: Int64
    people: Int64
    targets: Float64 | None = None


def fit_pipeline(
    train: Sequence[Reduced], recipe: Recipe, reduced_by: Bins, sensor: Sensor
) -> Fitted:
    """Learn features, fit the classifier, lower both to integer stages.

    Parameters
    ----------
    train : sequence of Reduced
    recipe : Recipe
    reduced_by : Bins
        What the recordings were reduced by: the model's bins, or every pixel by itself, from which
        the pixels are chosen here.
    sensor : Sensor

    Raises
    ------
    UsageError
        A class has no take.
    OverflowRisk
        The integer pipeline could pass 32 bits.
    """
    features, quantisation = recipe.features, recipe.quantisation
    noise = value_noise(train, sensor, reduced_by)
    asked = excerpts(train, of_people=recipe.quantity is not None)
    seen = [_in_view(e, noise) for e in asked]
    pixels = learn_pixels(features, reduced_by, seen, recipe.seed)
    entry = pixels or reduced_by
    chain = StageChain.start(entry, sensor.max_counts, pixels)
    asked = [replace(e, values=chain.run(e.values)) for e in asked]
    rate = rate_of(recipe, sensor)
    before, asked, noise = steadied(features, rate, (entry, sensor), asked, noise)
    if frames_kept(features, rate):  # what flickers and what is in view are told apart behind it
        seen = [_in_view(e, noise) for e in asked]
    level = learn_level(seen_values(asked), features, quantisation.clip_quantile, noise)
    chain = chain.then(*before, level)
    seen = [e.only(s.seen).through(level) for e, s in zip(asked, seen, strict=True)]
    whole = ((r.values, r.frames, r.labels) for r in train)
    chain = learn_features(chain, seen, features, quantisation, recipe.seed, whole)
    chain = chain.learned_behind()
    windows = _training_windows(chain, train, recipe)
    if recipe.quantity is not None:
        return _fit_regression(chain, windows, recipe)
    if recipe.classifier.hard_windows:
        hard = _hard_windows(chain, windows, train, recipe)
        windows = _Windows(
            np.concatenate([windows.x, hard.x]),
            np.concatenate([windows.labels, hard.labels]),
            np.concatenate([windows.people, hard.people]),
        )
    return _fit_head(chain, windows, recipe)


def _in_view(excerpt: Excerpt, noise: float) -> Excerpt:
    """Learn only from frames that show something; all the same where none does."""
    shown = in_view(excerpt.values, shape_floor(excerpt.values, noise))
    return excerpt.only(shown) if (excerpt.seen & shown).any() else excerpt


def _training_windows(chain: StageChain, train: Sequence[Reduced], recipe: Recipe) -> _Windows:
    """Run the features over the recordings, and take an even share of their training windows."""
    every = max(1, -(-sum(len(r.frames) for r in train) // MAX_WINDOWS))
    lengths = [len(r.frames[::every]) for r in train]
    windows = _Windows(
        np.concatenate([chain.run(r.values)[r.frames[::every]] for r in train]),
        np.concatenate([r.labels[::every] for r in train]),
        np.repeat(_numbered_people(train), lengths),
    )
    if recipe.quantity is None:
        return windows
    reference = [r.recording.truth(recipe.quantity.target) for r in train]
    return replace(windows, targets=np.repeat(reference, lengths))


def _numbered_people(train: Sequence[Reduced]) -> Int64:
    """Return the number of each recording's participant, int64 (n_recordings,)."""
    _, persons = np.unique([r.recording.participant for r in train], return_inverse=True)
    return np.asarray(persons, dtype=np.int64)


def _hard_windows(
    chain: StageChain, windows: _Windows, train: Sequence[Reduced], recipe: Recipe
) -> _Windows:
    """Return the windows without a gesture that a first classifier takes for one, or nearly."""
    other = len(recipe.classes)
    first = _fit_classifier(windows, recipe, None)
    found, people = [], []
    for recording, person in zip(train, _numbered_people(train), strict=True):
        free = gesture_free(recipe, recording.cues, recording.ends, recording.n_frames)
        x = chain.run(recording.values)[free]
        if len(x):
            chances = first.predict_proba(x.astype(np.float64))
            nearly = chances[:, :other].max(axis=1) > HARD_SHARE * chances[:, other]
            found.append(x[nearly])
            people.append(np.full(int(nearly.sum()), person))
    hard = np.concatenate([windows.x[:0], *found])
    every = max(1, -(-len(hard) // MAX_WINDOWS))
    hard, whose = hard[::every], np.concatenate([windows.people[:0], *people])[::every]
    return _Windows(hard, np.full(len(hard), other), whose)


def _fit_classifier(windows: _Windows, recipe: Recipe, entry: EntryStage | None) -> Pipeline:
    x, labels, people = windows.x, windows.labels, windows.people
    n_classes, layers = len(recipe.answers), filter_layers(entry, recipe.classifier.filters)
    if layers:
        return fit_filters(recipe.classifier, x, labels, n_classes, layers, recipe.seed, people)
    # Shares of the swings' sum do not repeat from segment to segment: the sum is one for all.
    n_segments = 1 if recipe.features.swing_frames else recipe.features.segments
    return fit_classifier(recipe.classifier, x, labels, n_classes, n_segments, recipe.seed, people)


def _fit_head(chain: StageChain, windows: _Windows, recipe: Recipe) -> Fitted:
    """Fit a classifier to a chain's outputs, lower it, and average its scores."""
    classifier, x = _fit_classifier(windows, recipe, chain.entry), windows.x
    heads, unit = lower_classifier(
        classifier, x, chain.low, chain.high, recipe.quantisation, recipe.decision.average_frames
    )
    if recipe.head.enrol:
        heads = _learning(heads, windows, (chain.low, chain.high), unit, recipe)
    return _averaged(chain, heads, windows, classifier, unit, recipe)


def _learning(
    heads: Sequence[Stage],
    windows: _Windows,
    bounds: tuple[Int64, Int64],
    unit: float,
    recipe: Recipe,
) -> tuple[Stage, ...]:
    """Put what an owner teaches beside the last of the lowered stages."""
    x = windows.x
    if recipe.evaluation.take_end != "movement":  # of which it was not measured
        heads = carried_past(heads, x, bounds, windows.labels, windows.people)
    for head in heads[:-1]:
        x, _ = head.run(x, {})
        bounds = head.bounds(*bounds)
    last = learning_head(heads[-1], x, bounds, windows.labels, windows.people, unit, recipe)
    return (*heads[:-1], last)


def _fit_regression(chain: StageChain, windows: _Windows, recipe: Recipe) -> Fitted:
    """Fit a regressor to a chain's outputs and lower it, guarded by the light that came back.

    The guard is the window's mean of the level stage's logarithm, which every window holds beside
    its shares or directions.
    """
    features, x = recipe.features, windows.x
    targets = np.zeros(len(x)) if windows.targets is None else windows.targets
    regressor = fit_regressor(
        recipe.classifier, x, targets, features.segments, recipe.seed, windows.people
    )
    n_values = x.shape[1] // features.segments
    of_segment = np.zeros(n_values)
    of_segment[n_values - 1 - features.motion] = 1.0 / features.segments
    guard = np.tile(of_segment, features.segments)
    heads, unit = lower_regressor(
        regressor, guard, x, chain.low, chain.high, recipe.quantisation,
        recipe.decision.average_frames,
    )  # fmt: skip
    return _averaged(chain, heads, windows, regressor, unit, recipe)


def _averaged(
    chain: StageChain,
    heads: Sequence[Stage],
    windows: _Windows,
    classifier: Pipeline,
    unit: float,
    recipe: Recipe,
) -> Fitted:
    """Put a lowered head behind a chain, and a mean over frames where the recipe wants one.

    A head that runs seldom is learned from every frame all the same: any may be one that it sees.
    """
    x, every = windows.x, recipe.head.every
    seldom = () if every == 1 else (Skip(x.shape[1], every),)
    whole = chain.then(*seldom, *heads)
    n_frames = recipe.decision.average_frames
    if n_frames > 1:
        for head in heads:
            x, _ = head.run(x, head.initial_state())
        largest = n_frames * float(np.abs(x).max())
        shift = shift_to_fit(largest, SCORE_BITS)
        whole = whole.then(Window(x.shape[1], 1, n_frames, shift, SCORE_BITS))
        unit *= 2**shift / n_frames
    return Fitted(chain, whole, classifier, windows.labels, unit)


def assemble_model(
    recipe: Recipe,
    sensor: Sensor,
    fitted: Fitted,
    margins: Margins,
    provenance: Mapping[str, str],
    sixteenths: int | None = None,
    favour: Favour | None = None,
) -> Model:
    """Put a decision behind a fitted pipeline.

    Parameters
    ----------
    margins : Margins
        How far ahead of the next answer an event's gesture must be.
    provenance : mapping of str to str
        SHA-256 of the recipe as it was given and as it was fitted, and of the data set's
        recordings and labels.
    sixteenths : int, optional
        How much scores count once an owner taught known classes; whole without.
    favour : Favour, optional
        Of own gestures, and what refuses a take; as the pipeline was fitted without.

    Raises
    ------
    UsageError
        The pipeline does not begin with readouts.
    """
    chain = fitted.whole
    if chain.entry is None:
        raise UsageError("model", "first stage", "no entry stage", "bins or pixels")
    decision = decision_for(recipe, margins, fitted.score_unit)
    stages = tuple(
        _as_chosen(stage, sixteenths, favour) if isinstance(stage, Enrol) else stage
        for stage in with_own_gestures((*chain.stages, decision), recipe)
    )
    return Model(
        name=recipe.name,
        task=recipe.task,
        sensor=sensor,
        classes=recipe.model_classes,
        stages=(chain.entry, *stages),
        provenance=provenance,
    )


def _as_chosen(stage: Enrol, sixteenths: int | None, favour: Favour | None) -> Enrol:
    """Return a head that learns its owner with what was chosen for it, where anything was."""
    stage = stage if favour is None else favoured(stage, favour)
    return stage if sixteenths is None else replace(stage, sixteenths=sixteenths)


def with_own_gestures(stages: Sequence[Stage], recipe: Recipe) -> tuple[Stage, ...]:
    """Give a head that learns its places for own gestures, and what follows it room for them."""
    n_own, found, behind = len(recipe.head.own_names), [], False
    for stage in stages:
        if isinstance(stage, Enrol):
            stage, behind = replace(stage, n_own=n_own), True
        elif behind and n_own and isinstance(stage, Window):
            stage = replace(stage, n_values=stage.n_values + n_own)
        elif behind and n_own and isinstance(stage, Decision):
            extra = (*stage.extra, *[0] * n_own) if stage.extra else ()
            stage = replace(stage, other=(*stage.other, *[False] * n_own), extra=extra)
        found.append(stage)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class FittedWindows:
    """A pipeline fitted to windows of any series, of the same integer stages as a model's.

    Parameters
    ----------
    fitted : Fitted
    """

    fitted: Fitted

    def scores(self, x: Int32) -> Int32:
        """Return int32 (n_windows, n_classes) of windows int32 (n_windows, n_frames, n_channels).

        Each window is run frame by frame from the stages' first state; its last frame answers.
        """
        return np.stack([self.fitted.whole.run(window)[-1] for window in x])

    def predict(self, x: Int32) -> NDArray[np.int64]:
        """Return the class with the highest score of each window, int64 (n_windows,)."""
        return np.asarray(self.scores(x).argmax(axis=1), dtype=np.int64)


def fit_windows(recipe: Recipe, x: Int32, labels: NDArray[np.int64]) -> FittedWindows:
    """Fit a recipe's window and classifier to cut windows of any series.

    The stages of readouts, from entry to projection, are left out: the recipe's ``projection`` has
    to be ``none``.

    Parameters
    ----------
    x : int32 (n_windows, n_frames, n_channels)
    labels : int64 (n_windows,)
        0 to the number of the recipe's answers, exclusive; every class must occur.

    Raises
    ------
    UsageError
        The recipe projects, its window is longer than these, or a class has no window.
    OverflowRisk
        The integer pipeline could pass 32 bits.
    """
    features = recipe.features
    n_frames = features.segments * features.segment_frames
    if features.projection != "none":
        raise UsageError(recipe.name, "features.projection", features.projection, "none")
    if n_frames > x.shape[1]:
        raise UsageError(recipe.name, "frames of a window", n_frames, f"at most {x.shape[1]}")
    highest = np.abs(x.astype(np.int64)).max(axis=(0, 1))
    cut = [Excerpt.whole(window) for window in x]
    chain = learn_window(StageChain(None, (), -highest, highest), cut, features)
    last = np.stack([chain.run(window)[-1] for window in x])
    of_one = np.zeros(len(labels), dtype=np.int64)
    return FittedWindows(_fit_head(chain, _Windows(last, labels, of_one), recipe))
