"""What happens around the device in an everyday session: who and what moves, and which light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.body.hand import build_hand
from capture.emulated.body.people import Person, draw_person
from capture.emulated.body.scene import HandActor
from capture.emulated.body.timeline import (
    CURL,
    N_POSE,
    PITCH,
    ROLL,
    SPREAD,
    YAW,
    Fader,
    Gait,
    Track,
)
from capture.emulated.optic.light import DAYLIGHT, FILAMENT, LED_LAMP
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.scenes import things
from capture.emulated.scenes.surround import LampRow, Lights, Source

__all__ = ["Plan", "pose"]

Doubles = npt.NDArray[np.float64]

VISITORS = 1_000_000
"""The number of the first invented person who only comes by."""


def pose(
    place_mm: npt.ArrayLike,
    *,
    roll: float = 0.0,
    pitch: float = 0.0,
    yaw: float = 0.0,
    curl: npt.ArrayLike = 0.25,
    spread: float = 0.1,
) -> Doubles:
    """Return a pose: place in millimetres, turns and spread in radians, curl of the fingers."""
    out = np.zeros(N_POSE)
    out[:3] = place_mm
    out[[ROLL, PITCH, YAW]] = roll, pitch, yaw
    out[CURL] = curl
    out[SPREAD] = spread
    return out


@dataclass(slots=True, eq=False)
class Player:
    """Something that moves: what it is, its way, and how much living unrest it has."""

    body: HandActor | things.Thing
    track: Track
    unrest: Fader


class Plan:
    """Everything that is in an everyday session, to be moved by its scenes.

    Frame of the room: the origin is where the device lies face up on a table, x to the
    participant's right, y away from the participant, z upwards.

    Parameters
    ----------
    person : Person
        The participant.
    hand : Track
        The participant's hand that acts, which starts out of sight.
    grid : AngularGrid
        Angles of the sensor.
    rng : Generator
        For everything drawn.

    Attributes
    ----------
    players : dict of str to Player
        By name: ``hand``, ``other`` (hand), ``visitor`` (a hand), ``head``, ``torso``, ``thigh``,
        ``visitor_torso``, ``table``, ``cup``, ``paper``, ``phone``, ``can``.
    device : Track
        Way of the device itself; `held` is how much of a hand's unrest it has, `gaits` what
        walking adds.
    cloth, sheet : Drape
        A pocket's cloth and a sheet laid over the device, with their depths, how far they are drawn
        over the field, and times that pass only while they stir.
    lights : Lights
        All ambient light; `daylight` and `lamp` are the levels that scenes change.
    """

    def __init__(
        self, person: Person, hand: Track, grid: AngularGrid, rng: np.random.Generator
    ) -> None:
        self.person, self.rng, self.grid = person, rng, grid
        self.side = 1.0 if person.handedness == "right" else -1.0
        self.visitor_person = draw_person(VISITORS + int(rng.integers(10**6)))
        self.device, self.held = Track(np.zeros(N_POSE)), Fader(0.0)
        self.gaits: list[Gait] = []
        self.players: dict[str, Player] = {}
        self._cast(hand)
        self.cloth = self._drape(float(rng.uniform(0.05, 0.65)), 0.12, 2.5)
        self.sheet = self._drape(float(rng.uniform(0.6, 0.85)), 0.04, 0.6)
        self.cloth_depth_mm, self.sheet_depth_mm = Fader(20.0), Fader(30.0)
        self.cloth_drawn, self.sheet_drawn = Fader(0.0), Fader(0.0)
        self.cloth_s, self.sheet_s = Fader(0.0), Fader(0.0)
        self._light()

    def u(self, low: float, high: float) -> float:
        """Draw a number evenly."""
        return float(self.rng.uniform(low, high))

    def chance(self, share: float) -> bool:
        """Draw whether something happens that happens in this share of cases."""
        return bool(self.rng.uniform() < share)

    def away(self, side: float | None = None) -> Doubles:
        """Draw a place where a hand rests out of sight: the table's edge or the lap."""
        side = self.side if side is None else side
        at = [side * self.u(330.0, 460.0), self.u(-260.0, -80.0), self.u(-40.0, 30.0)]
        return pose(at, roll=side * self.u(0.0, 0.5), curl=self.rng.uniform(0.15, 0.5, 5))

    def reach_s(self, from_mm: Doubles, to_mm: Doubles) -> float:
        """Draw how long an unhurried reach takes: 0.3 s and more the farther it goes."""
        distance = float(np.linalg.norm(to_mm[:3] - from_mm[:3]))
        return (0.3 + distance / 900.0) * self.u(0.75, 1.4)

    def send(self, track: Track, to: Doubles, *, lift_mm: float = 0.0, hurry: float = 1.0) -> float:
        """Move a track to a pose in the time that such a reach takes; returns that time."""
        duration = self.reach_s(track.target, to) * hurry
        track.go(to, duration, lift_mm=lift_mm)
        return duration

    def carry(self, name: str, to: Doubles, grip: Doubles, *, lift_mm: float = 0.0) -> None:
        """Move hand and thing together: the thing to `to`, the hand to the same plus `grip`."""
        hand, player = self.players["hand"].track, self.players[name]
        begin_s = hand.free_s
        target = hand.target
        target[:3] = to[:3] + grip
        duration = self.send(hand, target, lift_mm=lift_mm)
        player.unrest.go(begin_s, 0.1, 1.0)
        player.track.wait(begin_s)
        player.track.go(to, duration, lift_mm=lift_mm)

    def lay(self, name: str) -> None:
        """Let go of a thing."""
        self.players[name].unrest.go(self.players["hand"].track.free_s, 0.1, 0.0)

    def _cast(self, hand: Track) -> None:
        rng, person, visitor = self.rng, self.person, self.visitor_person
        side = self.side
        elbow = np.array([side * self.u(60.0, 200.0), self.u(-330.0, -250.0), self.u(40.0, 130.0)])

        def arm(of: Person, handedness: str, elbow_mm: Doubles) -> HandActor:
            surface = build_hand(
                of.hand_length_mm, of.hand_breadth_mm, handedness, proportions=of.proportions
            )
            return HandActor(
                surface,
                elbow_mm,
                of.skin_reflectance,
                of.sleeve_reflectance,
                of.proportions.sleeve_mm,
            )

        def add(name: str, body: HandActor | things.Thing, at: Doubles, unrest: float) -> None:
            self.players[name] = Player(body, Track(at), Fader(unrest))

        unlike = "left" if person.handedness == "right" else "right"
        own = arm(person, person.handedness, elbow)
        self.players["hand"] = Player(own, hand, Fader(1.0))
        add("other", arm(person, unlike, elbow * [-1.0, 1.0, 1.0]), self.away(-side), 1.0)
        # The visitor reaches over from the far side.
        beyond = np.array([self.u(-150.0, 150.0), self.u(380.0, 520.0), self.u(150.0, 300.0)])
        self.visitor_away = pose([self.u(-250.0, 250.0), 620.0, 60.0], roll=np.pi)
        add("visitor", arm(visitor, visitor.handedness, beyond), self.visitor_away, 1.0)
        lean = [rng.normal(0.0, 30.0), self.u(-330.0, -200.0), self.u(430.0, 600.0)]
        add("head", things.head(person.skin_reflectance), pose(lean), 2.0)
        sit = [rng.normal(0.0, 30.0), self.u(-560.0, -440.0), self.u(150.0, 300.0)]
        add("torso", things.torso(person.sleeve_reflectance), pose(sit), 1.0)
        add("thigh", things.thigh(self.u(0.1, 0.7)), pose([0.0, -2500.0, -900.0]), 1.0)
        self.visitor_far = pose([self.u(-900.0, 900.0), 2500.0, 300.0])
        body = things.torso(visitor.sleeve_reflectance)
        add("visitor_torso", body, self.visitor_far, 1.0)
        add("table", things.table(self.u(0.2, 0.7)), pose([0.0, 50.0, -9.0]), 0.0)
        for name, draw in (("cup", things.cup), ("paper", things.paper), ("phone", things.phone),
                           ("can", things.can)):  # fmt: skip
            angle, far = self.u(-0.3, np.pi + 0.3), self.u(160.0, 320.0)
            standing = np.pi / 2.0 if name == "cup" else 0.0
            at = [far * np.cos(angle), far * np.sin(angle), 42.0 if name == "cup" else 20.0]
            add(name, draw(rng), pose(at, pitch=standing), 0.0)

    def _drape(self, reflectance: float, folds: float, waves_per_rad: float) -> things.Drape:
        n, rng = 4, self.rng
        edge = rng.normal(0.0, 1.0, 3) * [1.0, 1.0, 0.2]
        return things.Drape(
            self.grid,
            reflectance,
            edge / np.linalg.norm(edge),
            rng.normal(0.0, waves_per_rad, (n, 3)),
            rng.uniform(0.3, 1.0, n) * folds,
            np.array([0.0, 0.5, 1.0, 2.0]) * rng.uniform(0.93, 1.07),
            rng.uniform(0.0, 2.0 * np.pi, n),
        )

    def _light(self) -> None:
        """Draw a room or a place outdoors: 20 to 10,000 lx, mains of 50 or 60 Hz.

        The mains wander by a few hundredths of a hertz (EN 50160 allows 1 %, from memory). How deep
        a filament lamp flickers goes from 3 % (a heavy halogen lamp) to 20 % (a weak bulb), and an
        LED lamp's from nothing to all of it; assumed, of the order of published measurements.
        """
        rng = self.rng
        self.mains_hz = float(rng.choice([50.0, 60.0])) + float(rng.normal(0.0, 0.02))
        self.daylight, self.lamp, self.ceiling = Fader(1.0), Fader(1.0), Fader(1.0)
        self.passing = Fader(0.0)  # lamps that one walks under
        daylight_lx = float(np.exp(rng.uniform(np.log(10.0), np.log(8900.0))))
        lamp_lx = self.u(40.0, 600.0) * float(self.chance(0.6))
        ceiling_lx = self.u(50.0, 500.0)
        self.illuminance_lx = daylight_lx + lamp_lx + ceiling_lx
        self.lamp_depth = self.u(0.03, 0.2)

        def towards(steepest: float, flattest: float) -> Doubles:
            up, round_ = self.u(flattest, steepest), self.u(0.0, 2.0 * np.pi)
            return np.array([np.cos(round_) * np.cos(up), np.sin(round_) * np.cos(up), np.sin(up)])

        def flicker(depth: float) -> dict[str, float]:
            return {"flicker_depth": depth, "flicker_hz": 2.0 * self.mains_hz,
                    "phase_rad": self.u(0.0, 2.0 * np.pi)}  # fmt: skip

        sources = [
            Source(daylight_lx * DAYLIGHT, towards(1.2, 0.25), self.u(0.01, 0.1),
                   self.u(0.3, 0.8), self.daylight),
            Source(lamp_lx * FILAMENT, towards(1.4, 0.5), self.u(0.005, 0.05), self.u(0.3, 0.8),
                   self.lamp, **flicker(self.lamp_depth)),
            Source(ceiling_lx * LED_LAMP, towards(1.5, 1.0), self.u(0.01, 0.05), self.u(0.3, 0.8),
                   self.ceiling, **flicker(self.u(0.0, 1.0))),
        ]  # fmt: skip
        height, beside = self.u(1300.0, 2200.0), self.u(-500.0, 500.0)
        spacing, speed, passing = (
            self.u(1800.0, 4000.0),
            self.u(1000.0, 1600.0),
            flicker(self.lamp_depth),
        )
        in_band = self.u(60.0, 350.0) * FILAMENT
        sources += [
            LampRow(in_band, np.array([0.0, 0.0, 1.0]), 0.008, 0.8, self.passing, **passing,
                    height_mm=height, beside_mm=beside, spacing_mm=spacing, speed_mm_per_s=speed,
                    offset=offset)
            for offset in (-1, 0, 1)
        ]  # fmt: skip
        self.lights = Lights(sources, self.u(0.1, 0.4), Fader(1.0))
