"""Things beside a hand: plates, cylinders and bodies that turn, and cloth close to the sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from capture.emulated.body.hand import Segment
from capture.emulated.body.joints import rotation
from capture.emulated.body.scene import Placed, View, ellipsoid, in_sight
from capture.emulated.body.timeline import PITCH, ROLL, YAW
from capture.emulated.optic.optics import AngularGrid

__all__ = ["Drape", "Thing", "can", "cup", "head", "paper", "phone", "table", "thigh", "torso"]

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

_SPACING_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Thing:
    """A rigid surface that moves and turns.

    Parameters
    ----------
    surface : Segment
        Its points about its centre.
    reflectance : float
        Diffuse, at the LED's wavelength.
    gloss, shine : float
        Share of the light thrown back about the mirror direction, and the exponent of that lobe.
    """

    surface: Segment
    reflectance: float
    gloss: float = 0.0
    shine: float = 1.0

    def in_sight(self, poses: Doubles, view: View | None, half_angle_deg: float) -> bool:
        """Return whether any of it may be inside a field of view at any time."""
        turns, origins = self._seen(poses, view)
        middles = (turns @ self.surface.middle_mm[:, None])[..., 0] + origins
        return bool(in_sight(middles, [self.surface.radius_mm], half_angle_deg)[0])

    @staticmethod
    def _seen(poses: Doubles, view: View | None) -> tuple[Doubles, Doubles]:
        turns = rotation("z", poses[:, ROLL]) @ rotation("x", poses[:, PITCH])
        turns = (turns @ rotation("y", poses[:, YAW]))[:, None]
        origins = poses[:, None, :3]
        return (turns, origins) if view is None else view.of(turns, origins)

    def place(self, poses: Doubles, view: View | None = None) -> Placed:
        """Return the surface for poses of which the first six values count, (n_frames, 12)."""
        turns, origins = self._seen(poses, view)
        surface = self.surface
        local = np.stack([surface.points, surface.normals])
        placed = turns.astype(np.float32) @ local  # (n_frames, 2, 3, n_points)
        points = placed[:, 0] + origins[:, 0, :, None].astype(np.float32)
        reflectances = np.full(len(surface.areas), self.reflectance, np.float32)
        return Placed(
            np.ascontiguousarray(points.transpose(1, 0, 2)),
            np.ascontiguousarray(placed[:, 1].transpose(1, 0, 2)),
            surface.areas,
            reflectances,
            self.gloss,
            self.shine,
        )


def _plate(width_mm: float, height_mm: float) -> Segment:
    """Both faces of a flat plate in its x-y plane."""
    n_x, n_y = max(4, round(width_mm / _SPACING_MM)), max(4, round(height_mm / _SPACING_MM))
    x = (np.arange(n_x) + 0.5) * width_mm / n_x - width_mm / 2.0
    y = (np.arange(n_y) + 0.5) * height_mm / n_y - height_mm / 2.0
    grid_x, grid_y = (axis.ravel() for axis in np.meshgrid(x, y))
    face = np.stack([grid_x, grid_y, 0.0 * grid_x])
    up = np.zeros_like(face)
    up[2] = 1.0
    points, normals = np.concatenate([face, face], axis=1), np.concatenate([up, -up], axis=1)
    areas = np.full(points.shape[1], width_mm * height_mm / (n_x * n_y))
    return Segment(points.astype(np.float32), normals.astype(np.float32), areas.astype(np.float32))


def _cylinder(radius_mm: float, height_mm: float) -> Segment:
    """Side and both ends of a cylinder along y."""
    n_around = max(12, round(2.0 * np.pi * radius_mm / _SPACING_MM))
    n_along = max(4, round(height_mm / _SPACING_MM))
    angle = np.arange(n_around) * 2.0 * np.pi / n_around
    y = (np.arange(n_along) + 0.5) * height_mm / n_along - height_mm / 2.0
    turn, along = (axis.ravel() for axis in np.meshgrid(angle, y))
    outwards = np.stack([np.cos(turn), 0.0 * turn, np.sin(turn)])
    side = outwards * radius_mm + np.stack([0.0 * along, along, 0.0 * along])
    area = 2.0 * np.pi * radius_mm * height_mm / side.shape[1]
    n_end = max(8, round(np.pi * radius_mm**2 / _SPACING_MM**2))
    k = np.arange(n_end) + 0.5
    r, phi = radius_mm * np.sqrt(k / n_end), np.pi * (1.0 + 5.0**0.5) * k
    disc = np.stack([r * np.cos(phi), 0.0 * r, r * np.sin(phi)])
    up = np.array([[0.0], [1.0], [0.0]])
    points = [side, disc + up * height_mm / 2.0, disc - up * height_mm / 2.0]
    normals = [outwards, up + 0.0 * disc, -up + 0.0 * disc]
    end = np.pi * radius_mm**2 / n_end
    areas = np.concatenate([np.full(side.shape[1], area), np.full(2 * n_end, end)])
    return Segment(
        np.concatenate(points, axis=1).astype(np.float32),
        np.concatenate(normals, axis=1).astype(np.float32),
        areas.astype(np.float32),
    )


# Reflectances and glosses below are assumed, of the order that textbooks give for such materials
# in the near infrared: paper white, glass sends back 4 % at its face, bare metal most of it.


def paper(rng: np.random.Generator) -> Thing:
    """Return a sheet or an envelope, 105 x 148 mm to 150 x 210 mm."""
    size = rng.uniform(1.0, 1.42)
    return Thing(_plate(105.0 * size, 148.0 * size), float(rng.uniform(0.6, 0.85)), 0.02, 8.0)


def phone(rng: np.random.Generator) -> Thing:
    """Return a telephone: dark glass, which mirrors a little."""
    size = rng.uniform(0.95, 1.1)
    gloss, shine = float(rng.uniform(0.04, 0.08)), float(rng.uniform(100.0, 250.0))
    return Thing(_plate(72.0 * size, 150.0 * size), float(rng.uniform(0.02, 0.06)), gloss, shine)


def can(rng: np.random.Generator) -> Thing:
    """Return something of brushed metal: a can, a tin, a ladle's handle."""
    surface = _cylinder(float(rng.uniform(12.0, 33.0)), float(rng.uniform(70.0, 160.0)))
    return Thing(surface, float(rng.uniform(0.05, 0.2)), float(rng.uniform(0.4, 0.7)),
                 float(rng.uniform(10.0, 60.0)))  # fmt: skip


