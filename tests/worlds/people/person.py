"""People who differ: hands, skin, sleeves, places, tempo and habits. All of them are invented."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

__all__ = ["COUNTS", "Person", "Range", "Temper", "draw_person", "moved", "shown_fingers"]

COUNTS: dict[int, tuple[tuple[str, float], ...]] = {
    0: (("", 1.0),),
    1: (("I", 0.85), ("T", 0.15)),
    2: (("IM", 0.75), ("TI", 0.25)),
    3: (("IMR", 0.55), ("TIM", 0.35), ("MRL", 0.10)),
    4: (("IMRL", 1.0),),
    5: (("TIMRL", 1.0),),
}
"""Ways of showing a number, by the fingers that are stretched, and how usual each is (invented)."""

Range = tuple[float, float]

SLEEVES: Range = (0.08, 0.75)
"""Their reflectance."""


@dataclass(frozen=True)
class Temper:
    """From which ranges a world's people are drawn.

    Parameters
    ----------
    distance_mm, place_mm : Range
        Height of the hand at rest, and how far off the middle it may be.
    tempo : Range
        Lengths of all movements are divided by it.
    reaction_s : Range
    reach_mm, depth_mm, radius_mm : Range
        Half a swipe, a push's way, a circle's radius.
    wrist : Range
        Share of a swipe that is a turn of the wrist, at most a radian.
    arc_mm : Range
        How far a swipe dips towards the sensor.
    before : Range
        Share of the way that getting ready takes back.
    turn : Range
        Of the forearm against straight ahead, radians; mirrored for the left hand.
    tilt : Range
        Pitch and roll of the hand at rest, radians.
    reflectance : Range
    away : tuple of float
        How often the hand leaves between takes: one of these for each person.
    """

    distance_mm: Range
    place_mm: float
    tempo: Range
    reaction_s: Range
    reach_mm: Range
    depth_mm: Range
    radius_mm: Range
    wrist: Range
    arc_mm: Range
    before: Range
    turn: Range
    tilt: Range
    reflectance: Range
    away: tuple[float, ...]


@dataclass(frozen=True)
class Person:
    """One invented person; ranges in `Temper`."""

    size: float
    girth: float
    left: bool
    reflectance: float
    sleeve_reflectance: float
    bare_mm: float
    x: float
    y: float
    z: float
    tempo: float
    reaction_s: float
    reach_mm: float
    depth_mm: float
    radius_mm: float
    wrist: float
    arc_mm: float
    before: float
    turn: float
    pitch: float
    roll: float
    bent: float
    spread: float
    folded: float
    looseness: float
    variation: float
    away: float
    leaves_to: tuple[float, float]
    shows: tuple[str, ...]
    phase: float
    style: float


def moved(person: Person, rng: np.random.Generator, temper: Temper) -> Person:
    """Return the same person another day: at another place and height, with another sleeve."""

    def within(bounds: Range) -> float:
        return float(rng.uniform(*bounds))

    place = (-temper.place_mm, temper.place_mm)
    return replace(
        person,
        x=within(place),
        y=within(place),
        z=within(temper.distance_mm),
        turn=within(temper.turn) * (-1 if person.left else 1),
        pitch=within(temper.tilt),
        roll=within(temper.tilt),
        sleeve_reflectance=within(SLEEVES),
        bare_mm=_bare_mm(rng),
    )


def _bare_mm(rng: np.random.Generator) -> float:
    """Return how much of the forearm no sleeve covers."""
    return float(rng.choice([0.0, 25.0, 60.0, 400.0]) + rng.uniform(0, 15))


def draw_person(rng: np.random.Generator, temper: Temper) -> Person:
    """Draw one person.

    Sizes spread by 6 % about the middle: hand lengths of men and women together have a mean of
    about 187 mm and a spread of about 11 mm (C. Gordon et al., 2012 Anthropometric Survey of U.S.
    Army Personnel, NATICK/TR-15/007, 2014, from memory); one person in ten is left-handed
    (M. Papadatou-Pastou et al., Psychol. Bull. 146, 2020: 10.6 %, from memory).
    """
    left = bool(rng.random() < 0.106)
    shows = tuple(
        str(rng.choice([w for w, _ in ways], p=[p for _, p in ways])) for ways in COUNTS.values()
    )
    angle = rng.uniform(-0.7, 0.7) + (np.pi if left else 0.0)
    sideways = float(rng.random() < 0.5)
    leaves_to = (
        (float(300 * np.cos(angle)), -150.0)
        if sideways
        else (float(rng.uniform(-80, 80)), -float(rng.uniform(260, 330)))
    )

    def within(bounds: Range) -> float:
        return float(rng.uniform(*bounds))

    return Person(
        size=float(np.clip(1 + 0.06 * rng.standard_normal(), 0.82, 1.18)),
        girth=float(np.clip(1 + 0.08 * rng.standard_normal(), 0.8, 1.25)),
        left=left,
        reflectance=within(temper.reflectance),
        sleeve_reflectance=within(SLEEVES),
        bare_mm=_bare_mm(rng),
        x=within((-temper.place_mm, temper.place_mm)),
        y=within((-temper.place_mm, temper.place_mm)),
        z=within(temper.distance_mm),
        tempo=within(temper.tempo),
        reaction_s=within(temper.reaction_s),
        reach_mm=within(temper.reach_mm),
        depth_mm=within(temper.depth_mm),
        radius_mm=within(temper.radius_mm),
        wrist=within(temper.wrist),
        arc_mm=within(temper.arc_mm),
        before=within(temper.before),
        turn=within(temper.turn) * (-1 if left else 1),
        pitch=within(temper.tilt),
        roll=within(temper.tilt),
        bent=within((0.05, 0.35)),
        spread=within((0.03, 0.16)),
        folded=within((0.82, 1.0)),
        looseness=within((0.02, 0.14)),
        variation=within((0.04, 0.11)),
        away=float(rng.choice(temper.away)),
        leaves_to=leaves_to,
        shows=shows,
        phase=float(np.pi / 2 + 0.5 * rng.standard_normal()),
        style=float(rng.random()),
    )


def shown_fingers(person: Person, number: int) -> tuple[bool, ...]:
    """Return which fingers a person stretches for a number, thumb first."""
    return tuple(letter in person.shows[number] for letter in "TIMRL")
