"""The pattern between the pixels: smooth to a thousandth of one, and without gain or loss."""

from __future__ import annotations

import numpy as np
import pytest

from capture.emulated.optic.mounting import Mounting
from capture.emulated.optic.optics import SENSORS, response
from capture.emulated.optic.pattern import pattern_at

N_ACROSS = 32
PIXEL = 2.0 / N_ACROSS  # in half widths of the array
APERTURE = SENSORS["lensless32"].apertures[0]
DIRECTIONS = np.array(
    [[0.0, 0.0, 1.0], [0.3, 0.1, 1.0], [-0.4, 0.5, 1.0], [0.7, 0.0, 1.0], [0.05, -0.6, 1.0]]
)
DIRECTIONS /= np.linalg.norm(DIRECTIONS, axis=1)[:, None]


def _relative(got: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Return the error of each row over the size of what was wanted."""
    return np.asarray(np.linalg.norm(got - wanted, axis=1) / np.linalg.norm(wanted, axis=1))


def _shifted(pixels: float) -> np.ndarray:
    return response(APERTURE, Mounting(shift_x=pixels * PIXEL), DIRECTIONS)


def test_a_shift_by_a_thousandth_of_a_pixel_moves_the_readout_as_its_slope_says() -> None:
    """The slope is taken 100 times farther apart, to fourth order; they agree within 0.2 %.

    Source: the five-point rule for a first derivative (any textbook of numerical analysis). Half a
    thousandth of curvature over slope is in the difference of two readouts 0.001 pixel apart.
    """
    near, far = (_shifted(h) - _shifted(-h) for h in (0.05, 0.1))
    slope = (8.0 * near - far) / (12.0 * 0.05)
    assert np.all(_relative((_shifted(0.001) - _shifted(0.0)) / 0.001, slope) < 0.002)
    middle = (_shifted(0.0005) - _shifted(-0.0005)) / 0.001
    assert np.all(_relative(middle, slope) < 0.0005)


def test_a_direction_moves_the_readout_by_its_angle() -> None:
    """A tenth of a milliradian moves each pixel a tenth as far as a whole one does, within 2 %."""
    small, large = (
        response(APERTURE, Mounting(), np.array([[np.sin(a), 0.0, np.cos(a)], [0.0, 0.0, 1.0]]))
        for a in (1e-4, 1e-3)
    )
    steps = [(each[0] - each[1])[None] for each in (small, large)]
    assert _relative(10.0 * steps[0], steps[1])[0] < 0.02


@pytest.mark.parametrize("n_across", [8, 20, 32, 64])
def test_pixels_side_by_side_share_the_pattern_without_gain_or_loss(n_across: int) -> None:
    """Over an endless array the shares sum to 1 within 0.001 %, wherever the pattern falls."""
    n = 6 * n_across // 2 - 2
    along = (np.arange(n) - n / 2) * 2.0 / n_across
    for at in (0.0, 0.3, 0.77):
        x, y = np.meshgrid(along + at * 2.0 / n_across, along + 0.1 / n_across)
        assert pattern_at(n_across, x, y).sum() == pytest.approx(1.0, abs=1e-5)


def test_a_smeared_optic_keeps_its_light_and_loses_its_texture() -> None:
    """A blur of two pixels moves light between pixels, takes half the slope and more, makes none.

    Source: convolution with a kernel of sum 1 keeps the sum.
    """
    n = 3 * N_ACROSS - 2
    along = (np.arange(n) - n / 2) * PIXEL
    x, y = np.meshgrid(along, along)
    sharp, smeared = (pattern_at(N_ACROSS, x, y, smear) for smear in (0.0, 2.0 * PIXEL))
    assert smeared.sum() == pytest.approx(sharp.sum(), rel=1e-4)
    slopes = [np.linalg.norm(np.diff(each, axis=1)) for each in (sharp, smeared)]
    assert slopes[1] < 0.5 * slopes[0]


def test_a_cover_takes_its_share_of_the_light() -> None:
    """What a cover lets pass is the same share on every pixel, and nothing under a whole one."""
    whole = response(APERTURE, Mounting(), DIRECTIONS)
    half = response(APERTURE, Mounting(passes=0.5), DIRECTIONS)
    np.testing.assert_allclose(half, 0.5 * whole, rtol=1e-12)
    assert not response(APERTURE, Mounting(passes=0.0), DIRECTIONS).any()
