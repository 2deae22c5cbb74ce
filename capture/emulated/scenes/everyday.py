"""Everyday life around the device, seen through the same optics as every gesture."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from capture.cues.script import Cue
from capture.emulated.body.joints import rotation
from capture.emulated.body.motion import Performer, rest_pose
from capture.emulated.body.people import Person
from capture.emulated.body.scene import HandActor, Placed, View
from capture.emulated.body.timeline import PITCH, ROLL, YAW, Timeline
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.optic.render import render
from capture.emulated.scenes import at_table, carried
from capture.emulated.scenes.plan import Plan
from runtime.sensor import Sensor

__all__ = ["SCENES", "EverydayWorld"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

SCENES: dict[str, Callable[[Plan, float, float], None]] = {
    "everyday_empty": carried.empty,
    "everyday_rest": at_table.rest,
    "everyday_type": at_table.type_,
    "everyday_reach": at_table.reach,
    "everyday_talk": at_table.talk,
    "everyday_fidget": at_table.fidget,
    "everyday_objects": at_table.objects,
    "everyday_visitor": at_table.visitor,
    "everyday_light": carried.light,
    "everyday_pick_up": carried.pick_up,
    "everyday_walk": carried.walk,
    "everyday_pocket": carried.pocket,
    "arrive": at_table.arrive,
    "away": at_table.away,
}
"""What is played for each everyday trial type, and for the hand that comes and stays away."""


class EverydayWorld:
    """A participant at a table and on their way, as the cues of an everyday script ask.

    Parameters
    ----------
    person : Person
        The participant.
    cues : sequence of Cue
        Everyday scenes, and any other acts between them.
    grid : AngularGrid
        Angles of the sensor.
    rng : Generator
        For everything drawn.
    """

    def __init__(
        self, person: Person, cues: Sequence[Cue], grid: AngularGrid, rng: np.random.Generator
    ) -> None:
        self.grid = grid
        self.hand = Performer(person, rest_pose(person, rng), rng)
        self.plan = Plan(person, self.hand, grid, rng)
        self.hand.start = self.plan.away()
        for cue in cues:
            scene = SCENES.get(cue.trial_type)
            if scene is None:
                self.hand.cue(cue)
            else:
                scene(self.plan, cue.onset_us * 1e-6, cue.end_us * 1e-6)
        self._lines = {
            name: Timeline(player.track.start, player.track.movements, rng, player.unrest)
            for name, player in self.plan.players.items()
        }
        device = self.plan.device
        self._device = Timeline(device.start, device.movements, rng, self.plan.held)

    def device_poses(self, times_s: Doubles) -> Doubles:
        """Return where the device is in the room, shape (n_times, 12)."""
        poses = self._device.poses(times_s)
        for gait in self.plan.gaits:
            if gait.begin_s < times_s[-1] and times_s[0] < gait.end_s:
                poses += gait.poses(times_s)
        return poses

    def poses(self, name: str, times_s: Doubles) -> Doubles:
        """Return where a player of the plan is in the room, shape (n_times, 12)."""
        return self._lines[name].poses(times_s)

    def see(
        self, times_s: Doubles, later_s: float, sensor: Sensor
    ) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
        """Return the scene as the optic sees it; see `World`."""
        device = self.device_poses(times_s)
        view = None
        if np.any(device):
            turns = rotation("z", device[:, ROLL]) @ rotation("x", device[:, PITCH])
            view = View(turns @ rotation("y", device[:, YAW]), device[:, :3])
        lights = self.plan.lights
        light = lights.over(times_s, view, self.grid)
        plan = self.plan
        closed = (
            plan.cloth_drawn.at(times_s).min() == 1.0 or plan.sheet_drawn.at(times_s).min() == 1.0
        )
        actors = [*self._drapes(times_s), *(() if closed else self._placed(times_s, view))]
        led, other = render(
            actors, self.grid, light, sensor.led_offset_mm, sensor.led_current_ma, fill=True
        )
        return led, other, (lights.factor(times_s, 0.0), lights.factor(times_s, later_s))

    def _placed(self, times_s: Doubles, view: View | None) -> Iterator[Placed]:
        half = self.grid.half_angle_deg
        for name, player in self.plan.players.items():
            poses = self._lines[name].poses(times_s)
            if isinstance(player.body, HandActor):
                yield player.body.place(poses, view, half)
            elif name == "table" and view is None:
                continue  # a device that lies level looks away from it
            elif player.body.in_sight(poses, view, half):
                yield player.body.place(poses, view)

    def _drapes(self, times_s: Doubles) -> Iterator[Placed]:
        plan = self.plan
        for drape, depth, drawn, clock in (
            (plan.cloth, plan.cloth_depth_mm, plan.cloth_drawn, plan.cloth_s),
            (plan.sheet, plan.sheet_depth_mm, plan.sheet_drawn, plan.sheet_s),
        ):
            share = drawn.at(times_s)
            if share.any():
                yield drape.place(clock.at(times_s), depth.at(times_s), share)
