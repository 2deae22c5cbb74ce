"""Training: from a data set and recipes to a model and its examination."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from numpy.typing import NDArray
from sklearn.pipeline import Pipeline

from runtime.model import Model
from runtime.stages.contract.stage import Int32
from trainer.corpus.recordings import Recording
from trainer.corpus.reduced import Reduced
from trainer.fit.candidates import Candidate, reduce_for
from trainer.fit.held_out import (
    HeldOut,
    HoldOutJob,
    curve_jobs,
    fold_jobs,
    learning_curve,
    takes_of,
)
from trainer.fit.kept_fits import Finished
from trainer.fit.pipeline import Fitted, assemble_model
from trainer.judge.evaluate import Takes, figures, log_test_use
from trainer.judge.events import Margins, Stream
from trainer.judge.examination import Examination, InTurn, examine, stream_of
from trainer.judge.margins import choose_margins
from trainer.judge.wake_up import examine_wake_up
from trainer.judge.worst_takes import WorstTake
from trainer.recipe import Recipe
from trainer.work.jobs import LocalWorkers, Workers

__all__ = ["Notify", "Trained", "fit_model"]

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
        The fitted classifier, for the float ONNX.
    n_features : int
        Length of one window's features.
    test : tuple of Recording
        Recordings of the held-out participants.
    worst : tuple of WorstTake
        The takes of these participants that went most wrong.
    """

    model: Model
    evaluation: dict[str, Any]
    classifier: Pipeline
    n_features: int
    test: tuple[Recording, ...]
    worst: tuple[WorstTake, ...]


def fit_model(
    folder: Path,
    recipe: Recipe | Sequence[Recipe],
    progress: Notify | None = None,
    workers: Workers | None = None,
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

    Raises
    ------
    UsageError
        The split leaves a side empty or shares a group, a class has no take, or the recipes do not
        have the same answers.
    FormatError
        The data set or one of its recordings is not readable, or carries no labels.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    tell = progress or (lambda _: None)
    recipes = [recipe] if isinstance(recipe, Recipe) else list(recipe)
    workers = workers or LocalWorkers()
    candidates = reduce_for(folder.absolute(), recipes, workers, tell)
    finished = [Finished(folder.absolute(), c.recipe, c.corpus.digest) for c in candidates]

    folds = [fold_jobs(candidate.fit()) for candidate in candidates]
    outcomes = [
        done.run(jobs, workers, partial(_tell, tell, f"{candidate.recipe.name}: held out in turn"))
        for candidate, jobs, done in zip(candidates, folds, finished, strict=True)
    ]
    in_turn = [figures(takes_of(*both)) for both in zip(folds, outcomes, strict=True)]
    best = max(range(len(candidates)), key=lambda i: in_turn[i]["macro_f1"]["value"])
    chosen, recipe = candidates[best], candidates[best].recipe
    held_out = _held_out_streams(chosen, folds[best], outcomes[best])
    margins = choose_margins(held_out, recipe)

    curve = curve_jobs(folds[best])
    fits = [chosen.fit(), chosen.fit(quadrants=True)]
    in_quadrants = [replace(job, name=f"four quadrants, {job.name}") for job in fold_jobs(fits[1])]
    fitted, fitted_quadrants, *others = finished[best].run(
        [*fits, *in_quadrants, *curve], workers, partial(_tell, tell, f"{recipe.name}: fit")
    )
    of_quadrants, from_fewer = others[: len(in_quadrants)], others[len(in_quadrants) :]

    tell(f"{recipe.name}: examining")
    sensor, data = chosen.corpus.sensor, chosen.corpus.digest
    model = assemble_model(recipe, sensor, fitted, margins, data)
    evaluation = _on_whom(chosen, len(fitted.labels))  # written down first, then judged
    examined = _examine(
        chosen, fitted, fitted_quadrants, held_out, margins, takes_of(in_quadrants, of_quadrants)
    )
    evaluation |= examined.evaluation
    on_quadrants = assemble_model(recipe, sensor, fitted_quadrants, margins, data)
    evaluation["operations"] = {
        "model": model.n_operations,
        "four_quadrant": on_quadrants.n_operations,
    }
    evaluation["learning_curve"] = learning_curve(
        [*folds[best], *curve], [*outcomes[best], *from_fewer]
    )
    wake_up = examine_wake_up(chosen.corpus.folder, recipe, chosen.corpus.sensor)
    if wake_up is not None:
        evaluation["wake_up"] = wake_up
    if len(recipes) > 1:
        evaluation["candidates"] = [
            {
                "recipe": each.digest(),
                "name": each.name,
                "cross_validation": found,
                "chosen": index == best,
            }
            for index, (each, found) in enumerate(zip(recipes, in_turn, strict=True))
        ]
    for done in finished:
        done.clear()
    return Trained(
        model, evaluation, fitted.classifier, fitted.features.low.size,
        chosen.corpus.select(locked=True), examined.worst,
    )  # fmt: skip


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
    fitted_quadrants: Fitted,
    held_out: list[Stream],
    margins: Margins,
    quadrants_in_turn: Takes,
) -> Examination:
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
    unit, quadrant_unit = fitted.score_unit, fitted_quadrants.score_unit
    scored = {
        "float": streams(main, fitted.whole.run_float, unit),
        "fixed": streams(main, fitted.whole.run, unit),
        "four_quadrant": streams(quadrants, fitted_quadrants.whole.run, quadrant_unit),
    }
    asked = InTurn(held_out, quadrants_in_turn)
    return examine(recipe, corpus.participants, scored, asked, margins, fitted.labels)


def _on_whom(candidate: Candidate, n_windows: int) -> dict[str, Any]:
    """Say on whom the figures are, and write down that the locked participants were used."""
    recipe, corpus = candidate.recipe, candidate.corpus
    train, test = (
        sorted({r.participant for r in corpus.select(locked)}) for locked in (False, True)
    )
    use = {
        "recipe": recipe.digest(),
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
