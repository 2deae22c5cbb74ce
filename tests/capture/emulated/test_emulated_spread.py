"""How far people, sessions and light are spread: the whole range that is claimed, never less."""

from __future__ import annotations

import numpy as np
import pytest

from capture.cues.script import GESTURES, load_script, schedule
from capture.emulated.body.motion import Performer, rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.optic.light import draw_ambient
from capture.emulated.optic.optics import SENSORS, AngularGrid
from capture.emulated.scenes.acting_cues import TableWorld
from capture.emulated.scenes.plan import Plan
from capture.emulated.session import EmulatedSession, noted_distance_mm

GRID = AngularGrid()
PEOPLE = [draw_person(number) for number in range(300)]


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # Hand length and breadth: ANSUR II, 2012, 1st to 99th percentile.
        ("hand_length_mm", 160.0, 218.0),
        ("hand_breadth_mm", 70.0, 99.0),
        # NIST reference set of skin reflectance (Cooksey, Allen and Tsai, J. Res. NIST 122, 2017;
        # title from memory): 0.49 to 0.66 at 850 nm. It under-samples dark skin: more below.
        ("skin_reflectance", 0.15, 0.68),
    ],
)
def test_people_fill_the_range_of_bodies(name: str, low: float, high: float) -> None:
    """Values reach both ends, stay inside, and each quarter of the range has its people."""
    values = np.array([getattr(person, name) for person in PEOPLE])
    assert values.min() >= low
    assert values.max() <= high
    shares = np.histogram(values, bins=4, range=(low, high))[0] / len(values)
    assert shares.min() > 0.12
    assert np.ptp(values) > 0.97 * (high - low)


def test_both_hands_are_used_as_often_as_in_the_population() -> None:
    """Left hands are 10.6 % of people, give or take chance.

    Source: Papadatou-Pastou et al., "Human handedness: A meta-analysis", Psychological Bulletin
    146(6), 2020 (from memory).
    """
    left = np.mean([person.handedness == "left" for person in PEOPLE])
    assert left == pytest.approx(0.106, abs=0.05)


def test_hands_tilt_turn_and_curl() -> None:
    """Attitudes differ by tens of degrees about the axis and by ten or more across it."""
    roll, pitch, yaw = np.degrees([[p.roll_rad, p.pitch_rad, p.yaw_rad] for p in PEOPLE]).T
    assert np.ptp(roll) > 20.0
    assert np.ptp(pitch) > 14.0
    assert np.ptp(yaw) > 14.0
    assert np.ptp([p.curl for p in PEOPLE]) > 0.2


def _worlds(name: str, n: int) -> list[TableWorld]:
    script = load_script(name)
    worlds = []
    for number in range(n):
        rng = np.random.default_rng([number, 77])
        worlds.append(TableWorld(draw_person(number), schedule(script, number), GRID, rng))
    return worlds


def test_gestures_are_made_at_8_to_30_cm() -> None:
    """Hands rest and move from 80 to 300 mm, and every 5 cm between has its share."""
    heights, rests = [], []
    for world in _worlds("dynamic", 60):
        heights.append(world.timeline.poses(np.arange(1.0, 80.0, 0.1))[:, 2])
        rests.append(world.rest[2])
    height = np.concatenate(heights)
    assert min(rests) < 90.0
    assert max(rests) > 235.0
    shares = np.histogram(height, bins=[80, 130, 180, 230, 300])[0] / len(height)
    assert shares.min() > 0.06
    assert np.quantile(height, 0.02) < 85.0
    assert np.quantile(height, 0.995) > 290.0


def test_gestures_last_0_2_to_0_8_s() -> None:
    """The lengths of gestures over people reach from below 0.25 to above 0.75 s."""
    rng = np.random.default_rng(5)
    lengths = []
    for person in PEOPLE:
        performer = Performer(person, rest_pose(person, rng), rng)
        lengths += [performer.gesture_s() for _ in GESTURES]
    assert 0.2 <= min(lengths) < 0.25
    assert 0.75 < max(lengths) <= 0.8
    assert 0.35 < np.median(lengths) < 0.55


def test_ambient_light_reaches_from_dim_rooms_to_daylight_with_flicker() -> None:
    """Levels from below 40 to above 8,000 lx, evenly over their logarithm; lamps flicker.

    Levels of places: 50 lx in living rooms, 320 to 500 in offices, 10,000 in full daylight without
    the sun (usual tables of illuminance; common practice, no source).
    """
    rng = np.random.default_rng(6)
    drawn = [draw_ambient(GRID, rng) for _ in range(200)]
    lux = np.array([ambient.illuminance_lx for ambient in drawn])
    assert lux.min() < 40.0
    assert 8_000.0 < lux.max() <= 10_000.0
    shares = np.histogram(np.log(lux), bins=4, range=(np.log(20.0), np.log(10_000.0)))[0] / len(lux)
    assert shares.min() > 0.15
    depth = np.array([ambient.flicker_depth for ambient in drawn])
    assert (depth > 0.03).mean() > 0.2
    assert depth.max() > 0.12


def test_everyday_light_has_both_mains_and_many_depths() -> None:
    """Rooms of 50 and of 60 Hz, lamps that flicker by 3 to 20 %, never more than 10,000 lx."""
    person = PEOPLE[0]
    plans = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        plans.append(Plan(person, Performer(person, rest_pose(person, rng), rng), GRID, rng))
    assert {round(plan.mains_hz, -1) for plan in plans} == {50.0, 60.0}
    depths = [plan.lamp_depth for plan in plans]
    assert min(depths) < 0.06
    assert max(depths) > 0.17
    lux = [plan.illuminance_lx for plan in plans]
    assert min(lux) < 300.0
    assert 4_000.0 < max(lux) <= 10_000.0


def test_a_noted_distance_is_that_of_the_resting_hand() -> None:
    """The note agrees with the height of the hand before the first cue, within its unrest."""
    script = load_script("dynamic")
    for participant in range(4):
        noted = noted_distance_mm(script, participant, 3)
        session = EmulatedSession(script, participant, 3, SENSORS["lensless32"])
        assert isinstance(session.world, TableWorld)
        height = session.world.timeline.poses(np.arange(0.0, 1.0, 0.05))[:, 2].mean()
        assert noted == pytest.approx(height, abs=10.0)


def test_units_differ_as_pieces_of_one_kind_do() -> None:
    """Three units see one scene alike but not the same: some per cent, above what noise gives."""
    script = load_script("dynamic")
    means = []
    for unit in ("unit-a", "unit-b", "unit-c"):
        session = EmulatedSession(script, 1, 1, SENSORS["lensless32"], unit)
        block = session.next_block()
        means.append((block.lit.astype(np.float64) - block.dark).mean(axis=0).ravel())
    for first, second in ((0, 1), (0, 2), (1, 2)):
        alike = np.corrcoef(means[first], means[second])[0, 1]
        assert 0.9 < alike < 0.999
        assert np.abs(means[first] - means[second]).mean() > 0.01 * means[first].mean()
