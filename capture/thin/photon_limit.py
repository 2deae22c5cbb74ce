"""The photon limit: the least LED energy by which a hand could be told to be there at all.

Of the LED's electrical energy E, the wall-plug efficiency w becomes light of photons of energy
``h c / lambda``. A Lambertian LED sends the share ``A / (pi d^2)`` of them onto a hand of area A
that faces it at distance d (along its axis the intensity is the flux over pi; the solid angle is
``A / d^2``, so that A must be well below d^2). A Lambertian hand sends back the share rho, of which
an aperture of diameter a beside the LED catches ``(pi a^2 / 4) / (pi d^2)``: the same argument the
other way round. The optic lets T of it through, and silicon makes q electrons of a photon:

    electrons per joule = w lambda / (h c) * A / (pi d^2) * rho * a^2 / (4 d^2) * T * q

(Lambert's law and the inverse square, any optics textbook.) N electrons in the lit exposure are
told from none with a sensitivity ``d' = N / sqrt(N + R)``: shot noise of N, and R electrons squared
of read noise, which n_bins bins bring in each exposure, ``R = n_exposures n_bins s^2``. d' is the
distance between the two answers in standard deviations (Green and Swets, Signal Detection Theory
and Psychophysics, 1966; from memory). Solved for N:

    N = d'^2 / 2 * (1 + sqrt(1 + 4 R / d'^2))

which is d'^2 with shot noise alone. No ambient light and no dark signal are in it: it is a floor.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from runtime.errors import UsageError

__all__ = ["HandInView", "PhotonLimit", "photon_limit"]

_PLANCK_J_S = 6.62607015e-34  # exact by definition of the SI, 2019
_LIGHT_M_PER_S = 299_792_458.0
FORMULA = (
    "electrons per joule = wall-plug efficiency * wavelength / (h c) * hand area / (pi distance^2) "
    "* reflectance * aperture^2 / (4 distance^2) * transmission * quantum efficiency; "
    "electrons = d'^2 / 2 * (1 + sqrt(1 + 4 exposures bins read_noise^2 / d'^2))"
)


@dataclass(frozen=True, slots=True)
class HandInView:
    """A hand in front of an LED and a sensor; what is assumed is common practice, no source.

    Parameters
    ----------
    area_cm2 : float
        Of the hand, facing the sensor.
    distance_m : float
    reflectance : float
        Share of the light that the skin sends back, Lambertian; above 0 and at most 1.
    aperture_mm : float
        Diameter of the optic.
    wavelength_nm : float
    wall_plug_efficiency : float
        Light for electrical energy of the LED.
    quantum_efficiency : float
        Electrons for each photon.
    transmission : float
        Of optic and filter.

    Raises
    ------
    UsageError
        A value is out of range, or the hand is too near for its size.
    """

    area_cm2: float = 125.0
    distance_m: float = 0.2
    reflectance: float = 0.5
    aperture_mm: float = 0.1
    wavelength_nm: float = 940.0
    wall_plug_efficiency: float = 0.35
    quantum_efficiency: float = 0.45
    transmission: float = 0.6

    def __post_init__(self) -> None:
        for name, low, high in (
            ("area_cm2", 0.01, 1e4),
            ("distance_m", 0.001, 10.0),
            ("reflectance", 1e-3, 1.0),
            ("aperture_mm", 1e-3, 100.0),
            ("wavelength_nm", 380.0, 1100.0),
            ("wall_plug_efficiency", 1e-4, 1.0),
            ("quantum_efficiency", 1e-4, 1.0),
            ("transmission", 1e-4, 1.0),
        ):
            _check(name, getattr(self, name), low, high)
        if self.share_on_hand > 0.5 or self.share_caught > 0.5:
            raise UsageError(
                "photon limit", "distance_m", self.distance_m,
                "more: at this distance the hand or the aperture fills the view",
            )  # fmt: skip

    @property
    def share_on_hand(self) -> float:
        """Share of the LED's light that meets the hand."""
        return self.area_cm2 * 1e-4 / (math.pi * self.distance_m**2)

    @property
    def share_caught(self) -> float:
        """Share of the light that leaves the hand and meets the aperture."""
        return (self.aperture_mm * 1e-3) ** 2 / (4.0 * self.distance_m**2)

    @property
    def electrons_per_uj(self) -> float:
        """Electrons in all pixels together for a microjoule of the LED's electrical energy."""
        photon_j = _PLANCK_J_S * _LIGHT_M_PER_S / (self.wavelength_nm * 1e-9)
        sent = 1e-6 * self.wall_plug_efficiency / photon_j
        returned = self.share_on_hand * self.reflectance * self.share_caught
        return sent * returned * self.transmission * self.quantum_efficiency


@dataclass(frozen=True, slots=True)
class PhotonLimit:
    """The least energy of the LED for one answer, with all that it follows from.

    Parameters
    ----------
    energy_uj : float
        Electrical energy of the LED for one frame pair, microjoules.
    shot_noise_alone_uj : float
        The same without any read noise: no sensor does with less.
    electrons, electrons_per_uj : float
        Electrons needed, and what a microjoule gives.
    d_prime, n_bins, n_exposures, read_noise_e : float, int, int, float
        What was asked for.
    hand : HandInView
    formula : str
        In words, for printing.
    """

    energy_uj: float
    shot_noise_alone_uj: float
    electrons: float
    electrons_per_uj: float
    d_prime: float
    n_bins: int
    n_exposures: int
    read_noise_e: float
    hand: HandInView
    formula: str = FORMULA

    def to_json(self) -> dict[str, object]:
        """Return the fields as plain JSON values."""
        return dataclasses.asdict(self)


def photon_limit(
    hand: HandInView | None = None,
    *,
    d_prime: float = 5.0,
    n_bins: int = 64,
    read_noise_e: float = 8.0,
    n_exposures: int = 2,
) -> PhotonLimit:
    """Return the least LED energy at which a hand is told from none.

    Parameters
    ----------
    hand : HandInView, optional
    d_prime : float
        Sensitivity wanted; at 5, a threshold half way errs in 0.6 % of the answers.
    n_bins : int
        Values read that carry the light together, each with its read noise.
    read_noise_e : float
        Read noise of one such value in one exposure, electrons rms; 0 for shot noise alone.
    n_exposures : int
        Exposures of a frame pair: 2, lit and dark.

    Raises
    ------
    UsageError
        A value is out of range.
    """
    hand = hand or HandInView()
    for name, value, low, high in (
        ("d_prime", d_prime, 0.1, 100.0),
        ("n_bins", n_bins, 1, 65_536),
        ("read_noise_e", read_noise_e, 0.0, 1e5),
        ("n_exposures", n_exposures, 1, 2),
    ):
        _check(name, value, low, high)
    read_e2 = n_exposures * n_bins * read_noise_e**2
    electrons = d_prime**2 / 2.0 * (1.0 + math.sqrt(1.0 + 4.0 * read_e2 / d_prime**2))
    per_uj = hand.electrons_per_uj
    return PhotonLimit(
        energy_uj=electrons / per_uj,
        shot_noise_alone_uj=d_prime**2 / per_uj,
        electrons=electrons,
        electrons_per_uj=per_uj,
        d_prime=d_prime,
        n_bins=n_bins,
        n_exposures=n_exposures,
        read_noise_e=read_noise_e,
        hand=hand,
    )


def _check(name: str, value: float, low: float, high: float) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise UsageError("photon limit", name, value, f"{low:g} to {high:g}")
