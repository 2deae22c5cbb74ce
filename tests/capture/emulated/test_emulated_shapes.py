"""Held shapes: what each looks like, where it is held, and outlines beside hands in the round."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from sklearn.decomposition import PCA
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from capture.cues.script import (
    FINGER_COUNTS,
    STATIC_SHAPES,
    load_script,
    schedule,
)
from capture.emulated.body.habits import RING_FOR_NONE, Showing, as_shown
from capture.emulated.body.hand import FOREARM_MM, build_hand
from capture.emulated.body.joints import place_segments
from capture.emulated.body.motion import act, check_acts, holds_shapes, rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.body.scene import Actor, HandActor, ellipsoid
from capture.emulated.body.showing import SHAPE_NAMES, count_pose, shape_pose
from capture.emulated.body.timeline import (
    CURL,
    EVENNESS,
    FLATNESS,
    GONE_MM,
    N_POSE,
    ROLL,
    SHAPE,
    SPREAD,
    YAW,
    X,
    Y,
    Z,
)
from capture.emulated.optic.light import draw_ambient, evened
from capture.emulated.optic.optics import SENSORS, AngularGrid
from capture.emulated.optic.render import render
from capture.emulated.session import EmulatedSession
from trainer.demo_recordings import STILL_RATE_HZ

PEOPLE = [draw_person(number) for number in range(24)]
USUAL = Showing(
    counting=(*(tuple(int(0 < f <= n) for f in range(5)) for n in range(5)), (1, 1, 1, 1, 1)),
    folded_rad=(1.2, 1.45, 1.0), gap_rad=0.0, thumb_folded=0, thumb_up_rad=(0.9, 0.35),
    turned_share=0.0, tilt_rad=(0.0, 0.0, 0.0), aside_mm=(0.0, 0.0), keeps_habit=1.0, unrest=0.0,
)  # fmt: skip


def _tips(person, pose: np.ndarray) -> np.ndarray:
    """Fingertips in the frame of the hand, millimetres, (5, 3)."""
    hand = build_hand(
        person.hand_length_mm, person.hand_breadth_mm, person.handedness, 10.0,
        proportions=person.proportions,
    )  # fmt: skip
    turns, origins = place_segments(
        hand, np.zeros((1, 3)), np.eye(3)[None], pose[None, CURL], pose[None, SPREAD],
        np.array([0.0, -300.0, 0.0]), pose[None, SHAPE],
    )  # fmt: skip
    last = [3 + 3 * finger for finger in range(5)]
    return origins[0, last] + turns[0, last][..., 1] * hand.bones_mm[:, 2, None]


def _shape_tips(name: str) -> np.ndarray:
    tips = []
    for person in PEOPLE:
        rng = np.random.default_rng(person.number)
        pose = shape_pose(person.showing, rest_pose(person, rng), name, rng)
        tips.append(_tips(person, pose) / person.hand_length_mm)
    return np.array(tips)


def test_the_tips_of_a_pinch_meet_and_those_of_other_shapes_do_not() -> None:
    """Thumb and index finger are within a finger's breadth of each other, in a pinch alone."""
    for name in SHAPE_NAMES:
        tips = _shape_tips(name)
        apart = np.linalg.norm(tips[:, 0] - tips[:, 1], axis=1)
        if name == "pinch":
            assert np.quantile(apart, 0.9) < 18.0 / 190.0
        elif name != "fist":
            assert np.median(apart) > 0.2


