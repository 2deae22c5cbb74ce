"""Screening of LED light against the published exposure limits of the eye.

A screening estimate only: conformity needs measurement to IEC 62471 by a competent laboratory.

Limits are those of ICNIRP, Guidelines on limits of exposure to incoherent visible and infrared
radiation, Health Phys. 105(1):74-96, 2013 (read with its errata). Beside the retinal limit of
2013 stands the older one of IEC 62471:2006, section 4.3.6 (6000 / alpha), which products are
still tested to; the stricter of the two is what `screen` applies.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from runtime.errors import UsageError

__all__ = [
    "CAUTION",
    "CLOSEST_MM",
    "DISTANCES_MM",
    "Glance",
    "LightScreening",
    "blue_limit",
    "blue_weight",
    "cornea_limit",
    "retina_limit",
    "retina_weight",
    "screen",
]

CAUTION = (
    "This is a screening estimate from data-sheet values. Conformity needs measurement to "
    "IEC 62471, or to the rules in force where the product is sold, by a competent laboratory."
)
_INFRARED_NM = 780.0
_ALPHA_MIN, _ALPHA_MAX = 0.0015, 0.1
_IEC_ALPHA_MIN = 0.011
VIEWING_S = (10.0, 100.0, 1000.0, 28_800.0)
DISTANCES_MM = (50.0, 100.0, 200.0)
CLOSEST_MM = 0.1
"""Nearer than this no distance is looked for at which a limit would be passed."""


def cornea_limit(seconds: float) -> float:
    """Infrared limit for cornea and lens, W/m2: 18000 t^-0.75, and 100 from 1,000 s on."""
    return float(18_000.0 * seconds**-0.75) if seconds < 1000.0 else 100.0


def retina_weight(wavelength_nm: float) -> float:
    """Retinal thermal weighting R of ICNIRP 2013, table 2, at 500 to 1,150 nm.

    Raises
    ------
    UsageError
        The wavelength lies outside, where further hazards would have to be screened.
    """
    if not 500.0 <= wavelength_nm <= 1150.0:
        raise UsageError("light screening", "wavelength in nm", f"{wavelength_nm:g}", "500 to 1150")
    if wavelength_nm <= 700.0:
        return 1.0
    if wavelength_nm <= 1050.0:
        return float(10.0 ** ((700.0 - wavelength_nm) / 500.0))
    return 0.2


def blue_weight(wavelength_nm: float) -> float:
    """Blue-light weighting B of ICNIRP 2013, table 2 (from memory), from 500 nm on."""
    if wavelength_nm <= 600.0:
        return float(10.0 ** ((450.0 - wavelength_nm) / 50.0))
    return 0.001 if wavelength_nm <= 700.0 else 0.0


def blue_limit(seconds: float) -> float:
    """Limit of blue-weighted radiance in W/(m2 sr): ICNIRP 2013, 1e6 / t up to 10,000 s, then 100.

    IEC 62471:2006, section 4.3.3, has the same. An exposure of less than 0.25 s is not held
    against it.
    """
    return 1.0e6 / seconds if seconds < 10_000.0 else 100.0


def retina_limit(seconds: float, alpha_rad: float, visible: bool) -> float:
    """Limit of weighted radiance in W/(m2 sr) for a source of angular size alpha.

    Parameters
    ----------
    seconds : float
        Viewing time; a single pulse is judged with its own duration.
    alpha_rad : float
        Angular size; cut to 1.5 to 100 mrad (less for times below 0.25 s).
    visible : bool
        Whether the source is a visual stimulus, so that the eye turns away within 0.25 s.

    Notes
    -----
    ICNIRP 2013, table 3: 2.0e4 t^-0.25 / alpha below 0.25 s, 2.8e4 / alpha above; for a weak
    visual stimulus 2.0e4 t^-0.25 / alpha up to 100 s and 6300 / alpha beyond (equation 9 with
    its erratum). alpha_max is 5 mrad below 625 us, then 200 t^0.5 mrad, 100 mrad from 0.25 s on
    (from memory). For a weak stimulus from 10 s on, IEC 62471:2006 allows 6000 / alpha with alpha
    of at least 11 mrad, and the lesser of both is returned.
    """
    alpha_max: float = min(_ALPHA_MAX, max(0.005, 0.2 * seconds**0.5))
    alpha = min(alpha_max, max(_ALPHA_MIN, alpha_rad))
    if seconds < 0.25 or (not visible and seconds < 100.0):
        limit = 2.0e4 * seconds**-0.25 / alpha
    elif visible:
        limit = 2.8e4 / alpha
    else:
        limit = 6300.0 / alpha
    if not visible and seconds >= 10.0:
        limit = min(limit, 6000.0 / min(_ALPHA_MAX, max(_IEC_ALPHA_MIN, alpha_rad)))
    return float(limit)


@dataclass(frozen=True, slots=True)
class Glance:
    """One distance and viewing time: what reaches the eye, and the limits."""

    distance_mm: float
    seconds: float
    irradiance_w_m2: float
    cornea_limit_w_m2: float | None
    radiance_w_m2_sr: float
    retina_limit_w_m2_sr: float
    blue_radiance_w_m2_sr: float
    blue_limit_w_m2_sr: float

    @property
    def margin(self) -> float:
        """Smallest of limit over value; below 1 a limit is passed."""
        margins = [self.retina_limit_w_m2_sr / self.radiance_w_m2_sr]
        if self.cornea_limit_w_m2 is not None:
            margins.append(self.cornea_limit_w_m2 / self.irradiance_w_m2)
        if self.blue_radiance_w_m2_sr > 0.0:
            margins.append(self.blue_limit_w_m2_sr / self.blue_radiance_w_m2_sr)
        return min(margins)


@dataclass(frozen=True, slots=True)
class LightScreening:
    """The screening of one LED at one pulse pattern, and of the same LED stuck on.

    A driver that does not switch off is taken as the single fault: the LED is lit all the time at
    its full current. ``margin`` and ``closest_mm`` are without the fault.
    """

    wavelength_nm: float
    radiant_intensity_w_sr: float
    duty: float
    pulse_us: float
    visible: bool
    glances: tuple[Glance, ...]
    pulse_margin: float
    closest_mm: float
    stuck_on_margin: float
    stuck_on_closest_mm: float

    @property
    def margin(self) -> float:
        """Smallest margin over all glances and the single pulse."""
        return min(self.pulse_margin, *(g.margin for g in self.glances))

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values, the caution with them."""
        return {
            "caution": CAUTION,
            "guideline": "ICNIRP 2013, Health Phys. 105(1):74-96; IEC 62471:2006, section 4.3.6",
            "wavelength_nm": self.wavelength_nm,
            "radiant_intensity_w_sr": self.radiant_intensity_w_sr,
            "duty": self.duty,
            "pulse_us": self.pulse_us,
            "visible": self.visible,
            "pulse_margin": self.pulse_margin,
            "margin": self.margin,
            "closest_mm": self.closest_mm,
            "stuck_on": {
                "margin": self.stuck_on_margin,
                "closest_mm": self.stuck_on_closest_mm,
            },
            "glances": [
                {
                    "distance_mm": g.distance_mm,
                    "seconds": g.seconds,
                    "irradiance_w_m2": g.irradiance_w_m2,
                    "cornea_limit_w_m2": g.cornea_limit_w_m2,
                    "radiance_w_m2_sr": g.radiance_w_m2_sr,
                    "retina_limit_w_m2_sr": g.retina_limit_w_m2_sr,
                    "blue_radiance_w_m2_sr": g.blue_radiance_w_m2_sr,
                    "blue_limit_w_m2_sr": g.blue_limit_w_m2_sr,
                    "margin": g.margin,
                }
                for g in self.glances
            ],
        }


