"""How numbers are shown: each measured distribution against its source; the whole as a gauge."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from posed_hands import expose_flat
from sklearn.decomposition import PCA
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.svm import SVC

from capture.cues.script import load_script
from capture.emulated.body.habits import FINGERS_UP, FOLDED_RAD, LEAST_SPREAD, as_shown
from capture.emulated.body.hand import FOREARM_MM, MEAN_HAND, WEBS, Proportions, build_hand
from capture.emulated.body.joints import FULL_CURL_RAD, place_segments
from capture.emulated.body.motion import rest_pose
from capture.emulated.body.people import draw_person
from capture.emulated.body.scene import HandActor
from capture.emulated.body.showing import count_pose
from capture.emulated.body.timeline import (
    CURL,
    FAN,
    FOLD,
    N_POSE,
    PITCH,
    ROLL,
    SHAPE,
    SPREAD,
    THUMB,
    YAW,
    Z,
)
from capture.emulated.optic.optics import SENSORS
from capture.emulated.session import Bench, EmulatedSession

PEOPLE = [draw_person(number) for number in range(300)]
SENSOR = SENSORS["lensless32"]


def _poses(count: int, takes: int = 2) -> np.ndarray:
    poses = []
    for person in PEOPLE:
        rng = np.random.default_rng([person.number, count])
        rest = rest_pose(person, rng)
        poses += [count_pose(person.showing, rest, count, rng) for _ in range(takes)]
    return np.array(poses)


def _fists() -> np.ndarray:
    """Poses of those who show none by a fist: the thumb of a ring is not folded."""
    poses = _poses(0)
    return poses[poses[:, CURL][:, 0] > 0.4]


def test_folded_fingers_bend_as_those_of_a_measured_pose_and_no_farther_than_hands_can() -> None:
    """Nine of ten are between loosest and active range; recorded joints lie about their middle.

    Sources: npm `iwer` 2.5.0, pose "point": 68, 74, 74; 82, 85, 83; 53, 59, 57 degrees. Active
    range 90, 100, 80 degrees: Eaton, "Normal range of motion reference values".
    """
    poses = _fists()
    fold = poses[:, CURL][:, 2, None] * (FULL_CURL_RAD[2] + poses[:, SHAPE][:, FOLD])
    measured = np.radians([72.0, 83.3, 56.3])
    assert np.all(measured > FOLDED_RAD[:, 0]) and np.all(measured < FOLDED_RAD[:, 1])
    slack = np.radians(6.0)
    inside = (fold > FOLDED_RAD[:, 0] - slack) & (fold < FOLDED_RAD[:, 1] + slack)
    assert inside.mean() > 0.9
    assert np.all(np.abs((fold > measured).mean(axis=0) - 0.5) < 0.3)


def _directions(poses: np.ndarray, bone: int = 0) -> np.ndarray:
    """Angle of each finger's bone to the thumb's side, radians, (n_poses, 5), as seen flat."""
    n = len(poses)
    hand = build_hand(185.0, 84.0)
    turns, origins = place_segments(
        hand, np.zeros((n, 3)), np.broadcast_to(np.eye(3), (n, 3, 3)), poses[:, CURL],
        poses[:, SPREAD], np.array([0.0, -300.0, 0.0]), poses[:, SHAPE],
    )  # fmt: skip
    ends = [3 * finger + 1 + bone for finger in range(5)]
    tips = origins[:, ends] + turns[:, ends][..., 1] * hand.bones_mm[:, bone, None]
    along = tips - origins[:, ends]
    return np.arctan2(-along[..., 0], along[..., 1])


def test_open_hands_spread_their_fingers_as_tracked_hands_did() -> None:
    """Gaps between straight fingers have the means of 27 open hands, and differ as people's did.

    Source: SHREC 2017 track, in PyPI `geomstats` 2.8.0, label "expand": index to middle 13.0,
    middle to ring 8.5, ring to little 16.1 degrees, rms 5.9, 8.7, 11.5; a person's
    mean gap 5.9 rms.
    """
    angles = np.degrees(_directions(_poses(5)))
    gaps = angles[:, 1:4] - angles[:, 2:5]
    np.testing.assert_allclose(gaps.mean(axis=0), [13.0, 8.5, 16.1], atol=1.5)
    assert 4.0 < gaps.mean(axis=1).std() < 7.0
    assert np.all(gaps.std(axis=0) < [9.0, 8.7, 11.5])


def test_who_shows_fewer_fingers_spreads_them_less_and_never_more() -> None:
    """Gaps of four fingers are 0.3 to 1 of an open hand's, 0.65 of them on average."""
    gaps = {}
    for count in (4, 5):
        angles = np.degrees(_directions(_poses(count)))
        gaps[count] = (angles[:, 1:4] - angles[:, 2:5]).mean()
    assert gaps[4] / gaps[5] == pytest.approx((LEAST_SPREAD + 1.0) / 2.0, abs=0.08)


