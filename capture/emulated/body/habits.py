"""What people are used to when they show something with one hand: fingers, folds, side, place.

What is drawn for a person is a habit; each take is drawn about it (`showing`). What each draw rests
on:

- bend of folded fingers: from 0.75 of the functional range's upper end, 71, 87 and 64 degrees (Bain
  and others, "The functional range of motion of the finger joints", J. Hand Surg. Eur. 40(4),
  406-411, 2015, abstract), to the active range, 90, 100 and 80 (Eaton, "Normal range of motion
  reference values", Electronic Textbook of Hand Surgery). Between them lie the folded fingers of
  the pose "point" in npm `iwer` 2.5.0: 68 to 74, 82 to 85 and 53 to 59;
- fingers that take their neighbours along: ring and little finger least of all move alone
  (Haeger-Ross and Schieber, "Quantifying the independence of human finger movements", J. Neurosci.
  20(22), 2000, from memory); by how much, up to 0.15 of a whole bend, is assumed;
- spread of straight fingers: gaps of 13.0, 8.5 and 16.1 degrees, people's means 5.9 rms apart: 27
  open hands of the SHREC 2017 track in PyPI `geomstats` 2.8.0, first bones in the palm's plane. The
  tracker's noise is in the spread of single gaps (5.9 to 11.5), which is taken smaller;
- thumb held up: base to tip 53.6 degrees to its side, 19 rms, and 22 to the front, 9 rms (as
  above);
- thumb folded: -38 to 30 degrees to its side: 26 closing hands of the same source have 18.6, 30
  rms, -39 to 61, and `iwer`'s "point" 45; how often it lies across the palm is invented;
- spread of fewer fingers: those people were asked to open the hand, and who shows two is not; from
  0.3 of these gaps to all of them is assumed;
- attitude: wrists bend within the 40 degrees either way, and 40 from side to side, that daily tasks
  take (Ryu and others, "Functional ranges of motion of the wrist joint", J. Hand Surg. 16A(3),
  409-419, 1991, abstract); 12 degrees rms is a uniform spread over those 40;
- which fingers: usual combinations, shares invented, but that three is shown from the index finger
  or from the thumb about as often: the one in one country, the other in the next (Pika and
  others, "How to order a beer", J. Cross-Cultural Psychol. 40(1), 2009, from memory). A habit holds
  in three of four takes: 75 % of
  380 people keep theirs (Hohol and others, "A large-scale survey on finger counting routines",
  PeerJ 6:e5878, 2018, abstract);
- none: a fist, or the ring of fingers and thumb that is the sign for zero in American Sign Language
  and others (from memory); by how many is invented;
- which hand shows: either, as often, and whichever somebody writes with. Two thirds of 445 people
  in Scotland begin to count on the left hand, whatever their handedness (Fischer, "Finger counting
  habits modulate spatial-numerical associations", Cortex 44, 2008, as told of it), and 82 % of
  Italians and French on the right (Di Luca and others 2006; Sato and others 2007; Sato and Lalain
  2008, as quoted in Lindemann, Alipour and Fischer, J. Cross-Cultural Psychol. 42(4), 2011);
- forearm: the hand leans with it by any share of its lean: assumed, as people at a table turn the
  hand to the elbow's side or bend the wrist;
- which side of the hand, where it is held, and whether its palm or the middle of what it shows is
  brought above the sensor: assumed. A hand hides the sensor that it is held above: people are taken
  to be a centimetre off, rms;
- relief and evenness: beside hands the optic meets their outlines, of photographs (`palmwatt
  rehearse`), which are flat, and which somebody may show as evenly lit as they are in a picture.
  Who has met hands in the round only tells them by shading that no outline has, and who has met
  one LED only tells palm from fingers by how its light falls off. One in four is in the round, the
  others anything down to flat, the flatter the more, and lit anyhow between as the LED does and
  evenly: invented;
- arms of outlines: a picture ends somewhere, and skin ends at a sleeve. What is beyond is not there
  at all, from the wrist on or from anywhere along the forearm: invented;
- outlines cut out: whoever cuts a hand out of a picture ends near the wrist, and whoever places the
  cutting and knows nothing of hands takes the middle of its box, so that a fist comes higher above
  the sensor than a stretched hand, and either higher the more arm is left. One outline in three,
  with up to a quarter of a hand's length of arm: invented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from capture.emulated.body.hand import FOREARM_MM

__all__ = [
    "ARM_CUT_OUT_MM",
    "CUT_OUT",
    "FINGERS_UP",
    "FOLDED_RAD",
    "GAPS_RAD",
    "LEAST_SPREAD",
    "RING_FOR_NONE",
    "THUMB_FOLDED",
    "THUMB_UP_RAD",
    "Showing",
    "as_shown",
    "draw_showing",
    "fingers_for",
    "way_of_thumb",
]

Doubles = npt.NDArray[np.float64]

# Which fingers people hold up for a count (thumb to little), with the share of people.
FINGERS_UP: dict[int, tuple[tuple[float, tuple[int, ...]], ...]] = {
    0: ((1.0, (0, 0, 0, 0, 0)),),
    1: ((0.94, (0, 1, 0, 0, 0)), (0.06, (1, 0, 0, 0, 0))),
    2: ((0.92, (0, 1, 1, 0, 0)), (0.08, (1, 1, 0, 0, 0))),
    3: ((0.5, (0, 1, 1, 1, 0)), (0.42, (1, 1, 1, 0, 0)), (0.08, (0, 0, 1, 1, 1))),
    4: ((1.0, (0, 1, 1, 1, 1)),),
    5: ((1.0, (1, 1, 1, 1, 1)),),
}
RING_FOR_NONE = 0.3
"""Share of people who show none by a ring of fingers and thumb."""
RIGHT_HAND_SHOWS = 0.5
"""Share of people who show numbers with the right hand."""
KEEPS_HABIT = 0.75

FOLDED_RAD = np.radians([[0.75 * 71.0, 90.0], [0.75 * 87.0, 100.0], [0.75 * 64.0, 80.0]])
"""Bend of the three joints of a folded finger: least and most."""
GAPS_RAD, GAP_SPREAD_RAD = np.radians([13.0, 8.5, 16.1]), float(np.radians(5.9))
"""Angle between neighbouring straight fingers, index to little, and how people differ in it."""
LEAST_SPREAD = 0.3
"""Of these gaps, where fewer than all fingers are shown."""
THUMB_UP_RAD = np.radians([[53.6, 19.0], [22.0, 9.0]])
"""Straight thumb to its side and to the palm's front: mean and rms over people."""
THUMB_FOLDED = (
    (0.6, (-38.0, -8.0), (-10.0, 45.0)),  # across the palm, over the folded fingers
    (0.3, (-8.0, 14.0), (-35.0, 15.0)),  # along the index finger
    (0.1, (14.0, 30.0), (0.0, 45.0)),  # half off
)
"""Folded thumbs: share, then least and most of the angle to the side, and of the bend beyond that
of a thumb folded as a habit has it, degrees."""
ARM_IN_PICTURE_MM = 0.0, FOREARM_MM
"""Where the arm of an outline ends: at a sleeve or at the picture's edge."""
ARM_CUT_OUT_MM = 0.0, 50.0
"""Where it ends in an outline that is cut out at the wrist."""
CUT_OUT = 1.0 / 3.0
"""Share of outlines that are cut out at the wrist and placed by the middle of their box."""
_IN_THE_ROUND = 0.25
_MOST_TAKEN_ALONG = 0.15


