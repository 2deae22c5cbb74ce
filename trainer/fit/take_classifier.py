"""A recipe as a scikit-learn classifier over takes: the same integer pipeline as a trained model's.

It learns from cut takes, so that scikit-learn's own tools (``cross_val_score`` with groups, grid
searches over recipes) work with it. What only whole recordings can give is left to
:func:`trainer.train_model`: margins chosen on everyday time, events, and the examination of locked
participants.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.exceptions import NotFittedError
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, column_or_1d, validate_data

from runtime.errors import ArgumentError, Error, UsageError
from runtime.model import Model
from runtime.sensor import Sensor
from runtime.stages.contract.stage import Float64, Int32
from trainer.corpus.take_readouts import as_recipe
from trainer.corpus.windows import judged_spans, surest_frames
from trainer.fit.alignment import align, window_since_cue
from trainer.fit.cut_takes import as_recordings, cue_of, placed_take, with_classes
from trainer.fit.held_out import FitJob
from trainer.fit.pipeline import assemble_model, fit_pipeline
from trainer.judge.events import Margins
from trainer.learn.entry_stage import reduction
from trainer.recipe import Recipe
from trainer.work.jobs import LocalWorkers

__all__ = ["NotFitted", "TakeClassifier"]

_WHERE = "TakeClassifier"


class NotFitted(UsageError, NotFittedError):  # type: ignore[misc]  # noqa: N818
    """A classifier is asked before it was fitted."""


class TakeClassifier(ClassifierMixin, BaseEstimator):  # type: ignore[misc]  # untyped bases
    """A recipe's integer pipeline as a scikit-learn classifier over takes.

    Bins or pixels, level, projection, window, head and averaged scores are learned as for a model,
    and everything is answered by the integer stages that the firmware runs. Class names come from
    `y`; a class ``other`` is the rejection class of a recipe that has one.

    Parameters
    ----------
    recipe : Recipe, or name or path of one
        Its features, classifier, quantisation and averaging; its classes are not looked at.
    readout_shape : tuple of int, optional
        (n_frames, n_rows, n_cols) of a take, for `X` of two dimensions: one row is then a take,
        flattened. Without it, a row is one frame of one row of pixels.
    bit_depth : int
        ADC bits of the sensor, 4 to 16.

    Attributes
    ----------
    classes_ : array (n_classes,)
        Class labels, sorted.
    n_features_in_ : int
        Values of a take: n_frames * n_rows * n_cols.
    readout_shape_ : tuple of int
        (n_frames, n_rows, n_cols).
    step_ : float
        Value of `X` that one count stands for: 1 for whole numbers within the sensor's range,
        otherwise such that the largest training value is the sensor's largest count.
    recipe_ : Recipe
        With the classes of `y`.

    Notes
    -----
    `X` is lit minus dark, (n_takes, n_frames, n_rows, n_cols), as :func:`trainer.read_takes` gives
    it. A single difference may be negative, by noise; a whole readout is light and is not, and
    levels are shares of its sum: hence the tag ``positive_only``.

    There is no ``predict_proba``: scores are not calibrated probabilities for every head.
    """

    def __init__(
        self,
        recipe: Recipe | str | Path = "dynamic",
        readout_shape: tuple[int, int, int] | None = None,
        bit_depth: int = 12,
    ) -> None:
        self.recipe = recipe
        self.readout_shape = readout_shape
        self.bit_depth = bit_depth

    def __sklearn_tags__(self) -> Any:
        """Say that readouts are light; see the notes of the class."""
        tags = super().__sklearn_tags__()
        tags.input_tags.positive_only = True
        return tags

    def fit(self, X: ArrayLike, y: ArrayLike, people: ArrayLike | None = None) -> TakeClassifier:  # noqa: N803  # scikit-learn's own name
        """Learn features and head from takes.

        Parameters
        ----------
        X : array (n_takes, n_frames, n_rows, n_cols), or flattened (n_takes, n_values)
            Lit minus dark, counts.
        y : array (n_takes,)
            Class labels.
        people : array (n_takes,), optional
            Whose each take is. With two or more, each half of them places the gestures in the
            takes of the other half, and a recipe's ``take_noise`` is drawn within a person.

        Returns
        -------
        TakeClassifier
            Itself.

        Raises
        ------
        ArgumentError, UsageError
            An argument is wrong: the message says which.
        OverflowRisk
            The integer pipeline could pass 32 bits.
        """
        recipe = as_recipe(self.recipe)
        if recipe.quantity is not None:
            raise UsageError(
                _WHERE, f"recipe {recipe.name}", "of a quantity", "of classes",
                "train it on recordings, which say how much there was",
            )  # fmt: skip
        with _one_line():
            flat, shape = _flat(X)
            flat, y = validate_data(self, flat, y, dtype="numeric")
            y = column_or_1d(y, warn=True)
            check_classification_targets(y)
        self.classes_, codes = np.unique(y, return_inverse=True)
        if len(self.classes_) < 2:
            raise UsageError(_WHERE, "classes in y", "1 class", "at least 2")
        self.readout_shape_ = self._shape(shape, flat.shape[1])
        n_pixels = self.readout_shape_[1] * self.readout_shape_[2]
        if n_pixels < 2:
            raise UsageError(
                _WHERE, f"pixels of a readout of n_features = {flat.shape[1]}", n_pixels,
                "at least 2", "a single value has no share of its sum",
            )  # fmt: skip
        sensor = Sensor("takes", *self.readout_shape_[1:], bit_depth=self.bit_depth)
        self.step_ = _step(flat, sensor.max_counts)
        self.recipe_, self._order = with_classes(recipe, self.classes_)
        digest = hashlib.sha256(np.ascontiguousarray(flat).tobytes())
        whose = _people(people, len(flat))
        self._entry = reduction(self.recipe_.features, sensor)
        values = self._reduce(flat, sensor.max_counts)
        internal = np.argsort(self._order)[codes]
        train = as_recordings(self.recipe_, values, internal, whose)
        sooner = self.recipe_
        if len(set(whose)) > 1:
            job = FitJob(self.recipe_, self._entry, sensor, tuple(train))
            movements = align(job, train, LocalWorkers())
            both = zip(train, movements, strict=True)
            train = [placed_take(self.recipe_, take, movement) for take, movement in both]
            sooner = window_since_cue(self.recipe_, train)
        self._fitted = fit_pipeline(train, sooner, self._entry, sensor)
        self._provenance = {
            "recipe": recipe.digest(),
            "recipe_as_fitted": sooner.digest(),
            "data": digest.hexdigest(),
        }
        return self

    def decision_function(self, X: ArrayLike) -> Float64:  # noqa: N803
        """Return each take's scores, in real units.

        Each take is run frame by frame from the stages' first state, and judged as a model's takes
        are: at the frame on which some gesture stands out most, or at the end of a pose.

        Returns
        -------
        float64 (n_takes, n_classes), or (n_takes,)
            In the order of ``classes_``; for two classes, the second's score over the first's.

        Raises
        ------
        NotFitted
            `fit` comes first.
        UsageError
            `X` is not of the shape that was fitted, or not numbers.
        """
        with _one_line():
            check_is_fitted(self)
            flat, shape = _flat(X)
            flat = validate_data(self, flat, dtype="numeric", reset=False)
        if shape is not None and shape != self.readout_shape_:
            raise UsageError(_WHERE, "shape of a take", shape, self.readout_shape_)
        recipe = self.recipe_
        scores = np.empty((len(flat), len(self.classes_)))
        max_counts = (1 << self.bit_depth) - 1
        for number, values in enumerate(self._reduce(flat, max_counts)):
            every = self._fitted.whole.run(values)
            span = judged_spans(recipe, [cue_of(recipe, len(values), 0)], len(values))
            frame = surest_frames(every, span, len(recipe.classes))[0]
            scores[number, self._order] = every[frame] * self._fitted.score_unit
        return scores if len(self.classes_) > 2 else scores[:, 1] - scores[:, 0]

    def predict(self, X: ArrayLike) -> NDArray[Any]:  # noqa: N803
        """Return the class of each take, (n_takes,); errors are those of `decision_function`."""
        scores = self.decision_function(X)
        best = scores.argmax(axis=1) if scores.ndim == 2 else (scores > 0).astype(np.int64)
        answers: NDArray[Any] = self.classes_[best]
        return answers

    def to_model(self, sensor: Sensor, *, margin: float = 0.0) -> Model:
        """Return the fitted pipeline with a decision behind it, ready for :func:`runtime.export`.

        Parameters
        ----------
        sensor : Sensor
            That the takes come from.
        margin : float
            How far ahead of the next answer an event's gesture must be, real units. Takes cannot
            tell it: :func:`trainer.train_model` chooses it on streams.

        Raises
        ------
        NotFitted
            `fit` comes first.
        UsageError
            The sensor is another, or `X` held no counts.
        """
        with _one_line():
            check_is_fitted(self)
        wanted = (*self.readout_shape_[1:], self.bit_depth)
        if not isinstance(sensor, Sensor):
            raise ArgumentError(_WHERE, "sensor", type(sensor).__name__, "a Sensor")
        if (sensor.n_rows, sensor.n_cols, sensor.bit_depth) != wanted:
            got = (sensor.n_rows, sensor.n_cols, sensor.bit_depth)
            raise UsageError(_WHERE, "rows, columns and bits of the sensor", got, wanted)
        if self.step_ != 1.0:
            raise UsageError(_WHERE, "values of X", "no counts", "whole numbers of the sensor")
        if not margin >= 0.0:
            raise UsageError(_WHERE, "margin", margin, "at least 0")
        margins = Margins(margin, (0.0,) * len(self.recipe_.classes))
        return assemble_model(self.recipe_, sensor, self._fitted, margins, self._provenance)

    def _shape(self, given: tuple[int, ...] | None, n_values: int) -> tuple[int, int, int]:
        """Return (n_frames, n_rows, n_cols) of the takes."""
        shape = given or self.readout_shape or (1, 1, n_values)
        if (
            not isinstance(shape, tuple)
            or len(shape) != 3
            or not all(isinstance(n, int) and n > 0 for n in shape)
            or np.prod(shape) != n_values
        ):
            raise UsageError(
                _WHERE, "readout_shape", shape, f"(n_frames, n_rows, n_cols) of {n_values} values"
            )
        if self.readout_shape is not None and shape != tuple(self.readout_shape):
            raise UsageError(_WHERE, "shape of a take", shape, self.readout_shape)
        return shape

    def _reduce(self, flat: NDArray[Any], max_counts: int) -> Iterator[Int32]:
        """Yield each take after the entry stage, int32 (n_frames, n_values)."""
        for take in flat:
            counts = np.rint(take / self.step_).clip(-max_counts, max_counts).astype(np.int32)
            frames = counts.reshape(self.readout_shape_[0], -1)
            yield np.asarray(self._entry.run_difference(frames), dtype=np.int32)


def _flat(given: ArrayLike) -> tuple[Any, tuple[int, ...] | None]:
    """Return takes flattened, and their shape where the array told it."""
    n_axes = getattr(given, "ndim", 2)
    if n_axes <= 2:
        return given, None
    takes = np.asarray(given)
    if n_axes > 4:
        raise UsageError(_WHERE, "dimensions of X", n_axes, "2, 3 or 4")
    shape = takes.shape[1:] if n_axes == 4 else (takes.shape[1], 1, takes.shape[2])
    return takes.reshape(len(takes), -1), shape


def _step(flat: NDArray[Any], max_counts: int) -> float:
    """Return what one count stands for."""
    largest = float(np.abs(flat).max())
    if largest <= max_counts and np.array_equal(flat, np.rint(flat)):
        return 1.0
    return largest / max_counts


def _people(given: ArrayLike | None, n_takes: int) -> list[str]:
    """Return whose each take is."""
    if given is None:
        return ["nobody"] * n_takes
    people = np.asarray(given)
    if people.shape != (n_takes,):
        raise UsageError(_WHERE, "shape of people", people.shape, (n_takes,))
    return [str(each) for each in people.tolist()]


@contextmanager
def _one_line() -> Iterator[None]:
    """Tell what scikit-learn finds wrong in a call as an error of the one tree."""
    try:
        yield
    except Error:
        raise
    except NotFittedError:
        raise NotFitted(
            _WHERE, "the classifier", "not fitted", "fitted", "call fit first"
        ) from None
    except TypeError as error:
        raise ArgumentError(_WHERE, str(error)) from None
    except ValueError as error:
        raise UsageError(_WHERE, str(error)) from None
