"""Every attacker on every step, on people held out; each measure a gain over a blind guess."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Float64
from trainer.audit.chain import Step, alike_before, contained_before
from trainer.audit.findings import Finding, gain_over_people, per_person
from trainer.audit.pictures.learned import (
    COMBINED,
    LEARNED,
    NETWORK,
    Guess,
    combined,
    outline_network,
    pairs_of,
)
from trainer.audit.pictures.linear import calibrated, over_mean, tikhonov, wiener
from trainer.audit.pictures.measures import MEASURES, OUTLINE, iou, marks, ssim
from trainer.audit.pictures.redrawn import DARKENED, REDRAWN, darkened, redrawn
from trainer.audit.pictures.scenes import Held, Shown, brightness

__all__ = ["Attack", "attack", "blind_marks"]

N_FOLDS = 3
"""Parts of the people; each is attacked once, by attackers that saw the others."""
_MANY_MORE = 3
"""So many times as many further people are learned from alone, all others attacked at once: what
two thirds of those others would add is less than a quarter, and costs three times the work."""
_APART = 4  # every so manieth person that an attacker sees is set apart to choose strengths on
_CUTS = np.linspace(0.02, 0.8, 40)
_N_FOR_CUTS = 400  # pictures that cuts are chosen on
_NEARLY_ALWAYS = 0.99
_OF_PART = ", of its "
TIKHONOV, WIENER = "Tikhonov", "Wiener"
PAIRS_KNOWN = "pairs of what the step holds and of the scene, of {n} other people"


@dataclass(frozen=True, slots=True, eq=False)
class Attack:
    """What was found on one set of scenes.

    Parameters
    ----------
    findings : tuple of Finding
        Of every step, attacker and measure.
    truth : float64 (n_scenes, n_cells)
        The pictures of the scenes attacked.
    made : dict of (str, str) to float64 (n_scenes, n_cells)
        By step and attacker: the pictures that it made.
    """

    findings: tuple[Finding, ...]
    truth: Float64
    made: Mapping[tuple[str, str], Float64]


@dataclass(frozen=True, slots=True, eq=False)
class _Fold:
    """One part of the people attacked: where the pairs, and where those asked, are in a `Shown`."""

    pairs: NDArray[np.int64]
    apart: NDArray[np.bool_]
    asked: NDArray[np.int64]


def attack(
    shown: Shown,
    further: Shown | None,
    steps: Sequence[Step],
    matrices: Mapping[str, Float64],
    inside: NDArray[np.bool_],
    tell: Callable[[str], None] = lambda _: None,
) -> Attack:
    """Attack every step of some scenes, people held out by turns.

    Where further people are many, attackers learn from them alone. A step that holds the very same
    as one before is attacked once.

    Parameters
    ----------
    shown : Shown
        The scenes.
    further : Shown, optional
        Scenes of other people that every attacker may learn from.
    steps : sequence of Step
    matrices : mapping of str to float64 (n_values, n_cells)
        Of steps that are linear in the scene, where the optic is known.
    inside : bool (height, width)
        Cells of a picture that are seen.
    tell : callable, optional
        Is told how far it is.
    """
    n_asked = len(shown.pictures)
    every = shown if further is None else shown.joined(further)
    n_own = len(set(shown.people.tolist()))
    n_further = 0 if further is None else len(set(further.people.tolist()))
    alone = n_further >= _MANY_MORE * n_own
    folds = _folds(every.people, n_asked, 1 if alone else N_FOLDS)
    made: dict[tuple[str, str], Float64] = {}
    reached: dict[tuple[str, str], dict[str, Float64]] = {}
    blind = _blind(every, folds, inside)
    matrices = _carried(matrices, steps, every.values)
    for number, step in enumerate(steps, start=1):
        tell(f"pictures of {shown.name}: step {number} of {len(steps)}, {step.name}")
        before = alike_before(every.values, steps, step)
        if before is not None and (before.name in matrices) == (step.name in matrices):
            for at, attacker in [key for key in reached if key[0] == before.name]:
                reached[step.name, attacker] = reached[at, attacker]
                made[step.name, attacker] = made[at, attacker]
            continue
        part = contained_before(every.values, steps, step)
        for at, attacker in [key for key in reached if part is not None and key[0] == part.name]:
            key = step.name, f"{attacker}{_OF_PART}{at}"
            reached[key], made[key] = reached[at, attacker], made[at, attacker]
        for fold in folds:
            found = _guesses(every, fold, step, matrices.get(step.name), inside)
            truth = every.pictures[fold.pairs][fold.apart]
            for attacker, guess in found.items():
                key = step.name, attacker
                told = _marked(guess, truth, every.pictures[fold.asked], inside)
                # Where it has nothing to go by, in some part of the people, it guesses blindly.
                mine = reached.setdefault(key, {m: value.copy() for m, value in blind.items()})
                _lay(mine, told, fold.asked, n_asked)
                place = made.setdefault(key, np.zeros_like(shown.pictures))
                place[fold.asked] = np.clip(guess.asked, 0.0, 1.0)
    n_others = n_further if alone else n_further + n_own - -(-n_own // N_FOLDS)
    findings = _findings(shown, steps, reached, blind, n_others)
    return Attack(findings, shown.pictures, made)


def _carried(
    matrices: Mapping[str, Float64], steps: Sequence[Step], values: Mapping[str, Held]
) -> dict[str, Float64]:
    """Return the matrices, with those of steps that hold nearly always what one before holds.

    What keeps full frames off is as linear as what it takes, but for these.
    """
    found = dict(matrices)
    for before, step in pairwise(step for step in steps if step.role != "readout"):
        matrix = found.get(before.name)
        if matrix is None or step.name in found or step.n_values != before.n_values:
            continue
        one, other = (values[each.name][:, : len(matrix)] for each in (before, step))
        if np.mean((one == other).all(axis=1)) >= _NEARLY_ALWAYS:
            found[step.name] = matrix
    return found


def _folds(people: NDArray[np.str_], n_asked: int, n_folds: int = N_FOLDS) -> list[_Fold]:
    names = sorted(set(people[:n_asked].tolist()))
    part = {name: index % n_folds for index, name in enumerate(names)}
    own = np.array([part.get(name, -1) for name in people.tolist()])
    folds = []
    for fold in range(n_folds):
        asked, pairs = np.flatnonzero(own == fold), np.flatnonzero(own != fold)
        seen = {name: k for k, name in enumerate(dict.fromkeys(people[pairs].tolist()))}
        apart = np.array([seen[name] % _APART == _APART - 1 for name in people[pairs].tolist()])
        folds.append(_Fold(pairs, apart, asked))
    return [fold for fold in folds if len(fold.asked) and fold.apart.any() and not fold.apart.all()]


def _lay(
    into: dict[str, Float64], values: dict[str, Float64], rows: NDArray[np.int64], n: int
) -> None:
    """Lay each measure's values of a fold into their places among all scenes."""
    for measure, value in values.items():
        into.setdefault(measure, np.full(n, np.nan))[rows] = value


