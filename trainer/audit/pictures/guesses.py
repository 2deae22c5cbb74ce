"""Every attacker's pictures at one step, of the people set apart and of those asked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64
from trainer.audit.chain import Step
from trainer.audit.pictures.darkened import darkened
from trainer.audit.pictures.filters import FILTERS, filtered
from trainer.audit.pictures.learned import (
    COMBINED,
    LEARNED,
    NETWORK,
    Guess,
    Pairs,
    Parted,
    combined,
    crossed,
    outline_network,
    pairs_of,
)
from trainer.audit.pictures.linear import calibrated, over_mean, tikhonov, wiener
from trainer.audit.pictures.measures import OUTLINE, ssim
from trainer.audit.pictures.scenes import Shown, brightness
from trainer.audit.pictures.undone import Linear, undone

__all__ = ["DARKENED", "SHARP", "TIKHONOV", "UNDONE", "WIENER", "Fold", "full_pictures", "guesses"]

TIKHONOV, WIENER = "Tikhonov", "Wiener"
UNDONE = " after undoing"
"""Behind the name of an attacker that knows the optic of a step before."""
DARKENED = "all of them, dark where filters doubt"
SHARP = f"{DARKENED} most"
"""As alike as can be to the people set apart, where the other has least error."""


@dataclass(frozen=True, slots=True, eq=False)
class Fold:
    """One part of the people attacked: where the pairs, and where those asked, are in a `Shown`."""

    pairs: NDArray[np.int64]
    apart: NDArray[np.bool_]
    asked: NDArray[np.int64]


def guesses(
    every: Shown, fold: Fold, step: Step, linear: Linear | None, inside: NDArray[np.bool_]
) -> dict[str, Guess]:
    """Return every attacker's pictures at a step; none of a step that never changes.

    Parameters
    ----------
    every : Shown
    fold : Fold
    step : Step
    linear : Linear, optional
        The step that is linear in the scene, this one or the last one before it, where the optic
        is known.
    inside : bool (height, width)
        Cells of a picture that are seen.
    """
    values = every.values[step.name].astype(np.float64)
    pictures = every.pictures[fold.pairs]
    if step.role == "readout" or (linear is not None and linear.step == step.name):
        values = over_mean(values)
    # What a chain normalises is linear, if at all, in a picture of so much light: asked for that as
    # well and brightened after, ridge regression found 0.04 of IoU more (finger count, its bins).
    light = np.maximum(pictures.sum(axis=1, keepdims=True), 1e-9)
    shares = pictures * (light.mean() / light)
    # Whether a cell is lit is asked for by itself: from how bright it is made, kernel regression
    # found 0.01 of IoU less (finger count, 60 people, its roots and its second dense layer).
    every_way = np.hstack([pictures, shares, pictures > OUTLINE])
    pairs = pairs_of(values[fold.pairs], every_way, fold.apart, values[fold.asked])
    if pairs is None:
        return {}
    half = _halves(every.people[fold.pairs], fold.apart)
    found, made = _learned(pairs, pictures, half)
    seen = None if linear is None else _seen_through(every, fold, step, linear, half)
    if linear is not None and seen is not None:
        by_optic, more = _linear(linear.matrix, seen[0], pictures, fold.apart, seen[1])
        how = "" if linear.step == step.name else UNDONE
        found |= {f"{name}{how}": guess for name, guess in by_optic.items()}
        made += more
    known = pictures[fold.apart]
    found[FILTERS] = drawn = filtered(made, pictures, fold.apart, inside)
    weighed = found[COMBINED] = combined(list(found.values()), known)

    def alike(made: Float64, truth: Float64) -> float:
        return float(ssim(full_pictures(made, inside), full_pictures(truth, inside)).mean())

    found[DARKENED] = darkened(weighed, drawn.sure, known, _least_error)
    found[SHARP] = darkened(weighed, drawn.sure, known, alike)
    return found


def _seen_through(
    every: Shown, fold: Fold, step: Step, linear: Linear, half: NDArray[np.bool_]
) -> tuple[Float64, Float64] | None:
    """Return what the linear step held, as far as the step attacked tells, of pairs and asked."""
    held = every.values[step.name].astype(np.float64)
    if linear.step == step.name:
        return held[fold.pairs], held[fold.asked]
    before = every.values[linear.step][fold.pairs, : len(linear.matrix)].astype(np.float64)
    parts = fold.apart, half
    return undone(held[fold.pairs], step.n_values, before, parts, held[fold.asked])


def _halves(people: NDArray[np.str_], apart: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return one half of the people shown; those set apart are shown to nobody, and in neither."""
    half = np.zeros(len(people), dtype=bool)
    half[~apart] = np.unique(people[~apart], return_inverse=True)[1] % 2 == 0
    return half


