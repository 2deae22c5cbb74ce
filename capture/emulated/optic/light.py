"""Light in real units: the LED, the ambient light of a session, mains flicker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.optic.optics import AngularGrid

__all__ = [
    "DAYLIGHT",
    "FILAMENT",
    "LED_LAMP",
    "LED_LOBE",
    "LED_MW_PER_SR_PER_MA",
    "Ambient",
    "Illumination",
    "draw_ambient",
    "evened",
    "led_irradiance",
]

Floats = npt.NDArray[np.float32]

LED_MW_PER_SR_PER_MA = 0.25
"""Radiant intensity on axis: 25 mW/sr at 100 mA, a wide infrared LED of about 70 mW; assumed."""
LED_LOBE = 1.2
"""Intensity falls as cos(angle)**1.2: half of it at 56 degrees; assumed."""

# Irradiance inside a 25 nm band at 940 nm for one lux, W/m2. Daylight: ASTM G173-03 global has
# about 0.36 W/(m2 nm) at 940 nm within a water band, at about 110 klx (from memory). Filament: a
# black body of 2,800 K has 1.6 % of its power in that band, at about 15 lm/W (from memory).
# White LED lamps send almost nothing there.
DAYLIGHT = 25.0 * 0.36 / 110e3
FILAMENT = 0.016 / 15.0
LED_LAMP = 2e-7


def led_irradiance(
    x_mm: Floats, y_mm: Floats, z_mm: Floats, led_offset_mm: float, current_ma: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return what the LED sends to points in space.

    Returns
    -------
    irradiance : float32 array
        On a surface that faces the LED, W/m2; inverse square of the distance times the lobe.
    ux, uy, uz : float32 array
        Unit vectors from the LED to the points.
    """
    dx = x_mm - np.float32(led_offset_mm)
    squared = dx * dx + y_mm * y_mm + z_mm * z_mm
    inverse = np.float32(1.0) / np.sqrt(squared)
    uz = z_mm * inverse
    intensity = np.float32(LED_MW_PER_SR_PER_MA * 1e-3 * current_ma)
    irradiance = intensity * np.maximum(uz, 0.0) ** np.float32(LED_LOBE) / squared * np.float32(1e6)
    return irradiance, dx * inverse, y_mm * inverse, uz


def evened(led: Floats, grid: AngularGrid, share: npt.ArrayLike) -> Floats:
    """Take back the fall-off of the LED's light over a flat wall, or a share of it.

    What a wall that faces the sensor sends back falls off with the angle as the LED's lobe, the
    cosine of incidence, and the square of the distance, which is that of the cosine again: an LED
    of the opposite lobe would light it evenly.

    Parameters
    ----------
    led : float32 array, shape (n_frames, n_angles)
        Radiance of the LED's light, W/(m2 sr).
    grid : AngularGrid
        The angles.
    share : float, or float64 array, shape (n_frames,)
        0 leaves the light as it is, 1 makes that of a wall the same everywhere.
    """
    power = np.asarray(share, np.float64)[..., None] * (LED_LOBE + 3.0)
    falls_off = grid.directions[:, 2].astype(np.float64) ** power
    return np.asarray(led / falls_off.astype(np.float32))


@dataclass(frozen=True, slots=True, eq=False)
class Illumination:
    """Ambient light on the scene, frame by frame, at its mean over a period of the mains.

    Parameters
    ----------
    in_band_w_per_m2 : float64 array, shape (n_frames,)
        Irradiance from above inside the filter's band.
    bounce : float
        Share of it that comes back up from the table and the room.
    background : float32 array, shape (n_frames, n_angles) or (n_angles,)
        Radiance of the field behind everything, W/(m2 sr).
    up : float32 array, shape (n_frames, 3), optional
        The vertical in the sensor's frame; +z when the sensor lies level.
    """

    in_band_w_per_m2: npt.NDArray[np.float64]
    bounce: float
    background: Floats
    up: Floats | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Ambient:
    """Ambient light of one session.

    Parameters
    ----------
    illuminance_lx : float
        On the sensor, unobstructed.
    in_band_w_per_m2 : float
        Irradiance from above inside the filter's band.
    bounce : float
        Share of it that comes back up from the table and the room.
    background : float32 array, shape (n_angles,)
        Radiance of the field behind everything, W/(m2 sr).
    mains_hz : float
        Line frequency; the light flickers at twice that.
    flicker_depth : float
        Amplitude of the flicker over the mean, 0 to 1.
    phase_rad : float
        Phase of the flicker at device time 0.
    """

    illuminance_lx: float
    in_band_w_per_m2: float
    bounce: float
    background: Floats
    mains_hz: float
    flicker_depth: float
    phase_rad: float

    def over(self, n_frames: int) -> Illumination:
        """Return the light of so many frames."""
        in_band = np.full(n_frames, self.in_band_w_per_m2)
        return Illumination(in_band, self.bounce, self.background)

    def factor(self, times_s: npt.NDArray[np.float64], exposed_s: float = 0.0) -> Floats:
        """Return ambient light over its mean, at each time or over exposures that begin there.

        The mean of a sine over a length T is the sine in its middle times ``sinc(f T)``.
        """
        return self.flickering(self.flicker_depth, times_s, exposed_s)

    def flickering(
        self, depth: float, times_s: npt.NDArray[np.float64], exposed_s: float
    ) -> Floats:
        """Return the same of a lamp of that mains whose light flickers by `depth`."""
        middles = times_s + exposed_s / 2.0
        angle = 2.0 * np.pi * 2.0 * self.mains_hz * middles + self.phase_rad
        kept = depth * float(np.sinc(2.0 * self.mains_hz * exposed_s))
        return (1.0 + kept * np.sin(angle)).astype(np.float32)


def draw_ambient(grid: AngularGrid, rng: np.random.Generator, mains_hz: float = 50.0) -> Ambient:
    """Draw the light of a session: 20 to 10,000 lx, an invented mixture of lamps and daylight."""
    illuminance = float(np.exp(rng.uniform(np.log(20.0), np.log(10_000.0))))
    filament_lx = min(illuminance, 400.0) * float(rng.choice([0.0, rng.uniform(0.0, 1.0)]))
    daylight_lx = (illuminance - filament_lx) * (1.0 if illuminance > 1500.0 else rng.uniform())
    lamp_lx = illuminance - filament_lx - daylight_lx
    filament = filament_lx * FILAMENT
    in_band = filament + daylight_lx * DAYLIGHT + lamp_lx * LED_LAMP
    shape = np.full(grid.n_angles, 0.4)
    for _ in range(int(rng.integers(1, 4))):  # windows and lamps
        towards = rng.normal([0.0, 0.0, 1.0], [0.6, 0.6, 0.2])
        towards /= np.linalg.norm(towards)
        cosine = np.clip(grid.directions @ towards, 0.0, 1.0)
        shape += rng.uniform(0.5, 3.0) * np.exp((cosine - 1.0) / rng.uniform(0.01, 0.08))
    # The part of the field that the optic sees carries all the light but what comes from outside.
    seen = float(np.sum(shape * grid.directions[:, 2]) * grid.solid_angle_sr)
    share = float(np.sin(np.radians(grid.half_angle_deg)) ** 2)
    background = shape * in_band * share / seen
    depth = float(rng.uniform(0.06, 0.18)) * filament / max(in_band, 1e-12)
    return Ambient(
        illuminance,
        in_band,
        float(rng.uniform(0.1, 0.4)),
        background.astype(np.float32),
        mains_hz,
        depth,
        float(rng.uniform(0.0, 2.0 * np.pi)),
    )
