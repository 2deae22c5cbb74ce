"""An emulated session: what the cues ask for, the same bytes every time."""

from __future__ import annotations

import dataclasses
import hashlib
import itertools

import numpy as np
import pytest

from capture.cues.script import Cue, load_script, parse_script
from capture.emulated.body.hand import build_hand
from capture.emulated.body.joints import place_segments
from capture.emulated.body.motion import act, rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.body.timeline import CURL
from capture.emulated.optic.optics import SENSORS
from capture.emulated.scenes.acting_cues import TableWorld
from capture.emulated.session import (
    EmulatedSession,
    block_length,
    dark_offset_us,
    emulate_session,
)
from capture.frames import FrameBlock
from runtime.errors import UsageError

SENSOR = SENSORS["lensless32"]
SHORT = parse_script(
    b'name = "short"\nlead_in_s = 0.5\n[[cue]]\ntrial_type = "push"\nrepetitions = 1\n'
    b"duration_s = 1.5\n",
    "short",
)


def _whole(**changes: int) -> FrameBlock:
    asked = {"participant": 3, "seed": 4, **changes}
    return FrameBlock.concatenate(list(emulate_session(SHORT, sensor=SENSOR, **asked)))


def _digest(block: FrameBlock) -> str:
    return hashlib.sha256(block.lit.tobytes() + block.dark.tobytes()).hexdigest()


def test_a_session_is_the_same_bytes_every_time_and_differs_by_person_and_seed() -> None:
    """Everything drawn follows from script, participant and seed."""
    first = _digest(_whole())
    assert _digest(_whole()) == first
    assert _digest(_whole(participant=5)) != first
    assert _digest(_whole(seed=6)) != first


def test_frames_keep_the_true_rate_and_cover_the_script() -> None:
    """Pairs follow at the sensor's rate, numbered from 0, to one second after the last cue."""
    block = _whole()
    assert len(block) == 90  # 0.5 s + 1.5 s + 1 s at 30 a second
    np.testing.assert_array_equal(block.sequence, np.arange(90))
    assert np.all(np.abs(np.diff(block.time_us) - SENSOR.frame_period_us) <= 1.0)
    assert block.lit.shape == (90, 32, 32)
    assert block.lit.max() <= SENSOR.max_counts
    assert SENSOR.exposure_us <= dark_offset_us(SENSOR) <= SENSOR.frame_period_us
    np.testing.assert_array_equal(block.dark_time_us - block.time_us, dark_offset_us(SENSOR))


def test_what_is_worked_out_ends_with_the_script_and_goes_on_in_small_steps() -> None:
    """Blocks end with the first frame after a script's end; then few frames at a time follow."""
    sensor = dataclasses.replace(SENSORS["lensless32"], frame_rate_hz=3.0)
    # 25.8 s at 3 a second: frame 78, at 26 s, is the first that is not before the end.
    lengths, first = [], 0
    for _ in range(4):
        lengths.append(block_length(first, 25.8, sensor))
        first += lengths[-1]
    assert lengths == [64, 15, 4, 4]


def test_the_lit_exposure_holds_the_led_light_and_both_hold_the_ambient() -> None:
    """Lit minus dark is the LED's light: positive, and greater when the hand has come near."""
    block = _whole()
    level = (block.lit.astype(np.int64) - block.dark).sum(axis=(1, 2))
    assert level.min() > 0
    assert level.max() > 1.5 * np.median(level)  # the push


def _acted(participant: int, trial_type: str) -> tuple[np.ndarray, np.ndarray]:
    """Return times from 0 to the cue's end (2.5 s), and poses, of one cue at 1 s."""
    person, rng = draw_person(participant), np.random.default_rng(participant)
    line = act(person, [Cue(1_000_000, 1_500_000, trial_type, 0)], rest_pose(person, rng), rng)
    times = np.arange(0.0, 2.5, 0.005)
    return times, line.poses(times)