def screen(
    wavelength_nm: float,
    peak_intensity_w_sr: float,
    source_width_mm: float,
    pulse_us: float,
    rate_hz: float,
    distances_mm: Sequence[float] = DISTANCES_MM,
    viewing_s: Sequence[float] = VIEWING_S,
) -> LightScreening:
    """Screen a pulsed LED.

    Parameters
    ----------
    wavelength_nm : float
        Peak wavelength, 500 to 1,150 nm.
    peak_intensity_w_sr : float
        Radiant intensity on the axis during the pulse, W/sr, > 0.
    source_width_mm : float
        Width of the apparent source, > 0; small is the strict case.
    pulse_us, rate_hz : float
        Pulse length and pulses per second.
    distances_mm, viewing_s : sequence of float
        Distances of the eye and viewing times, > 0.

    Notes
    -----
    Repeated pulses: irradiance and radiance are averaged over the train, and each single pulse
    is judged with its own duration besides (ICNIRP 2013, section on multiple pulses). A source
    smaller than 1.5 mrad is averaged over that angle.
    """
    duty = min(1.0, pulse_us * 1e-6 * rate_hz)
    weight = retina_weight(wavelength_nm)
    visible = wavelength_nm < _INFRARED_NM

    def radiance(intensity: float, distance_m: float) -> float:
        side = max(source_width_mm / 1e3, _ALPHA_MIN * distance_m)
        return intensity / side**2

    def glance(distance_mm: float, seconds: float, lit: float = duty) -> Glance:
        distance = distance_mm / 1e3
        seen = radiance(peak_intensity_w_sr * lit, distance)
        return Glance(
            distance_mm,
            seconds,
            peak_intensity_w_sr * lit / distance**2,
            None if visible else cornea_limit(seconds),
            weight * seen,
            retina_limit(seconds, source_width_mm / distance_mm, visible),
            blue_weight(wavelength_nm) * seen,
            blue_limit(seconds),
        )

    def pulse_margin(distance_mm: float) -> float:
        limit = retina_limit(pulse_us * 1e-6, source_width_mm / distance_mm, visible)
        return limit / (weight * radiance(peak_intensity_w_sr, distance_mm / 1e3))

    def pulsed(distance_mm: float) -> float:
        return min(glance(distance_mm, max(viewing_s)).margin, pulse_margin(distance_mm))

    def stuck_on(distance_mm: float) -> float:
        return min(glance(distance_mm, seconds, 1.0).margin for seconds in viewing_s)

    return LightScreening(
        wavelength_nm, peak_intensity_w_sr, duty, pulse_us, visible,
        tuple(glance(d, t) for d in distances_mm for t in viewing_s),
        min(pulse_margin(d) for d in distances_mm), _closest_mm(pulsed),
        min(stuck_on(d) for d in distances_mm), _closest_mm(stuck_on),
    )  # fmt: skip


def _closest_mm(margin: Callable[[float], float]) -> float:
    """Return the distance down to which a margin stays above one.

    Every margin grows with distance: the span is halved on a logarithmic scale.
    """
    near, far = CLOSEST_MM, 10_000.0
    for _ in range(60):
        middle = math.sqrt(near * far)
        near, far = (middle, far) if margin(middle) < 1.0 else (near, middle)
    return far