def _guesses(
    every: Shown, fold: _Fold, step: Step, matrix: Float64 | None, inside: NDArray[np.bool_]
) -> dict[str, Guess]:
    """Return every attacker's pictures at a step; none of a step that never changes."""
    values = every.values[step.name].astype(np.float64)
    pictures = every.pictures[fold.pairs]
    if step.role == "readout" or matrix is not None:
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
    found: dict[str, Guess] = {}
    for name, learner in LEARNED.items():
        guess = learner(pairs)
        apart, asked = (np.split(made, 3, axis=1) for made in (guess.apart, guess.asked))
        found[name] = Guess(apart[0], asked[0], outlines=(apart[2], asked[2]))
        found[f"{name} of shares"] = _fitted(apart[1], asked[1], pictures[fold.apart])
    lit = outline_network(pairs, pictures > OUTLINE)
    bright = _fitted(*lit, pictures[fold.apart])
    found[NETWORK] = Guess(bright.apart, bright.asked, outlines=lit)
    if matrix is not None:
        # Of the scene itself, no frame before.
        raw = every.values[step.name][:, : len(matrix)].astype(np.float64)
        found |= _linear(matrix, raw[fold.pairs], pictures, fold.apart, raw[fold.asked])
    weighed = found[COMBINED] = combined(list(found.values()), pictures[fold.apart])
    some = [found[name] for name in (*LEARNED, NETWORK, WIENER, COMBINED) if name in found]
    people = every.people[fold.pairs][fold.apart]
    again = redrawn(some, pictures[fold.apart], people, inside)
    if again is not None:
        known = pictures[fold.apart]
        found[REDRAWN] = darkened(weighed, again, known, _least_error)

        def alike(made: Float64, truth: Float64) -> float:
            return float(ssim(_full(made, inside), _full(truth, inside)).mean())

        found[DARKENED] = darkened(weighed, again, known, alike)
    return found


def _least_error(made: Float64, truth: Float64) -> float:
    return -float(np.mean((made - truth) ** 2))


def _linear(
    matrix: Float64,
    values: Float64,
    pictures: Float64,
    apart: NDArray[np.bool_],
    asked: Float64,
) -> dict[str, Guess]:
    """Return the pictures of the attackers that know the optic, fitted to the people set apart."""
    step = calibrated(matrix, values[~apart], pictures[~apart])
    both = step.less_offset(values[apart]), step.less_offset(asked)
    seen = pictures[~apart] / step.scale[:, None]
    distance = float(np.sqrt(step.variance * len(matrix)))
    made = {
        TIKHONOV: [tikhonov(matrix, y, distance) for y in both],
        WIENER: [wiener(matrix, y, step.variance, seen) for y in both],
    }
    return {name: _fitted(pair[0], pair[1], pictures[apart]) for name, pair in made.items()}


