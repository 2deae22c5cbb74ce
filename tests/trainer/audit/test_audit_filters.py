"""Pictures by filters: sharper where surroundings say more than a cell, and never by heart."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from trainer.audit.pictures.darkened import darkened
from trainer.audit.pictures.filters import _Network, filtered
from trainer.audit.pictures.guesses import _halves
from trainer.audit.pictures.learned import Guess, Pairs, Parted, crossed
from trainer.audit.pictures.measures import iou, ssim

SIDE, N = 15, 60
INSIDE: NDArray[np.bool_] = np.hypot(*(np.mgrid[:SIDE, :SIDE] - SIDE // 2)) <= SIDE / 2


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


def parted(
    rng: np.random.Generator, shown: NDArray[np.float64], *others: NDArray[np.float64]
) -> Parted:
    """Return what an attacker makes of some bars out of focus."""
    return Parted(blurred(shown, rng), *(blurred(each, rng) for each in others))


def test_surroundings_say_more_than_a_cell_alone() -> None:
    """Of bars out of focus more is found than by any cut, in people whom it has not seen."""
    rng = np.random.default_rng(1)
    shown, apart, asked = (np.vstack([bars(rng) for _ in range(4)]) for _ in range(3))
    made = parted(rng, shown, apart, asked)
    found = filtered([made], np.vstack([shown, apart]), np.arange(8 * N) >= 4 * N, INSIDE)
    assert found.outlines is not None
    told = zip(found.outlines, (made.apart, made.asked), (apart, asked), strict=True)
    for own, plain, truth in told:
        assert overlap(own, truth) > overlap(plain, truth) + 0.1
    assert np.mean((found.asked - asked) ** 2) < 0.5 * np.mean((made.asked - asked) ** 2)


def test_guesses_that_say_nothing_teach_nothing() -> None:
    """Where they have nothing to do with the pictures, nothing is found in other people."""
    rng = np.random.default_rng(2)
    truth = (rng.random((2 * N, int(INSIDE.sum()))) > 0.5).astype(np.float64)
    made = Parted(*rng.random((3, N, truth.shape[1])))
    found = filtered([made], truth, np.arange(2 * N) >= N, INSIDE)
    assert found.outlines is not None
    told = np.corrcoef(found.outlines[0].ravel(), truth[N:].ravel())[0, 1]
    assert told == pytest.approx(0.0, abs=0.03)


def test_slopes_are_those_of_the_loss() -> None:
    """Against differences of the loss, in every kind of parameter."""
    rng = np.random.default_rng(6)
    x = rng.standard_normal((2, 4, 5, 3)).astype(np.float32)
    targets = rng.random((2, 4, 5, 4)).astype(np.float32)
    seen = (rng.random((1, 4, 5, 4)) > 0.3).astype(np.float32)
    network = _Network(x.shape[1:], 4)
    parameters = [*network._weights, *network._shifts]
    for each in parameters:
        each[...] = 0.1 * rng.standard_normal(each.shape)

    def loss() -> float:
        chance = network._pass(x)[1].astype(np.float64)
        cross = -targets * np.log(chance) - (1 - targets) * np.log(1 - chance)
        return float((cross * seen).sum() / (seen.sum() * len(x)))

    slopes = network._slopes(x, targets, seen)
    for parameter, slope in zip(parameters, slopes, strict=True):
        at = np.unravel_index(int(np.abs(slope).argmax()), slope.shape)
        before, step = float(parameter[at]), 1e-3
        parameter[at] = before + step
        above = loss()
        parameter[at] = before - step
        below = loss()
        parameter[at] = before
        assert (above - below) / (2 * step) == pytest.approx(float(slope[at]), rel=0.05)


def test_an_attacker_never_learned_from_those_that_filters_are_shown() -> None:
    """Each half is told by what was learned of the other: what it knows by heart shows nothing."""
    rng = np.random.default_rng(8)
    pairs = Pairs(rng.random((8, 2)), rng.random((8, 3)), np.arange(8) >= 6, rng.random((1, 2)))

    def by_heart(own: Pairs, _: tuple[float, ...]) -> Guess:
        alike = (own.asked[:, None] == own.x[None]).all(axis=2)
        return Guess(own.y[:0], alike @ own.y)

    made = crossed(pairs, np.arange(8) % 2 == 0, by_heart, (1.0,))
    assert made.shape == (6, 3)
    assert not made.any()


def test_halves_are_of_the_people_shown_however_people_are_named() -> None:
    """Every fourth is set apart, by any order: as many are left in either half."""
    names = np.array([f"P{number:03d}" for number in range(40)])
    apart = np.arange(40) % 4 == 3
    half = _halves(np.repeat(names, 2), np.repeat(apart, 2))
    assert half.reshape(-1, 2).all(axis=1).sum() == 15
    assert (~half.reshape(-1, 2)).all(axis=1)[~apart].sum() == 15


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