def test_thumbs_held_up_stand_off_as_tracked_thumbs_did() -> None:
    """A thumb of an open hand, base to tip, is 54 degrees to its side, 12 to 19 rms.

    Source: SHREC 2017 track, in PyPI `geomstats` 2.8.0, label "expand": 53.6 degrees, 19 rms.
    """
    poses = _poses(5)
    out = np.degrees(_directions(poses)[:, 0])
    assert out.mean() == pytest.approx(53.6, abs=5.0)
    assert 10.0 < out.std() < 19.0


def test_folded_thumbs_lie_where_closing_hands_had_theirs() -> None:
    """Folded thumbs reach from across the palm to half off, within what 26 closing hands had.

    Source: SHREC 2017 track, in PyPI `geomstats` 2.8.0, label "grab": -39 to 61 degrees to the
    side, base to tip.
    """
    poses = np.concatenate([_fists(), _poses(2), _poses(4)])
    folded = poses[poses[:, CURL][:, 0] > 0.4]
    out = np.degrees(_directions(folded)[:, 0])
    assert out.min() > -55.0 and out.max() < 61.0
    assert np.quantile(out, 0.1) < -20.0
    assert np.quantile(out, 0.95) > 5.0
    assert np.ptp(folded[:, SHAPE][:, THUMB][:, 2]) > 0.8


def test_attitudes_stay_within_what_wrists_do_in_daily_tasks() -> None:
    """Hands bend 10 to 20 degrees rms, and 19 of 20 within the 40 that daily tasks take.

    Source: Ryu and others, J. Hand Surg. 16A(3), 409-419, 1991, abstract.
    """
    poses = _poses(3)
    yaw = (poses[:, YAW] + np.pi / 2) % np.pi - np.pi / 2
    for angle in (poses[:, PITCH], yaw, poses[:, ROLL]):
        assert (np.abs(np.degrees(angle)) < 40.0).mean() > 0.95
    assert 10.0 < np.degrees(poses[:, PITCH]).std() < 20.0


def test_people_mostly_keep_their_way_and_show_either_side_of_the_hand() -> None:
    """A habit holds in three of four takes and more; palm and back are as frequent.

    Source: Hohol and others, PeerJ 6:e5878, 2018, abstract: 75 % of 380 people keep theirs.
    """
    kept, back = [], []
    for person in PEOPLE:
        rng = np.random.default_rng(person.number)
        rest = rest_pose(person, rng)
        for _ in range(4):
            pose = count_pose(person.showing, rest, 3, rng)
            up = tuple((pose[CURL] < 0.5).astype(int).tolist())
            assert up in [fingers for _, fingers in FINGERS_UP[3]]
            kept.append(up == person.showing.counting[3])
            back.append(pose[YAW] > np.pi / 2)
    assert 0.75 < np.mean(kept) < 0.95
    assert 0.4 < np.mean(back) < 0.6


def test_fingers_stand_out_of_the_web_as_far_as_measured_ones() -> None:
    """The middle finger is 0.36 to 0.44 of the hand's length from its web to its tip.

    Sources: 0.40 for the hand mesh of npm `@webxr-input-profiles/assets` 1.0.20, whose webs reach
    over 0.43 of the bones; 0.40 as hand length less palm length, ANSUR II, 2012 (from memory).
    """
    shares = []
    for person in PEOPLE[:60]:
        hand = build_hand(190.0, 85.0, proportions=person.proportions)
        web = max(hand.segments[WEBS[k]].points[1].max() for k in (0, 1))
        middle = hand.bones_mm[2].sum()
        shares.append((middle - web) / 190.0)
        assert middle + hand.joints_mm[2, 1] == pytest.approx(190.0, rel=1e-6)
    assert min(shares) > 0.35 and max(shares) < 0.46
    assert np.mean(shares) == pytest.approx(0.40, abs=0.02)


def test_fingers_are_as_broad_as_measured_ones() -> None:
    """Breadths at the index finger's middle joint spread about that of a recorded hand.

    Source: npm `iwer` 2.5.0: radius 8.5 mm in a hand of 191 mm; Greiner, 1991: 23.0 mm of 194.5.
    """
    breadths = []
    for person in PEOPLE:
        hand = build_hand(191.0, 86.0, spacing_mm=2.0, proportions=person.proportions)
        breadths.append(np.ptp(hand.segments[5].points[0]))
    assert min(breadths) < 18.5
    assert np.quantile(breadths, 0.9) < 23.0


def test_sleeves_begin_anywhere_and_one_arm_in_three_is_bare() -> None:
    """A loose sleeve makes the forearm wider from where it begins, and nothing before that."""
    bare = np.mean([p.proportions.sleeve_mm >= 250.0 for p in PEOPLE])
    assert bare == pytest.approx(1.0 / 3.0, abs=0.08)
    loose = Proportions(sleeve_mm=100.0, looseness=0.5)
    plain, sleeved = (
        build_hand(190.0, 85.0, proportions=p).segments[16] for p in (MEAN_HAND, loose)
    )
    near, far = plain.points[1] < 90.0, plain.points[1] > 110.0
    np.testing.assert_allclose(sleeved.points[0][near], plain.points[0][near], atol=0.2)
    assert np.ptp(sleeved.points[0][far]) == pytest.approx(1.5 * np.ptp(plain.points[0][far]), 0.02)