def test_shapes_hold_out_what_they_are_named_by() -> None:
    """A pointing finger reaches farthest, a flat hand's fingers all do, and a fist's none."""
    reach = {name: _shape_tips(name)[:, :, 1].mean(axis=0) for name in SHAPE_NAMES}
    assert np.all(reach["fist"][1:] < 0.6)
    assert np.all(reach["flat"][1:] > 0.75)
    assert reach["point"][1] > 0.85 and np.all(reach["point"][2:] < 0.6)
    assert np.all(reach["thumb"][1:] < 0.6)
    assert np.all(np.abs(_shape_tips("thumb")[:, 0, 0]) > 0.22)  # beyond the edge of the palm
    flat, open_hand = (
        np.ptp(_tips(PEOPLE[0], pose)[1:, 0])
        for pose in (
            shape_pose(USUAL, np.zeros(N_POSE), "flat", np.random.default_rng(1)),
            count_pose(USUAL, np.zeros(N_POSE), 5, np.random.default_rng(1)),
        )
    )
    assert flat < 0.8 * open_hand


def test_people_bring_above_the_sensor_the_hand_or_what_they_show_of_it() -> None:
    """Who centres what is shown holds a fist a fifth of the hand's length farther out."""
    rest = np.zeros(N_POSE)
    rest[Z] = 150.0
    for up, along in ((0, 40.0), (5, 40.0)):
        poses = [
            count_pose(
                dataclasses.replace(USUAL, centred=share), rest, up, np.random.default_rng(1)
            )
            for share in (0.0, 0.5, 1.0)
        ]
        moved = np.array([pose[[X, Y]] - poses[0][[X, Y]] for pose in poses])
        assert moved[2, 1] == pytest.approx(along, abs=1.0)
        assert moved[1, 1] == pytest.approx(along / 2 if up == 0 else 0.0, abs=1.0)
        # A right hand's thumb is on the -x side; what stands off there is brought back.
        assert moved[2, 0] == pytest.approx(23.0 if up == 5 else 0.0, abs=1.0)
    turned = dataclasses.replace(USUAL, centred=1.0, turned_share=1.0)
    assert count_pose(turned, rest, 5, np.random.default_rng(1))[X] == pytest.approx(-23.0, abs=1.0)
    tilted = dataclasses.replace(USUAL, centred=1.0, tilt_rad=(np.pi / 2, 0.0, 0.0))
    pose = count_pose(tilted, rest, 0, np.random.default_rng(1))
    assert pose[ROLL] == pytest.approx(np.pi / 2)
    assert pose[X] == pytest.approx(-40.0, abs=1.0) and abs(pose[Y]) < 1.0


def test_fingers_take_their_neighbours_along() -> None:
    """A folded finger beside a straight one opens by up to the habit's share, others do not."""
    free = [USUAL, dataclasses.replace(USUAL, taken_along=0.15)]
    curls = np.array(
        [
            [count_pose(s, np.zeros(N_POSE), 1, np.random.default_rng(k))[CURL] for k in range(40)]
            for s in free
        ]
    )
    opened = curls[0] - curls[1]
    assert opened[:, 2].min() > 0.0 and 0.1 < opened[:, 2].max() <= 0.15
    assert np.all(opened[:, [3, 4]] == 0.0)
    assert opened[:, 1].min() >= -0.075 and opened[:, 1].max() < 0.0


def test_some_show_none_by_a_ring_of_all_fingers_and_thumb() -> None:
    """All tips of a ring are near the thumb's, it is turned to be seen, and three in ten do it."""
    rest = np.zeros(N_POSE)
    tips, turns = [], []
    for number, person in enumerate(PEOPLE):
        rng = np.random.default_rng(number)
        own = dataclasses.replace(person.showing, ring=True, keeps_habit=1.0, turned_share=0.0)
        pose = count_pose(own, rest, 0, rng)
        found = _tips(person, pose)
        tips.append(np.linalg.norm(found[1:] - found[0], axis=1) / person.hand_length_mm)
        turns.append(np.degrees(pose[YAW]) * own.thumb_side)
    assert np.quantile(np.array(tips)[:, 0], 0.9) < 18.0 / 190.0
    assert np.array(tips).max() < 90.0 / 190.0
    assert min(turns) > -40.0 and 20.0 < np.mean(turns) < 60.0
    rings = [draw_person(number).showing.ring for number in range(400)]
    assert np.mean(rings) == pytest.approx(RING_FOR_NONE, abs=0.07)