@dataclass(frozen=True, slots=True)
class Showing:
    """A person's habits of showing numbers and shapes.

    Parameters
    ----------
    counting : tuple
        The fingers held up for 0 to 5.
    folded_rad : tuple of float
        Bend of a folded finger's three joints.
    gap_rad : float
        How much more than usual the fingers are spread, each gap.
    thumb_folded : int
        Which of the ways a thumb is folded.
    thumb_up_rad : tuple of float
        Straight thumb to its side and to the palm's front.
    turned_share : float
        Share of takes that show the back of the hand instead of the palm.
    tilt_rad : tuple of float
        Attitude of the hand about z, x and y.
    aside_mm : tuple of float
        Where the hand is held, x and y.
    taken_along : float
        Share of a whole bend by which a finger goes along with a neighbour, at most.
    centred : float
        What is brought above the sensor: 0 the middle of the stretched hand, 1 that of what is
        shown; in between, on the way.
    thumb_side : int
        Sign of x where the thumb is, the palm towards the sensor.
    relief : float
        Depth of the hand over that of one in the round: 1, or less, down to 0 for an outline.
    evenness : float
        How evenly an outline is lit: 0 as the LED does, 1 as in a picture, the same everywhere.
        It means nothing for a hand in the round.
    ring : bool
        Whether none is shown by a ring of fingers and thumb, not by a fist.
    arm_mm : float
        Where an outline's arm ends, from the wrist. It means nothing for a hand in the round.
    cut_out : bool
        Whether an outline is cut out at the wrist and placed by the middle of its box.
    along_arm : float
        Share of the forearm's lean by which the hand leans too.
    keeps_habit : float
        Share of takes in which fingers and thumb are those of the habit.
    unrest : float
        How much attitude and place differ from take to take, over what is usual.
    """

    counting: tuple[tuple[int, ...], ...]
    folded_rad: tuple[float, float, float]
    gap_rad: float
    thumb_folded: int
    thumb_up_rad: tuple[float, float]
    turned_share: float
    tilt_rad: tuple[float, float, float]
    aside_mm: tuple[float, float]
    taken_along: float = 0.0
    centred: float = 0.0
    thumb_side: int = -1
    relief: float = 1.0
    evenness: float = 0.0
    ring: bool = False
    arm_mm: float = FOREARM_MM
    cut_out: bool = False
    along_arm: float = 0.0
    keeps_habit: float = KEEPS_HABIT
    unrest: float = 1.0

    @property
    def hand(self) -> str:
        """Which hand shows: ``right`` or ``left``."""
        return "right" if self.thumb_side < 0 else "left"


