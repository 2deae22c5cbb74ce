"""How the optic of a unit lies askew over its pixels, and what may lie on it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np

__all__ = ["Mounting", "mounting_of", "mountings_of"]


@dataclass(frozen=True, slots=True)
class Mounting:
    """How far the optic of one aperture is from its place, and in which state it is.

    Parameters
    ----------
    rotation_deg : float
        Turn.
    shift_x, shift_y : float
        Shift over the pixels, in half widths of the array under it.
    smear : float
        Blur by something on the optic, one standard deviation in half widths, >= 0.
    passes : float
        Share of the light that a cover over the optic lets pass, 0 to 1.
    """

    rotation_deg: float = 0.0
    shift_x: float = 0.0
    shift_y: float = 0.0
    smear: float = 0.0
    passes: float = 1.0


def mounting_of(unit: str) -> Mounting:
    """Return the mounting of a unit; follows from its name alone.

    Turn 1 degree rms, shift 1 % of the array's half width rms: invented tolerances.
    """
    draw = np.random.default_rng([zlib.crc32(unit.encode()), 1]).standard_normal(3)
    return Mounting(float(draw[0]), float(0.01 * draw[1]), float(0.01 * draw[2]))


def mountings_of(unit: str, n_apertures: int) -> tuple[Mounting, ...]:
    """Return the mounting of each aperture of a unit; follows from its name alone.

    The optics of one unit are made in one piece and lie askew together, as `mounting_of` has it;
    each of several is off its place in that piece by 0.2 % of the half width (a quarter of a
    micrometre) rms, invented likewise.
    """
    whole = mounting_of(unit)
    if n_apertures == 1:
        return (whole,)
    rng = np.random.default_rng([zlib.crc32(unit.encode()), 4])
    apart = 0.002 * rng.standard_normal((n_apertures, 2))
    return tuple(
        replace(whole, shift_x=whole.shift_x + float(x), shift_y=whole.shift_y + float(y))
        for x, y in apart
    )
