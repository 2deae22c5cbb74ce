"""The optic: one matrix, non-negative, making no light."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from capture.emulated.optic.mounting import Mounting, mounting_of, mountings_of
from capture.emulated.optic.optics import (
    APERTURE_MM2,
    SENSORS,
    TRANSMISSION,
    AngularGrid,
    Optic,
    build_optic,
)
from runtime.errors import UsageError

ONE_APERTURE = sorted(name for name, each in SENSORS.items() if len(each.apertures) == 1)


@pytest.fixture(params=ONE_APERTURE)
def optic(request: pytest.FixtureRequest) -> Optic:
    return build_optic(SENSORS[request.param])


def test_each_aperture_has_an_optic_of_its_own_over_its_pixels() -> None:
    """Both halves of a pair see what a single sensor does; a pixel under no optic sees nothing."""
    pair, single = SENSORS["lensless32pair"], build_optic(SENSORS["lensless32"])
    whole = build_optic(pair).transfer.T.reshape(-1, pair.n_rows, pair.n_cols)
    for aperture in pair.apertures:
        np.testing.assert_array_equal(aperture.of(whole).reshape(len(whole), -1), single.transfer.T)
    few = dataclasses.replace(pair, apertures=pair.apertures[1:])
    half = build_optic(few).transfer.T.reshape(-1, pair.n_rows, pair.n_cols)
    assert not half[:, :, :32].any() and half[:, :, 32:].any()


def test_the_apertures_of_a_unit_lie_askew_together_and_a_little_apart() -> None:
    """Mountings follow from the unit's name: one turn, and places within a few thousandths."""
    pair = mountings_of("unit-a", 2)
    assert pair == mountings_of("unit-a", 2) != mountings_of("unit-b", 2)
    assert pair[0].rotation_deg == pair[1].rotation_deg == mounting_of("unit-a").rotation_deg
    assert 0.0 < abs(pair[0].shift_x - pair[1].shift_x) < 0.02
    assert mountings_of("unit-a", 1) == (mounting_of("unit-a"),)


def _angles_deg(optic: Optic) -> np.ndarray:
    return np.degrees(np.arccos(np.clip(optic.grid.directions[:, 2], -1.0, 1.0)))


def test_transfer_is_one_float32_matrix_without_negative_entries(optic: Optic) -> None:
    """The transfer matrix has the shape pixels x angles, dtype float32, and entries >= 0."""
    assert optic.transfer.shape == (optic.n_pixels, optic.grid.n_angles)
    assert optic.transfer.dtype == np.float32
    assert optic.transfer.min() >= 0.0


def test_field_of_view_is_at_least_100_degrees(optic: Optic) -> None:
    """Light from 50 degrees off the axis, on every side, reaches the pixels."""
    at_the_edge = np.abs(_angles_deg(optic) - 50.0) < 1.0
    assert at_the_edge.sum() > 50
    received = optic.transfer.sum(axis=0)
    assert received[at_the_edge].min() > 0.05 * received.max()


def test_no_angle_gives_more_than_transmission_and_cosine_allow(optic: Optic) -> None:
    """A column's sum stays below transmission times the cosine of the projected aperture."""
    angle = np.radians(_angles_deg(optic))
    received = optic.transfer.sum(axis=0)
    assert np.all(received <= TRANSMISSION * np.cos(angle) * (1.0 + 1e-4))
    assert received[np.argmin(angle)] > 0.9 * TRANSMISSION


def test_grid_covers_the_cone_with_equal_cells() -> None:
    """The cells' solid angles add up to 2 pi (1 - cos t), that of a cone of half angle t.

    Source: area of a spherical cap over the square of its radius (geometry).
    """
    grid = AngularGrid()
    cone = 2.0 * np.pi * (1.0 - np.cos(np.radians(grid.half_angle_deg)))
    assert grid.n_angles * grid.solid_angle_sr == pytest.approx(cone, rel=0.01)
    np.testing.assert_allclose(np.linalg.norm(grid.directions, axis=1), 1.0, rtol=1e-5)


def test_imaging_is_linear(optic: Optic) -> None:
    """The readout of a sum of scenes is the sum of their readouts."""
    rng = np.random.default_rng(1)
    a, b = rng.uniform(size=(2, 3, optic.grid.n_angles)).astype(np.float32)
    np.testing.assert_allclose(
        optic.image(a + 2.0 * b), optic.image(a) + 2.0 * optic.image(b), rtol=1e-4
    )


