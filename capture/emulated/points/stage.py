"""A stage that turns lights on in front of a sensor, cue by cue: where they are, and how bright."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.cues.script import RIG, Cue
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.points.scene import PointScene

__all__ = ["Light", "Stage", "asks_for_a_rig"]

Doubles = npt.NDArray[np.float64]

_N_LIGHTS = {"rig_none": 0, "rig_two": 2, "rig_three": 3}
_APART_DEG = 2.0, 40.0  # of two sources; from what no sensor of this kind tells apart upwards
_OUTSIDE_DEG = 58.0, 75.0  # beyond the field's edge of 55 degrees
_BRIGHT = 30.0  # over the most electrons of the scene: far into saturation


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """One source while it is on.

    Parameters
    ----------
    source : int
        Its number.
    begin_s, end_s : float
        From when to when it is on, seconds of the device's clock.
    way_mm : float64 array, shape (2, 3)
        Where it is at the beginning and at the end; on the straight line between.
    electrons : float
        What an aperture collects of it, see `PointScene`, at the middle of its way.
    """

    source: int
    begin_s: float
    end_s: float
    way_mm: Doubles
    electrons: float

    @property
    def middle_mm(self) -> float:
        """Distance of the middle of its way from the sensor's origin."""
        return float(np.linalg.norm(self.way_mm.mean(axis=0)))

    def places_mm(self, times_s: Doubles) -> Doubles:
        """Return where it is, shape (n_times, 3)."""
        share = (times_s - self.begin_s) / max(self.end_s - self.begin_s, 1e-9)
        return np.asarray(self.way_mm[0] + share[:, None] * (self.way_mm[1] - self.way_mm[0]))


def asks_for_a_rig(trial_types: Sequence[str]) -> bool:
    """Return whether a script's cues are a rig's."""
    return bool(trial_types) and all(each in RIG for each in trial_types)


class Stage:
    """All lights of a session.

    Parameters
    ----------
    cues : sequence of Cue
        Of `capture.cues.script.RIG`: ``rig_hold`` one source that stands, ``rig_path`` one that
        moves, ``rig_two`` and ``rig_three`` several that stand, ``rig_none`` none, ``rig_outside``
        one behind the field's edge, ``rig_bright`` one too bright to be read.
    scene : PointScene
    rng : Generator
        For everything drawn.
    """

    def __init__(self, cues: Sequence[Cue], scene: PointScene, rng: np.random.Generator) -> None:
        self._scene, self._rng = scene, rng
        self._turn = rng.uniform(0.0, 1.0, 2)
        self._n_stops = 0
        self.lights = tuple(light for cue in cues for light in self._play(cue))

    def on(self, begin_s: float, end_s: float) -> list[Light]:
        """Return the lights that are on at some time of a stretch."""
        return [each for each in self.lights if each.begin_s < end_s and begin_s < each.end_s]

    def _play(self, cue: Cue) -> list[Light]:
        begin_s, end_s = cue.onset_us * 1e-6, cue.end_us * 1e-6
        n_lights = _N_LIGHTS.get(cue.trial_type, 1)
        if not n_lights:
            return []
        axis, distance_mm = self._stop()
        if cue.trial_type == "rig_outside":
            low, high = np.radians(_OUTSIDE_DEG)
            axis = _tilted(self._rng.uniform(low, high), self._rng.uniform(0.0, 2.0 * np.pi))
        found = []
        for source in range(n_lights):
            at = axis if source == 0 else self._beside(axis)
            way = np.stack([at * distance_mm] * 2)
            if cue.trial_type == "rig_path":
                then, far_mm = self._stop()
                way[1] = then * far_mm
            log_low, log_high = np.log(self._scene.electrons)
            electrons = float(np.exp(self._rng.uniform(log_low, log_high)))
            if cue.trial_type == "rig_bright":
                electrons = _BRIGHT * self._scene.electrons[1]
            found.append(Light(source, begin_s, end_s, way, electrons))
        return found

    def _stop(self) -> tuple[Doubles, float]:
        """Return the next stop: a unit vector and how far along it.

        Directions fill the field evenly: the additive sequence of the plastic number in two
        dimensions, whose gaps stay small however far it runs (Roberts, The Unreasonable
        Effectiveness of Quasirandom Sequences, 2018, from memory).
        """
        plastic = 1.32471795724474602596
        k, self._n_stops = self._n_stops, self._n_stops + 1
        u, v = (self._turn + (k + 1) * np.array([1.0 / plastic, 1.0 / plastic**2])) % 1.0
        half = np.radians(self._scene.half_field_deg)
        # Even over the solid angle: the cosine is even.
        angle = np.arccos(1.0 - u * (1.0 - np.cos(half)))
        distances = self._scene.distances_mm
        return _tilted(angle, 2.0 * np.pi * v), float(distances[k % len(distances)])

    def _beside(self, axis: Doubles) -> Doubles:
        """Draw a direction beside another, inside the field of view."""
        low, high = np.log(np.radians(_APART_DEG))
        edge = np.cos(np.radians(AngularGrid.half_angle_deg - 5.0))
        while True:
            apart = float(np.exp(self._rng.uniform(low, high)))
            heading = self._rng.uniform(0.0, 2.0 * np.pi)
            level = np.cross(axis, [1.0, 0.0, 0.0] if abs(axis[0]) < 0.9 else [0.0, 1.0, 0.0])
            level /= np.linalg.norm(level)
            sideways = np.cos(heading) * level + np.sin(heading) * np.cross(axis, level)
            found = np.cos(apart) * axis + np.sin(apart) * sideways
            if found[2] >= edge:
                return np.asarray(found)


def _tilted(angle: float, heading: float) -> Doubles:
    """Return the unit vector at an angle off the axis."""
    return np.array(
        [np.sin(angle) * np.cos(heading), np.sin(angle) * np.sin(heading), np.cos(angle)]
    )