def _fitted(apart: Float64, asked: Float64, truth: Float64) -> Guess:
    """Bring pictures of any scale to brightness, and those to the truth by one line for all."""
    own, other = brightness(np.maximum(apart, 0.0)), brightness(np.maximum(asked, 0.0))
    flat = own - own.mean()
    size = float(np.sum(flat**2))
    slope = float(np.sum(flat * (truth - truth.mean()))) / size if size > 0 else 0.0
    return Guess(*((x - own.mean()) * slope + truth.mean() for x in (own, other)))


def _full(cells: Float64, inside: NDArray[np.bool_]) -> Float64:
    pictures = np.zeros((len(cells), *inside.shape))
    pictures[:, inside] = np.clip(cells, 0.0, 1.0)
    return pictures


def _cut(made: Float64, references: Float64) -> tuple[float, float]:
    """Return from which value on made pictures are best taken for the thing itself, and its IoU."""
    some = slice(None, None, max(1, len(made) // _N_FOR_CUTS))
    truth = references[some] > OUTLINE
    scores = [float(iou(made[some] > cut, truth).mean()) for cut in _CUTS]
    best = int(np.argmax(scores))
    return float(_CUTS[best]), scores[best]


def _marked(
    guess: Guess, truth: Float64, asked: Float64, inside: NDArray[np.bool_]
) -> dict[str, Float64]:
    """Mark what an attacker made of those asked.

    Its cut is chosen on the people set apart, and so is whether its outlines are what it made
    bright or what it was sure of.
    """
    references, made = _full(truth, inside), _full(guess.asked, inside)
    cut, reached = _cut(_full(guess.apart, inside), references)
    outlines = made > cut
    if guess.outlines is not None:
        apart, other = (_full(each, inside) for each in guess.outlines)
        cut, reached_so = _cut(apart, references)
        outlines = other > cut if reached_so > reached else outlines
    return marks(made, outlines, _full(asked, inside))


def blind_marks(seen: Float64, asked: Float64, inside: NDArray[np.bool_]) -> dict[str, Float64]:
    """Return what the best constant picture reaches, each measure by its own best.

    Those tried are the mean, that darkened where cells are seldom lit, the median and the most
    middling of the pictures seen, how often each cell is lit in them, and none at all; which is
    best is found on the pictures seen.

    Parameters
    ----------
    seen, asked : float64 (n, n_cells)
    inside : bool (height, width)
    """
    some = seen[:: max(1, len(seen) // _N_FOR_CUTS)]
    middling = some[int(np.argmin(((some - some.mean(axis=0)) ** 2).sum(axis=1)))]
    often = (seen > OUTLINE).mean(axis=0)
    mean, dark = seen.mean(axis=0), np.zeros(seen.shape[1])
    tried = [mean, mean * often**0.5, np.median(seen, axis=0), middling, often, dark]
    true, answers = _full(some, inside), _full(asked, inside)
    best: dict[str, tuple[float, Float64]] = {}
    for guess in tried:
        made, said = (
            _full(np.broadcast_to(guess, scenes.shape), inside) for scenes in (some, asked)
        )
        cut, _ = _cut(made, true)
        own, told = marks(made, made > cut, true), marks(said, said > cut, answers)
        for measure in MEASURES:
            mean = float(own[measure].mean())
            if measure not in best or mean > best[measure][0]:
                best[measure] = mean, told[measure]
    return {measure: told for measure, (_, told) in best.items()}


def _blind(every: Shown, folds: Sequence[_Fold], inside: NDArray[np.bool_]) -> dict[str, Float64]:
    n_asked = sum(len(fold.asked) for fold in folds)
    kinds = every.kinds if every.kinds is not None else np.full(len(every.people), "")
    blind: dict[str, Float64] = {}
    for fold in folds:
        for kind in np.unique(kinds[fold.asked]):
            seen, asked = (rows[kinds[rows] == kind] for rows in (fold.pairs, fold.asked))
            known = every.pictures[seen if len(seen) else fold.pairs]
            _lay(blind, blind_marks(known, every.pictures[asked], inside), asked, n_asked)
    return blind


_KNOWS = {
    TIKHONOV: "the optic, calibrated",
    WIENER: "the optic, calibrated, and scenes of {n} other people",
}


def _findings(
    shown: Shown,
    steps: Sequence[Step],
    reached: Mapping[tuple[str, str], Mapping[str, Float64]],
    blind: Mapping[str, Float64],
    n_others: int,
) -> tuple[Finding, ...]:
    """Return each attacker's gain in each measure; a step that never changes gains nothing."""
    found: list[Finding] = []
    for step in steps:
        attackers = [name for at, name in reached if at == step.name]
        for measure in MEASURES:
            guessed = per_person(shown.people, blind[measure])
            for name in attackers or ["any"]:
                own = guessed
                if attackers:
                    own = per_person(shown.people, reached[step.name, name][measure])
                figures = gain_over_people(own, guessed, max(1, len(attackers)))
                knows = _KNOWS.get(name.partition(_OF_PART)[0], PAIRS_KNOWN).format(n=n_others)
                found.append(
                    Finding(step.name, "picture", shown.name, name, knows, measure, **figures)
                )
    return tuple(found)