def test_a_picture_asks_for_a_fist() -> None:
    """Who shows none as a picture does makes no ring."""
    ringed = dataclasses.replace(PEOPLE[0].showing, ring=True)
    for seed in range(8):
        pose = count_pose(as_shown(ringed), np.zeros(N_POSE), 0, np.random.default_rng(seed))
        assert np.all(pose[CURL][1:] > 0.7)


HAND = HandActor(build_hand(185.0, 84.0), np.array([80.0, -300.0, 100.0]), 0.5, 0.3, 100.0)


def _flat(pose: np.ndarray, flatness: float) -> np.ndarray:
    flat = pose.copy()
    flat[:, FLATNESS] = flatness
    return flat


def test_an_outline_is_flat_and_as_wide_as_the_hand() -> None:
    """Without relief all lies in one plane, faces along the axis, and covers what the hand does."""
    pose = np.zeros((1, N_POSE))
    pose[0, Z], pose[0, CURL] = 150.0, [0.2, 0.0, 0.3, 1.0, 1.0]
    whole, half, flat = (HAND.place(_flat(pose, flatness)) for flatness in (0.0, 0.5, 1.0))
    np.testing.assert_allclose(flat.points[:2], whole.points[:2])
    np.testing.assert_allclose(flat.points[2], 150.0, rtol=1e-6)
    np.testing.assert_allclose(half.points[2] - 150.0, 0.5 * (whole.points[2] - 150.0), atol=1e-3)
    for placed in (half, flat):
        np.testing.assert_allclose(
            placed.areas * placed.normals[2], whole.areas * whole.normals[2], atol=1e-3
        )
    faces = np.abs(whole.normals[2]) > 0.05
    np.testing.assert_allclose(np.abs(flat.normals[2][faces]), 1.0, rtol=1e-5)
    norm = np.linalg.norm(half.normals, axis=0)
    np.testing.assert_allclose(norm[whole.areas[None] > 1e-3], 1.0, rtol=1e-3)


def test_a_flattened_surface_keeps_right_angles_to_its_normals() -> None:
    """Normals of a flattened sphere are those of the ellipsoid: x : y : z / relief squared."""
    pose = np.zeros((1, N_POSE))
    pose[0, Z] = 150.0
    actor = dataclasses.replace(HAND, elbow_mm=np.array([0.0, -300.0, 150.0]))
    whole, half = (actor.place(_flat(pose, flatness)) for flatness in (0.0, 0.5))
    steps_whole = np.diff(whole.points[:, 0], axis=1)
    steps_half = steps_whole * [[1.0], [1.0], [0.5]]
    along = np.abs((steps_whole * whole.normals[:, 0, 1:]).sum(axis=0)) < 0.05
    tilt = (steps_half * half.normals[:, 0, 1:]).sum(axis=0)[along]
    assert np.abs(tilt).max() < 0.2


def test_some_people_are_outlines_where_shapes_are_held_and_nowhere_else() -> None:
    """One in four is in the round; movements are always those of hands in the round."""
    reliefs = np.array([draw_person(number).showing.relief for number in range(400)])
    assert (reliefs == 1.0).mean() == pytest.approx(0.25, abs=0.06)
    assert reliefs.min() < 0.02 and np.median(reliefs[reliefs < 1.0]) == pytest.approx(
        0.25, abs=0.1
    )
    flat = int(np.argmin(reliefs))
    assert _last_poses("finger_count", flat)[:, FLATNESS].max() == 1.0 - reliefs[flat]
    assert not _last_poses("dynamic", flat)[:, FLATNESS:].any()


def _last_poses(name: str, number: int) -> np.ndarray:
    """Poses at the end of each cue of a script."""
    session = EmulatedSession(load_script(name), number, 3, SENSORS["lensless32"])
    return session.world.timeline.poses(np.array([cue.end_us * 1e-6 for cue in session.cues]))


