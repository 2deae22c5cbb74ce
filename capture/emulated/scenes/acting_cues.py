"""A participant at a table who acts cues with one hand above the sensor."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.cues.script import Cue
from capture.emulated.body.hand import build_hand
from capture.emulated.body.motion import SUBTLE_MM, act, holds_shapes, is_subtle, rest_pose
from capture.emulated.body.people import Person
from capture.emulated.body.scene import Actor, HandActor, Placed, ellipsoid
from capture.emulated.body.timeline import EVENNESS, ROLL, Timeline
from capture.emulated.optic.light import Ambient, draw_ambient, evened
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.optic.render import render
from runtime.sensor import Sensor

__all__ = ["TableWorld"]

Floats = npt.NDArray[np.float32]


_BESIDE_MM = 40.0, 180.0
_BESIDE_SHOWN_MM = -60.0, 160.0
"""How far the elbow is to the side of the hand in use: assumed. Who shows something brings the
forearm straight behind the hand as well, and it is behind it in a picture."""


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """Head and chest of the participant, leaning over the table; sways slowly."""

    head: Actor
    chest: Actor
    head_mm: npt.NDArray[np.float64]
    chest_mm: npt.NDArray[np.float64]
    sway_hz: float
    sway_mm: float

    def place(self, times_s: npt.NDArray[np.float64]) -> list[Placed]:
        sway = self.sway_mm * np.sin(2.0 * np.pi * self.sway_hz * times_s)[:, None]
        sway = sway * np.array([1.0, 0.4, 0.3])
        return [self.head.place(self.head_mm + sway), self.chest.place(self.chest_mm + sway)]


def _draw_body(person: Person, rng: np.random.Generator) -> _Body:
    return _Body(
        Actor(ellipsoid((75.0, 95.0, 110.0), 24.0), person.skin_reflectance),
        Actor(ellipsoid((200.0, 110.0, 280.0), 48.0), person.sleeve_reflectance),
        np.array([rng.normal(0.0, 30.0), rng.uniform(-330.0, -180.0), rng.uniform(430.0, 600.0)]),
        np.array([rng.normal(0.0, 30.0), rng.uniform(-560.0, -420.0), rng.uniform(150.0, 300.0)]),
        float(rng.uniform(0.1, 0.3)),
        float(rng.uniform(3.0, 12.0)),
    )


class TableWorld:
    """Hand, head and chest of a participant, and the light of one session.

    Parameters
    ----------
    person : Person
        The participant.
    cues : sequence of Cue
        What the hand does.
    grid : AngularGrid
        Angles of the sensor.
    rng : Generator
        For everything drawn.

    Attributes
    ----------
    rest : float64 array, shape (12,)
        Pose of the hand between the cues.
    """

    def __init__(
        self, person: Person, cues: Sequence[Cue], grid: AngularGrid, rng: np.random.Generator
    ) -> None:
        self.grid = grid
        self.ambient: Ambient = draw_ambient(grid, rng)
        shown = holds_shapes(cues)
        self._handedness = person.showing.hand if shown else person.handedness
        side = 1.0 if self._handedness == "right" else -1.0
        beside = _BESIDE_SHOWN_MM if shown else _BESIDE_MM
        self._elbow_mm = np.array(
            [side * rng.uniform(*beside), rng.uniform(-330.0, -250.0), rng.uniform(60.0, 150.0)]
        )
        self._body = _draw_body(person, rng)
        self.rest = rest_pose(person, rng, SUBTLE_MM if is_subtle(cues) else None)
        if shown:
            lean = np.arctan2(self._elbow_mm[0], -self._elbow_mm[1])
            self.rest[ROLL] += person.showing.along_arm * lean
        self._person, self._cues, self._rng = person, cues, rng

    # What follows is worked out when it is first asked for: many only ask where the hand rests.

    @functools.cached_property
    def timeline(self) -> Timeline:
        """Way of the hand."""
        return act(self._person, self._cues, self.rest, self._rng)

    @functools.cached_property
    def _hand(self) -> HandActor:
        person = self._person
        hand = build_hand(
            person.hand_length_mm,
            person.hand_breadth_mm,
            self._handedness,
            proportions=person.proportions,
        )
        return HandActor(
            hand,
            self._elbow_mm,
            person.skin_reflectance,
            person.sleeve_reflectance,
            person.proportions.sleeve_mm,
        )

    def see(
        self, times_s: npt.NDArray[np.float64], later_s: float, sensor: Sensor
    ) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
        """Return the scene as the optic sees it; see `World`."""
        poses = self.timeline.poses(times_s)
        actors = [self._hand.place(poses), *self._body.place(times_s)]
        light = self.ambient.over(len(times_s))
        led, other = render(actors, self.grid, light, sensor.led_offset_mm, sensor.led_current_ma)
        if poses[:, EVENNESS].any():
            led = evened(led, self.grid, poses[:, EVENNESS])
        return led, other, (self.ambient.factor(times_s), self.ambient.factor(times_s + later_s))
