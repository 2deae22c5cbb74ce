"""Training of a quantity: the same readouts, folds and stages, with a value at the end."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from runtime.errors import UsageError
from runtime.model import Model
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Int32
from trainer.corpus.reduced import Reduced, rate_of
from trainer.fit.candidates import Candidate
from trainer.fit.held_out import fold_jobs
from trainer.fit.kept_fits import Finished
from trainer.fit.pipeline import Fitted
from trainer.judge.quantity_figures import Measured, half_width, quantity_figures, share_within
from trainer.learn.mains import frames_kept
from trainer.recipe import QuantityRecipe, Recipe
from trainer.work.jobs import Workers

__all__ = ["fit_quantity"]

_IN_TURN = ("cross_validation", "median_in_turn")
LARGEST_PART = 1 << 24
"""Largest numerator or denominator of a scale."""


@dataclass(frozen=True, slots=True)
class FittedQuantity:
    """A fitted quantity, its closing stage and what was found of it.

    Parameters
    ----------
    model : Model
    fitted : Fitted
    found : dict
        What evaluation.json holds under ``quantity``.
    operations : dict
        Of a frame, of the model and of the one on four quadrants.
    takes : tuple of dict
        Each take that the figures rest on, by column.
    """

    model: Model
    fitted: Fitted
    found: dict[str, Any]
    operations: dict[str, int]
    takes: tuple[dict[str, Any], ...]


def fit_quantity(
    candidate: Candidate, done: Finished, workers: Workers, tell: Callable[[str], None]
) -> FittedQuantity:
    """Fit a recipe's quantity, calibrate its interval, and examine it on the locked participants.

    Training participants are held out in turn; their errors give the half-width of the interval.

    Parameters
    ----------
    candidate : Candidate
        Of a recipe with a quantity; every recording says what it is.
    done : Finished
        Keeps what has finished.

    Raises
    ------
    UsageError
        There is a single training participant.
    OverflowRisk
        The integer model could pass 32 bits.
    """
    recipe = candidate.recipe
    quantity = _quantity_of(recipe)
    folds = fold_jobs(candidate.fit())
    outcomes = done.run(folds, workers, lambda said: tell(f"{recipe.name}: in turn, {said}"))
    in_turn = _joined(
        [
            _measured(reduced, scores[:, 0] * outcome.score_unit, quantity, recipe)
            for job, outcome in zip(folds, outcomes, strict=True)
            for reduced, scores in zip(job.held, outcome.scores, strict=True)
        ]
    )
    half = half_width(in_turn, quantity.coverage)
    fits = [candidate.fit(), candidate.fit(quadrants=True)]
    fitted, on_quadrants = done.run(fits, workers, lambda said: tell(f"{recipe.name}: fit, {said}"))
    tell(f"{recipe.name}: examining")
    make = partial(_assemble, candidate, half=half)
    model = make(fitted, candidate.main)
    quadrant_model = make(on_quadrants, candidate.quadrants)
    found, takes = _examine(candidate, fitted, on_quadrants, in_turn, model, half)
    operations = {"model": model.n_operations, "four_quadrant": quadrant_model.n_operations}
    return FittedQuantity(model, fitted, found, operations, takes)


def _quantity_of(recipe: Recipe) -> QuantityRecipe:
    if recipe.quantity is None:
        raise UsageError(recipe.name, "table quantity", "missing", "a table")
    return recipe.quantity


def _truths(side: Sequence[Reduced], quantity: QuantityRecipe) -> list[float]:
    """Return the truth of each training window."""
    return [
        reference
        for r in side
        if not r.recording.locked
        for reference in [r.recording.truth(quantity.target)] * len(r.frames)
    ]


def _assemble(
    candidate: Candidate, fitted: Fitted, side: Sequence[Reduced], *, half: float
) -> Model:
    """Put the closing stage behind a fitted pipeline.

    Values of training recordings and the interval on either side are the learned range; that of the
    guard is what it was on the frames learned from.
    """
    recipe, chain = candidate.recipe, fitted.whole
    quantity = _quantity_of(recipe)
    if chain.entry is None:
        raise UsageError("model", "first stage", "no entry stage", "bins or pixels")
    step = Fraction(fitted.score_unit).limit_denominator(LARGEST_PART)
    references = _truths(side, quantity)
    low = math.floor((min(references) - half) / step)
    high = math.ceil((max(references) + half) / step)
    guards = np.concatenate(
        [chain.run(r.values)[r.frames, 1] for r in side if not r.recording.locked]
    )
    features, sensor = recipe.features, candidate.corpus.sensor
    window = features.segments * features.segment_frames
    closing = Quantity(
        names=(quantity.name,),
        units=(quantity.unit,),
        numerators=(step.numerator,),
        denominators=(step.denominator,),
        half_widths=(math.ceil(half / step),),
        low=(low, int(guards.min())),
        high=(high, int(guards.max())),
        settle=window + frames_kept(features, rate_of(recipe, sensor)) + recipe.frames_of_score,
    )
    return Model(
        name=recipe.name,
        task=recipe.task,
        sensor=sensor,
        classes=(),
        stages=(chain.entry, *chain.stages, closing),
        provenance=candidate.provenance,
    )


def _at_takes(reduced: Reduced) -> list[int]:
    """Return the frame at which each take is read: its cue's last."""
    return [cue.stop - 1 for cue, _ in reduced.takes]