def test_the_fan_of_a_pose_leans_single_fingers() -> None:
    """A finger's share of the fan turns that finger alone, to the thumb's side."""
    poses = np.zeros((2, SHAPE.stop))
    poses[1, SHAPE][FAN] = [0.2, 0.0, 0.0, 0.0]
    angles = _directions(poses)
    np.testing.assert_allclose(angles[1] - angles[0], [0.0, 0.2, 0.0, 0.0, 0.0], atol=1e-9)


def _settled(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Differences of frames in which a person has settled, (n, n_pixels), and the counts shown."""
    session = EmulatedSession(load_script("finger_count"), number, number, SENSOR)
    ends = np.array([cue.end_us * 1e-6 for cue in session.cues])
    led, other, factors = session.world.see(
        np.stack([ends - 0.4, ends - 0.05], 1).ravel(), 0.01, SENSOR
    )
    lit, dark = session.bench.expose(led, other, factors, np.random.default_rng(number))
    counts = [int(cue.trial_type[-1]) for cue in session.cues]
    return lit.astype(np.float64) - dark, np.repeat(counts, 2)


def _features(differences: np.ndarray) -> np.ndarray:
    binned = differences.reshape(-1, 16, 2, 16, 2).sum(axis=(2, 4)).reshape(-1, 256)
    return binned / np.abs(binned).sum(axis=1, keepdims=True) * 256.0


@pytest.mark.slow
def test_who_learns_from_invented_hands_counts_the_fingers_of_a_measured_one() -> None:
    """Told from 100 invented people, flat silhouettes of a measured hand are right in over half.

    Chance is a sixth. Shapes, light and angles share no line with the invented hand.
    """
    made = [_settled(number) for number in range(1, 101)]
    x, y = np.concatenate([m[0] for m in made]), np.concatenate([m[1] for m in made])
    told = make_pipeline(PCA(48, random_state=0), StandardScaler(), SVC(C=10.0, gamma=0.005))
    told.fit(_features(x), y)
    bench, rng = Bench(SENSOR, "unit-a"), np.random.default_rng(11)
    asked = np.arange(240) % 6
    frames = [expose_flat(bench, int(count), 2, rng) for count in asked]
    seen = np.stack([(lit.astype(np.float64) - dark).mean(axis=0) for lit, dark in frames])
    answers = told.predict(_features(seen))
    assert np.mean(answers == asked) > 0.5
    assert np.mean(answers > asked) < 0.35


@pytest.mark.parametrize(("arm_mm", "turned_share"), [(0.0, 0.0), (50.0, 0.0), (20.0, 1.0)])
def test_an_outline_that_is_cut_out_is_placed_by_the_middle_of_its_box(
    arm_mm: float, turned_share: float
) -> None:
    """From where its arm ends to the farthest tip it reaches as far on either side of the axis."""
    showing = dataclasses.replace(
        PEOPLE[0].showing, cut_out=True, relief=0.0, arm_mm=arm_mm, turned_share=turned_share,
        tilt_rad=(0.0, 0.0, 0.0), aside_mm=(0.0, 0.0), ring=False, keeps_habit=1.0, unrest=0.0,
    )  # fmt: skip
    hand = build_hand(189.0, 85.0, showing.hand, proportions=PEOPLE[0].proportions)
    actor = HandActor(hand, np.array([0.0, -300.0, 150.0]), 0.4, 0.4, FOREARM_MM)
    for count in (0, 1, 5):
        rest = np.zeros(N_POSE)
        rest[Z] = 150.0
        placed = actor.place(count_pose(showing, rest, count, np.random.default_rng(1))[None])
        y = placed.points[1, 0][placed.normals[:, 0].any(axis=0)]
        assert y.max() + y.min() == pytest.approx(0.0, abs=24.0)
        assert np.ptp(y) == pytest.approx((110.0 if count == 0 else 189.0) + arm_mm, abs=30.0)


def test_one_outline_in_three_is_cut_out_near_the_wrist_and_no_hand_in_the_round() -> None:
    """What is cut out ends within 50 mm of the wrist, and a picture to follow cuts nothing out."""
    shown = [person.showing for person in PEOPLE]
    outlines = [showing for showing in shown if showing.relief < 1.0]
    assert np.mean([showing.cut_out for showing in outlines]) == pytest.approx(1 / 3, abs=0.1)
    assert not any(showing.cut_out for showing in shown if showing.relief == 1.0)
    ends = [showing.arm_mm for showing in outlines if showing.cut_out]
    assert min(ends) >= 0.0 and 40.0 < max(ends) <= 50.0
    assert not any(as_shown(showing).cut_out for showing in shown)
