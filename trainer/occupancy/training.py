"""Training for presence and count: how many are there, by ambient light, in the place of classes.

What is held out is places, each with its people: participants of the data set. Boosted trees, or a
network of filters, learn how many there are from what stands in front of the background; the
thresholds between numbers are chosen on places that a fit had not seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.pipeline import Pipeline

from capture.store.session import read_session
from runtime.errors import UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.closing.presence import Presence
from runtime.stages.contract.stage import Float64, Int32, Int64
from runtime.stages.passive.ambient import Ambient
from runtime.stages.skip import Skip
from runtime.stages.window import Window
from trainer.corpus.at_setting import AtSetting, at_setting, foretold_unlit
from trainer.corpus.recordings import (
    Corpus,
    Recording,
    groups_of,
    labelled_cues,
    open_corpus,
    reduce_recording,
)
from trainer.judge.evaluate import log_test_use, refuse_shared_groups
from trainer.learn.classifiers import fit_boosted_regressor
from trainer.learn.features import StageChain
from trainer.learn.filtered import fit_ordered
from trainer.learn.lowering import lower_classifier
from trainer.learn.networks.filters import filter_layers
from trainer.learn.quantise import shift_to_fit
from trainer.occupancy.figures import Counted, choose_thresholds, occupancy_figures
from trainer.occupancy.fronts import ambient_entry, front_chain
from trainer.recipe import OccupancyRecipe, Recipe, number_of

__all__ = [
    "Fit",
    "FittedOccupancy",
    "Seen",
    "assemble_occupancy",
    "counted",
    "fit_occupancy",
    "fit_places",
    "look_at",
    "occupancy_of",
    "told_by",
    "told_in_turn",
    "train_occupancy",
]

_FOLDS = 4
"""Parts into which training places are put, each held out once: a fit takes a minute."""
_MOST_FRAMES, _MOST_OF_NETWORK = 15_000, 60_000
"""Frames that trees and that a network learn from, as many of every recording: neighbours are half
a second apart and much alike."""
_LEVEL_BITS = 16
_PIPELINES = {"fixed": None, "four_quadrant": (2, 2), "photodiode": (1, 1)}


@dataclass(frozen=True, slots=True)
class FittedOccupancy:
    """A fitted model and what was found of it.

    Parameters
    ----------
    model : Model
    classifier : sklearn Pipeline
        For the float ONNX.
    n_features : int
    found : dict
        Figures: ``occupancy`` of evaluation.json.
    operations : dict
        Of a frame, by pipeline.
    """

    model: Model
    classifier: Pipeline
    n_features: int
    found: dict[str, Any]
    operations: dict[str, int]


@dataclass(frozen=True, slots=True)
class Seen:
    """One recording in front of one entry stage.

    ``features`` are int32 (n_frames, n_features), ``truth`` int64 (n_frames,), -1 where people come
    and go.
    """

    recording: Recording
    group: str
    features: Int32
    truth: Int64


@dataclass(frozen=True, slots=True)
class Fit:
    """Stages to the level, the real value of one step of it, and what was fitted."""

    whole: StageChain
    unit: float
    classifier: Pipeline


def train_occupancy(
    folder: Path, recipes: Sequence[Recipe], tell: Callable[[str], None], at: AtSetting | None
) -> tuple[Model, dict[str, Any], Pipeline, int, tuple[Recording, ...]]:
    """Train a recipe that tells how many are there, and examine it.

    Returns
    -------
    tuple
        Model, content of evaluation.json, what was fitted, its number of features, and the locked
        recordings.

    Raises
    ------
    UsageError
        Several recipes are asked for, or a setting that cannot be foretold; the split leaves a side
        empty or shares a place; the LED was on; or a number of people is never there.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    given = recipes[0]
    if len(recipes) > 1:
        what, do = "recipes of an occupancy", "train them one by one"
        raise UsageError(given.name, what, len(recipes), "one", do)
    corpus = at_setting(open_corpus(folder, given, tell), at)
    recipe, split = given.at(corpus.sensor.frame_rate_hz), given.evaluation.split
    training, test = (groups_of(corpus.select(side), split) for side in (False, True))
    refuse_shared_groups(training, test, split)
    people = [sorted({r.participant for r in corpus.select(locked)}) for locked in (False, True)]
    use = {
        "recipe": given.digest(), "data": corpus.digest, "classes": list(recipe.classes),
        "participants": people[1],
    }  # fmt: skip
    evaluation: dict[str, Any] = {
        "task": recipe.name,
        "classes": list(recipe.classes),
        "participants": {"train": people[0], "test": people[1]},
        "split": split,
        "recorded_by": sorted({f"unit {r.unit}, firmware {r.firmware}" for r in corpus.recordings}),
        "test_uses": log_test_use(corpus.folder, use),
        "cautions": [caution.to_json() for caution in foretold_unlit(at)],
    }
    digests = {
        "recipe": given.digest(), "recipe_as_fitted": recipe.digest(), "data": corpus.digest,
    }  # fmt: skip
    found = fit_occupancy(corpus, recipe, tell, digests)
    evaluation |= {"occupancy": found.found, "operations": found.operations}
    locked_ones = corpus.select(locked=True)
    return found.model, evaluation, found.classifier, found.n_features, locked_ones


