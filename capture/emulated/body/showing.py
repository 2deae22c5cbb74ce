"""How people show a number, or hold a shape, with one hand: poses drawn about their habits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from capture.emulated.body.habits import (
    GAPS_RAD,
    LEAST_SPREAD,
    RING_FOR_NONE,
    THUMB_FOLDED,
    THUMB_UP_RAD,
    Showing,
    fingers_for,
    way_of_thumb,
)
from capture.emulated.body.hand import FOREARM_MM
from capture.emulated.body.joints import FULL_CURL_RAD
from capture.emulated.body.timeline import (
    CURL,
    EVENNESS,
    FAN,
    FLATNESS,
    FOLD,
    GONE_MM,
    PITCH,
    ROLL,
    SHAPE,
    SPREAD,
    THUMB,
    YAW,
    X,
    Y,
    Z,
)

__all__ = ["SHAPE_NAMES", "count_pose", "shape_pose"]

Doubles = npt.NDArray[np.float64]

SHAPE_NAMES = ("fist", "flat", "pinch", "point", "thumb")
"""Static shapes that an invented hand holds."""

_MOST_TURNED_RAD = np.radians(80.0)  # of a ring, the thumb to the sensor; all of it would hide it
_FOLD = 0.6  # curl of a folded thumb: its joints bend by 9, 16 and 22 degrees
_OUT_AT_REST_RAD, _FRONT_AT_REST_RAD = np.radians(50.0), np.radians(12.0)  # the joints' zero
_CURL_TO_THUMB_RAD = np.radians([85.0, -5.0, 0.0])  # what curl does to a thumb
_UP = {"fist": (0, 0, 0, 0, 0), "flat": (0, 1, 1, 1, 1), "point": (0, 1, 0, 0, 0),
       "thumb": (1, 0, 0, 0, 0)}  # fmt: skip
# Where the palm's and a stretched hand's middle are from the wrist, over the hand's length:
# knuckles are at 0.49 (Buryanov and Kotiuk, as in `hand`), folded fingers reach a little farther.
# A thumb that stands off moves the middle aside: its tip is 0.46 from the axis (0.73 from the
# wrist, less the palm, at its angle), the palm's edge 0.22.
_HAND_MIDDLE, _PALM_MIDDLE, _USUAL_LENGTH_MM = 0.5, 0.29, 189.0
_THUMB_ASIDE = 0.12
_FIST_TOP = 0.55  # of the length, from the wrist: the knuckles and a bone's thickness


def count_pose(showing: Showing, rest: Doubles, count: int, rng: np.random.Generator) -> Doubles:
    """Return the pose in which a person shows a count one time.

    Parameters
    ----------
    showing : Showing
        The person's habits.
    rest : float64 array, shape (n_pose,)
        Where the hand hovers, with the fingers' curl at rest.
    count : int
        0 to 5.
    rng : Generator
        For what differs from take to take.
    """
    kept = rng.uniform() < showing.keeps_habit
    if count == 0 and (showing.ring if kept else rng.uniform() < RING_FOR_NONE):
        return _ring(showing, rest, rng)
    up = np.array(showing.counting[count] if kept else fingers_for(count, rng), bool)
    return _held(showing, rest, up, rng)


def shape_pose(showing: Showing, rest: Doubles, shape: str, rng: np.random.Generator) -> Doubles:
    """Return the pose in which a person holds a static shape one time.

    A fist and a pointing finger are those of the counts none and one; a flat hand keeps its fingers
    and thumb together; a thumb held up leaves the fingers folded; a pinch is held with the tips of
    thumb and index finger, the other fingers bent about as much (npm `iwer` 2.5.0 has its pose
    "pinch" so; the angles here are this hand's, by where its tips meet).

    Parameters
    ----------
    shape : str
        One of `SHAPE_NAMES`; the others are as for `count_pose`.
    """
    if shape == "pinch":
        return _pinched(showing, rest, rng)
    pose = _held(showing, rest, np.array(_UP[shape], bool), rng)
    if shape == "flat":
        together = rng.uniform(0.0, 0.35)
        pose[SPREAD] *= together
        pose[SHAPE][FAN] *= together
        # The thumb lies along the palm's edge.
        out, front = np.radians([rng.uniform(8.0, 28.0), rng.uniform(0.0, 15.0)])
        pose[CURL.start] = 0.0
        pose[SHAPE][THUMB] = _own_thumb(out, front, np.radians(rng.normal(0.0, 8.0)), pose[SPREAD])
    return pose


def _own_thumb(out: float, front: float, bend: float, spread_rad: float) -> Doubles:
    """Return the thumb's share of a shape: what is more than a straight thumb's at rest."""
    return np.array([out - _OUT_AT_REST_RAD - 0.5 * spread_rad, front - _FRONT_AT_REST_RAD, bend])


def _pinched(showing: Showing, rest: Doubles, rng: np.random.Generator) -> Doubles:
    pose = _held(showing, rest, np.array((1, 0, 0, 0, 0), bool), rng)
    bends = np.radians([50.0, 54.0, 28.0]) + np.radians(rng.normal(0.0, 3.0, 3))
    pose[CURL] = [0.0, 0.55, *(0.55 + rng.uniform(-0.25, 0.2) + rng.normal(0.0, 0.04, 3))]
    pose[SHAPE][FOLD] = bends / 0.55 - FULL_CURL_RAD[1]
    pose[SPREAD] *= 0.5
    pose[SHAPE][FAN] *= 0.5
    out, front, bend = np.radians(rng.normal([13.0, 40.0, 16.0], [2.0, 2.0, 5.0]))
    pose[SHAPE][THUMB] = _own_thumb(out, front, bend, pose[SPREAD])
    return pose


def _ring(showing: Showing, rest: Doubles, rng: np.random.Generator) -> Doubles:
    """Return a pinch that all fingers take part in, turned by anything up to seen from its side."""
    pose = _pinched(showing, rest, rng)
    pose[CURL][2:] = pose[CURL][1] + rng.normal(0.0, 0.04, 3)
    together = rng.uniform(0.0, 0.35)
    pose[SPREAD] *= together
    pose[SHAPE][FAN] *= together
    pose[YAW] += showing.thumb_side * rng.uniform(0.0, _MOST_TURNED_RAD)
    return pose


def _held(
    showing: Showing, rest: Doubles, up: npt.NDArray[np.bool_], rng: np.random.Generator
) -> Doubles:
    """Return a pose with some fingers straight and the others folded, thumb to little finger."""
    pose = rest.copy()
    pose[[X, Y]] += showing.aside_mm + showing.unrest * rng.normal(0.0, [4.0, 5.0])
    pose[Z] *= rng.uniform(0.94, 1.06)
    unrest = showing.unrest * np.radians(rng.normal(0.0, [4.0, 8.0, 5.0]))
    pose[[ROLL, PITCH, YAW]] += showing.tilt_rad + unrest
    turned = rng.uniform() < showing.turned_share
    _centre(showing, pose, up, turned)
    if turned:
        pose[YAW] += np.pi
    straight = np.abs(rng.normal(0.05, 0.05, 5)) + 0.3 * rest[CURL]
    pose[CURL] = np.where(up, straight, 1.0 - np.abs(rng.normal(0.0, 0.06, 5)))
    pose[CURL][1:] += _taken_along(showing, up[1:], rng)
    shape = pose[SHAPE]
    shape[FOLD] = showing.folded_rad + np.radians(rng.normal(0.0, 6.0, 3)) - FULL_CURL_RAD[1]
    wide = float(rng.lognormal(0.0, 0.15))  # as wide as ten in 68 times 1.16: assumed
    wide *= 1.0 if up.all() else rng.uniform(LEAST_SPREAD, 1.0)
    gaps = GAPS_RAD + showing.gap_rad + np.radians(rng.normal(0.0, 4.0, 3))
    gaps = np.maximum(wide * gaps, 0.0)
    pose[SPREAD] = gaps.mean()
    # The fan leans each finger from where an even spread would put it; the middle one stays.
    places = np.cumsum([0.0, *(pose[SPREAD] - gaps)])
    shape[FAN] = places - places[1] + np.radians(rng.normal(0.0, 1.5, 4))
    shape[THUMB] = _thumb(showing, bool(up[0]), pose[SPREAD], rng)
    if not up[0]:
        pose[CURL.start] = _FOLD
    shape[THUMB] += pose[CURL.start] * _CURL_TO_THUMB_RAD
    if showing.relief < 1.0:
        outline = 1.0 - showing.relief, showing.evenness, FOREARM_MM - showing.arm_mm
        pose[[FLATNESS, EVENNESS, GONE_MM]] = outline
    return pose


def _centre(showing: Showing, pose: Doubles, up: npt.NDArray[np.bool_], turned: bool) -> None:
    """Bring above the sensor what the person is used to: the hand's middle, or what is shown.

    With a finger straight the middle of what is shown is about the hand's; without one, the
    palm's. Above a half of the habit, a palm is brought there whatever the fingers do. Of an
    outline that is cut out it is the middle of its box, from where its arm ends to the tips.
    """
    centred = showing.centred
    share = centred if not up[1:].any() else max(0.0, 2.0 * centred - 1.0)
    along_mm = share * (_HAND_MIDDLE - _PALM_MIDDLE) * _USUAL_LENGTH_MM
    if showing.cut_out:
        centred, top = 1.0, 1.0 if up[1:].any() else _FIST_TOP
        along_mm = (_HAND_MIDDLE - 0.5 * top) * _USUAL_LENGTH_MM + 0.5 * showing.arm_mm
    aside_mm = centred * _THUMB_ASIDE * _USUAL_LENGTH_MM * bool(up[0])
    aside_mm *= showing.thumb_side if turned else -showing.thumb_side
    cos, sin = np.cos(pose[ROLL]), np.sin(pose[ROLL])
    pose[X] += cos * aside_mm - sin * along_mm
    pose[Y] += sin * aside_mm + cos * along_mm


def _taken_along(showing: Showing, up: npt.NDArray[np.bool_], rng: np.random.Generator) -> Doubles:
    """Return how much each of four fingers' curl is nearer to that of an unlike neighbour."""
    beside = np.concatenate([[up[0]], up, [up[-1]]])
    unlike = (beside[:-2] != up) | (beside[2:] != up)
    by = showing.taken_along * rng.uniform(0.0, 1.0, 4)
    # A straight finger bends half as far as a folded one opens: people look at what they show.
    return np.where(unlike, np.where(up, 0.5 * by, -by), 0.0)


def _thumb(showing: Showing, up: bool, spread_rad: float, rng: np.random.Generator) -> Doubles:
    """Return the thumb's share of a shape: out, front and bend over those of a straight thumb."""
    if up:
        about = np.array(showing.thumb_up_rad) + 0.8 * THUMB_UP_RAD[:, 1] * rng.standard_normal(2)
        out, front = np.clip(about, np.radians([25.0, 0.0]), np.radians([82.0, 45.0]))
        bend = np.radians(rng.normal(0.0, 10.0))
    else:
        kept = rng.uniform() < showing.keeps_habit
        _, side, bends = THUMB_FOLDED[showing.thumb_folded if kept else way_of_thumb(rng)]
        out, bend = np.radians([rng.uniform(*side), rng.uniform(*bends)])
        front = np.radians(rng.uniform(5.0, 35.0))
    return _own_thumb(out, front, bend, spread_rad)
