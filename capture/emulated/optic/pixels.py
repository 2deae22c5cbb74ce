"""Pixels: power to electrons to counts, with every noise of a real array.

The model is the linear one of EMVA 1288 Release 4.0, section 2 (from memory): electrons from
photons by the quantum efficiency, shot noise of signal and dark signal, Gaussian read noise, gain,
offset, ADC.
"""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

from capture.frames import Counts
from runtime.sensor import Sensor

__all__ = ["NON_UNIFORMITY", "QUANTUM_EFFICIENCY", "PixelArray", "photon_energy_j"]

Floats = npt.NDArray[np.float32]

QUANTUM_EFFICIENCY = 0.45
"""Electrons for each photon at the LED's wavelength; assumed for thin silicon at 940 nm."""
NON_UNIFORMITY = 0.01
"""Photo response non-uniformity, rms over pixels; assumed."""
_DARK_NON_UNIFORMITY = 0.25
_PLANCK_J_S = 6.62607015e-34  # exact by definition of the SI, 2019
_LIGHT_M_PER_S = 299_792_458.0


def photon_energy_j(sensor: Sensor) -> float:
    """Return the energy of a photon at the wavelength of the sensor's LED."""
    return _PLANCK_J_S * _LIGHT_M_PER_S / (sensor.led_wavelength_nm * 1e-9)


class PixelArray:
    """The pixels of one unit; what is fixed in them follows from the unit's name.

    Parameters
    ----------
    sensor : Sensor
        Gain, noise, dark signal, saturation, bits, exposure.
    unit : str
        Name of the physical sensor.
    """

    def __init__(self, sensor: Sensor, unit: str) -> None:
        self.sensor = sensor
        rng = np.random.default_rng([zlib.crc32(unit.encode()), 2])
        response = rng.standard_normal(sensor.n_pixels)
        dark = rng.standard_normal(sensor.n_pixels)
        self.response: Floats = (1.0 + NON_UNIFORMITY * response).astype(np.float32)
        mean = sensor.dark_signal_e_per_s * sensor.exposure_us * 1e-6
        self.dark_e: Floats = (mean * np.maximum(1.0 + _DARK_NON_UNIFORMITY * dark, 0.0)).astype(
            np.float32
        )

    def electrons(self, power_w: Floats) -> Floats:
        """Return the mean electrons of an exposure, signal and dark signal.

        Parameters
        ----------
        power_w : float32 array, shape (n_exposures, n_pixels)
            Power on each pixel, watts.
        """
        per_watt = (
            QUANTUM_EFFICIENCY * self.sensor.exposure_us * 1e-6 / photon_energy_j(self.sensor)
        )
        mean: Floats = power_w * (self.response * np.float32(per_watt)) + self.dark_e
        return mean

    def read(self, electrons: Floats, rng: np.random.Generator) -> Counts:
        """Return the counts of exposures with the given mean electrons; each a fresh draw.

        Notes
        -----
        Shot noise is drawn together with read noise as one Gaussian of variance ``electrons +
        read_noise**2``. Mean and variance are exact; the skew of the Poisson law is left out,
        which is 1/sqrt(variance) at most: below 0.13 at 8 electrons of read noise.

        Returns
        -------
        uint16 array, shape (n_exposures, n_pixels)
        """
        sensor = self.sensor
        sigma = np.sqrt(electrons + np.float32(sensor.read_noise_e**2))
        charge = sigma
        charge *= rng.standard_normal(electrons.shape, dtype=np.float32)
        charge += electrons
        np.minimum(charge, np.float32(sensor.full_well_e), out=charge)
        charge *= np.float32(sensor.conversion_gain_dn_per_e)
        charge += np.float32(sensor.black_level_counts + 0.5)
        np.clip(charge, 0.0, np.float32(sensor.max_counts), out=charge)
        counts: Counts = charge.astype(np.uint16)
        return counts