def fit_occupancy(
    corpus: Corpus, recipe: Recipe, tell: Callable[[str], None], provenance: dict[str, str]
) -> FittedOccupancy:
    """Train, and examine on the locked places.

    Raises
    ------
    UsageError
        The sensor's LED was on, there are too few places, or a number of people is never there.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    occupancy, sensor = occupancy_of(recipe), corpus.sensor
    if sensor.led_current_ma > 0.0:
        do = "record with led_current_ma = 0, such as sensor ambient16"
        what = "led_current_ma of the recordings"
        raise UsageError(str(corpus.folder), what, sensor.led_current_ma, "0", do)
    entries = {
        name: ambient_entry(sensor, bins or recipe.features.bins)
        for name, bins in _PIPELINES.items()
    }
    chains = {name: front_chain(entry, sensor, occupancy) for name, entry in entries.items()}
    seen = look_at(corpus, recipe, chains, tell)
    found: dict[str, Any] = {"counted": occupancy.counted, "most": occupancy.most}
    operations, made = {}, {}
    for name, chain in chains.items():
        tell(f"{recipe.name}: fit, {name.replace('_', ' ')}")
        train = [each for each in seen[name] if not each.recording.locked]
        thresholds, in_turn = _in_turn(train, chain, recipe, sensor)
        fit = fit_places(train, chain, recipe, sensor)
        model = assemble_occupancy(recipe, corpus, fit, thresholds, provenance)
        test = [each for each in seen[name] if each.recording.locked]
        told = [counted(each, told_by(model, fit, each), sensor, recipe) for each in test]
        found[name] = occupancy_figures(told, occupancy.most)
        if name == "fixed":
            found["cross_validation"] = in_turn
            found["float"] = occupancy_figures(
                [counted(each, _told_float(model, fit, each), sensor, recipe) for each in test],
                occupancy.most,
            )
        operations["model" if name == "fixed" else name] = model.n_operations
        made[name] = model, fit
    model, fit = made["fixed"]
    n_features = int(chains["fixed"].low.size)
    return FittedOccupancy(model, fit.classifier, n_features, found, operations)


def occupancy_of(recipe: Recipe) -> OccupancyRecipe:
    """Return a recipe's table; UsageError where it has none."""
    if recipe.occupancy is None:
        raise UsageError(recipe.name, "table occupancy", "missing", "a table")
    return recipe.occupancy