@pytest.mark.parametrize("participant", [0, 1, 2, 3])
@pytest.mark.parametrize(
    ("trial_type", "axis", "sign"),
    [("swipe_left", 0, -1), ("swipe_right", 0, 1), ("swipe_up", 1, 1), ("swipe_down", 1, -1)],
)
def test_a_swipe_crosses_the_sensor_the_way_its_name_says(
    participant: int, trial_type: str, axis: int, sign: int
) -> None:
    """The hand goes to the far side last, at least 80 mm, after a reaction and within the cue."""
    times, poses = _acted(participant, trial_type)
    along = sign * poses[:, axis]
    begin, end = np.argmin(along), np.argmax(along)
    assert along[end] - along[begin] > 80.0
    assert 1.1 < times[begin] < times[end] < 2.5
    assert 0.19 < times[end] - times[begin] < 0.85
    assert np.ptp(along[times < 1.1]) < 20.0  # unrest only


@pytest.mark.parametrize("participant", [0, 1, 2, 3])
def test_push_comes_near_and_pull_goes_far(participant: int) -> None:
    """A push takes off a quarter of the distance or more, a pull adds 40 % or more."""
    _, pushed = _acted(participant, "push")
    _, pulled = _acted(participant, "pull")
    assert pushed[:, 2].min() < 0.75 * pushed[:200, 2].mean()
    assert pulled[:, 2].max() > 1.4 * pulled[:200, 2].mean()


def test_a_count_is_shown_by_that_many_straight_fingers() -> None:
    """When the hand has settled, as many fingers are straight as the cue's picture says."""
    person, rng = draw_person(2), np.random.default_rng(2)
    cues = [
        Cue(1_000_000 + 1_600_000 * n, 1_300_000, f"fingers_{n}", 0, pose_shown=True)
        for n in range(6)
    ]
    line = act(person, cues, rest_pose(person, rng), rng)
    times = np.array([cue.end_us * 1e-6 for cue in cues])
    straight = (line.poses(times)[:, CURL] < 0.5).sum(axis=1)
    assert straight.tolist() == [0, 1, 2, 3, 4, 5]


@pytest.mark.parametrize("participant", [1, 2, 3])
def test_a_tap_moves_the_tip_of_one_finger_by_about_5_mm(participant: int) -> None:
    """The tip of the index finger travels 3.5 to 6.5 mm against the palm; no other finger moves."""
    person, rng = draw_person(participant), np.random.default_rng(participant)
    line = act(person, [Cue(0, 2_000_000, "subtle_tap", 0)], rest_pose(person, rng), rng)
    curl = line.poses(np.arange(0.5, 1.9, 0.005))[:, CURL]
    assert np.all(np.ptp(curl, axis=0)[[0, 2, 3, 4]] < 1e-9)
    hand = build_hand(person.hand_length_mm, person.hand_breadth_mm)
    still = np.zeros((len(curl), 3))
    straight = np.broadcast_to(np.eye(3), (len(curl), 3, 3))
    turns, origins = place_segments(
        hand, still, straight, curl, np.zeros(len(curl)), np.array([0.0, -300.0, 0.0])
    )
    tip = origins[:, 6] + turns[:, 6, :, 1] * hand.bones_mm[1, 2]
    assert 3.5 < np.linalg.norm(np.ptp(tip, axis=0)) < 6.5


def test_an_act_that_nobody_knows_is_refused_by_name() -> None:
    """A cue outside the known acts is a usage error, not a movement made up."""
    person, rng = draw_person(1), np.random.default_rng(1)
    for wrong in ("swipe_diagonal", "fingers_7", "circle_around"):
        with pytest.raises(UsageError, match=wrong):
            act(person, [Cue(0, 1_000_000, wrong, 0)], rest_pose(person, rng), rng)


@pytest.mark.parametrize("name", ["dynamic", "finger_count", "static_shapes"])
def test_every_cue_of_the_built_in_scripts_moves_the_hand_or_lets_it_rest(name: str) -> None:
    """Each cue of a built-in script is acted; movements never overlap."""
    session = EmulatedSession(load_script(name), 1, 1, SENSOR)
    assert isinstance(session.world, TableWorld)
    timeline = session.world.timeline
    poses = timeline.poses(np.arange(0.0, session.script_end_s, 0.01))
    assert np.isfinite(poses).all()
    for before, after in itertools.pairwise(timeline.movements):
        assert after.start_s >= before.end_s - 1e-9
    assert poses[:, 2].min() > 30.0


def test_a_negative_participant_is_refused() -> None:
    """There is no participant below number 0."""
    with pytest.raises(UsageError, match="participant"):
        EmulatedSession(SHORT, -1, 0, SENSOR)
