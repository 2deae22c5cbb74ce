"""Invented participants: bodies, skin, habits, each drawn from an explicit generator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from capture.store.dataset import Participant

__all__ = ["FINGERS_UP", "Person", "draw_person", "participant_row"]

# Which fingers people hold up for a count (thumb to little), with the share of people; invented
# shares, usual combinations.
FINGERS_UP: dict[int, tuple[tuple[float, tuple[int, ...]], ...]] = {
    0: ((1.0, (0, 0, 0, 0, 0)),),
    1: ((0.95, (0, 1, 0, 0, 0)), (0.05, (1, 0, 0, 0, 0))),
    2: ((0.93, (0, 1, 1, 0, 0)), (0.07, (1, 1, 0, 0, 0))),
    3: ((0.84, (0, 1, 1, 1, 0)), (0.13, (1, 1, 1, 0, 0)), (0.03, (0, 0, 1, 1, 1))),
    4: ((1.0, (0, 1, 1, 1, 1)),),
    5: ((1.0, (1, 1, 1, 1, 1)),),
}


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
    sleeve_mm : float
        Where the sleeve begins, from the wrist along the forearm.
    counting : tuple
        The fingers that this person holds up for 0 to 5.
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
    sleeve_mm: float
    counting: tuple[tuple[int, ...], ...]


def draw_person(number: int) -> Person:
    """Draw the participant of that number; the same number gives the same person.

    Hand length, reflectance and distance are uniform over their whole ranges, which is harder
    than a population's bell curve; breadth follows length with a spread.
    """
    rng = np.random.default_rng([number, 0x9A1])
    size = rng.uniform()
    breadth = np.clip(size + 0.18 * rng.standard_normal(), 0.0, 1.0)
    counting = tuple(
        options[int(rng.choice(len(options), p=[share for share, _ in options]))][1]
        for options in FINGERS_UP.values()
    )
    tilt = np.radians(rng.normal(0.0, [5.0, 3.5, 3.5]))
    return Person(
        number=number,
        hand_length_mm=round(float(160.0 + 58.0 * size), 1),
        hand_breadth_mm=round(float(70.0 + 29.0 * breadth), 1),
        handedness="left" if rng.uniform() < 0.12 else "right",
        skin_reflectance=round(float(rng.uniform(0.15, 0.68)), 3),
        sleeve_reflectance=round(float(rng.uniform(0.1, 0.7)), 3),
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
        sleeve_mm=float(rng.uniform(0.0, 160.0)),
        counting=counting,
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
