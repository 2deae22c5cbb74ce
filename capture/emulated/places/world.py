"""A place over a session, as the optic sees it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from capture.cues.script import Cue
from capture.emulated.optic.optics import AngularGrid
from capture.emulated.places.bodies import draw_body
from capture.emulated.places.happenings import draw_happenings
from capture.emulated.places.kinds import KINDS, backdrop, draw_place
from capture.emulated.places.lighting import (
    DAYLIGHT_LM_PER_W,
    LAMP_LM_PER_W,
    draw_lighting,
    exposure_steps,
)
from capture.emulated.places.occupants import MOST_MORE, play_out
from capture.emulated.places.rays import Blobs, Hits, lit_share, nearest
from runtime.errors import UsageError
from runtime.sensor import Sensor

__all__ = ["ANY_SCENE", "LEARNED_SCENES", "PlaceWorld", "check_scene", "scene_of"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]
Meter = Callable[[Floats], Floats]
"""From radiance (n_frames, n_angles) to the brightest pixel's share of its full well, at the
longest exposure."""

ANY_SCENE = "any"
LEARNED_SCENES = ("stop", "corridor", "room")
"""Of these, places take turns where any is asked for; the lobby has to be asked for by its name."""
_REGULARS = MOST_MORE + 5
_LAMP_SPREAD = 0.5  # share of a lamp's light that comes straight, the rest from walls and ceiling
_OCCLUDED, _OCCLUDED_M = 0.35, 0.45  # of the light from all around, below a body; assumed
_WET = 0.65  # of its reflectance that a floor keeps in rain; assumed


def check_scene(scene: str) -> None:
    """Refuse a scene that there is none of; raises UsageError."""
    if scene != ANY_SCENE and scene not in KINDS:
        known = ", ".join((ANY_SCENE, *KINDS))
        raise UsageError("emulated sensor", "scene", repr(scene), f"one of {known}")


def scene_of(scene: str, number: int) -> str:
    """Return the kind of a place: that asked for, or the one whose turn it is."""
    check_scene(scene)
    return LEARNED_SCENES[number % len(LEARNED_SCENES)] if scene == ANY_SCENE else scene


class PlaceWorld:
    """A place and its people; both follow from its number, and are nobody else's.

    Parameters
    ----------
    scene : str
        Kind of place.
    number : int
        Of the place, >= 0: it has its own look and its own people.
    cues : sequence of Cue
        How many people are there, and when.
    grid : AngularGrid
        Angles of the sensor.
    meter : callable
        What the sensor's automatic exposure goes by.
    key : tuple of int
        Seeds what is drawn for the session.
    """

    def __init__(
        self,
        scene: str,
        number: int,
        cues: Sequence[Cue],
        grid: AngularGrid,
        meter: Meter,
        key: tuple[int, ...],
    ) -> None:
        kind = scene_of(scene, number)
        own = [number, sorted(KINDS).index(kind)]
        of_place = np.random.default_rng([*own, 31])
        self.place = draw_place(kind, of_place)
        self.backdrop = backdrop(self.place, grid.directions, of_place)
        self.people = [
            draw_body(f"{kind}{number:02d}-{i:02d}", np.random.default_rng([*own, 32, i]))
            for i in range(_REGULARS)
        ]
        self.visits = play_out(self.place, self.people, cues, key)
        ends = [0.0, *(cue.end_us * 1e-6 for cue in cues)]
        onsets = [cue.onset_us * 1e-6 for cue in cues]
        gaps = list(zip(ends[1:-1], onsets[1:], strict=True))
        self.happenings = draw_happenings(self.place, self.backdrop, gaps, ends[-1], key)
        self.lighting = draw_lighting(self.place.outdoors, np.random.default_rng([*key, 33]))
        self._meter, self._step = meter, 0
        self._drops = np.random.default_rng([*key, 34])
        self.steps = np.zeros(0, np.int64)
        """Halvings of the exposure, of the frames last seen."""

    def see(
        self, times_s: Doubles, later_s: float, sensor: Sensor
    ) -> tuple[Floats, Floats, tuple[Floats, Floats]]:
        """Return the scene as the optic sees it; see `capture.emulated.session.World`."""
        radiance, lamp_share = self.radiance(times_s)
        self.steps, self._step = exposure_steps(
            self._meter(radiance).astype(np.float64), self._step
        )
        shorter: Doubles = np.power(0.5, self.steps.astype(np.float64))
        exposed_s = sensor.exposure_us * 1e-6 * shorter
        light = self.lighting
        factors = tuple(
            (shorter * (1.0 + lamp_share * (light.flicker(begin, exposed_s) - 1.0))).astype(
                np.float32
            )
            for begin in (times_s, times_s + later_s)
        )
        return np.zeros_like(radiance), radiance, (factors[0], factors[1])

    def radiance(self, times_s: Doubles) -> tuple[Floats, Doubles]:
        """Return W/(m2 sr) of each angle, (n_frames, n_angles), and the lamps' share of it."""
        scene, light = self.backdrop, self.lighting
        lamp_w = light.lamps_lx(times_s) / LAMP_LM_PER_W
        day_w = light.daylight_lx(times_s) / DAYLIGHT_LM_PER_W
        straight, towards = self._straight(times_s, lamp_w, day_w)
        around = lamp_w + day_w - straight
        people = [v for v in self.visits if v.begins_s < times_s[-1] and v.ends_s > times_s[0]]
        bodies = [v.blobs(times_s) for v in people]
        blobs = Blobs.together([*bodies, self.happenings.blobs(times_s)], len(times_s))
        hits = nearest(blobs, self.place.eye, scene.directions)
        ground = self._ground(times_s, blobs, bodies, around, straight, towards)
        own = _shaded(hits, around, straight, towards)
        found = np.where(hits.distance_m < scene.distance_m, own, ground)
        found *= self.happenings.brightening(times_s)
        if self.happenings.rain:
            share = self.happenings.rain / 1000.0
            drops = self._drops.random(found.shape, np.float32)
            found *= np.where(drops < share, np.float32(1.3), np.float32(1.0))
        lamp_share = lamp_w / np.maximum(lamp_w + day_w, 1e-12)
        return np.asarray(found, np.float32), lamp_share

    def _straight(
        self, times_s: Doubles, lamp_w: Doubles, day_w: Doubles
    ) -> tuple[Doubles, Floats]:
        """Return the light that comes from one side, W/m2, and from where: sun or lamps.

        The lesser of the two counts as light from all around.
        """
        light = self.lighting
        sun = day_w * 0.8 * light.clearness if self.place.outdoors else np.zeros_like(day_w)
        lamp = _LAMP_SPREAD * lamp_w
        if sun.mean() > lamp.mean():
            return sun, light.sun_towards(float(times_s[0]))
        return lamp, np.array(light.lamp_towards, np.float32)

    def _ground(
        self,
        times_s: Doubles,
        blobs: Blobs,
        bodies: Sequence[Blobs],
        around: Doubles,
        straight: Doubles,
        towards: Floats,
    ) -> Floats:
        """Return the radiance of what never moves, under shadows."""
        scene = self.backdrop
        shadow = lit_share(blobs, scene.points, towards)
        facing = np.maximum(scene.normals @ towards, 0.0)
        open_share = np.ones((len(times_s), len(facing)), np.float32)
        low = np.flatnonzero(scene.points[:, 2] < 0.5)
        flat = scene.points[low, :2]
        for body in bodies:
            here = body.centres[:, 2, :2]
            away = (here**2).sum(-1)[:, None] - 2.0 * here @ flat.T + (flat**2).sum(-1)
            near = np.exp(np.float32(-0.5 / _OCCLUDED_M**2) * away)
            open_share[:, low] -= np.float32(_OCCLUDED) * near * body.there[:, :1]
        wet = np.float32(_WET if self.happenings.rain else 1.0)
        lit = np.maximum(open_share, 0.2) * around[:, None] + shadow * facing * straight[:, None]
        ground = scene.reflectance * wet * lit / np.pi
        sky = around[:, None] / np.pi if self.place.outdoors else 0.3 * around[:, None] / np.pi
        return np.asarray(np.where(scene.sky, sky, ground), np.float32)


def _shaded(hits: Hits, around: Doubles, straight: Doubles, towards: Floats) -> Floats:
    """Return the radiance of bodies: light from all around, more from above, and from one side."""
    up = np.float32(0.6) + np.float32(0.4) * hits.normal[:, :, 2]
    facing = np.maximum(hits.normal @ towards, 0.0)
    lit = up * around[:, None] + facing * straight[:, None]
    return np.asarray(hits.reflectance * lit / np.pi, np.float32)
