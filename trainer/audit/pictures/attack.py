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
from trainer.audit.pictures.guesses import (
    TIKHONOV,
    UNDONE,
    WIENER,
    Fold,
    full_pictures,
    guesses,
)
from trainer.audit.pictures.learned import Guess
from trainer.audit.pictures.measures import MEASURES, OUTLINE, iou, marks
from trainer.audit.pictures.scenes import Held, Shown
from trainer.audit.pictures.undone import Linear

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
_SHARES = ("iou", "ssim", "edge_overlap")
"""Measures that end at 1; decibels end where nothing that is measured comes near."""
_OF_PART = ", of its "
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
            found = guesses(every, fold, step, _linear_at(step, steps, matrices), inside)
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


def _linear_at(step: Step, steps: Sequence[Step], matrices: Mapping[str, Float64]) -> Linear | None:
    """Return the last step up to one whose matrix is known; none where that is a readout's own."""
    until = [each.name for each in steps[: steps.index(step) + 1] if each.name in matrices]
    if not until or (step.role == "readout" and until[-1] != step.name):
        return None
    return Linear(until[-1], matrices[until[-1]])


def _folds(people: NDArray[np.str_], n_asked: int, n_folds: int = N_FOLDS) -> list[Fold]:
    names = sorted(set(people[:n_asked].tolist()))
    part = {name: index % n_folds for index, name in enumerate(names)}
    own = np.array([part.get(name, -1) for name in people.tolist()])
    folds = []
    for fold in range(n_folds):
        asked, pairs = np.flatnonzero(own == fold), np.flatnonzero(own != fold)
        seen = {name: k for k, name in enumerate(dict.fromkeys(people[pairs].tolist()))}
        apart = np.array([seen[name] % _APART == _APART - 1 for name in people[pairs].tolist()])
        folds.append(Fold(pairs, apart, asked))
    return [fold for fold in folds if len(fold.asked) and fold.apart.any() and not fold.apart.all()]


def _lay(
    into: dict[str, Float64], values: dict[str, Float64], rows: NDArray[np.int64], n: int
) -> None:
    """Lay each measure's values of a fold into their places among all scenes."""
    for measure, value in values.items():
        into.setdefault(measure, np.full(n, np.nan))[rows] = value


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
    references, made = full_pictures(truth, inside), full_pictures(guess.asked, inside)
    cut, reached = _cut(full_pictures(guess.apart, inside), references)
    outlines = made > cut
    if guess.outlines is not None:
        apart, other = (full_pictures(each, inside) for each in guess.outlines)
        cut, reached_so = _cut(apart, references)
        outlines = other > cut if reached_so > reached else outlines
    return marks(made, outlines, full_pictures(asked, inside))


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
    true, answers = full_pictures(some, inside), full_pictures(asked, inside)
    best: dict[str, tuple[float, Float64]] = {}
    for guess in tried:
        made, said = (
            full_pictures(np.broadcast_to(guess, scenes.shape), inside) for scenes in (some, asked)
        )
        cut, _ = _cut(made, true)
        own, told = marks(made, made > cut, true), marks(said, said > cut, answers)
        for measure in MEASURES:
            mean = float(own[measure].mean())
            if measure not in best or mean > best[measure][0]:
                best[measure] = mean, told[measure]
    return {measure: told for measure, (_, told) in best.items()}


def _blind(every: Shown, folds: Sequence[Fold], inside: NDArray[np.bool_]) -> dict[str, Float64]:
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
_KNOWS |= {
    f"{name}{UNDONE}": "the optic, calibrated, and what this step and a linear one before held of "
    "scenes of {n} other people"
    for name in _KNOWS
}


def _findings(
    shown: Shown,
    steps: Sequence[Step],
    reached: Mapping[tuple[str, str], Mapping[str, Float64]],
    blind: Mapping[str, Float64],
    n_others: int,
) -> tuple[Finding, ...]:
    """Return each attacker's gain in each measure; a step that never changes gains nothing.

    Intervals hold together for all that were tried at any step: the strongest at a step is sought
    at those that follow from it, too. What is the same at two steps was tried once.
    """
    found: list[Finding] = []
    n_tried = len({id(each) for each in reached.values()})
    for step in steps:
        attackers = [name for at, name in reached if at == step.name]
        for measure in MEASURES:
            guessed, most = per_person(shown.people, blind[measure]), 1.0
            if measure not in _SHARES:  # as much as of anybody whom anything was told of
                every = [blind[measure], *(each[measure] for each in reached.values())]
                most = max(float(per_person(shown.people, each).max()) for each in every)
            for name in attackers or ["any"]:
                own = guessed
                if attackers:
                    own = per_person(shown.people, reached[step.name, name][measure])
                figures = gain_over_people(
                    own, guessed, max(1, n_tried), most=most, no_more=measure in _SHARES
                )
                knows = _KNOWS.get(name.partition(_OF_PART)[0], PAIRS_KNOWN).format(n=n_others)
                found.append(
                    Finding(step.name, "picture", shown.name, name, knows, measure, **figures)
                )
    return tuple(found)
