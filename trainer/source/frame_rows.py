"""Every frame that a calibrated model was held to, as rows: its page is made again from them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.store.session import READOUTS_SUFFIX
from runtime.stages.contract.stage import Float64
from trainer.recipe import Recipe
from trainer.source.calibrated import Samples, evenly, truth_of
from trainer.source.examined import MOST_FRAMES, Refused
from trainer.source.figures import Errors
from trainer.source.readouts import SourceReadouts

__all__ = ["EVIDENCE", "rows_of_errors", "rows_of_refused", "rows_of_unit"]

EVIDENCE = "evidence"
"""The pipeline of rows that hold values as they are before they are clipped to their range."""
Row = dict[str, Any]


def rows_of_errors(
    names: Sequence[str],
    readouts: Sequence[SourceReadouts],
    recipe: Recipe,
    errors: tuple[Errors, Errors],
) -> list[Row]:
    """Return a row for each frame of one source that was held to the bound, and pipeline.

    Parameters
    ----------
    names : sequence of str
        Of the values.
    readouts : sequence of SourceReadouts
        Of the calibrated unit, in the order in which `errors` were found.
    errors : tuple of Errors
        As :func:`trainer.source.examined.frame_errors` finds them: fixed point and floats.
    """
    rows = []
    for pipeline, found in zip(("fixed", "float"), errors, strict=True):
        for place, head in enumerate(_heads(readouts, recipe)):
            row = head | {"pipeline": pipeline, "valid": _yes(found.valid[place])}
            told = found.truth[place] + found.errors[place]
            rows.append(row | _values(names, found.truth[place], told, found.bound[place]))
    return rows


def rows_of_unit(
    names: Sequence[str],
    readouts: Sequence[SourceReadouts],
    recipe: Recipe,
    off_by: tuple[Samples, Float64],
) -> list[Row]:
    """Return a row for each frame that a unit was held to the calibration by.

    `off_by` is what :func:`trainer.source.examined.unit_errors` finds of the readouts.
    """
    some, errors = off_by
    truth = truth_of(some, errors.shape[1])
    none = np.full(errors.shape[1], np.nan)
    return [
        head | {"pipeline": EVIDENCE, "valid": None} | _values(names, true, true + error, none)
        for head, true, error in zip(_heads(readouts, recipe), truth, errors, strict=True)
    ]


def rows_of_refused(names: Sequence[str], refused: Sequence[Refused]) -> list[Row]:
    """Return a row for each frame that was not to be measured."""
    none = np.full(len(names), np.nan)
    return [
        _head(each.readouts, int(frame))
        | {"pipeline": "fixed", "valid": _yes(valid)}
        | _values(names, none, none, none)
        for each in refused
        for frame, valid in zip(each.frames, each.valid, strict=True)
    ]


def _heads(readouts: Sequence[SourceReadouts], recipe: Recipe) -> Iterator[Row]:
    """Yield where each frame stands, of those that are taken of all with one source."""
    every = [(each, frame) for each in readouts for frame in each.single(recipe).tolist()]
    for place in evenly(len(every), MOST_FRAMES).tolist():
        yield _head(*every[place])


def _head(readouts: SourceReadouts, frame: int) -> Row:
    recording = readouts.recording
    return {
        "participant": recording.participant,
        "session": recording.path.name.removesuffix(READOUTS_SUFFIX),
        "unit": recording.unit,
        "cue": readouts.cue[frame],
        "frame": frame,
    }


def _values(names: Sequence[str], truth: Float64, told: Float64, bound: Float64) -> Row:
    kinds = (("true", truth), ("told", told), ("bound", bound))
    return {
        f"{kind}_{name}": None if np.isnan(value) else float(f"{value:.9g}")
        for kind, values in kinds
        for name, value in zip(names, values.tolist(), strict=True)
    }


def _yes(value: np.bool_ | NDArray[np.bool_]) -> str:
    return "yes" if value else "no"
