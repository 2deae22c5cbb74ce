"""The scene: laws of light, held against their formulas."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.emulated.body.hand import Segment
from capture.emulated.body.scene import Actor, Placed, ellipsoid
from capture.emulated.body.timeline import N_POSE, Movement, Timeline, minimum_jerk
from capture.emulated.optic.light import (
    LED_MW_PER_SR_PER_MA,
    Ambient,
    Illumination,
    draw_ambient,
)
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.optic.render import render

GRID = AngularGrid()
DARK = Ambient(0.0, 0.0, 0.2, np.zeros(GRID.n_angles, np.float32), 50.0, 0.0, 0.0)


def _under(ambient: Ambient, n_frames: int = 1) -> Illumination:
    return ambient.over(n_frames)


def _patch(side_mm: float = 20.0, n: int = 20) -> Segment:
    """A flat square that faces the sensor."""
    along = (np.arange(n) + 0.5) * side_mm / n - side_mm / 2.0
    x, y = (axis.ravel() for axis in np.meshgrid(along, along))
    points = np.stack([x, y, 0 * x]).astype(np.float32)
    normals = np.zeros_like(points)
    normals[2] = -1.0
    return Segment(points, normals, np.full(x.size, (side_mm / n) ** 2, np.float32))


def _irradiance(radiance: np.ndarray) -> np.ndarray:
    """Irradiance on the optic, W/m2: radiance x cosine x solid angle, summed over the field."""
    return radiance @ GRID.directions[:, 2] * GRID.solid_angle_sr


def _place(actor: Actor, *centres: tuple[float, float, float]) -> Placed:
    return actor.place(np.array(centres))


@settings(max_examples=25, deadline=None)
@given(st.floats(150.0, 300.0), st.floats(0.15, 0.68), st.floats(10.0, 200.0))
def test_a_small_patch_sends_back_what_lambert_and_the_inverse_square_say(
    distance_mm: float, reflectance: float, current_ma: float
) -> None:
    """Irradiance of a facing patch is (I / d^2) (rho / pi) (A / d^2).

    Source: inverse square and Lambert's cosine law, as in Boyd, Radiometry and the Detection of
    Optical Radiation, 1983, chapter 2 (from memory).
    """
    patch = _place(Actor(_patch(10.0), reflectance), (0.0, 0.0, distance_mm))
    led, _ = render([patch], GRID, _under(DARK), 0.0, current_ma)
    d = distance_mm * 1e-3
    intensity = LED_MW_PER_SR_PER_MA * 1e-3 * current_ma
    expected = intensity / d**2 * reflectance / np.pi * 1e-4 / d**2
    assert _irradiance(led)[0] == pytest.approx(expected, rel=0.01)


def test_twice_the_distance_gives_a_sixteenth_of_the_led_light() -> None:
    """The LED's light falls off as the square there and the patch's as the square back."""
    near, far = (0.0, 0.0, 140.0), (0.0, 0.0, 280.0)
    led, _ = render([_place(Actor(_patch(), 0.5), near, far)], GRID, _under(DARK, 2), 0.0, 100.0)
    assert np.divide(*_irradiance(led)) == pytest.approx(16.0, rel=0.02)


def test_light_is_linear_in_current_and_reflectance() -> None:
    """Doubling the LED's current or the reflectance doubles the radiance of every angle."""
    at = (10.0, -20.0, 180.0)
    once, _ = render([_place(Actor(_patch(), 0.2), at)], GRID, _under(DARK), 1.86, 50.0)
    current, _ = render([_place(Actor(_patch(), 0.2), at)], GRID, _under(DARK), 1.86, 100.0)
    surface, _ = render([_place(Actor(_patch(), 0.4), at)], GRID, _under(DARK), 1.86, 50.0)
    np.testing.assert_allclose(current, 2.0 * once, rtol=1e-4)
    np.testing.assert_allclose(surface, 2.0 * once, rtol=1e-4)


@settings(max_examples=20, deadline=None)
@given(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0))
def test_no_light_is_lost_between_the_cells(x_mm: float, y_mm: float) -> None:
    """Moving a patch by less than a cell changes the light by no more than its slant does."""
    patch = Actor(_patch(8.0), 0.5)
    led, _ = render(
        [_place(patch, (0.0, 0.0, 200.0), (x_mm, y_mm, 200.0))], GRID, _under(DARK, 2), 0.0, 100.0
    )
    centred, moved = _irradiance(led)
    assert moved == pytest.approx(centred, rel=0.01)


def test_the_nearer_surface_hides_the_farther_one() -> None:
    """A dark shield in front of a bright patch takes its light away."""
    bright = _place(Actor(_patch(20.0), 0.6), (0.0, 0.0, 250.0))
    shield = _place(Actor(_patch(60.0, 60), 0.0), (0.0, 0.0, 120.0))
    seen = _irradiance(render([bright], GRID, _under(DARK), 0.0, 100.0)[0])[0]
    hidden = _irradiance(render([bright, shield], GRID, _under(DARK), 0.0, 100.0)[0])[0]
    assert hidden < 0.01 * seen