def fingers_for(count: int, rng: np.random.Generator) -> tuple[int, ...]:
    """Draw which fingers somebody holds up for a count, thumb to little finger."""
    options = FINGERS_UP[count]
    return options[int(rng.choice(len(options), p=[share for share, _ in options]))][1]


def way_of_thumb(rng: np.random.Generator) -> int:
    """Draw one of the ways to fold a thumb, an index of `THUMB_FOLDED`."""
    return int(rng.choice(len(THUMB_FOLDED), p=[share for share, *_ in THUMB_FOLDED]))


def draw_showing(rng: np.random.Generator) -> Showing:
    """Draw somebody's habits."""
    thumb_up = rng.normal(THUMB_UP_RAD[:, 0], 0.6 * THUMB_UP_RAD[:, 1])
    folded = rng.uniform(FOLDED_RAD[:, 0], FOLDED_RAD[:, 1])
    tilt = np.radians(rng.normal(0.0, [12.0, 10.0, 6.0]))
    aside = rng.normal(0.0, 10.0, 2)
    counting = tuple(fingers_for(count, rng) for count in FINGERS_UP)
    gap = float(np.clip(rng.normal(0.0, GAP_SPREAD_RAD), -0.12, 0.3))
    showing = Showing(
        counting=counting,
        folded_rad=(float(folded[0]), float(folded[1]), float(folded[2])),
        gap_rad=gap,
        thumb_folded=way_of_thumb(rng),
        thumb_up_rad=(float(thumb_up[0]), float(thumb_up[1])),
        turned_share=float(rng.uniform(0.0, 1.0)),
        tilt_rad=(float(tilt[0]), float(tilt[1]), float(tilt[2])),
        aside_mm=(float(aside[0]), float(aside[1])),
        taken_along=float(rng.uniform(0.0, _MOST_TAKEN_ALONG)),
        centred=float(rng.uniform(0.0, 1.0)),
        relief=1.0 if rng.uniform() < _IN_THE_ROUND else float(rng.uniform(0.0, 1.0) ** 2),
        evenness=float(rng.uniform(0.0, 1.0)),
        ring=bool(rng.uniform() < RING_FOR_NONE),
        arm_mm=float(rng.uniform(*ARM_IN_PICTURE_MM)),
        along_arm=float(rng.uniform(0.0, 1.0)),
        thumb_side=-1 if rng.uniform() < RIGHT_HAND_SHOWS else 1,
    )
    if showing.relief == 1.0 or rng.uniform() >= CUT_OUT:
        return showing
    return replace(showing, cut_out=True, arm_mm=float(rng.uniform(*ARM_CUT_OUT_MM)))


def as_shown(showing: Showing) -> Showing:
    """Return how the person shows numbers when a picture says how, and they look at it.

    Which fingers, which side and where the thumb lies are the picture's, and the stretched hand's
    middle is above the sensor; proportions, folds, the spread of fingers and a straight thumb stay
    the person's own. Attitude and place are half as far from the picture as from an own habit:
    assumed.
    """
    yaw, roll, pitch = showing.tilt_rad
    x, y = showing.aside_mm
    return replace(
        showing,
        counting=tuple(options[0][1] for options in FINGERS_UP.values()),
        thumb_folded=0,
        turned_share=0.0,
        tilt_rad=(0.5 * yaw, 0.5 * roll, 0.5 * pitch),
        aside_mm=(0.5 * x, 0.5 * y),
        centred=0.0,
        cut_out=False,
        ring=False,
        keeps_habit=1.0,
        unrest=0.5,
    )
