"""A step undone: what entered it is told again where it is left, and by nobody's own takes."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from trainer.audit.chain import Step
from trainer.audit.pictures.attack import attack
from trainer.audit.pictures.scenes import Shown
from trainer.audit.pictures.undone import undone

N_PAIRS, N_ASKED, N_VALUES = 600, 200, 12
APART: NDArray[np.bool_] = np.arange(N_PAIRS) % 4 == 3
HALF: NDArray[np.bool_] = ~APART & (np.arange(N_PAIRS) // 4 % 2 == 0)


def held(seed: int) -> NDArray[np.float64]:
    """Return what a linear step may hold of pairs and of those asked."""
    return np.random.default_rng(seed).uniform(1.0, 9.0, (N_PAIRS + N_ASKED, N_VALUES))


def test_a_root_is_undone() -> None:
    """Squares of roots are what they were taken of, and shares of it are told to a hundredth."""
    before = held(1)
    after = np.sqrt(before / before.mean(axis=1, keepdims=True))
    told = undone(after[:N_PAIRS], N_VALUES, before[:N_PAIRS], (APART, HALF), after[N_PAIRS:])
    assert told is not None
    truth = before / before.mean(axis=1, keepdims=True)
    for own, true in zip(told, np.split(truth, [N_PAIRS]), strict=True):
        assert np.sqrt(np.mean((own - true) ** 2)) < 0.01 * true.std()


def test_every_frame_that_is_held_is_undone() -> None:
    """The last frame teaches; those before it are told by what it taught, a rest is left alone."""
    before, earlier = held(1), held(2)
    frames = [np.sqrt(x / x.mean(axis=1, keepdims=True)) for x in (before, earlier)]
    values = np.hstack([*frames, np.ones((len(before), 5))])
    told = undone(values[:N_PAIRS], N_VALUES, before[:N_PAIRS], (APART, HALF), values[N_PAIRS:])
    assert told is not None
    assert told[0].shape == (N_PAIRS, 2 * N_VALUES)
    truth = earlier / earlier.mean(axis=1, keepdims=True)
    assert told[1][:, N_VALUES:] == pytest.approx(truth[N_PAIRS:], abs=0.1)


def test_what_is_lost_is_not_made_up() -> None:
    """Of numbers that have nothing to do with what entered, and of none that change, nothing."""
    before = held(1)
    for after in (held(3), np.ones_like(before)):
        told = undone(after[:N_PAIRS], N_VALUES, before[:N_PAIRS], (APART, HALF), after[N_PAIRS:])
        assert told is None


def test_nobody_is_told_by_their_own_pairs() -> None:
    """Pairs of one half that are wrong spoil what is told of the other, and not of their own."""
    before = held(1)
    after = before / before.mean(axis=1, keepdims=True)
    wrong = before[:N_PAIRS].copy()
    wrong[HALF] = wrong[HALF][::-1]
    told = undone(after[:N_PAIRS], N_VALUES, wrong, (APART, HALF), after[N_PAIRS:])
    assert told is not None
    truth = before[:N_PAIRS] / before[:N_PAIRS].mean(axis=1, keepdims=True)
    other = ~HALF & ~APART
    spread = truth.std()
    assert np.sqrt(np.mean((told[0][HALF] - truth[HALF]) ** 2)) < 0.1 * spread
    assert np.sqrt(np.mean((told[0][other] - truth[other]) ** 2)) > 0.5 * spread


def test_the_optic_is_of_use_behind_a_step_that_hides_it() -> None:
    """Behind a root, the optic makes nearly the pictures that it makes of the readout itself."""
    rng = np.random.default_rng(4)
    side, n = 7, 400
    optic = rng.uniform(0.0, 1.0, (60, side * side))
    pictures = np.zeros((n, side, side))
    for picture in pictures:
        row, col = rng.integers(0, side - 3, 2)
        picture[row : row + 3, col : col + 3] = 1.0
    cells = pictures.reshape(n, -1)
    raw = cells @ optic.T + 0.02 * rng.standard_normal((n, 60))
    values = {"bins": raw, "root": np.sqrt(raw / raw.mean(axis=1, keepdims=True))}
    people = np.array([f"P{k // 20:02d}" for k in range(n)])
    steps = (Step("bins", "values", 60), Step("root", "values", 60))
    inside = np.ones((side, side), dtype=bool)
    found = attack(Shown("s", cells, people, values), None, steps, {"bins": optic}, inside)
    gains = {(f.step, f.attacker): f.gain for f in found.findings if f.measure == "psnr_db"}
    assert gains["bins", "Wiener"] > 3.0
    assert gains["root", "Wiener after undoing"] > 0.9 * gains["bins", "Wiener"]
    knows = {f.knows for f in found.findings if f.attacker == "Tikhonov after undoing"}
    assert knows == {
        "the optic, calibrated, and what this step and a linear one before held of scenes of 13 "
        "other people"
    }
