"""A step undone: what a step before held, told from what is left of it.

Whoever has a device knows each of its steps, and may show it whatever they like. Shares, roots,
windows and filters hide little of what entered them: once that is told again, whoever knows the
optic makes pictures of it as if the step had never been.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from runtime.stages.contract.stage import Float64
from trainer.audit.pictures.linear import over_mean

__all__ = ["Linear", "undone"]

_PENALTIES = tuple(10.0 ** np.arange(-7.0, 0.0))
"""Of each value, of variance 1, for each pair."""
_MOST_SQUARED = 600
"""Values whose squares are looked at as well, which undo a root: of the finger count's bins they
leave a fifth of what is left without. Of more values they cost more than they tell."""
_LEAST_TOLD = 0.5
"""Of the spread, on people set apart: of less no picture is made that ridge regression misses."""


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """The last step that is linear in the scene, up to the one attacked or that one itself.

    Parameters
    ----------
    step : str
        Its name.
    matrix : float64 (n_values, n_cells)
        From a picture to its values.
    """

    step: str
    matrix: Float64


def undone(
    held: Float64,
    n_values: int,
    before: Float64,
    parts: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    asked: Float64,
) -> tuple[Float64, Float64] | None:
    """Tell what a step before held, over its mean, by ridge regression; None where that is lost.

    Of the pairs shown each half is told by the other, as those asked are by people who are not
    among them; the strength is chosen on the people set apart.

    Parameters
    ----------
    held : float64 (n_pairs, n_held)
        What the step holds of each take, the last frame first.
    n_values : int
        Of a frame.
    before : float64 (n_pairs, n_before)
        What the step before held of the last frame.
    parts : bool (n_pairs,) and bool (n_pairs,)
        People set apart, and one half of the people shown.
    asked : float64 (n_asked, n_held)

    Returns
    -------
    float64 (n_pairs, n_frames * n_before), float64 (n_asked, n_frames * n_before)
        Of every frame that is held whole.
    """
    apart, half = parts
    sides = half & ~apart, ~half & ~apart
    last = _looked_at(held[:, :n_values])
    mean, size = last[~apart].mean(axis=0), last[~apart].std(axis=0)
    size[size < 1e-9 * np.maximum(1.0, np.abs(mean))] = np.inf  # what never changes tells nothing
    x, truth = (last - mean) / size, over_mean(before)
    middle = truth[~apart].mean(axis=0)
    squares = [x[side].T @ x[side] for side in sides]
    products = [x[side].T @ (truth[side] - middle) for side in sides]

    def told_by(chosen: slice, penalty: float) -> Float64:
        n = sum(int(side.sum()) for side in sides[chosen])
        inner = sum(squares[chosen], np.zeros_like(squares[0]))
        inner[np.diag_indices_from(inner)] += penalty * n
        along = sum(products[chosen], np.zeros_like(products[0]))
        return np.asarray(linalg.solve(inner, along, assume_a="pos"))

    every = slice(None)
    errors = [np.mean((x[apart] @ told_by(every, p) + middle - truth[apart]) ** 2)
              for p in _PENALTIES]  # fmt: skip
    best = int(np.argmin(errors))
    if errors[best] > (1.0 - _LEAST_TOLD) * np.mean((truth[apart] - middle) ** 2):
        return None

    def told(values: Float64, by: Float64) -> Float64:
        frames = [values[:, at : at + n_values]
                  for at in range(0, values.shape[1] - n_values + 1, n_values)]  # fmt: skip
        return np.hstack([(_looked_at(each) - mean) / size @ by + middle for each in frames])

    whole = told_by(every, _PENALTIES[best])
    known = told(held, whole)
    for side, other in ((0, 1), (1, 0)):
        if sides[side].any() and sides[other].any():
            by = told_by(slice(other, other + 1), _PENALTIES[best])
            known[sides[side]] = told(held[sides[side]], by)
    return known, told(asked, whole)


def _looked_at(values: Float64) -> Float64:
    """Return values, and their squares where they are few."""
    return np.hstack([values, values**2]) if values.shape[1] <= _MOST_SQUARED else values
