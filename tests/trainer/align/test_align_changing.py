"""Optics whose pattern becomes another while it moves, and what calibration leaves unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from band_limited import MovingPattern
from foreign_optics import Caustics, Lobes, Pinholes, Speckle

from trainer.align.bound import PixelNoise, direction_bound
from trainer.align.learned import (
    MOST_UNLEARNED,
    beyond_noise,
    first_motion,
    learn_optic,
    misled,
    unexplained_share,
)
from trainer.align.pattern import Pattern, changing, fit_pattern, settled
from trainer.align.templates import Templates
from trainer.source.unlearned import too_sparse, unlearned, widening

SHAPE, READ_E, FRAMES, ELECTRONS = (12, 12), 14.0, 10, 2e5


def _readouts(optic: object, n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng([seed, 5])
    slopes = rng.uniform(-0.3, 0.3, (n, 2))
    mean = ELECTRONS * optic.at(slopes)  # type: ignore[attr-defined]
    noise = rng.standard_normal(mean.shape) * np.sqrt((mean + READ_E**2) / FRAMES)
    return slopes, mean + noise


def test_a_pattern_that_changes_while_it_moves_is_learned_with_its_changes() -> None:
    """Of speckle with a short memory new readouts are explained several times better."""
    optic = Speckle(SHAPE, 2, grain=5.0, memory=1.2)
    slopes, electrons = _readouts(optic, 110, 2)
    read_e = READ_E / FRAMES**0.5
    moved = fit_pattern(slopes, electrons, SHAPE, first_motion(slopes, electrons, SHAPE), read_e)
    moved = replace(moved, low=slopes.min(axis=0), high=slopes.max(axis=0))
    moved = changing(settled(moved, slopes, electrons, read_e), 3)
    learned = settled(moved, slopes, electrons, read_e)
    assert len(learned.changes) >= 5
    new = np.random.default_rng(8).uniform(-0.27, 0.27, (60, 2))
    clean = ELECTRONS * optic.at(new)
    still = MovingPatternOf(learned)
    assert 3 * unexplained_share(learned, new, clean) < unexplained_share(still, new, clean)


def test_what_leads_directions_astray_less_is_kept() -> None:
    """Where a pattern with its changes misleads, pixels learned one by one may be better.

    Of speckle with a short memory, over few pixels and many directions, they are, and are kept.
    """
    optic = Speckle(SHAPE, 2, grain=5.0, memory=1.2)
    slopes, electrons = _readouts(optic, 110, 2)
    learned = learn_optic(slopes, electrons, SHAPE, READ_E / FRAMES**0.5, FRAMES)
    assert isinstance(learned, Templates)
    new = np.random.default_rng(8).uniform(-0.27, 0.27, (60, 2))
    assert unexplained_share(learned, new, ELECTRONS * optic.at(new)) < 0.02  # 0.037 by a pattern


class MovingPatternOf:
    """A learned pattern without its changes."""

    def __init__(self, pattern: Pattern) -> None:
        self.pattern = pattern

    def at(self, slopes: np.ndarray) -> np.ndarray:
        light = self.pattern.plane(*self.pattern.places(slopes)) * self.pattern.response
        return light / light.sum(axis=1, keepdims=True)


def test_a_pattern_that_only_moves_is_not_given_changes() -> None:
    """Where a moving pattern is right to below the noise, nothing more is asked for."""
    optic = MovingPattern(12, reach=0.45)
    learned = learn_optic(*_readouts(optic, 110, 3), SHAPE, READ_E / FRAMES**0.5, FRAMES)
    assert isinstance(learned, Pattern)
    assert len(learned.changes) == 0


@pytest.mark.parametrize("kind", [Speckle, Caustics, Pinholes, Lobes])
def test_an_optics_derivative_is_that_of_its_templates(kind: type) -> None:
    """Templates sum to 1, and a small step moves them as the derivative says."""
    optic, slopes = kind(SHAPE, 4), np.array([[0.1, -0.2], [0.31, 0.05]])
    step = np.array([0.002, 0.0])
    assert np.allclose(optic.at(slopes).sum(axis=1), 1.0)
    moved = (optic.at(slopes + step) - optic.at(slopes - step)) / 0.004
    off = np.linalg.norm(moved - optic.at(slopes, 0)) / np.linalg.norm(moved)
    assert off < 0.02


def test_calibration_noise_is_no_error_of_the_optic() -> None:
    """An optic known exactly has no error beyond noise; one off by as much as noise has 1."""
    rng = np.random.default_rng(6)
    electrons = rng.uniform(100, 3000, (80, 200))
    noise = np.full(80, 200 * 900.0)
    varied = ((electrons - electrons.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    share = float(np.sqrt(np.median(noise / varied) / 4))
    assert beyond_noise(share, electrons, noise, 4) == pytest.approx(0.0, abs=0.02)
    assert beyond_noise(share * 5**0.5, electrons, noise, 4) == pytest.approx(1.0, abs=0.05)


def test_an_optic_is_misled_by_as_much_as_its_directions_are_off() -> None:
    """An optic known exactly misleads by nothing, one whose slopes are off by a frame's noise by 1.

    Noise of the readouts themselves counts in neither.
    """
    optic = Lobes(SHAPE, 3, n=25)
    slopes, electrons = _readouts(optic, 150, 4)
    given = electrons, READ_E / FRAMES**0.5, FRAMES
    assert misled(optic, slopes, *given) == pytest.approx(0.0, abs=0.03)
    along = [optic.at(slopes, axis) for axis in (None, 0, 1)]
    noise = [
        np.linalg.cholesky(direction_bound(*one, ELECTRONS, PixelNoise(READ_E)))
        for one in zip(*along, strict=True)
    ]
    drawn = np.random.default_rng(5).standard_normal((150, 2))
    moved = slopes + np.einsum("fab,fb->fa", np.array(noise), drawn)
    assert misled(optic, moved, *given) == pytest.approx(1.0, abs=0.2)


def test_a_calibration_that_is_too_sparse_says_how_many_places_more() -> None:
    """Too few places for the pattern are told in one line with the least that is missing."""
    optic = Speckle(SHAPE, 7, grain=5.0, memory=0.5)
    slopes, electrons = _readouts(optic, 80, 7)
    learned = learn_optic(slopes, electrons, SHAPE, READ_E / FRAMES**0.5, FRAMES)
    unseen, seen = unlearned(learned, slopes, electrons, READ_E**2, FRAMES)
    assert unseen > MOST_UNLEARNED
    assert widening([(0.0, 0.0), (unseen, seen)]) > 1.05
    line = too_sparse(1, 0.75, 80)
    assert line.startswith("Aperture 2: calibration too sparse: between its 80 places")
    assert "Record at least 120 more places" in line
    assert "\n" not in line