def test_the_arm_of_an_outline_ends_somewhere_and_nothing_of_it_is_seen_beyond() -> None:
    """What of an arm is not there faces nothing; the rest of the hand stays as it is."""
    pose = np.zeros((2, N_POSE))
    pose[:, Z], pose[1, GONE_MM] = 150.0, FOREARM_MM - 40.0
    placed = HAND.place(pose)
    there = placed.normals.any(axis=0)
    along = HAND.elbow_mm - placed.points[:, 0].T
    assert there[0].all() and not there[1].all()
    far = np.linalg.norm(along, axis=1) < np.linalg.norm(HAND.elbow_mm - [0, -92.5, 150]) - 60.0
    assert not there[1][far].any()
    assert there[1][placed.points[1, 0] > -90.0].all()
    shown = [draw_person(number).showing for number in range(200)]
    ends = [showing.arm_mm for showing in shown if not showing.cut_out]
    assert min(ends) < 15.0 and max(ends) > 235.0
    assert np.mean(ends) == pytest.approx(FOREARM_MM / 2.0, abs=15.0)


def test_either_hand_shows_as_often_and_its_arm_comes_from_its_own_side_or_straight() -> None:
    """Half of the people show with either hand, whichever they write with."""
    people = [draw_person(number) for number in range(400)]
    shows = np.array([person.showing.hand == "right" for person in people])
    writes = np.array([person.handedness == "right" for person in people])
    assert shows.mean() == pytest.approx(0.5, abs=0.07)
    assert shows[writes].mean() == pytest.approx(shows[~writes].mean(), abs=0.2)
    for person in people[:6]:
        script, sensor = load_script("finger_count"), SENSORS["lensless32"]
        hand = EmulatedSession(script, person.number, 3, sensor).world._hand
        assert (hand.hand.side < 0) == (person.showing.hand == "right")
        assert -60.0 <= -hand.hand.side * hand.elbow_mm[0] <= 160.0


@pytest.mark.parametrize(
    ("name", "labels"),
    [("static_shapes", STATIC_SHAPES), ("finger_count_quick", FINGER_COUNTS)],
)
def test_scripts_of_held_shapes_ask_for_what_the_emulated_hand_can_hold(
    name: str, labels: tuple[str, ...]
) -> None:
    """They ask for poses, each as often, which is what makes them scripts of held shapes."""
    script = load_script(name)
    assert script.trial_types == labels and not script.movement
    assert len({cue.repetitions for cue in script.cues}) == 1
    check_acts(script.trial_types)
    assert holds_shapes(schedule(script, 1))
    assert not holds_shapes(schedule(load_script("dynamic"), 1))


def test_quick_counts_give_three_frames_a_take_of_which_two_show_it_held() -> None:
    """At the demo's frame rate frames fall at the same places of every cue, and the last ones late.

    All hands are there at the last frame, and four of five a frame before.
    """
    script = load_script("finger_count_quick")
    times_s = np.arange(200) / STILL_RATE_HZ
    arrived = []
    for person in PEOPLE:
        cues = schedule(script, person.number)
        rng = np.random.default_rng(person.number)
        movements = act(person, cues, rest_pose(person, rng), rng).movements
        for cue, movement in zip(cues, movements, strict=True):
            onset_s, end_s = cue.onset_us * 1e-6, cue.end_us * 1e-6
            seen = times_s[(times_s >= onset_s) & (times_s < end_s)]
            assert seen - onset_s == pytest.approx([0.267, 0.6, 0.933], abs=1e-3)
            arrived.append(seen[1:] >= movement.end_s)
    before, last = np.mean(arrived, axis=0)
    assert last == 1.0 and before > 0.75


