"""Training: from a data set and recipes to a model and its examination."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.contract.stage import Int32
from trainer.corpus.at_setting import AtSetting
from trainer.corpus.noted import columns_of_people
from trainer.corpus.recordings import Recording
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.doubts import refuse_one_answer
from trainer.fit.found_out import foretold, found_out, readouts_of, wake_up
from trainer.fit.held_out import (
    HeldOut,
    HoldOutJob,
    curve_jobs,
    fold_jobs,
    learning_curve,
    takes_of,
)
from trainer.fit.kept_fits import Finished
from trainer.fit.owner.events import taught_events
from trainer.fit.owner.figures import enrolment_of, lessons_in_turn
from trainer.fit.pipeline import Fitted, assemble_model
from trainer.fit.quantity import fit_quantity
from trainer.fit.records import IN_TURN, LOCKED, Records, records_of
from trainer.judge.evaluate import Takes, figures, log_test_use
from trainer.judge.event_figures import match_streams
from trainer.judge.events import Margins, Stream
from trainer.judge.examination import Examination, InTurn, examine, stream_of
from trainer.judge.margins import choose_margins
from trainer.judge.worst_takes import WorstTake
from trainer.occupancy.training import train_occupancy
from trainer.recipe import OTHER, Recipe
from trainer.source.fitted import fit_source
from trainer.work.jobs import LocalWorkers, Workers

__all__ = ["STEPS", "Notify", "Trained", "fit_model"]

CURVE, QUADRANTS = "learning-curve", "quadrants"
STEPS = (CURVE, QUADRANTS)
"""Steps that quick work may leave out: fits from fewer people, and the baseline's."""

Notify = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Trained:
    """A model, its examination, and what the exporters need beside it.

    Parameters
    ----------
    model : Model
    evaluation : dict
        Content of evaluation.json.
    classifier : sklearn Pipeline
        The fitted classifier, for the float ONNX; None of a source, which has none.
    n_features : int
        Length of one window's features.
    test : tuple of Recording
        Recordings of the held-out participants.
    worst : tuple of WorstTake
        The takes of these participants that went most wrong.
    records : Records or None
        Every take and event that the figures rest on; None of a quantity.
    measured : tuple of dict
        Every take or frame that a quantity's figures rest on, by column.
    at : AtSetting or None
        The device's setting that the model is made for, where one was asked for.
    """

    model: Model
    evaluation: dict[str, Any]
    classifier: Pipeline | None
    n_features: int
    test: tuple[Recording, ...]
    worst: tuple[WorstTake, ...]
    records: Records | None = None
    at: AtSetting | None = None
    measured: tuple[dict[str, Any], ...] = ()


