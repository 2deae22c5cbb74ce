"""Invented participants: bodies, skin, habits, each drawn from an explicit generator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.emulated.body.habits import Showing, draw_showing
from capture.emulated.body.hand import FOREARM_MM, Proportions
from capture.store.dataset import Participant

__all__ = ["Person", "draw_person", "participant_row", "wears_sleeve"]


@dataclass(frozen=True, slots=True)
class Person:
    """One invented participant.

    Parameters
    ----------
    number : int
        Participant's number; everything else follows from it.
    hand_length_mm, hand_breadth_mm : float
        160 to 218 and 70 to 99 mm, the 1st to 99th percentile of ANSUR II (2012).
    handedness : str
        ``right`` or ``left``.
    skin_reflectance, sleeve_reflectance : float
        Diffuse, at the LED's wavelength; skin 0.15 to 0.68.
    distance_mm : float
        Usual distance of the hand, 95 to 230 mm; sessions and gestures spread it to 55 to 330.
    gesture_s : float
        Usual length of a gesture, 0.2 to 0.8 s.
    reaction_s : float
        Usual time from a cue to the movement.
    reach_mm : float
        Usual length of a swipe.
    roll_rad, pitch_rad, yaw_rad : float
        Usual attitude of the hand about z, x and y.
    curl, spread_rad : float
        Rest of the fingers.
    return_style : float
        How far the hand is drawn back and lowered after a swipe, 0 to 1.
    wrist_share : float
        Share of a swipe that comes from turning the wrist.
    proportions : Proportions
        In what the hand and the forearm differ from the mean of their length and breadth.
    showing : Showing
        Habits of showing numbers.
    """

    number: int
    hand_length_mm: float
    hand_breadth_mm: float
    handedness: str
    skin_reflectance: float
    sleeve_reflectance: float
    distance_mm: float
    gesture_s: float
    reaction_s: float
    reach_mm: float
    roll_rad: float
    pitch_rad: float
    yaw_rad: float
    curl: float
    spread_rad: float
    return_style: float
    wrist_share: float
    proportions: Proportions
    showing: Showing


def draw_person(number: int) -> Person:
    """Draw the participant of that number; the same number gives the same person.

    Hand length, reflectance and distance are uniform over their whole ranges, which is harder
    than a population's bell curve; breadth follows length with a spread.
    """
    rng, own = (np.random.default_rng([number, key]) for key in (0x9A1, 0x9A2))
    size = rng.uniform()
    breadth = np.clip(size + 0.18 * rng.standard_normal(), 0.0, 1.0)
    rng.random(6)  # not used any more; without them bodies would not be those of older recordings
    tilt = np.radians(rng.normal(0.0, [5.0, 3.5, 3.5]))
    left = rng.uniform() < 0.12
    return Person(
        number=number,
        hand_length_mm=round(float(160.0 + 58.0 * size), 1),
        hand_breadth_mm=round(float(70.0 + 29.0 * breadth), 1),
        handedness="left" if left else "right",
        skin_reflectance=round(float(rng.uniform(0.15, 0.68)), 3),
        sleeve_reflectance=round(float(rng.uniform(0.03, 0.7)), 3),
        distance_mm=float(np.exp(rng.uniform(np.log(95.0), np.log(230.0)))),
        gesture_s=float(rng.uniform(0.28, 0.65)),
        reaction_s=float(rng.uniform(0.2, 0.32)),
        reach_mm=float(rng.uniform(110.0, 200.0)),
        roll_rad=float(tilt[0]),
        pitch_rad=float(tilt[1]),
        yaw_rad=float(tilt[2]),
        curl=float(rng.uniform(0.02, 0.25)),
        spread_rad=float(np.radians(rng.uniform(3.0, 10.0))),
        return_style=float(rng.uniform(0.2, 1.0)),
        wrist_share=float(rng.uniform(0.0, 0.6)),
        proportions=_draw_proportions(own),
        showing=draw_showing(own),
    )


def _draw_proportions(rng: np.random.Generator) -> Proportions:
    """Draw what a hand has of its own.

    Fingers are between as long as Buryanov and Kotiuk's bones and 1.05 times that, as those of the
    hand in npm `iwer` 2.5.0 are for its length. Single ones differ by 2.2 %, so that two over one
    another do by 0.03, as index over ring finger does (Manning and others, Human Reproduction
    13(11), 1998, from memory). Breadths are between Greiner's, taken with calipers, and 0.8 of
    them; the radii of `iwer` are 0.86. What of a finger stands out beyond the web is 0.37 to 0.43
    of the hand's length: 0.40 there with webs at 0.43 of the bones beside them, as the mesh in npm
    `@webxr-input-profiles/assets` 1.0.20 has, and about 0.40 from the crease (ANSUR II, 2012, hand
    length less palm length, from memory). Forearms and sleeves are assumed: one arm in three is
    bare.
    """
    lengths = rng.uniform(1.0, 1.05) + 0.022 * rng.standard_normal(5)
    bare = rng.uniform() < 1.0 / 3.0
    return Proportions(
        finger_lengths=tuple(lengths.tolist()),
        finger_breadth=float(rng.uniform(0.8, 1.0)),
        web=float(rng.uniform(0.28, 0.44)),
        forearm=float(rng.uniform(0.85, 1.15)),
        sleeve_mm=FOREARM_MM if bare else float(rng.uniform(0.0, 160.0)),
        looseness=float(rng.uniform(0.0, 0.5)),
    )


def participant_row(number: int, *, locked: bool) -> Participant:
    """Return an invented person's row in a data set, with the hand that the sensor will see."""
    person = draw_person(number)
    return Participant(
        participant_id=f"P{number:02d}",
        consent=True,
        hand_length_mm=person.hand_length_mm,
        hand_breadth_mm=person.hand_breadth_mm,
        handedness=person.handedness,
        skin_reflectance=person.skin_reflectance,
        locked=locked,
    )


def wears_sleeve(number: int) -> bool:
    """Return whether an invented person's forearm is covered, from some way behind the wrist on."""
    return draw_person(number).proportions.sleeve_mm < FOREARM_MM