def _measured(reduced: Reduced, values: Any, quantity: QuantityRecipe, recipe: Recipe) -> Measured:
    """Return a recording's takes, given the value of every frame, float64 (n_frames,)."""
    frames = _at_takes(reduced)
    person, truth = reduced.recording.participant, reduced.recording.truth(quantity.target)
    estimates = np.asarray(values, dtype=np.float64)[frames]
    return Measured((person,) * len(frames), np.full(len(frames), truth), estimates)


def _joined(parts: Sequence[Measured]) -> Measured:
    return Measured(
        tuple(name for part in parts for name in part.people),
        np.concatenate([part.truth for part in parts]),
        np.concatenate([part.estimates for part in parts]),
    )


def _examine(
    candidate: Candidate,
    fitted: Fitted,
    on_quadrants: Fitted,
    in_turn: Measured,
    model: Model,
    half: float,
) -> tuple[dict[str, Any], tuple[dict[str, Any], ...]]:
    """Measure every take of the locked participants with each pipeline: figures, and each take."""
    recipe = candidate.recipe
    quantity = _quantity_of(recipe)

    def takes(side: Sequence[Reduced], run: Callable[[Int32], Any], unit: float) -> Measured:
        return _joined(
            [
                _measured(r, run(r.values)[:, 0] * unit, quantity, recipe)
                for r in side
                if r.recording.locked
            ]
        )

    fixed = takes(candidate.main, fitted.whole.run, fitted.score_unit)
    middle = float(np.median(_truths(candidate.main, quantity)))
    estimates = {
        "float": takes(candidate.main, fitted.whole.run_float, fitted.score_unit),
        "fixed": fixed,
        "cross_validation": in_turn,
        "four_quadrant": takes(
            candidate.quadrants, on_quadrants.whole.run, on_quadrants.score_unit
        ),
        "median": Measured(fixed.people, fixed.truth, np.full_like(fixed.truth, middle)),
        "median_in_turn": Measured(
            in_turn.people, in_turn.truth, np.full_like(in_turn.truth, middle)
        ),
    }
    valid = np.concatenate([_valid(r, fitted, model) for r in candidate.main if r.recording.locked])
    everybody = np.ones(len(in_turn.truth), dtype=bool)
    found = {
        "name": quantity.name,
        "unit": quantity.unit,
        "target": quantity.target,
        "range": [min(_truths(candidate.main, quantity)), max(_truths(candidate.main, quantity))],
        "half_width": round(half, 6),
        "nominal_coverage": quantity.coverage,
        "coverage": share_within(fixed, half, valid),
        "coverage_in_turn": share_within(in_turn, half, everybody),
        "n_valid": int(valid.sum()),
        "per_participant": [
            {
                "participant": name,
                "truth": sorted({float(t) for t in fixed.truth[np.array(fixed.people) == name]}),
                "n_takes": len(errors),
                "bias": round(float(errors.mean()), 6),
                "rmse": round(math.sqrt(float((errors**2).mean())), 6),
            }
            for name, errors in fixed.of_each().items()
        ],
        **{name: quantity_figures(each) for name, each in estimates.items()},
    }
    return found, tuple(_rows(estimates, valid))


def _rows(estimates: Mapping[str, Measured], valid: NDArray[np.bool_]) -> Iterator[dict[str, Any]]:
    """Yield each take and pipeline; whether it was called valid is known of the device's alone."""
    for pipeline, each in estimates.items():
        for take, (who, truth, told) in enumerate(
            zip(each.people, each.truth.tolist(), each.estimates.tolist(), strict=True)
        ):
            yield {
                "participant": who,
                "side": "in_turn" if pipeline in _IN_TURN else "locked",
                "pipeline": pipeline,
                "take": take,
                "truth": float(f"{truth:.9g}"),
                "told": float(f"{told:.9g}"),
                "valid": ("yes" if valid[take] else "no") if pipeline == "fixed" else None,
            }


def _valid(reduced: Reduced, fitted: Fitted, model: Model) -> Any:
    """Return which takes of a recording the device calls valid, bool (n_takes,)."""
    closing = model.closing
    outputs, _ = closing.run(fitted.whole.run(reduced.values), closing.initial_state())
    return outputs[_at_takes(reduced), 2] == 1
