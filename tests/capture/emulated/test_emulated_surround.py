"""Light, things and walking around the device: laws and published figures."""

from __future__ import annotations

import numpy as np
import pytest

from capture.emulated.body.hand import Segment
from capture.emulated.body.joints import rotation
from capture.emulated.body.motion import Performer, rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.body.scene import View, in_sight
from capture.emulated.body.timeline import N_POSE, Fader, Timeline
from capture.emulated.optic.light import LED_MW_PER_SR_PER_MA, Illumination
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.optic.render import render
from capture.emulated.scenes.carried import draw_stride
from capture.emulated.scenes.plan import Plan, pose
from capture.emulated.scenes.surround import LampRow, Lights, Source
from capture.emulated.scenes.things import Drape, Thing

GRID = AngularGrid()
UP = np.array([0.0, 0.0, 1.0])
NIGHT = Illumination(np.zeros(1), 0.2, np.zeros(GRID.n_angles, np.float32))


def _irradiance(radiance: np.ndarray) -> np.ndarray:
    return radiance @ GRID.directions[:, 2] * GRID.solid_angle_sr


def _patch(side_mm: float = 10.0, n: int = 20) -> Segment:
    along = (np.arange(n) + 0.5) * side_mm / n - side_mm / 2.0
    x, y = (axis.ravel() for axis in np.meshgrid(along, along))
    points = np.stack([x, y, 0 * x]).astype(np.float32)
    normals = np.zeros_like(points)
    normals[2] = -1.0
    return Segment(points, normals, np.full(x.size, (side_mm / n) ** 2, np.float32))


def test_a_fader_holds_and_goes_over_in_a_straight_line() -> None:
    """Before and after a change it holds; a change asked for too early waits for the last one."""
    fader = Fader(1.0)
    fader.go(2.0, 2.0, 0.0)
    fader.go(3.0, 1.0, 0.5)
    assert fader.at(np.array([0.0, 2.0, 3.0, 4.0, 4.5, 9.0])).tolist() == [1, 1, 0.5, 0, 0.25, 0.5]


def test_a_lamp_that_one_walks_under_follows_the_cosine_fourth_law() -> None:
    """Irradiance at an angle off a lamp's foot point is that below it times cos^4.

    Source: inverse square, Lambert's lobe and the receiver's cosine: IES Lighting Handbook,
    "cosine-cubed" and "cosine-fourth" laws (from memory).
    """
    lamp = LampRow(2.0, UP, 0.01, 0.8, Fader(1.0), height_mm=1600.0, spacing_mm=1e9,
                   speed_mm_per_s=1000.0, begin_s=5.0)  # fmt: skip
    times = np.array([5.0, 6.6, 3.4])  # below it, and 45 degrees before and behind
    np.testing.assert_allclose(lamp.strength(times), [2.0, 0.5, 0.5])
    np.testing.assert_allclose(lamp.heading(times)[1], [0.0, -(0.5**0.5), 0.5**0.5])


@pytest.mark.parametrize("direct", [0.0, 0.6])
def test_a_level_device_receives_what_its_field_holds_of_the_light(direct: float) -> None:
    """Spread light fills the field by sin^2 of its half angle; a lamp within it counts whole."""
    source = Source(0.5, UP, 0.01, direct, Fader(1.0))
    lights = Lights([source], 0.2, Fader(1.0))
    light = lights.over(np.zeros(1), None, GRID)
    share = np.sin(np.radians(GRID.half_angle_deg)) ** 2
    expected = 0.5 * (direct + (1.0 - direct) * share)
    assert _irradiance(light.background)[0] == pytest.approx(expected, rel=0.03)
    assert light.in_band_w_per_m2[0] == pytest.approx(0.5)


def test_a_device_that_turns_sees_the_lamp_wander_the_other_way() -> None:
    """Turned by 30 degrees to +x, the device sees the lamp above it 30 degrees towards -x."""
    lights = Lights([Source(0.5, UP, 0.01, 1.0, Fader(1.0))], 0.0, Fader(1.0))
    view = View(rotation("y", np.radians([30.0])), np.zeros((1, 3)))
    brightest = GRID.directions[np.argmax(lights.over(np.zeros(1), view, GRID).background[0])]
    assert np.degrees(np.arctan2(brightest[0], brightest[2])) == pytest.approx(-30.0, abs=2.0)
    turned_over = View(rotation("y", np.radians([180.0])), np.zeros((1, 3)))
    assert lights.over(np.zeros(1), turned_over, GRID).background.max() < 1e-9


def test_flicker_and_levels_act_between_the_two_exposures() -> None:
    """The factor is the light at the exposure over the light at the frame: flicker and fades."""
    level = Fader(1.0)
    level.go(1.0, 1.0, 3.0)
    source = Source(1.0, UP, 0.01, 0.0, level, 0.2, 100.0, 0.0)
    lights = Lights([source], 0.2, Fader(1.0))
    times = np.array([0.0, 0.0025, 1.25])  # phase 0, a quarter of a period, amid the fade
    np.testing.assert_allclose(lights.factor(times, 0.0), [1.0, 1.2, 1.0], rtol=1e-5)
    np.testing.assert_allclose(lights.factor(times, 0.01), [1.0, 1.2, 1.52 / 1.5], rtol=1e-5)


