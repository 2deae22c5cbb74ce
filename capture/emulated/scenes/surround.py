"""Light of everyday rooms and roads: several sources that change, move, flicker and are shaded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.body.scene import View
from capture.emulated.body.timeline import Fader
from capture.emulated.optic.light import Illumination
from capture.emulated.optic.optics import AngularGrid

__all__ = ["LampRow", "Lights", "Source"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A source of ambient light that stays where it is: a window, the sun, a lamp.

    Parameters
    ----------
    in_band_w_per_m2 : float
        What it adds to the irradiance from above when its level is 1.
    towards : float64 array, shape (3,)
        Unit vector to it, in the room.
    width : float
        Its radiance falls off as exp((cos - 1) / width).
    direct : float
        Share that comes straight from it; the rest is spread over the upper half.
    level : Fader
        Its strength.
    flicker_depth, flicker_hz, phase_rad : float
        Amplitude over mean, frequency and phase of the flicker.
    """

    in_band_w_per_m2: float
    towards: Doubles
    width: float
    direct: float
    level: Fader
    flicker_depth: float = 0.0
    flicker_hz: float = 100.0
    phase_rad: float = 0.0

    def strength(self, times_s: Doubles) -> Doubles:
        """Return its irradiance from above at each time, at its mean over a flicker, W/m2."""
        return self.in_band_w_per_m2 * self.level.at(times_s)

    def heading(self, times_s: Doubles) -> Doubles:
        """Return the unit vectors to it, shape (n_times, 3)."""
        return np.broadcast_to(self.towards, (len(times_s), 3))


@dataclass(frozen=True, slots=True, eq=False)
class LampRow(Source):
    """The nearest lamp of a row of equal lamps that one walks under.

    Parameters
    ----------
    height_mm, beside_mm, spacing_mm : float
        Lamps above the device, beside its way, and from one to the next.
    speed_mm_per_s : float
        Of walking, along +y.
    begin_s : float
        When a lamp is straight above.
    offset : int
        0 for the nearest lamp, -1 and +1 for its neighbours.

    Notes
    -----
    A lamp that shines downwards as a Lambert source gives cos^4 of its angle, over its height
    squared: once for its own lobe, once for the receiver's slant, twice for the distance.
    """

    height_mm: float = 1600.0
    beside_mm: float = 0.0
    spacing_mm: float = 3000.0
    speed_mm_per_s: float = 1300.0
    begin_s: float = 0.0
    offset: int = 0

    def _away(self, times_s: Doubles) -> Doubles:
        way = (times_s - self.begin_s) * self.speed_mm_per_s
        ahead = -((way + 0.5 * self.spacing_mm) % self.spacing_mm - 0.5 * self.spacing_mm)
        ahead = ahead + self.offset * self.spacing_mm
        ones = np.ones_like(ahead)
        return np.stack([self.beside_mm * ones, ahead, self.height_mm * ones], axis=1)

    def strength(self, times_s: Doubles) -> Doubles:
        """Return its irradiance from above at each time, W/m2; full when it is straight above."""
        away = self._away(times_s)
        cosine = self.height_mm / np.linalg.norm(away, axis=1)
        return np.asarray(self.in_band_w_per_m2 * self.level.at(times_s) * cosine**4)

    def heading(self, times_s: Doubles) -> Doubles:
        """Return the unit vectors to it, shape (n_times, 3)."""
        away = self._away(times_s)
        return np.asarray(away / np.linalg.norm(away, axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, eq=False)
class Lights:
    """All ambient light of a session.

    Parameters
    ----------
    sources : sequence of Source
        At least one.
    bounce : float
        Share of the irradiance from above that comes back up from table, floor and walls.
    shade : Fader
        Share of the light that reaches the place of the device.
    """

    sources: Sequence[Source]
    bounce: float
    shade: Fader

    def over(self, times_s: Doubles, view: View | None, grid: AngularGrid) -> Illumination:
        """Return the light at each time as the device sees it, at its mean over a flicker."""
        n_frames = len(times_s)
        directions = grid.directions.T
        if view is None:
            up, height = None, np.broadcast_to(directions[2], (1, grid.n_angles))
        else:
            up = view.turns[:, 2].astype(np.float32)  # the room's z in the device's frame
            height = up @ directions
        # The horizon is no edge: walls and furniture are half lit.
        upper = np.clip(np.float32(0.5) + height * np.float32(2.0), 0.0, 1.0)
        shade = self.shade.at(times_s)
        total = np.zeros(n_frames)
        spread = np.zeros(n_frames)
        background = np.zeros((n_frames, grid.n_angles), np.float32)
        for source in self.sources:
            strength = source.strength(times_s) * shade
            total += strength
            spread += (1.0 - source.direct) * strength
            if source.direct and strength.any():
                heading = source.heading(times_s)
                # What a lobe of this width gives a level surface, at least a grazing one's share.
                gain = 2.0 * np.pi * source.width * np.maximum(heading[:, 2], 0.2)
                if view is not None:
                    heading = (view.turns.transpose(0, 2, 1) @ heading[:, :, None])[:, :, 0]
                elif type(source) is Source:
                    heading = heading[:1]
                cosine = heading.astype(np.float32) @ directions
                steep = (cosine - np.float32(1.0)) * np.float32(1.0 / source.width)
                # Far out it is nothing; numbers below the normal range would slow every sum.
                lobe = np.exp(np.maximum(steep, np.float32(-30.0)))
                background += (source.direct * strength / gain).astype(np.float32)[:, None] * lobe
        sky = (spread / np.pi).astype(np.float32)[:, None]
        floor = (total * self.bounce / np.pi).astype(np.float32)[:, None]
        background += sky * upper + floor * (np.float32(1.0) - upper)
        return Illumination(total, self.bounce, background, up)

    def factor(self, times_s: Doubles, later_s: float) -> Floats:
        """Return the light, with its flicker, `later_s` after each time over its mean then."""
        then = times_s + later_s
        total, now = np.full(len(times_s), 1e-12), np.full(len(times_s), 1e-12)
        for source in self.sources:
            total += source.strength(times_s)
            angle = 2.0 * np.pi * source.flicker_hz * then + source.phase_rad
            now += source.strength(then) * (1.0 + source.flicker_depth * np.sin(angle))
        shade = np.maximum(self.shade.at(times_s), 1e-9)
        factor: Floats = (now * self.shade.at(then) / (total * shade)).astype(np.float32)
        return factor