def test_a_uniform_scene_gives_the_power_of_the_radiance_integral(optic: Optic) -> None:
    """Power of a uniform radiance is radiance x aperture x solid angle x mean transfer."""
    power = optic.image(np.ones((1, optic.grid.n_angles), np.float32)).sum()
    cone_sr = optic.grid.n_angles * optic.grid.solid_angle_sr
    share = optic.transfer.sum(axis=0).astype(np.float64).mean()
    assert power == pytest.approx(APERTURE_MM2 * 1e-6 * cone_sr * share, rel=1e-4)


def test_the_pattern_is_textured_and_moves_with_the_angle(optic: Optic) -> None:
    """Each angle fills much of the array unevenly, and no two far angles look alike."""
    angle = _angles_deg(optic)
    axis, aside = np.argmin(angle), np.argmin(np.abs(angle - 20.0))
    on_axis = optic.transfer[:, axis]
    assert np.sum(on_axis > 0.02 * on_axis.max()) > 0.2 * optic.n_pixels
    assert on_axis.std() > on_axis.mean()
    assert np.corrcoef(on_axis, optic.transfer[:, aside])[0, 1] < 0.5


def test_no_turn_of_the_pattern_looks_like_itself() -> None:
    """The pattern is odd: half a turn about its centre does not bring it back."""
    optic = build_optic(SENSORS["lensless64"], None, AngularGrid(n_across=55))
    pattern = optic.transfer[:, np.argmax(optic.grid.directions[:, 2])].reshape(64, 64)
    # The bright middle is alike under every turn; the arms are what is compared.
    rows, cols = np.indices(pattern.shape) - 31.5
    arms = (np.hypot(rows, cols) > 8) & (np.hypot(rows, cols) < 26)
    assert np.corrcoef(pattern[arms], pattern[::-1, ::-1][arms])[0, 1] < 0.2


def test_finer_pixels_share_the_light_of_the_coarse_ones() -> None:
    """Four pixels of the 64x64 array receive what one of the 32x32 array does."""
    coarse, fine = build_optic(SENSORS["lensless32"]), build_optic(SENSORS["lensless64"])
    binned = fine.transfer.reshape(32, 2, 32, 2, -1).sum(axis=(1, 3)).reshape(1024, -1)
    total = coarse.transfer.sum(axis=0)
    np.testing.assert_allclose(binned.sum(axis=0), total, rtol=0.05, atol=0.02 * total.max())


def test_units_are_mounted_differently_and_each_always_the_same() -> None:
    """A unit's mounting follows from its name."""
    assert mounting_of("unit-a") == mounting_of("unit-a") != mounting_of("unit-b")
    turned = build_optic(SENSORS["lensless32"], Mounting(rotation_deg=3.0))
    assert not np.allclose(turned.transfer, build_optic(SENSORS["lensless32"]).transfer)


def test_a_picture_lands_upright_in_the_middle_of_the_field() -> None:
    """The first row of a picture becomes the highest angles, the last column the rightmost."""
    grid = AngularGrid()
    picture = np.zeros((1, 4, 4))
    picture[0, 0, 3] = 1.0
    scene = grid.from_image(picture, half_angle_deg=40.0)[0]
    centre = scene @ grid.directions / scene.sum()
    assert centre[0] > 0.3 and centre[1] > 0.3


@pytest.mark.parametrize("wrong", [{"n_across": 4}, {"half_angle_deg": 95.0}])
def test_an_impossible_grid_is_refused(wrong: dict[str, float]) -> None:
    """A grid outside its limits is refused by name."""
    with pytest.raises(UsageError, match=next(iter(wrong))):
        AngularGrid(**wrong)  # type: ignore[arg-type]  # one of the two fields


def test_a_setting_of_the_sensor_changes_nothing_in_its_optic() -> None:
    """Sensors that differ in frame rate or LED current alone share one optic, built once."""
    sensor = SENSORS["lensless32"]
    slower = dataclasses.replace(sensor, frame_rate_hz=5.0, led_current_ma=20.0)
    assert build_optic(slower) is build_optic(sensor)
    assert build_optic(SENSORS["lensless64"]) is not build_optic(sensor)