def look_at(
    corpus: Corpus, recipe: Recipe, chains: dict[str, StageChain], tell: Callable[[str], None]
) -> dict[str, list[Seen]]:
    """Run every recording once through all entries, and each through its stages."""
    entries = [chain.entry for chain in chains.values() if chain.entry is not None]
    groups = groups_of(corpus.recordings, recipe.evaluation.split)
    found: dict[str, list[Seen]] = {name: [] for name in chains}
    for number, (recording, group) in enumerate(zip(corpus.recordings, groups, strict=True), 1):
        tell(f"{recipe.name}: looking at recording {number} of {len(corpus.recordings)}")
        values, frames = reduce_recording(recording.path, entries, recording.setting)
        truth = _truth(recording, recipe, frames[:, 0])
        for (name, chain), own in zip(chains.items(), values, strict=True):
            found[name].append(Seen(recording, group, chain.run(own), truth))
    return found


def _truth(recording: Recording, recipe: Recipe, time_s: Float64) -> Int64:
    """Return how many were there on each frame; -1 where a cue has just begun, or none stands."""
    settle_s = occupancy_of(recipe).settle_s
    truth = np.full(len(time_s), -1, dtype=np.int64)
    for cue in labelled_cues(read_session(recording.path), recipe, time_s):
        begin = int(np.searchsorted(time_s, time_s[cue.start] + settle_s))
        truth[begin : cue.stop] = number_of(recipe.classes[cue.label])
    return truth