def _learned(
    pairs: Pairs, pictures: Float64, half: NDArray[np.bool_]
) -> tuple[dict[str, Guess], list[Parted]]:
    """Return the pictures of attackers that learn from pairs, and what filters are shown."""
    found: dict[str, Guess] = {}
    made: list[Parted] = []
    known = pictures[pairs.apart]
    for name, learner in LEARNED.items():
        guess = learner(pairs, ())
        own = crossed(pairs, half, learner, guess.strengths)
        whole, shares, lit = (
            Parted(*kind)
            for kind in zip(
                *(np.split(each, 3, axis=1) for each in (own, guess.apart, guess.asked)),
                strict=True,
            )
        )
        made += [whole, shares, lit]
        found[name] = Guess(whole.apart, whole.asked, outlines=(lit.apart, lit.asked))
        found[f"{name} of shares"] = _fitted(shares.apart, shares.asked, known)
    lit_cells = outline_network(pairs, pictures > OUTLINE)
    bright = _fitted(*lit_cells, known)
    found[NETWORK] = Guess(bright.apart, bright.asked, outlines=lit_cells)
    return found, made


def _least_error(made: Float64, truth: Float64) -> float:
    return -float(np.mean((made - truth) ** 2))


def _linear(
    matrix: Float64,
    values: Float64,
    pictures: Float64,
    apart: NDArray[np.bool_],
    asked: Float64,
) -> tuple[dict[str, Guess], list[Parted]]:
    """Return the pictures of the attackers that know the optic, and what filters are shown.

    Of the scene itself, no frame before; filters are shown the mean of all frames as well.
    """
    found, made = {}, []
    for whole in (False, True):
        own, other = (_frame(each, len(matrix), whole) for each in (values, asked))
        step = calibrated(matrix, own[~apart], pictures[~apart])
        white = step.white
        y = step.less_offset(np.vstack([own[~apart], own[apart], other]))
        seen = pictures[~apart] / step.scale[:, None]
        known = wiener(white @ matrix, y @ white, 1.0, seen)
        plain = tikhonov(matrix, y, float(np.sqrt(np.trace(step.covariance))))
        edges = [len(seen), len(values)]
        for name, told in ((TIKHONOV, plain), (WIENER, known)):
            parted = Parted(*np.split(brightness(np.maximum(told, 0.0)), edges))
            made.append(parted)
            if not whole:
                found[name] = _fitted(parted.apart, parted.asked, pictures[apart])
    return found, made


def _frame(values: Float64, n_values: int, whole: bool) -> Float64:
    """Return the last frame of a take, or the mean of those that are held whole."""
    n_frames = max(1, values.shape[1] // n_values) if whole else 1
    frames = values[:, : n_frames * n_values].reshape(len(values), n_frames, n_values)
    return np.asarray(frames.mean(axis=1))


def _fitted(apart: Float64, asked: Float64, truth: Float64) -> Guess:
    """Bring pictures of any scale to brightness, and those to the truth by one line for all."""
    own, other = brightness(np.maximum(apart, 0.0)), brightness(np.maximum(asked, 0.0))
    flat = own - own.mean()
    size = float(np.sum(flat**2))
    slope = float(np.sum(flat * (truth - truth.mean()))) / size if size > 0 else 0.0
    return Guess(*((x - own.mean()) * slope + truth.mean() for x in (own, other)))


def full_pictures(cells: Float64, inside: NDArray[np.bool_]) -> Float64:
    """Return cells as pictures, float64 (n, height, width), from 0 to 1; dark outside."""
    pictures = np.zeros((len(cells), *inside.shape))
    pictures[:, inside] = np.clip(cells, 0.0, 1.0)
    return pictures
