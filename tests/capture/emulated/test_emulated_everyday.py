"""The everyday stream: what each scene must show, without a gesture, and what must stay away."""

from __future__ import annotations

import hashlib
import itertools

import numpy as np
import pytest

from capture.cues.script import ARRIVAL, BUILT_IN, EVERYDAY, load_script, parse_script, schedule
from capture.emulated.body.people import draw_person
from capture.emulated.body.scene import HandActor
from capture.emulated.optic.optics import SENSORS, AngularGrid
from capture.emulated.optic.render import render
from capture.emulated.scenes.everyday import SCENES, EverydayWorld
from capture.emulated.session import EmulatedSession

SENSOR = SENSORS["lensless32"]
GRID = AngularGrid()
SEEDS = range(6)
HANDS = ("hand", "other", "visitor")


@pytest.fixture(scope="module")
def worlds() -> list[EverydayWorld]:
    """One everyday session each of several people."""
    script = load_script("everyday")
    return [
        EverydayWorld(draw_person(seed), schedule(script, seed), GRID, np.random.default_rng(seed))
        for seed in SEEDS
    ]


def _times(seed: int, trial_type: str, step_s: float = 0.05) -> np.ndarray:
    cues = schedule(load_script("everyday"), seed)
    cue = next(cue for cue in cues if cue.trial_type == trial_type)
    return np.arange(cue.onset_us * 1e-6, cue.end_us * 1e-6, step_s)


def _angle_deg(poses: np.ndarray) -> np.ndarray:
    """Angle off the axis of a device that lies at the origin."""
    return np.degrees(np.arctan2(np.hypot(poses[:, 0], poses[:, 1]), poses[:, 2]))


def _seen(world: EverydayWorld, times: np.ndarray) -> np.ndarray:
    """Mean LED radiance at each time that comes from everything but head and chest."""
    led, _, _ = world.see(times, 3e-4, SENSOR)
    return led.mean(axis=1)


def test_every_everyday_cue_has_its_scene_and_no_gesture() -> None:
    """The script gives each everyday trial type, and nothing else is played for it."""
    assert set(SCENES) == {*EVERYDAY, *ARRIVAL}
    script = load_script("everyday")
    assert set(script.trial_types) == set(EVERYDAY)
    assert not script.movement
    seconds = [cue.duration_s for cue in script.cues]
    assert min(seconds) >= 20.0
    assert max(seconds) <= 60.0
    assert all(cue.prompt for cue in script.cues)
    for seed in SEEDS:
        assert 300.0 < schedule(script, seed)[-1].end_us * 1e-6 < 400.0


def test_a_session_is_the_same_bytes_every_time_and_differs_by_person_and_seed() -> None:
    """Everything that happens follows from script, participant and seed."""
    script = parse_script(
        b'name = "short"\nlead_in_s = 0.5\n[[cue]]\ntrial_type = "everyday_talk"\n'
        b"repetitions = 1\nduration_s = 8.0\n",
        "short",
    )

    def digest(participant: int, seed: int, unit: str = "unit-a") -> str:
        session = EmulatedSession(script, participant, seed, SENSOR, unit)
        blocks = [session.next_block() for _ in range(6)]
        return hashlib.sha256(
            b"".join(b.lit.tobytes() + b.dark.tobytes() for b in blocks)
        ).hexdigest()

    first = digest(3, 4)
    assert digest(3, 4) == first
    assert len({first, digest(5, 4), digest(3, 6), digest(3, 4, "unit-b")}) == 4


def test_scenes_end_in_time_and_movements_never_overlap(worlds: list[EverydayWorld]) -> None:
    """A scene is over before the next begins, so that its label is right."""
    for world in worlds:
        for player in world.plan.players.values():
            for before, after in itertools.pairwise(player.track.movements):
                assert after.start_s >= before.end_s - 1e-9
    for seed, world in zip(SEEDS, worlds, strict=True):
        for cue in schedule(load_script("everyday"), seed):
            late = np.array([cue.end_us * 1e-6 + 0.95])
            assert _angle_deg(world.poses("hand", late))[0] > 60.0
            assert np.abs(world.device_poses(late)[:, :3]).max() < 1.0


def test_nobody_is_in_sight_while_the_device_is_left_alone(worlds: list[EverydayWorld]) -> None:
    """In an empty scene every hand is out of the field, and the device does not move."""
    for seed, world in zip(SEEDS, worlds, strict=True):
        times = _times(seed, "everyday_empty")
        assert not world.device_poses(times).any()
        for name in HANDS:
            assert _angle_deg(world.poses(name, times)).min() > 60.0


@pytest.mark.parametrize("scene", ["everyday_talk", "everyday_visitor", "everyday_objects"])
def test_hands_come_into_sight_and_leave_it_again(worlds: list[EverydayWorld], scene: str) -> None:
    """Busy scenes hold both: movement above the sensor and moments with nothing above it."""
    for seed, world in zip(SEEDS, worlds, strict=True):
        times = _times(seed, scene)
        near = [
            (_angle_deg(poses) < 55.0) & (np.linalg.norm(poses[:, :3], axis=1) < 400.0)
            for poses in (world.poses(name, times) for name in HANDS)
        ]
        share = np.any(near, axis=0).mean()
        assert 0.05 < share < 0.97