def fit_model(
    folder: Path,
    recipe: Recipe | Sequence[Recipe],
    progress: Notify | None = None,
    workers: Workers | None = None,
    skip: Collection[str] = (),
    at: AtSetting | None = None,
) -> Trained:
    """Train a model from a data set and examine it on the locked participants.

    Everything is fitted again without some of the training participants, who are then asked about:
    this gives the margins that events need and, of several recipes, the one that is taken. The
    same pipeline is trained once more on readouts binned to four quadrants, for comparison.

    Parameters
    ----------
    folder : pathlib.Path
        Data set.
    recipe : Recipe, or several
        Candidates for the same answers. The locked participants are judged by the best only; that
        each candidate also places the gestures in their cues decides nothing.
    progress : callable, optional
        Is told in a few words what begins.
    workers : Workers, optional
        Who fits; this process by default.
    skip : collection of str
        Steps of :data:`STEPS` to leave out, for quick work; the pages say so.
    at : AtSetting, optional
        The device's setting that the model is made for; that of the recordings by default.

    Raises
    ------
    UsageError
        The split leaves a side empty or shares a group, a class has no take, the recipes do not
        have the same answers, or there is no such step to leave out.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    tell = progress or _to_nobody
    recipes = [recipe] if isinstance(recipe, Recipe) else list(recipe)
    _refuse_unknown_steps(recipes[0], skip)
    if recipes[0].source is not None:
        return _fit_source(folder, recipes, tell, at)
    workers = workers or LocalWorkers()
    if recipes[0].occupancy is not None:
        return Trained(*train_occupancy(folder.absolute(), recipes, tell, at), (), at=at)
    candidates = reduce_for(folder.absolute(), recipes, workers, tell, at)
    if recipes[0].quantity is not None:
        return _fit_quantity(candidates, workers, tell)
    candidates = [form for each in candidates for form in each.forms]
    finished = [Finished(folder.absolute(), c.recipe, c.corpus.digest) for c in candidates]

    folds = [fold_jobs(candidate.fit()) for candidate in candidates]
    outcomes = [
        done.run(jobs, workers, partial(_tell, tell, f"{_form(each.recipe)}: held out in turn"))
        for each, jobs, done in zip(candidates, folds, finished, strict=True)
    ]
    answered = [takes_of(*both) for both in zip(folds, outcomes, strict=True)]
    in_turn = [figures(takes) for takes in answered]
    best = max(range(len(candidates)), key=lambda i: in_turn[i]["macro_f1"]["value"])
    chosen, recipe = candidates[best], candidates[best].recipe
    refuse_one_answer(recipe.name, answered[best].answers, recipe.answers)
    held_out = _held_out_streams(chosen, folds[best], outcomes[best])
    margins = choose_margins(held_out, recipe)
    owners = taught_events(
        folds[best], held_out, margins, finished[best], workers,
        partial(_tell, tell, f"{recipe.name}: events of taught models"),
    )  # fmt: skip
    lessons = lessons_in_turn(
        folds[best], finished[best], workers,
        partial(_tell, tell, f"{recipe.name}: owners teach it"),
    )  # fmt: skip

    curve = [] if CURVE in skip else curve_jobs(folds[best])
    fits, in_quadrants = [chosen.fit()], []
    if QUADRANTS not in skip:
        fits.append(chosen.fit(quadrants=True))
        in_quadrants = [
            replace(job, name=f"four quadrants, {job.name}") for job in fold_jobs(fits[1])
        ]
    outcome = finished[best].run(
        [*fits, *in_quadrants, *curve], workers, partial(_tell, tell, f"{recipe.name}: fit")
    )
    n_before_curve = len(fits) + len(in_quadrants)
    fitted, from_fewer = outcome[0], outcome[n_before_curve:]
    fitted_quadrants = None if QUADRANTS in skip else outcome[1]
    of_quadrants = outcome[len(fits) : n_before_curve]

    tell(f"{recipe.name}: examining")
    sensor, made_of = chosen.corpus.sensor, chosen.provenance
    model = assemble_model(
        recipe, sensor, fitted, margins, made_of, owners.sixteenths, lessons.favour
    )
    evaluation = _on_whom(chosen, len(fitted.labels))  # written down first, then judged
    examined, records = _examine(
        chosen, fitted, fitted_quadrants, held_out, margins,
        takes_of(in_quadrants, of_quadrants) if in_quadrants else None,
    )  # fmt: skip
    records = _with_takes(records, "four_quadrant", in_quadrants, of_quadrants)
    evaluation |= examined.evaluation
    evaluation["operations"] = {"model": model.n_operations}
    if fitted_quadrants is not None:
        on_quadrants = assemble_model(recipe, sensor, fitted_quadrants, margins, made_of)
        evaluation["operations"]["four_quadrant"] = on_quadrants.n_operations
    if CURVE not in skip:
        evaluation["learning_curve"] = learning_curve(
            [*folds[best], *curve], [*outcomes[best], *from_fewer]
        )
    evaluation |= enrolment_of(model, lessons, chosen.corpus.participants, owners.found)
    evaluation["left_out"] = sorted(skip)
    evaluation |= found_out(chosen, fitted, evaluation) | _compared(candidates, in_turn, best)
    _clear(finished)
    return Trained(
        model, evaluation, fitted.classifier, fitted.features.low.size,
        chosen.corpus.select(locked=True), examined.worst,
        _with_takes(records, "fixed_from_{}_people", curve, from_fewer), at,
    )  # fmt: skip


def _to_nobody(what: str) -> None:
    """Report to nobody."""


def _refuse_unknown_steps(recipe: Recipe, skip: Collection[str]) -> None:
    allowed = STEPS if recipe.quantity is None and recipe.source is None else ()
    for step in skip:
        if step not in allowed:
            expected = " or ".join(allowed) or "none: a quantity's training has none to spare"
            raise UsageError(recipe.name, "step to leave out", repr(step), expected)


def _form(recipe: Recipe) -> str:
    """Return a recipe's name, and which of its classifiers is meant."""
    return f"{recipe.name} with filters" if recipe.classifier.filters else recipe.name


def _clear(finished: Sequence[Finished]) -> None:
    """Let go of what was kept for a training that was interrupted."""
    for done in finished:
        done.clear()


def _compared(
    candidates: Sequence[Candidate], in_turn: Sequence[dict[str, Any]], best: int
) -> dict[str, Any]:
    """List the candidates with their figures, where there was a choice."""
    if len(candidates) == 1:
        return {}
    return {
        "candidates": [
            {
                "recipe": each.given.digest(),
                "name": _form(each.recipe),
                "cross_validation": found,
                "chosen": index == best,
            }
            for index, (each, found) in enumerate(zip(candidates, in_turn, strict=True))
        ]
    }


def _fit_quantity(candidates: Sequence[Candidate], workers: Workers, tell: Notify) -> Trained:
    """Train a recipe that ends in a quantity; several are not compared."""
    candidate = candidates[0]
    recipe, corpus = candidate.recipe, candidate.corpus
    if len(candidates) > 1:
        what, do = "recipes of a quantity", "train them one by one, and compare in turn"
        raise UsageError(recipe.name, what, len(candidates), "one", do)
    done = Finished(corpus.folder, recipe, corpus.digest)
    evaluation = _on_whom(candidate, sum(len(r.frames) for r in candidate.fit().train))
    found = fit_quantity(candidate, done, workers, tell)
    evaluation |= {"quantity": found.found, "operations": found.operations}
    cautions = [*foretold(candidate), *candidate.cautions]
    evaluation["cautions"] = [caution.to_json() for caution in cautions]
    evaluation["readouts"] = readouts_of(candidate)
    evaluation |= wake_up(candidate)
    done.clear()
    n_features = found.fitted.features.low.size
    test = corpus.select(locked=True)
    parts = found.model, evaluation, found.fitted.classifier, n_features, test, ()
    return Trained(*parts, at=candidate.at, measured=found.takes)


