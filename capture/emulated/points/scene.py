"""What a rig in front of an emulated sensor holds and how the sensor fares: a file of settings.

Every key may be left out. What no real rig states (a smeared, covered or shifted optic, a carrier
that grows with warmth) is there so that whatever reads the sensor can be tried against it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import pydantic
from pydantic import ConfigDict, Field

from runtime.sensor import MAX_APERTURES
from runtime.tomlfile import read_toml

__all__ = ["PointScene", "read_scene"]

_Aperture = Annotated[int, Field(ge=0, lt=MAX_APERTURES)]
_Share = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]


_Degrees = Annotated[float, Field(ge=1.0, le=54.0, allow_inf_nan=False)]
_Distance = Annotated[float, Field(ge=10.0, le=1e5, allow_inf_nan=False)]
_Electrons = Annotated[float, Field(ge=1.0, le=1e9, allow_inf_nan=False)]
_Illuminance = Annotated[float, Field(ge=0.0, le=1e5, allow_inf_nan=False)]
_Pixels = Annotated[float, Field(ge=0.0, le=16.0, allow_inf_nan=False)]
_Micrometres = Annotated[float, Field(ge=-50.0, le=50.0, allow_inf_nan=False)]
_Kelvin = Annotated[float, Field(ge=-60.0, le=60.0, allow_inf_nan=False)]
_Growth = Annotated[float, Field(ge=-100.0, le=100.0, allow_inf_nan=False)]


class PointScene(pydantic.BaseModel):
    """A rig, what is around it, and the state of the sensor; frozen.

    Parameters
    ----------
    half_field_deg : float
        The stage reaches so far off the axis, 1 to 54 degrees.
    distances_mm : tuple of float
        Where along the line of sight the stage stops, 10 to 100,000 mm; in turn.
    electrons : (float, float)
        What one aperture collects of a source on its axis in an exposure of full length, fewest and
        most; drawn evenly in the logarithm for each source and cue, and the rig dims it so.
    source : str
        ``flashes``: only in the lit exposure, driven by the LED's own pin or sending back its
        light; ``shines``: in both, as a lamp does.
    flicker_depth : float
        Of sources that shine: the amplitude of their flicker over the mean; lamps have some.
    mains_hz : float
        Lamps flicker at twice that.
    room : int or None
        Number of the room: what is behind everything, and its lesser lights, are drawn by it, so
        that several sessions are in one place. By default each session is in a place of its own.
    clutter : int
        Lesser lights in the room, 0.5 to 5 m away, that shine all the time; 0 to 64.
    clutter_share : float
        The strongest of them over the geometric mean of `electrons`.
    illuminance_lx : float
        Of the sky or the lamps behind everything.
    auto_exposure : bool
        The sensor shortens its exposures by itself where pixels come near saturation.
    smeared : int or None
        An aperture with a film over it that blurs its pattern by `smear_pixels`, rms.
    smear_pixels : float
    covered : int or None
        An aperture with a cover over it that lets nothing pass.
    shift_um : tuple of float
        How far each aperture's optic was moved along x after it was calibrated; none by default.
    warming_k : float
        How much warmer the sensor becomes within a few minutes.
    growth_ppm_per_k : float
        How much more than the array the optics' carrier grows. Glass 7.2 over silicon 2.6 ppm/K
        (any textbook of materials, from memory) leaves 4.6.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    half_field_deg: _Degrees = 35.0
    distances_mm: Annotated[
        tuple[_Distance, ...], Field(min_length=1, max_length=1000, strict=False)
    ] = (55.8, 80.0, 120.0, 186.0, 280.0, 400.0, 558.0, 800.0)
    electrons: Annotated[tuple[_Electrons, _Electrons], Field(strict=False)] = (1e5, 1e6)
    source: Literal["flashes", "shines"] = "flashes"
    flicker_depth: _Share = 0.0
    mains_hz: Literal[50, 60] = 50
    room: Annotated[int, Field(ge=0, lt=2**32)] | None = None
    clutter: Annotated[int, Field(ge=0, le=64)] = 6
    clutter_share: _Share = 0.1
    illuminance_lx: _Illuminance = 50.0
    auto_exposure: bool = True
    smeared: _Aperture | None = None
    smear_pixels: _Pixels = 2.0
    covered: _Aperture | None = None
    shift_um: Annotated[
        tuple[_Micrometres, ...], Field(max_length=MAX_APERTURES, strict=False)
    ] = ()
    warming_k: _Kelvin = 6.0
    growth_ppm_per_k: _Growth = 4.6

    @pydantic.model_validator(mode="after")
    def _rising(self) -> PointScene:
        if self.electrons[0] > self.electrons[1]:
            raise ValueError("electrons must give the fewest first")
        return self


def read_scene(path: Path) -> PointScene:
    """Read a rig's file.

    Raises
    ------
    FormatError
        It cannot be read, or a key is unknown or out of range; the message names it.
    """
    file = read_toml(path, expected="a scene of points (TOML)")
    with file.faults():
        return PointScene.model_validate(file.data)