def test_an_outline_gives_about_as_much_light_as_the_hand() -> None:
    """Flattening changes how light is spread over the hand, not whether there is any."""
    pose = np.zeros((1, N_POSE))
    pose[0, Z] = 200.0
    grid = AngularGrid()
    ambient = draw_ambient(grid, np.random.default_rng(1)).over(1)
    flat, whole = (
        float(render([HAND.place(_flat(pose, flatness))], grid, ambient, 1.86, 100.0)[0].sum())
        for flatness in (1.0, 0.0)
    )
    assert flat == pytest.approx(whole, rel=0.35) and flat != whole


def test_an_outline_that_is_lit_evenly_is_as_bright_at_its_edge_as_in_its_middle() -> None:
    """The whole share makes a flat wall one brightness, none leaves it, half is in between."""
    grid = AngularGrid()
    wall = ellipsoid((600.0, 600.0, 0.01), 3.0)
    placed = Actor(wall, 0.5).place(np.array([[0.0, 0.0, 150.0]]))
    light = draw_ambient(grid, np.random.default_rng(1)).over(1)
    led = render([placed], grid, light, 0.0, 100.0)[0]
    far = np.degrees(np.arccos(np.clip(grid.directions[:, 2], -1.0, 1.0)))
    edge, middle = (far > 42.0) & (far < 48.0), far < 6.0
    ratios = [
        float(lit[0, edge].mean() / lit[0, middle].mean())
        for lit in (evened(led, grid, share) for share in (0.0, 0.5, 1.0))
    ]
    assert ratios[0] == pytest.approx(np.cos(np.radians(45.0)) ** 4.2, rel=0.05)
    assert ratios[1] == pytest.approx(ratios[0] ** 0.5, rel=0.05)
    assert ratios[2] == pytest.approx(1.0, rel=0.05)


def test_only_outlines_are_lit_evenly() -> None:
    """Of held shapes an outline's light is evened by its own share, a whole hand's never."""
    shares = []
    for person in PEOPLE[:12]:
        asked = person.showing
        held = _last_poses("finger_count", person.number)[:, EVENNESS]
        shares.append(0.0 if asked.relief == 1.0 else asked.evenness)
        np.testing.assert_allclose(held, shares[-1])
    assert max(shares) > 0.8 and 0 < shares.count(0.0) < 8


def _settled(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Differences of frames in which a person holds each shape, (n, 32, 32), and the shapes."""
    sensor = SENSORS["lensless32"]
    session = EmulatedSession(load_script("static_shapes"), number, number, sensor)
    ends = np.array([cue.end_us * 1e-6 for cue in session.cues])
    led, other, factors = session.world.see(ends - 0.05, 0.01, sensor)
    lit, dark = session.bench.expose(led, other, factors, np.random.default_rng(number))
    shapes = [STATIC_SHAPES.index(cue.trial_type) for cue in session.cues]
    return lit.astype(np.float64) - dark, np.array(shapes)


@pytest.mark.slow
def test_shapes_that_others_hold_are_told_by_the_fine_readout_and_not_by_quadrants() -> None:
    """From 60 people, a plain classifier tells most shapes of 20 others; four sums fewer.

    Chance is a fifth, most are three times that, and fewer are less by half of chance.
    """
    made = [_settled(number) for number in range(1, 81)]
    y = np.concatenate([m[1] for m in made])
    seen = np.concatenate([m[0] for m in made])
    old = np.arange(len(y)) < sum(len(m[1]) for m in made[:60])
    right = {}
    for side in (16, 2):
        sums = seen.reshape(-1, side, 32 // side, side, 32 // side).sum(axis=(2, 4))
        x = sums.reshape(len(y), -1)
        x = x / np.abs(x).sum(axis=1, keepdims=True)
        told = make_pipeline(
            PCA(min(48, x.shape[1]), random_state=0), StandardScaler(), SVC(C=10.0)
        )
        right[side] = float((told.fit(x[old], y[old]).predict(x[~old]) == y[~old]).mean())
    assert right[16] > 0.6
    assert right[16] > right[2] + 0.1
