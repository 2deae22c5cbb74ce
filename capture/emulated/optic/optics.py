"""The optic: angles mapped to pixels by a spiral-armed point response, as one matrix.

A point of light at one angle throws the same textured pattern of spiral arms onto the pixel array
wherever it stands; the angle moves the pattern, and turns and stretches it slowly. Every pixel so
sees a weighted sum over the whole field, and a readout looks like nothing. All of it is linear:
``readout = transfer @ scene``.

A sensor of several apertures has one such optic over each rectangle of its array, a pattern of its
own on each; pixels under none of them see nothing.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.optic.mounting import Mounting
from capture.emulated.optic.pattern import pattern_at
from runtime.errors import UsageError
from runtime.sensor import Aperture, Sensor

__all__ = [
    "APERTURE_MM2",
    "ARRAY_MM",
    "SENSORS",
    "TRANSMISSION",
    "AngularGrid",
    "Optic",
    "build_optic",
    "response",
]

Floats = npt.NDArray[np.float32]

TRANSMISSION = 0.6
"""Share of the light through the aperture that passes optic and filter on axis; assumed."""
APERTURE_MM2 = 0.0625
"""Area of the optic, square millimetres (0.25 mm a side); assumed."""
ARRAY_MM = 0.25
"""Width of the array under one aperture, the same as the aperture's: pixels of 7.8 um where there
are 32 across; assumed."""
REFRACTIVE_INDEX = 1.5
"""Of the spacer between optic and pixels (glass; any optics textbook, from memory)."""

_EDGE_SHIFT = 1.15  # where the field's edge puts the centre of the pattern, half widths
_EDGE_TURN_RAD = 0.25
_EDGE_STRETCH = 0.08
_AT_ONCE = 64  # directions whose pixels are worked out together: a few megabytes

_TWO_APERTURES = Aperture(-0.93, 0.0, 0, 32, 0, 32), Aperture(0.93, 0.0, 0, 32, 32, 32)
SENSORS = {
    "lensless32": Sensor(name="lensless32", n_rows=32, n_cols=32),
    "lensless64": Sensor(
        name="lensless64",
        n_rows=64,
        n_cols=64,
        conversion_gain_dn_per_e=0.8,
        read_noise_e=4.0,
        dark_signal_e_per_s=150.0,
        full_well_e=5000.0,
    ),
    "lensless32pair": Sensor(
        name="lensless32pair",
        n_rows=32,
        n_cols=64,
        conversion_gain_dn_per_e=0.1,
        full_well_e=40_000.0,
        apertures=_TWO_APERTURES,
    ),
    "ambient32pair": Sensor(
        name="ambient32pair",
        n_rows=32,
        n_cols=64,
        conversion_gain_dn_per_e=0.1,
        full_well_e=40_000.0,
        exposure_us=5000.0,
        led_current_ma=0.0,
        led_wavelength_nm=555.0,
        apertures=_TWO_APERTURES,
    ),
    "ambient32": Sensor(
        name="ambient32",
        n_rows=32,
        n_cols=32,
        exposure_us=5000.0,
        frame_rate_hz=2.0,
        led_current_ma=0.0,
        led_wavelength_nm=555.0,
    ),
    "ambient16": Sensor(
        name="ambient16",
        n_rows=16,
        n_cols=16,
        conversion_gain_dn_per_e=0.08,
        read_noise_e=16.0,
        dark_signal_e_per_s=1600.0,
        full_well_e=50_000.0,
        exposure_us=5000.0,
        frame_rate_hz=2.0,
        led_current_ma=0.0,
        led_wavelength_nm=555.0,
    ),
}
"""Sensors by name. All have the same optic. The pixels of ``lensless64`` are half as wide.
``lensless32pair`` has two apertures 1.86 mm apart (common practice, no source), and wells deep
enough for a million electrons of one point: 650 a square micrometre, of the order of what image
sensors hold (from memory). ``ambient32pair`` is the same for lights that shine by
themselves: without an LED, and with exposures of half a period of the flicker of lamps at 50 Hz.
``ambient32`` has no LED, and a filter that passes 400 to 700 nm; its wavelength is the middle of
that. The pixels of ``ambient16`` are twice as wide, with wells about as much deeper as those of
``lensless64`` are shallower: a quarter of the counts to read and to send,
for sums of 8 x 8 bins that see as much."""


@dataclass(frozen=True)
class AngularGrid:
    """Cells of equal solid angle over the round field of view.

    The projection is Lambert's azimuthal equal-area one: a direction at angle t off the axis lies
    at radius 2 sin(t/2), so every cell holds the same solid angle (Snyder, Map Projections: A
    Working Manual, USGS Professional Paper 1395, 1987, section 24, from memory).

    Parameters
    ----------
    n_across : int
        Cells across the field, 8 to 128.
    half_angle_deg : float
        Half of the full field of view, degrees, 10 to 80.
    """

    n_across: int = 54
    half_angle_deg: float = 55.0

    def __post_init__(self) -> None:
        if not 8 <= self.n_across <= 128:
            raise UsageError("angular grid", "n_across", self.n_across, "8 to 128")
        if not 10.0 <= self.half_angle_deg <= 80.0:
            raise UsageError("angular grid", "half_angle_deg", self.half_angle_deg, "10 to 80")

    @property
    def radius(self) -> float:
        """Radius of the field in the projection."""
        return float(2.0 * np.sin(np.radians(self.half_angle_deg) / 2.0))

    @property
    def cell(self) -> float:
        """Side of a cell in the projection."""
        return 2.0 * self.radius / self.n_across

    @property
    def solid_angle_sr(self) -> float:
        """Solid angle of each cell, steradians."""
        return self.cell**2

    @functools.cached_property
    def inside(self) -> npt.NDArray[np.bool_]:
        """Cells of the square inside the field, shape (n_across, n_across), y rising by row."""
        x, y = self._centres()
        return np.asarray(np.hypot(x, y) <= self.radius)

    @property
    def n_angles(self) -> int:
        """Cells in the field."""
        return int(self.inside.sum())

    @functools.cached_property
    def directions(self) -> Floats:
        """Unit vectors to the cells, shape (n_angles, 3), z along the axis."""
        x, y = (axis[self.inside] for axis in self._centres())
        squared = x**2 + y**2
        scale = np.sqrt(1.0 - squared / 4.0)
        return np.stack([x * scale, y * scale, 1.0 - squared / 2.0], axis=1).astype(np.float32)

    def _centres(self) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
        along = (np.arange(self.n_across) + 0.5) * self.cell - self.radius
        x, y = np.meshgrid(along, along)
        return x, y

    def from_image(self, image: npt.NDArray[np.floating], half_angle_deg: float) -> Floats:
        """Spread a picture of radiance over the middle of the field.

        Parameters
        ----------
        image : array, shape (n_images, height, width)
            Radiance, W/(m2 sr); row 0 is the highest y.
        half_angle_deg : float
            The picture covers plus and minus this much in x and y, degrees.

        Returns
        -------
        float32 array, shape (n_images, n_angles)
            Radiance of each cell, taken from the picture by linear interpolation; 0 outside.
        """
        from scipy.ndimage import map_coordinates

        _, height, width = image.shape
        edge = np.radians(half_angle_deg)
        x = np.arctan2(self.directions[:, 0], self.directions[:, 2]) / edge
        y = np.arctan2(self.directions[:, 1], self.directions[:, 2]) / edge
        at = np.stack([(1.0 - y) * height / 2.0 - 0.5, (1.0 + x) * width / 2.0 - 0.5])
        return np.stack([map_coordinates(one, at, order=1, cval=0.0) for one in image]).astype(
            np.float32
        )


@dataclass(frozen=True, eq=False)
class Optic:
    """The transfer matrix of one unit.

    Parameters
    ----------
    grid : AngularGrid
        The angles.
    transfer : float32 array, shape (n_pixels, n_angles)
        Share of the light that enters the aperture from a cell and lands on a pixel, >= 0. The sum
        of a column over an aperture's pixels is at most
        ``TRANSMISSION * cos(angle) * edge(angle)``: the projected aperture falls off as the cosine,
        the stop fades over the last 5 degrees, and the rest is the light that misses the array. No
        light is made.
    """

    grid: AngularGrid
    transfer: Floats

    @property
    def n_pixels(self) -> int:
        """Pixels of the array."""
        return len(self.transfer)

    def image(self, radiance: Floats) -> Floats:
        """Return the power on every pixel, watts; linear in the scene.

        Parameters
        ----------
        radiance : float32 array, shape (n_scenes, n_angles)
            W/(m2 sr).

        Returns
        -------
        float32 array, shape (n_scenes, n_pixels)
            Power = aperture * solid angle * transfer @ radiance.
        """
        etendue = APERTURE_MM2 * 1e-6 * self.grid.solid_angle_sr
        power: Floats = radiance @ self.transfer.T
        power *= np.float32(etendue)
        return power


def _edge(angle_rad: npt.NDArray[np.float64], half_angle_deg: float) -> npt.NDArray[np.float64]:
    """Transmission of the field stop: 1, fading to 0 over the last 5 degrees."""
    left = (np.radians(half_angle_deg) - angle_rad) / np.radians(5.0)
    return np.asarray(np.clip(left, 0.0, 1.0))


def build_optic(
    sensor: Sensor,
    mounting: Mounting | tuple[Mounting, ...] | None = None,
    grid: AngularGrid | None = None,
) -> Optic:
    """Build the transfer matrix of a sensor.

    Parameters
    ----------
    sensor : Sensor
        Its pixels down and across, and its apertures.
    mounting : Mounting, or one for each aperture; optional
        Turn and shift of the optic; none by default.
    grid : AngularGrid, optional
        The angles; 54 cells across 110 degrees by default.

    Notes
    -----
    Sensors that differ in their setting alone share one optic, which is kept.
    """
    if not isinstance(mounting, tuple):
        mounting = (mounting or Mounting(),) * len(sensor.apertures)
    shape = sensor.n_rows, sensor.n_cols
    return _build(shape, sensor.apertures, mounting, grid or AngularGrid())


@functools.lru_cache(maxsize=8)
def _build(
    shape: tuple[int, int],
    apertures: tuple[Aperture, ...],
    mountings: tuple[Mounting, ...],
    grid: AngularGrid,
) -> Optic:
    transfer = np.zeros((grid.n_angles, *shape), np.float32)
    for aperture, mounting in zip(apertures, mountings, strict=True):
        seen = response(aperture, mounting, grid.directions, grid.half_angle_deg)
        aperture.of(transfer)[:] = seen.reshape(-1, aperture.n_rows, aperture.n_cols)
    # Kept angle by angle: the product with scenes reads it so.
    return Optic(grid, transfer.reshape(grid.n_angles, -1).T)


def response(
    aperture: Aperture,
    mounting: Mounting,
    directions: npt.NDArray[np.floating],
    half_angle_deg: float = AngularGrid.half_angle_deg,
) -> npt.NDArray[np.float64]:
    """Return what an aperture's pixels receive of points of light in any directions.

    Parameters
    ----------
    aperture : Aperture
        Its rows and columns.
    mounting : Mounting
        Turn, shift and state of its optic.
    directions : float array, shape (n_directions, 3)
        Unit vectors towards the points, z along the axis.
    half_angle_deg : float
        Half of the field of view.

    Returns
    -------
    float64 array, shape (n_directions, n_pixels of the aperture)
        Share of the light that enters the aperture and lands on a pixel. Smooth in the directions:
        its derivative is continuous, and so is that one's.

    Notes
    -----
    A direction at angle t is refracted into the spacer, sin(t') = sin(t) / n, and so shifts the
    pattern by an amount proportional to tan(t'). The footprint of a pixel is taken as not turned
    with the arms: the turn stays below 15 degrees.
    """
    whole = np.asarray(directions, np.float64)
    parts = [whole[i : i + _AT_ONCE] for i in range(0, len(whole), _AT_ONCE)]
    n_pixels = aperture.n_rows * aperture.n_cols
    seen = [np.zeros((0, n_pixels))]
    seen += [_response(aperture, mounting, part, half_angle_deg) for part in parts]
    return np.concatenate(seen)


def _response(
    aperture: Aperture,
    mounting: Mounting,
    directions: npt.NDArray[np.float64],
    half_angle_deg: float,
) -> npt.NDArray[np.float64]:
    sine = np.hypot(directions[:, 0], directions[:, 1])
    angle = np.arctan2(sine, directions[:, 2])

    def bent(sine_outside: npt.NDArray[np.float64] | float) -> npt.NDArray[np.float64]:
        inside = np.asarray(sine_outside) / REFRACTIVE_INDEX
        return np.asarray(inside / np.sqrt(1.0 - inside**2))

    share = angle / np.radians(half_angle_deg)
    reach = _EDGE_SHIFT * bent(sine) / bent(float(np.sin(np.radians(half_angle_deg))))
    heading = np.arctan2(directions[:, 1], directions[:, 0]) + np.radians(mounting.rotation_deg)
    centre_x = (reach * np.cos(heading) + mounting.shift_x)[:, None]
    centre_y = (reach * np.sin(heading) + mounting.shift_y)[:, None]
    turn = (_EDGE_TURN_RAD * share**2 + np.radians(mounting.rotation_deg))[:, None]
    stretch = (1.0 + _EDGE_STRETCH * share**2)[:, None]

    n_rows, n_cols = aperture.n_rows, aperture.n_cols
    n_across = max(n_rows, n_cols)
    cols = (np.arange(n_cols) + 0.5 - n_cols / 2) * 2.0 / n_across
    rows = (np.arange(n_rows) + 0.5 - n_rows / 2) * 2.0 / n_across
    pixel_x, pixel_y = (axis.ravel() for axis in np.meshgrid(cols, rows))
    dx, dy = pixel_x - centre_x, pixel_y - centre_y
    u = (np.cos(turn) * dx + np.sin(turn) * dy) / stretch
    v = (np.cos(turn) * dy - np.sin(turn) * dx) / stretch
    seen = pattern_at(n_across, u, v, mounting.smear)
    passed = mounting.passes * TRANSMISSION * np.cos(angle) * _edge(angle, half_angle_deg)
    seen *= (passed / stretch[:, 0] ** 2)[:, None]
    # A stretched pattern's pixels overlap a little; light that would be made so is taken back.
    seen /= np.maximum(1.0, seen.sum(axis=1) / np.maximum(passed, 1e-12))[:, None]
    return seen