def test_moving_the_device_is_moving_the_scene_the_other_way() -> None:
    """A patch seen by a device that rose by 60 mm is the patch 60 mm nearer, at rest."""
    thing = Thing(_patch(), 0.5)
    view = View(np.eye(3)[None], np.array([[0.0, 0.0, 60.0]]))
    risen = thing.place(pose([0.0, 0.0, 200.0])[None], view)
    nearer = thing.place(pose([0.0, 0.0, 140.0])[None])
    first, second = (render([p], GRID, NIGHT, 0.0, 100.0)[0] for p in (risen, nearer))
    np.testing.assert_allclose(first, second, rtol=1e-4, atol=1e-9)


def test_a_glossy_plate_mirrors_the_led_only_when_it_faces_it() -> None:
    """Facing, the lobe adds gloss (n + 2) / 2 over the diffuse radiance of reflectance 1.

    Source: Lafortune and Willems, "Using the Modified Phong Reflectance Model for Physically Based
    Rendering", KU Leuven report CW 197, 1994 (from memory).
    """
    at = pose([0.0, 0.0, 200.0])
    matt = Thing(_patch(2.0), 0.1)
    glossy = Thing(_patch(2.0), 0.1, 0.05, 100.0)
    plain, shining = (
        _irradiance(render([t.place(at[None])], GRID, NIGHT, 0.0, 100.0)[0])[0]
        for t in (matt, glossy)
    )
    white = plain / 0.1
    assert (shining - plain) / white == pytest.approx(0.05 * 102.0 / 2.0, rel=0.02)
    turned = pose([0.0, 0.0, 200.0], pitch=np.radians(25.0))
    plain, shining = (
        _irradiance(render([t.place(turned[None])], GRID, NIGHT, 0.0, 100.0)[0])[0]
        for t in (matt, glossy)
    )
    assert shining == pytest.approx(plain, rel=0.01)


def test_cloth_closes_the_field_and_sends_back_light_by_the_inverse_square() -> None:
    """Nothing of a bright background passes it; a flat dome at half the depth is 4 x as bright."""
    flat = np.zeros(1)
    dome = Drape(GRID, 0.5, np.array([1.0, 0.0, 0.0]), np.zeros((1, 3)), flat, flat, flat)
    bright = Illumination(np.zeros(3), 0.2, np.ones(GRID.n_angles, np.float32))
    depth, drawn = np.array([40.0, 20.0, 40.0]), np.array([1.0, 1.0, 0.5])
    placed = dome.place(np.zeros(3), depth, drawn)
    led, other = render([placed], GRID, bright, 0.0, 100.0)
    assert other[:2].max() < 0.02
    np.testing.assert_allclose(led[1] / led[0], 4.0, rtol=1e-3)
    # On the axis: I / d^2 rho / pi.
    middle = np.argmax(GRID.directions[:, 2])
    expected = LED_MW_PER_SR_PER_MA * 1e-3 * 100.0 / 0.04**2 * 0.5 / np.pi
    assert led[0, middle] == pytest.approx(expected, rel=0.02)
    # Half drawn, it hides the half from which it comes.
    side = GRID.directions[:, 0]
    assert other[2, side > 0.1].max() < 0.02
    assert other[2, side < -0.1].min() > 0.98


def test_balls_are_in_sight_when_any_part_of_them_is() -> None:
    """A ball beside the field counts when its rim comes in; one behind the sensor does not."""
    edge = np.radians(55.0)
    place = 200.0 * np.array([np.sin(edge + 0.2), 0.0, np.cos(edge + 0.2)])
    middles = np.stack([place, place, [0.0, 0.0, -100.0]])[None]
    reach = 200.0 * np.sin(0.2)
    assert in_sight(middles, [0.9 * reach, 1.1 * reach, 20.0], 55.0).tolist() == [
        False,
        True,
        False,
    ]


def test_steps_keep_the_pace_of_people_who_walk() -> None:
    """Step frequency is 2.0 Hz with a standard deviation of 0.13 Hz.

    Source: MacDougall and Moore, "Marching to the beat of the same drummer: the spontaneous tempo
    of human locomotion", J. Appl. Physiol. 99(3), 2005, abstract.
    """
    rng, large = np.random.default_rng(1), np.ones(N_POSE)
    steps = [2.0 * draw_stride(rng, 0.0, 10.0, large).stride_hz for _ in range(800)]
    assert np.mean(steps) == pytest.approx(2.0, abs=0.02)
    assert np.std(steps) == pytest.approx(0.13, abs=0.015)


