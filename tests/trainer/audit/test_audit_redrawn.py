"""Outlines drawn again: sharper where surroundings say more than a cell, and never by heart."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from trainer.audit.pictures.learned import Guess
from trainer.audit.pictures.measures import iou, ssim
from trainer.audit.pictures.redrawn import darkened, redrawn

SIDE, N = 15, 60
INSIDE: NDArray[np.bool_] = np.hypot(*(np.mgrid[:SIDE, :SIDE] - SIDE // 2)) <= SIDE / 2
PEOPLE = np.array([f"P{k // 6}" for k in range(N)])


def bars(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return pictures of an upright bar each, four cells wide, as cells inside the field."""
    pictures = np.zeros((N, SIDE, SIDE))
    for picture in pictures:
        left = int(rng.integers(2, SIDE - 5))
        picture[:, left : left + 4] = 1.0
    return pictures[:, INSIDE]


def blurred(cells: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return what an attacker makes of them who sees them out of focus, with noise."""
    full = np.zeros((len(cells), SIDE, SIDE))
    full[:, INSIDE] = cells
    soft = gaussian_filter(full, (0, 1.5, 1.5))[:, INSIDE]
    return np.asarray(soft + 0.25 * rng.standard_normal(soft.shape))


def overlap(made: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
    """Return the best mean overlap of any one cut."""
    known = (truth > 0.5)[:, None]
    cuts = np.quantile(made, np.linspace(0.4, 0.95, 23))
    return max(float(iou((made > cut)[:, None], known).mean()) for cut in cuts)


def test_surroundings_say_more_than_a_cell_alone() -> None:
    """Of bars out of focus more is found than by any cut, in people whom it has not seen."""
    rng = np.random.default_rng(1)
    apart, asked = bars(rng), bars(rng)
    guess = Guess(blurred(apart, rng), blurred(asked, rng))
    found = redrawn([guess], apart, PEOPLE, INSIDE)
    assert found is not None
    for own, plain, truth in ((found[0], guess.apart, apart), (found[1], guess.asked, asked)):
        assert overlap(own, truth) > overlap(plain, truth) + 0.1


def test_people_set_apart_are_not_told_by_heart() -> None:
    """Where guesses have nothing to do with the pictures, it finds nothing in its own people."""
    rng = np.random.default_rng(2)
    truth = (rng.random((N, int(INSIDE.sum()))) > 0.5).astype(np.float64)
    guess = Guess(rng.random(truth.shape), rng.random(truth.shape))
    found = redrawn([guess], truth, PEOPLE, INSIDE)
    assert found is not None
    told = np.corrcoef(found[0].ravel(), truth.ravel())[0, 1]
    assert told == pytest.approx(0.0, abs=0.03)


def alike(made: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
    """Return the mean SSIM of pictures inside the field."""
    full = np.zeros((2, len(made), SIDE, SIDE))
    full[0][:, INSIDE], full[1][:, INSIDE] = made, truth
    return float(ssim(full[0], full[1]).mean())


def test_a_haze_where_nothing_is_lit_is_drawn_dark() -> None:
    """Somebody who knows which cells may be lit is not held private for being grey elsewhere."""
    rng = np.random.default_rng(4)
    apart, asked = bars(rng), bars(rng)
    guess = Guess(0.7 * apart + 0.15, 0.7 * asked + 0.15)
    surely = 0.05 + 0.9 * apart, 0.05 + 0.9 * asked
    found = darkened(guess, surely, apart, alike)
    assert alike(found.asked, asked) > alike(guess.asked, asked) + 0.15
    assert found.outlines is surely


def test_chances_that_say_nothing_darken_nothing() -> None:
    """Its strength is chosen on people set apart: where doubt is no guide, the guess stays."""
    rng = np.random.default_rng(5)
    apart, asked = bars(rng), bars(rng)
    guess = Guess(0.8 * apart, 0.8 * asked)
    nothing = rng.random(apart.shape), rng.random(asked.shape)
    found = darkened(guess, nothing, apart, alike)
    np.testing.assert_array_equal(found.apart, guess.apart)
    np.testing.assert_array_equal(found.asked, guess.asked)


@pytest.mark.parametrize(("n_people", "lit"), [(1, None), (10, 0.0), (10, 1.0)])
def test_nothing_is_learned_of_one_person_or_of_cells_that_are_all_alike(
    n_people: int, lit: float | None
) -> None:
    """Then there is no such attacker."""
    rng = np.random.default_rng(3)
    cells = bars(rng) if lit is None else np.full((N, int(INSIDE.sum())), lit)
    people = PEOPLE if n_people > 1 else np.full(N, "P0")
    assert redrawn([Guess(cells, cells)], cells, people, INSIDE) is None