def test_talking_hands_move_as_near_and_as_fast_as_gestures_do(worlds: list[EverydayWorld]) -> None:
    """The stream is not easy: strokes of 80 mm within 0.8 s, 80 to 300 mm above the sensor."""
    strokes = [
        movement
        for world in worlds
        for movement in world.plan.players["hand"].track.movements
        if movement.end_s - movement.start_s < 0.8 and 80.0 < movement.target[2] < 300.0
    ]
    assert len(strokes) > 20 * len(worlds)
    fast = 0
    for world in worlds:
        track = world.plan.players["hand"].track
        for before, after in itertools.pairwise(track.movements):
            way = np.linalg.norm(after.target[:3] - before.target[:3])
            fast += way > 80.0 and after.end_s - after.start_s < 0.8 and after.target[2] < 300.0
    assert fast > 5 * len(worlds)


def test_a_pocket_is_dark_and_its_cloth_is_near(worlds: list[EverydayWorld]) -> None:
    """In a pocket less than a tenth of the ambient light is left, and LED light comes back."""
    for seed, world in zip(SEEDS, worlds, strict=True):
        times = _times(seed, "everyday_pocket", 0.5)
        led, other, _ = world.see(times, 3e-4, SENSOR)
        inside = world.plan.cloth_drawn.at(times) == 1.0
        inside &= world.plan.lights.shade.at(times) < 0.06
        assert inside.mean() > 0.4
        assert other[inside].mean() < 0.1 * other[0].mean()
        assert led[inside].mean() > 10.0 * led[0].mean()


def test_walking_swings_the_whole_device(worlds: list[EverydayWorld]) -> None:
    """While walking the device turns by degrees at the pace of strides and steps."""
    for seed, world in zip(SEEDS, worlds, strict=True):
        times = _times(seed, "everyday_walk", 1.0 / 30.0)
        (gait,) = [g for g in world.plan.gaits if times[0] < g.begin_s < times[-1]
                   and g.end_s - g.begin_s > 10.0]  # fmt: skip
        swing = gait.poses(times)[:, 3:6]
        assert np.degrees(np.ptp(swing, axis=0).max()) > 2.0
        spectrum = np.abs(np.fft.rfft(swing - swing.mean(axis=0), axis=0)).sum(axis=1)
        strongest = np.fft.rfftfreq(len(times), 1.0 / 30.0)[np.argmax(spectrum)]
        assert min(abs(strongest - k * gait.stride_hz) for k in (1, 2)) < 0.1


def test_light_changes_and_flickers_within_the_stream(worlds: list[EverydayWorld]) -> None:
    """Levels change by a quarter or more in some scene; mains light flickers at 100 or 120 Hz."""
    for seed, world in zip(SEEDS, worlds, strict=True):
        times = np.concatenate([_times(seed, t) for t in ("everyday_light", "everyday_empty")])
        lights = world.plan.lights
        level = sum(source.strength(times) for source in lights.sources)
        assert level.min() < 0.75 * level.max()
        for source in lights.sources:
            assert min(abs(source.flicker_hz - f) for f in (100.0, 120.0)) < 0.5
            assert 0.0 <= source.flicker_depth <= 1.0


def test_what_is_out_of_sight_can_be_left_out(worlds: list[EverydayWorld]) -> None:
    """Leaving out the segments outside the field changes no radiance of any angle."""
    world = worlds[0]
    times = _times(0, "everyday_talk", 0.4)
    body = world.plan.players["hand"].body
    assert isinstance(body, HandActor)
    poses = world.poses("hand", times)
    light = world.plan.lights.over(times, None, GRID)
    whole = render([body.place(poses)], GRID, light, 1.86, 100.0)
    part = render([body.place(poses, None, GRID.half_angle_deg)], GRID, light, 1.86, 100.0)
    np.testing.assert_array_equal(whole[0], part[0])
    np.testing.assert_array_equal(whole[1], part[1])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_hand_arrives_from_out_of_sight_when_the_cue_says_so(seed: int) -> None:
    """It is out of the field when the cue begins, above the sensor at its end; else stays away."""
    cues = schedule(load_script("arrival"), seed)
    world = EverydayWorld(draw_person(seed), cues, GRID, np.random.default_rng(seed))
    distances = []
    for cue in cues:
        times = np.linspace(cue.onset_us * 1e-6, cue.end_us * 1e-6, 60)
        poses = world.poses("hand", times)
        angle = _angle_deg(poses)
        assert angle[0] > 60.0
        if cue.trial_type == "arrive":
            assert angle[-1] < 30.0
            distances.append(poses[-1, 2])
            seen = _seen(world, times[[0, -1]])
            assert seen[1] > 1.5 * seen[0]
        else:
            assert angle.min() > 60.0
    assert min(distances) < 120.0
    assert max(distances) > 240.0


@pytest.mark.parametrize("name", BUILT_IN)
def test_every_built_in_script_can_be_emulated(name: str) -> None:
    """Each built-in script gives frames; what hovers has a distance noted to 5 mm."""
    session = EmulatedSession(load_script(name), 2, 2, SENSOR)
    assert session.next_block().lit.max() > 0
    noted = session.noted_distance_mm
    if name.startswith(("everyday", "occupancy", "arrival")):
        assert noted is None
    else:
        assert noted is not None
        assert noted % 5.0 == 0.0
        assert 80.0 <= noted <= 300.0