def test_tremor_is_where_measurements_find_it() -> None:
    """A hand held still trembles most between 6 and 12 Hz, by less than a millimetre.

    Sources: Lakie et al., "Increased gravitational force reveals the mechanical, resonant nature of
    physiological tremor", J. Physiol. 593(19), 2015: a clear peak between 6 and 12 Hz; Wade,
    Gresty and Findley, "A Normative Study of Postural Tremor of the Hand", Arch. Neurol. 39(6),
    1982, abstract: 0.0015 to 0.035 g at about 7 Hz. Ours is drawn stronger than theirs.
    """
    times = np.arange(0.0, 20.0, 0.01)
    for seed in range(5):
        line = Timeline(np.zeros(N_POSE), [], np.random.default_rng(seed))
        place = line.poses(times)[:, :3]
        acceleration = np.diff(place, 2, axis=0) / 0.01**2
        spectrum = np.abs(np.fft.rfft(acceleration, axis=0)).sum(axis=1)
        peak_hz = np.fft.rfftfreq(len(acceleration), 0.01)[np.argmax(spectrum)]
        assert 6.0 <= peak_hz <= 12.0
        peak_g = np.abs(acceleration).max(axis=0) / 9806.65
        assert np.all((peak_g > 0.0015) & (peak_g < 0.15))
        trembling = place - np.apply_along_axis(np.convolve, 0, place, np.ones(25) / 25, "same")
        assert np.abs(trembling[50:-50]).max() < 1.0


def test_a_hand_held_still_trembles_no_more_than_measured_people() -> None:
    """Its tremor is within 0.0015 to 0.035 g an axis, and no band below it is free of unrest.

    Source: Wade, Gresty and Findley, "A Normative Study of Postural Tremor of the Hand", Arch.
    Neurol. 39(6), 1982, abstract. That unrest falls with the square of the frequency is assumed.
    """
    times = np.arange(0.0, 40.0, 0.01)
    frequencies_hz = np.fft.rfftfreq(len(times), 0.01)
    for seed in range(5):
        line = Timeline(np.zeros(N_POSE), [], np.random.default_rng(seed), held_still=True)
        spectrum = np.abs(np.fft.rfft(line.poses(times)[:, :3] * np.hanning(len(times))[:, None],
                                      axis=0)) * 4.0 / len(times)  # fmt: skip
        tremor = (frequencies_hz > 7.5) & (frequencies_hz < 11.5)
        turn_per_s = 2.0 * np.pi * frequencies_hz[tremor, None]
        peak_g = (spectrum[tremor] * turn_per_s**2).max(axis=0) / 9806.65
        assert np.all((peak_g > 0.8 * 0.0015) & (peak_g < 1.1 * 0.035))
        tops_mm = [
            spectrum[(frequencies_hz > low) & (frequencies_hz < high)].max(axis=0)
            for low, high in ((0.4, 0.7), (0.8, 1.3), (1.3, 2.5), (2.5, 4.0), (4.0, 7.0))
        ]
        assert np.all(np.diff(tops_mm, axis=0) < 0.0)
        assert np.all(tops_mm[2] > 0.02)
        assert np.all(tops_mm[2] < 0.5)


def test_a_plan_begins_with_everything_at_its_place() -> None:
    """Hands are out of sight, things lie on the table beside the device, nothing is in the way."""
    person = draw_person(4)
    for seed in range(10):
        rng = np.random.default_rng(seed)
        plan = Plan(person, Performer(person, rest_pose(person, rng), rng), GRID, rng)
        for name in ("cup", "paper", "phone", "can"):
            at = plan.players[name].track.start
            assert np.hypot(at[0], at[1]) > 150.0
        for name in ("other", "visitor"):
            at = plan.players[name].track.start
            assert np.degrees(np.arctan2(np.hypot(at[0], at[1]), at[2])) > 60.0


def test_near_surfaces_have_no_gaps_and_keep_their_light() -> None:
    """Coarse points of a near plate, split, cover it as fine ones do, with the same light."""
    coarse, fine = Thing(_patch(90.0, 8), 0.5), Thing(_patch(90.0, 90), 0.5)
    at = pose([0.0, 0.0, 60.0])[None]
    light = Illumination(np.zeros(1), 0.2, np.ones(GRID.n_angles, np.float32))
    (led, other), (wanted, wanted_other), (_, gaps) = (
        render([thing.place(at)], GRID, light, 0.0, 100.0, fill=fill)
        for thing, fill in ((coarse, True), (fine, False), (coarse, False))
    )
    inside = np.hypot(GRID.directions[:, 0], GRID.directions[:, 1]) < 0.5
    assert other[0, inside].max() < 0.05
    assert gaps[0, inside].max() > 0.5
    np.testing.assert_allclose(led[0, inside].sum(), wanted[0, inside].sum(), rtol=0.02)
    np.testing.assert_allclose(_irradiance(other), _irradiance(wanted_other), rtol=0.02)
