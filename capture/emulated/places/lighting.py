"""Light of a place over the day: lamps, sky and sun in lux, and what a sensor makes of it.

A surface of reflectance rho under E lux has the luminance ``rho E / pi`` (Lambert's law, any
optics textbook); over the luminous efficacy of the light inside the sensor's band, 400 to 700 nm,
it is radiance. From radiance on, an exposure is that of every other scene: power on a pixel is
aperture times solid angle times the optic's transfer, electrons are power times quantum efficiency
times time over the energy of a photon (`capture.emulated.optic`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["DAYLIGHT_LM_PER_W", "LAMP_LM_PER_W", "N_STEPS", "Lighting", "draw_lighting",
           "exposure_steps"]  # fmt: skip

Doubles = npt.NDArray[np.float64]

LAMP_LM_PER_W = 300.0
"""Luminous efficacy of a white LED's radiation, lm/W (280 to 350, from memory)."""
DAYLIGHT_LM_PER_W = 250.0
"""Of daylight inside 400 to 700 nm (about 100 lm/W over all wavelengths; both from memory)."""
_DAY_S = 86_400.0
_NOON_LX = 80_000.0  # sun and sky at 60 degrees, clear (100 klx with the sun overhead, from memory)
N_STEPS = 12
"""Halvings of the longest exposure that the sensor can choose: 5 ms down to 2.4 us."""
_BRIGHT, _DIM = 0.9, 0.35  # shares of the full well between which a step is kept; assumed


@dataclass(frozen=True, slots=True)
class Lighting:
    """The light of one session.

    Parameters
    ----------
    begins_s : float
        Time of day at which the session begins, seconds from midnight.
    lamp_lx : float
        Of lamps, where they are on.
    daylight_share : float
        Of the daylight outside that reaches the place.
    clearness : float
        0 overcast to 1 clear: share of the daylight that comes from the sun itself.
    cloud_seed : int
        Seeds the clouds that pass.
    lamp_towards, sun_azimuth_rad : unit vector, and where the sun is at noon
    flicker_depth, mains_hz, phase_rad : float
        Of the lamps; they flicker at twice the mains.
    switches_s : tuple of float
        When lamps are switched, seconds from the session's begin; dimmed to a tenth, and back.
    always_on : bool
        Whether lamps burn by day as well.
    """

    begins_s: float
    lamp_lx: float
    daylight_share: float
    clearness: float
    cloud_seed: int
    lamp_towards: tuple[float, float, float]
    sun_azimuth_rad: float
    flicker_depth: float
    mains_hz: float
    phase_rad: float
    switches_s: tuple[float, ...]
    always_on: bool

    def elevation(self, times_s: Doubles) -> Doubles:
        """Return the sine of the sun's elevation, a sine over the day; below 0 at night."""
        return np.asarray(-0.87 * np.cos(2.0 * np.pi * (self.begins_s + times_s) / _DAY_S))

    def daylight_lx(self, times_s: Doubles) -> Doubles:
        """Return sun and sky together, with clouds that pass within a minute or so."""
        high = np.maximum(self.elevation(times_s), 0.0)
        rng = np.random.default_rng([self.cloud_seed, 5])
        periods = rng.uniform(40.0, 900.0, 6)
        phases = rng.uniform(0.0, 2.0 * np.pi, 6)
        waves = np.sin(2.0 * np.pi * times_s[:, None] / periods + phases).mean(axis=1)
        clouds = 0.65 + 0.35 * self.clearness + 0.5 * (1.0 - abs(2 * self.clearness - 1)) * waves
        return np.asarray(_NOON_LX * high**1.2 * np.clip(clouds, 0.1, 1.2) * self.daylight_share)

    def lamps_lx(self, times_s: Doubles) -> Doubles:
        """Return the lamps' light: on by night, or always; dimmed between two switches."""
        on = 1.0 if self.always_on else (self.elevation(times_s) < 0.1).astype(float)
        dimmed = np.searchsorted(np.array(self.switches_s), times_s, side="right") % 2
        return np.asarray(self.lamp_lx * on * np.where(dimmed == 1, 0.1, 1.0))

    def sun_towards(self, time_s: float) -> npt.NDArray[np.float32]:
        """Return the unit vector to the sun, at least 5 degrees high."""
        up = max(float(self.elevation(np.array([time_s]))[0]), 0.09)
        hours = (self.begins_s + time_s) / 3600.0 - 12.0
        azimuth = self.sun_azimuth_rad + math.radians(15.0) * hours
        flat = math.sqrt(1.0 - up * up)
        return np.array([flat * math.cos(azimuth), flat * math.sin(azimuth), up], np.float32)

    def flicker(self, times_s: Doubles, exposed_s: Doubles) -> Doubles:
        """Return the lamps' light over its mean, over exposures that begin at given times.

        A sine averaged over a time T is smaller by sinc(f T), at the middle of that time.
        """
        rate = 2.0 * self.mains_hz
        angle = 2.0 * np.pi * rate * (times_s + exposed_s / 2.0) + self.phase_rad
        return np.asarray(1.0 + self.flicker_depth * np.sinc(rate * exposed_s) * np.sin(angle))


def draw_lighting(outdoors: bool, rng: np.random.Generator, mains_hz: float = 50.0) -> Lighting:
    """Draw the light of a session: any time of day, lamps of 5 to 60 lx outdoors, 20 to 500 in.

    Assumed, as are the flicker's depth of 2 to 30 % and a switch in a third of the sessions.
    """
    lamp = float(np.exp(rng.uniform(*np.log([5.0, 60.0] if outdoors else [20.0, 500.0]))))
    towards = rng.normal([0.0, 0.0, 2.0], [0.8, 0.8, 0.1])
    towards /= np.linalg.norm(towards)
    n_switches = int(rng.integers(1, 3)) if rng.random() < 0.33 else 0
    return Lighting(
        float(rng.uniform(0.0, _DAY_S)),
        lamp,
        float(rng.uniform(0.2, 1.0) if outdoors else np.exp(rng.uniform(*np.log([0.001, 0.03])))),
        float(rng.uniform(0.0, 1.0)) if outdoors else 0.0,
        int(rng.integers(2**31)),
        (float(towards[0]), float(towards[1]), float(towards[2])),
        float(rng.uniform(0.0, 2.0 * np.pi)),
        float(rng.uniform(0.02, 0.3)),
        mains_hz,
        float(rng.uniform(0.0, 2.0 * np.pi)),
        tuple(sorted(rng.uniform(60.0, 1500.0, n_switches).tolist())),
        not outdoors,
    )


def exposure_steps(brightest: Doubles, step: int) -> tuple[npt.NDArray[np.int64], int]:
    """Choose the exposure of each frame from the frame before, as a sensor does.

    The exposure is the longest one halved `step` times. After a frame whose brightest pixel would
    pass ``_BRIGHT`` of the full well it is halved as often as is needed; after one that stays below
    ``_DIM``, doubled once.

    Parameters
    ----------
    brightest : float64 (n_frames,)
        Of the full well, at the longest exposure.
    step : int
        Of the first frame.

    Returns
    -------
    steps : int64 (n_frames,)
    next_step : int
        For the frame after.
    """
    steps = np.zeros(len(brightest), np.int64)
    for frame, full in enumerate(brightest.tolist()):
        steps[frame] = step
        filled = full / 2.0**step
        if filled > _BRIGHT:
            step = min(N_STEPS - 1, step + math.ceil(math.log2(filled / _BRIGHT)))
        elif filled < _DIM and step:
            step -= 1
    return steps, step