def fit_places(train: Sequence[Seen], chain: StageChain, recipe: Recipe, sensor: Sensor) -> Fit:
    """Fit trees or a network to how many there are, lower it, and average its level."""
    occupancy, classifier = occupancy_of(recipe), recipe.classifier
    layers = filter_layers(chain.entry, classifier.filters)
    most = _MOST_OF_NETWORK if layers else _MOST_FRAMES
    picked = [_picked(s.truth, max(1, most // len(train))) for s in train]
    x = np.concatenate([s.features[at] for s, at in zip(train, picked, strict=True)])
    truth = np.concatenate([s.truth[at] for s, at in zip(train, picked, strict=True)])
    if layers:
        # Presence as well is learned as a number: one is nearer to none than five are.
        whose = np.repeat(np.arange(len(train)), [len(at) for at in picked])
        fitted = fit_ordered(classifier, x, truth, layers, recipe.seed, whose)
    else:
        target = np.minimum(truth, occupancy.most).astype(np.float64)
        fitted = fit_boosted_regressor(classifier, x, target, recipe.seed)
    heads, unit = lower_classifier(fitted, x, chain.low, chain.high, recipe.quantisation)
    if recipe.head.every > 1:
        heads = (Skip(x.shape[1], recipe.head.every), *heads)
    whole = chain.then(*heads)
    n_frames = max(1, round(occupancy.average_s * sensor.frame_rate_hz))
    if n_frames > 1:
        largest = n_frames * float(max(abs(int(whole.low[0])), abs(int(whole.high[0]))))
        shift = shift_to_fit(largest, _LEVEL_BITS)
        whole = whole.then(Window(1, 1, n_frames, shift, _LEVEL_BITS))
        unit *= 2**shift / n_frames
    return Fit(whole, unit, fitted)


def _picked(truth: Int64, most: int) -> Int64:
    """Return at most so many known frames of a recording: a long one teaches no more than others.

    Places count alike where they are judged, and an hour in one has fewer people than many visits.
    """
    known = np.flatnonzero(truth >= 0)
    return known[:: max(1, -(-len(known) // most))]


def _level(fit: Fit, n_before: int, features: Int32) -> Int32:
    """Return the level of every frame, given what the stages before gave; int32 (n_frames,)."""
    x = features
    for stage in fit.whole.stages[n_before:]:
        x, _ = stage.run(x, stage.initial_state())
    return x[:, 0]


def _in_turn(
    train: Sequence[Seen], chain: StageChain, recipe: Recipe, sensor: Sensor
) -> tuple[tuple[float, ...], dict[str, Any]]:
    """Return the thresholds, in people, and the figures of training places held out in turn."""
    thresholds, told = told_in_turn(train, chain, recipe, sensor)
    return thresholds, occupancy_figures(told, occupancy_of(recipe).most)


def told_in_turn(
    train: Sequence[Seen], chain: StageChain, recipe: Recipe, sensor: Sensor
) -> tuple[tuple[float, ...], list[Counted]]:
    """Return the thresholds, and what is told of training places, each held out once.

    Raises
    ------
    UsageError
        There are fewer than two training places.
    """
    occupancy = occupancy_of(recipe)
    groups = sorted({each.group for each in train})
    if len(groups) < 2:
        raise UsageError(recipe.name, "training places", len(groups), "at least 2")
    n_folds = min(_FOLDS, len(groups))
    levels: dict[int, Float64] = {}
    n_before = len(chain.stages)
    for fold in range(n_folds):
        out = set(groups[fold::n_folds])
        fit = fit_places([each for each in train if each.group not in out], chain, recipe, sensor)
        for number, each in enumerate(train):
            if each.group in out:
                level = _level(fit, n_before, each.features).astype(np.float64)
                levels[number] = level * np.float64(fit.unit)
    ordered = [levels[number] for number in range(len(train))]
    thresholds = choose_thresholds(ordered, [each.truth for each in train], occupancy.most)
    told = [
        counted(each, np.searchsorted(np.array(thresholds), level, side="right"), sensor, recipe)
        for each, level in zip(train, ordered, strict=True)
    ]
    return thresholds, told


def assemble_occupancy(
    recipe: Recipe,
    corpus: Corpus,
    fit: Fit,
    thresholds: tuple[float, ...],
    provenance: dict[str, str],
) -> Model:
    """Put the closing stage behind a fitted chain."""
    occupancy, sensor = occupancy_of(recipe), corpus.sensor
    steps = [round(threshold / fit.unit) for threshold in thresholds]
    for number in range(1, len(steps)):  # two may round to one
        steps[number] = max(steps[number], steps[number - 1] + 1)
    closing = Presence(
        occupancy.counted,
        tuple(steps),
        round(occupancy.hysteresis / fit.unit),
        max(1, round(occupancy.persist_s * sensor.frame_rate_hz)),
    )
    entry = fit.whole.entry
    if not isinstance(entry, Ambient):
        raise UsageError("model", "first stage", "no entry stage", "ambient")
    return Model(
        name=recipe.name,
        task=recipe.task,
        sensor=sensor,
        classes=(),
        stages=(entry, *fit.whole.stages, closing),
        provenance=provenance,
    )


def told_by(model: Model, fit: Fit, seen: Seen) -> Int64:
    """Return how many the device tells on each frame of a recording."""
    n_before = len(model.stages) - 2 - _n_behind(fit)
    level = _level(fit, n_before, seen.features)
    outputs, _ = model.closing.run(level[:, None], model.closing.initial_state())
    return outputs[:, 1].astype(np.int64)


def _n_behind(fit: Fit) -> int:
    return len(fit.whole.stages) - fit.whole.n_learned_behind


def _told_float(model: Model, fit: Fit, seen: Seen) -> Int64:
    """Return how many thresholds the real-valued level reaches on each frame."""
    n_before = len(model.stages) - 2 - _n_behind(fit)
    x = seen.features.astype(np.float64)
    for stage in fit.whole.stages[n_before:]:
        x = stage.run_float(x)
    return model.closing.run_float(x)[:, 1].astype(np.int64)


def counted(seen: Seen, told: Int64, sensor: Sensor, recipe: Recipe) -> Counted:
    """Return what is told of a recording beside its truth."""
    frame_s = 1.0 / sensor.frame_rate_hz
    lag_s = occupancy_of(recipe).lag_s((recipe.head.every - 1) * frame_s)
    return Counted(seen.group, seen.truth, told, frame_s, lag_s)