def test_surfaces_that_run_into_one_another_make_no_light() -> None:
    """Two patches in one place send back what one of them does where it fills the cells."""
    patch = _place(Actor(_patch(60.0, 60), 0.5), (0.0, 0.0, 150.0))
    once, _ = render([patch], GRID, _under(DARK), 0.0, 100.0)
    twice, _ = render([patch, patch], GRID, _under(DARK), 0.0, 100.0)
    inside = GRID.directions[:, 2] > np.cos(np.radians(7.0))
    np.testing.assert_allclose(twice[0, inside], once[0, inside], rtol=0.05)


def test_what_faces_away_or_is_outside_the_field_sends_nothing() -> None:
    """The back of a patch and a patch at 70 degrees give no light."""
    away = _place(Actor(_patch(), 0.5), (0.0, 0.0, 200.0))
    away = dataclasses.replace(away, normals=-away.normals)
    aside = _place(Actor(_patch(), 0.5), (500.0, 0.0, 180.0))
    assert render([away], GRID, _under(DARK), 0.0, 100.0)[0].max() == 0.0
    assert render([aside], GRID, _under(DARK), 0.0, 100.0)[0].max() == 0.0


def test_a_body_stands_dark_before_the_bright_field() -> None:
    """Where a black body covers the field, the ambient background is gone, elsewhere whole."""
    ambient = dataclasses.replace(DARK, background=np.ones(GRID.n_angles, np.float32))
    ball = _place(Actor(ellipsoid((40.0, 40.0, 40.0), 2.0), 0.0), (0.0, 0.0, 200.0))
    _, other = render([ball], GRID, _under(ambient), 0.0, 0.0)
    angle = np.degrees(np.arccos(np.clip(GRID.directions[:, 2], -1.0, 1.0)))
    edge = np.degrees(np.arcsin(40.0 / 200.0))
    assert other[0, angle < edge - 4.0].max() < 0.15
    assert other[0, angle > edge + 4.0].min() > 0.99


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([50.0, 60.0]))
def test_ambient_light_is_bounded_and_flickers_at_twice_the_mains(seed: int, mains: float) -> None:
    """20 to 10,000 lx; the light returns after half a mains period and never turns negative."""
    ambient = draw_ambient(GRID, np.random.default_rng(seed), mains)
    assert 20.0 <= ambient.illuminance_lx <= 10_000.0
    assert ambient.background.min() >= 0.0
    times = np.linspace(0.0, 0.1, 57)
    factor = ambient.factor(times)
    np.testing.assert_allclose(ambient.factor(times + 0.5 / mains), factor, atol=1e-4)
    assert factor.min() > 0.0
    assert factor.max() < 2.0


def test_filament_light_flickers_at_100_hz() -> None:
    """The strongest line in one second of 50 Hz light is at 100 Hz."""
    ambient = dataclasses.replace(DARK, flicker_depth=0.15)
    factor = ambient.factor(np.arange(1000) / 1000.0)
    assert np.argmax(np.abs(np.fft.rfft(factor - factor.mean()))) == 100


def test_movements_follow_the_minimum_jerk_profile() -> None:
    """Peak speed is 1.875 times the mean speed, half way.

    Source: Flash and Hogan, J. Neurosci. 5(7), 1985: 30 s^2 (1 - s)^2 is 15/8 at s = 1/2.
    """
    s = np.linspace(0.0, 1.0, 2001)
    speed = np.gradient(minimum_jerk(s), s)
    assert speed.max() == pytest.approx(1.875, rel=1e-4)
    assert s[np.argmax(speed)] == pytest.approx(0.5)
    assert minimum_jerk(np.array([-1.0, 0.0, 1.0, 2.0])).tolist() == [0.0, 0.0, 1.0, 1.0]


def test_a_clockwise_circle_turns_right_then_towards_the_participant() -> None:
    """Seen from above, x right and y away, the turn from the top goes to +x first and closes."""
    still, rest = np.random.default_rng(0), np.zeros(N_POSE)
    turn = Movement(0.0, 1.0, rest, circle_mm=50.0, circle_start_rad=np.pi / 2.0)
    line = Timeline(rest, [turn], still)
    none = Timeline(rest, [Movement(0.0, 1.0, rest)], np.random.default_rng(0))
    times = np.linspace(0.0, 1.0, 101)
    path = line.poses(times) - none.poses(times)
    quarter, half = np.argmax(path[:, 0]), np.argmin(path[:, 1])
    assert path[quarter, 0] == pytest.approx(50.0, rel=0.01)
    assert path[half, 1] == pytest.approx(-100.0, rel=0.01)
    assert quarter < half
    np.testing.assert_allclose(path[[0, -1]], 0.0, atol=1e-9)
