"""What each aperture's pixels receive of points of light in space."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from capture.emulated.optic.mounting import Mounting, mountings_of
from capture.emulated.optic.optics import APERTURE_MM2, ARRAY_MM, TRANSMISSION, response
from capture.emulated.optic.pixels import QUANTUM_EFFICIENCY, photon_energy_j
from capture.emulated.points.scene import PointScene
from runtime.sensor import Sensor

__all__ = ["Apertures", "intensity_mw_per_sr"]

Doubles = npt.NDArray[np.float64]


def intensity_mw_per_sr(
    electrons: npt.ArrayLike, distance_mm: npt.ArrayLike, sensor: Sensor
) -> Doubles:
    """Return how bright a point is of which an aperture would collect so many electrons.

    On its axis, in an exposure of full length: N = I / d^2 x area x transmission x t x quantum
    efficiency / photon energy, with the inverse square of a point's light.
    """
    photon_j = photon_energy_j(sensor)
    per_watt = QUANTUM_EFFICIENCY * sensor.exposure_us * 1e-6 / photon_j
    watts_per_w_per_sr = APERTURE_MM2 * TRANSMISSION / np.asarray(distance_mm) ** 2
    return np.asarray(1e3 * np.asarray(electrons) / (per_watt * watts_per_w_per_sr))


@dataclass(frozen=True, slots=True)
class Apertures:
    """The apertures of one unit in the state that a scene asks for.

    Parameters
    ----------
    sensor : Sensor
    mountings : tuple of Mounting
        Of each aperture, at the temperature at which the unit was calibrated.
    growth_per_k : float
        How much more than the array the optics' carrier grows, a kelvin.
    """

    sensor: Sensor
    mountings: tuple[Mounting, ...]
    growth_per_k: float

    @classmethod
    def of(cls, sensor: Sensor, unit: str, scene: PointScene) -> Apertures:
        """Return a unit's apertures as a scene has them: smeared, covered or shifted."""
        mountings = list(mountings_of(unit, len(sensor.apertures)))
        for k, aperture in enumerate(sensor.apertures):
            across = max(aperture.n_rows, aperture.n_cols)
            shift_um = scene.shift_um[k] if k < len(scene.shift_um) else 0.0
            mountings[k] = replace(
                mountings[k],
                shift_x=mountings[k].shift_x + shift_um * 1e-3 / (ARRAY_MM / 2.0),
                smear=scene.smear_pixels * 2.0 / across if scene.smeared == k else 0.0,
                passes=0.0 if scene.covered == k else 1.0,
            )
        return cls(sensor, tuple(mountings), scene.growth_ppm_per_k * 1e-6)

    def power_w(
        self, places_mm: Doubles, mw_per_sr: Doubles, warmer_k: float = 0.0
    ) -> npt.NDArray[np.float64]:
        """Return the power of points on every pixel.

        Parameters
        ----------
        places_mm : float64 array, shape (n_points, 3)
            From the sensor's origin: x along the columns, y along the rows, z along the axis.
        mw_per_sr : float64 array, shape (n_points,)
            Radiant intensity towards the sensor.
        warmer_k : float
            Than when the unit was calibrated: the optics' carrier has grown away from the origin.

        Returns
        -------
        float64 array, shape (n_points, n_pixels)
            Watts. Each aperture sees the points from its own place.
        """
        shape = len(places_mm), self.sensor.n_rows, self.sensor.n_cols
        power = np.zeros(shape)
        grown = self.growth_per_k * warmer_k
        for aperture, mounting in zip(self.sensor.apertures, self.mountings, strict=True):
            centre = np.array([aperture.x_mm, aperture.y_mm, 0.0])
            moved = replace(
                mounting,
                shift_x=mounting.shift_x + grown * aperture.x_mm / (ARRAY_MM / 2.0),
                shift_y=mounting.shift_y + grown * aperture.y_mm / (ARRAY_MM / 2.0),
            )
            away = places_mm - centre * (1.0 + grown)
            distance_mm = np.linalg.norm(away, axis=1)
            seen = response(aperture, moved, away / distance_mm[:, None])
            seen *= (mw_per_sr * 1e-3 * APERTURE_MM2 / distance_mm**2)[:, None]
            aperture.of(power)[:] = seen.reshape(-1, aperture.n_rows, aperture.n_cols)
        return power.reshape(len(places_mm), self.sensor.n_pixels)