def _fit_source(
    folder: Path, recipes: Sequence[Recipe], tell: Notify, at: AtSetting | None
) -> Trained:
    """Calibrate a recipe that ends in a point's place; several are not compared."""
    if len(recipes) > 1:
        what, do = "recipes of a source", "train them one by one"
        raise UsageError(recipes[0].name, what, len(recipes), "one", do)
    found = fit_source(folder.absolute(), recipes[0], tell, at)
    parts = found.calibrated.model, found.evaluation, None, 0, found.test, ()
    return Trained(*parts, at=at, measured=found.frames)


def _with_takes(
    records: Records, pipeline: str, jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]
) -> Records:
    """Add takes of training people; ``{}`` in the pipeline is of how many its fit learned."""
    for job, outcome in zip(jobs, outcomes, strict=True):
        for recording, scores in zip(job.held, outcome.scores, strict=True):
            labels = [cue.label for cue, _ in recording.takes]
            at_takes = job.at_takes(recording, scores)
            records = records.with_takes(
                pipeline.format(job.n_people), recording.recording, labels,
                at_takes * np.float64(outcome.score_unit),
            )  # fmt: skip
    return records


def _tell(tell: Notify, what: str, how_far: str) -> None:
    tell(f"{what}, {how_far}")


def _held_out_streams(
    candidate: Candidate, jobs: Sequence[HoldOutJob], outcomes: Sequence[HeldOut]
) -> list[Stream]:
    """Return every training recording as scored by the fit that had not seen its participant."""
    return [
        stream_of(recording, scores, candidate.recipe, candidate.corpus.sensor, outcome.score_unit)
        for job, outcome in zip(jobs, outcomes, strict=True)
        for recording, scores in zip(job.held, outcome.scores, strict=True)
    ]


def _examine(
    candidate: Candidate,
    fitted: Fitted,
    fitted_quadrants: Fitted | None,
    held_out: list[Stream],
    margins: Margins,
    quadrants_in_turn: Takes | None,
) -> tuple[Examination, Records]:
    """Score every recording of the locked participants, and examine the scores."""
    recipe, corpus = candidate.recipe, candidate.corpus

    def streams(
        side: Sequence[Reduced], run: Callable[[Int32], NDArray[Any]], unit: float
    ) -> list[Stream]:
        return [
            stream_of(r, run(r.values), recipe, corpus.sensor, unit)
            for r in side
            if r.recording.locked
        ]

    main, quadrants = candidate.main, candidate.quadrants
    unit = fitted.score_unit
    scored = {
        "float": streams(main, fitted.whole.run_float, unit),
        "fixed": streams(main, fitted.whole.run, unit),
    }
    if fitted_quadrants is not None:
        whole, unit = fitted_quadrants.whole, fitted_quadrants.score_unit
        scored["four_quadrant_float"] = streams(quadrants, whole.run_float, unit)
        scored["four_quadrant"] = streams(quadrants, whole.run, unit)
    asked = InTurn(held_out, quadrants_in_turn)
    columns = columns_of_people(corpus.folder)
    examined = examine(recipe, corpus.participants, scored, asked, margins, fitted.labels, columns)
    sides = {LOCKED: scored["fixed"], IN_TURN: held_out}
    # Without an answer for everything else, no figure is of events.
    matched = {
        side: match_streams(streams_of_side, recipe, margins)
        for side, streams_of_side in sides.items()
        if OTHER in recipe.answers
    }
    usual = int(np.bincount(fitted.labels).argmax())
    at_margins = dict(zip((LOCKED, IN_TURN), examined.at_margins, strict=False))
    return examined, records_of(recipe, (scored, held_out), usual, matched, at_margins)


def _on_whom(candidate: Candidate, n_windows: int) -> dict[str, Any]:
    """Say on whom the figures are, and write down that the locked participants were used."""
    recipe, corpus = candidate.recipe, candidate.corpus
    train, test = (
        sorted({r.participant for r in corpus.select(locked)}) for locked in (False, True)
    )
    use = {
        "recipe": candidate.given.digest(),
        "data": corpus.digest,
        "classes": list(recipe.answers),
        "participants": test,
    }
    return {
        "task": recipe.name,
        "classes": list(recipe.answers),
        "participants": {"train": train, "test": test},
        "split": recipe.evaluation.split,
        "n_training_windows": n_windows,
        "recorded_by": sorted({f"unit {r.unit}, firmware {r.firmware}" for r in corpus.recordings}),
        "take_end": recipe.evaluation.take_end,
        "test_uses": log_test_use(corpus.folder, use),
    }