def cup(rng: np.random.Generator) -> Thing:
    """Return a glazed cup."""
    surface = _cylinder(float(rng.uniform(33.0, 45.0)), float(rng.uniform(80.0, 110.0)))
    return Thing(surface, float(rng.uniform(0.15, 0.7)), 0.04, 100.0)


def table(reflectance: float) -> Thing:
    """Return the top of a table; only a device that was picked up sees it."""
    edges = np.sinh(np.linspace(-3.0, 3.0, 51)) / np.sinh(3.0)  # closest in the middle
    x, y = 450.0 * edges, 300.0 * edges
    middle_x, middle_y = np.meshgrid((x[1:] + x[:-1]) / 2.0, (y[1:] + y[:-1]) / 2.0)
    points = np.stack([middle_x.ravel(), middle_y.ravel(), np.zeros(middle_x.size)])
    normals = np.zeros_like(points)
    normals[2] = 1.0
    areas = np.outer(np.diff(y), np.diff(x)).ravel()
    top = Segment(*(array.astype(np.float32) for array in (points, normals, areas)))
    return Thing(top, reflectance)


def head(reflectance: float) -> Thing:
    """Return a head."""
    return Thing(ellipsoid((75.0, 95.0, 110.0), 16.0), reflectance)


def torso(reflectance: float) -> Thing:
    """Return a chest with shoulders."""
    return Thing(ellipsoid((200.0, 110.0, 280.0), 28.0), reflectance)


def thigh(reflectance: float) -> Thing:
    """Return a thigh in its cloth."""
    return Thing(ellipsoid((85.0, 90.0, 230.0), 14.0), reflectance)


@dataclass(frozen=True, slots=True, eq=False)
class Drape:
    """A surface that closes the whole field near the sensor: cloth of a pocket, a sheet laid over.

    In direction d its distance is ``depth (1 + sum_k a_k sin(k_k . d + phase_k + 2 pi f_k t))``.

    Parameters
    ----------
    grid : AngularGrid
        One point for each of its cells, so that nothing shows through.
    reflectance : float
        Of the cloth.
    edge : float64 array, shape (3,)
        Unit vector to the side from which it is drawn over the field.
    waves : float64 array, shape (n_waves, 3)
        Wave vectors of the folds, radians for each unit of direction.
    amplitudes : float64 array, shape (n_waves,)
        Shares of the depth; their sum stays below 0.8.
    frequencies_hz, phases_rad : float64 array, shape (n_waves,)
        How the folds wander.
    """

    grid: AngularGrid
    reflectance: float
    edge: Doubles
    waves: Doubles
    amplitudes: Doubles
    frequencies_hz: Doubles
    phases_rad: Doubles

    def place(self, times_s: Doubles, depth_mm: Doubles, drawn: Doubles) -> Placed:
        """Return the cloth in the device's frame.

        Parameters
        ----------
        times_s : array, shape (n_frames,)
            Times of its own: they stand still while the cloth does.
        depth_mm : array, shape (n_frames,)
            Mean distance.
        drawn : array, shape (n_frames,)
            Share of the way over the field that its edge has come: 0 not there, 1 everywhere.
        """
        directions = self.grid.directions
        turning = (2.0 * np.pi * times_s[:, None] * self.frequencies_hz + self.phases_rad).T
        along = (self.waves @ directions.T.astype(np.float64)).astype(np.float32)
        depth = np.ones((len(times_s), len(directions)), np.float32)
        slope = np.zeros((3, *depth.shape), np.float32)
        for k, amplitude in enumerate(self.amplitudes.astype(np.float32)):
            angle = along[k] + turning[k, :, None].astype(np.float32)
            depth += amplitude * np.sin(angle)
            steep = amplitude * np.cos(angle)
            across = self.waves[k].astype(np.float32)[:, None] - along[k] * directions.T
            slope += across[:, None, :] * steep
        # A star-shaped surface r(d) d has the normal r d - grad r; the inside looks back.
        outwards = depth * directions.T[:, None, :] - slope
        length = np.sqrt((outwards**2).sum(axis=0))
        scale = depth_mm.astype(np.float32)[:, None]
        points = directions.T[:, None, :] * (depth * scale)
        cosine = depth / length
        # Every point fills the solid angle of its cell, however slanted the cloth is there.
        areas = np.float32(self.grid.solid_angle_sr) * (depth * scale) ** 2 / cosine
        bare = directions @ self.edge.astype(np.float32) < 1.0 - 2.0 * drawn[:, None]
        areas[bare] = 0.0
        points[2][bare] = -1.0  # behind the sensor: it hides nothing there
        reflectances = np.full(len(directions), self.reflectance, np.float32)
        return Placed(points, -outwards / length, areas, reflectances)
