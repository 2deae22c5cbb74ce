"""A rigged mesh of a hand, posed: triangles in the plane, as a photograph's outline shows them.

The mesh is a file of its own, `dist/profiles/generic-hand/left.glb` of npm
`@webxr-input-profiles/assets` 1.0.20 (MIT); joints are named as in the WebXR Hand Input Module
(W3C). Joints and skin are the mesh's; the angles that they are posed by are drawn here and assumed.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from capture.emulated.optic.optics import AngularGrid

__all__ = ["MeshHand", "polygon_coverage", "read_mesh"]

Doubles = npt.NDArray[np.float64]

_DTYPES = {5121: "u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}  # glTF 2.0, section 3.6.2.2
_SIZES = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
_FINGERS = ("thumb", "index-finger", "middle-finger", "ring-finger", "pinky-finger")
_BONES = ("phalanx-proximal", "phalanx-intermediate", "phalanx-distal", "tip")
_THUMB_BONES = ("metacarpal", "phalanx-proximal", "phalanx-distal", "tip")
_UP = (
    ((0, 0, 0, 0, 0),),
    ((0, 1, 0, 0, 0),),
    ((0, 1, 1, 0, 0),),
    ((0, 1, 1, 1, 0), (1, 1, 1, 0, 0)),
    ((0, 1, 1, 1, 1),),
    ((1, 1, 1, 1, 1),),
)
_SUBCELLS = 4
_LENGTH_MM = 190.0
_WRIST_MM = 27.0


def _rotation(axis: Doubles, degrees: float) -> Doubles:
    """Return the rotation about an axis (Rodrigues' formula)."""
    x, y, z = axis / np.linalg.norm(axis)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = np.radians(degrees)
    return np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross


@dataclass(frozen=True, slots=True, eq=False)
class MeshHand:
    """Skin and joints at rest; x to the thumb's side, y along the hand from the wrist, millimetres.

    Parameters
    ----------
    points : float64 array, shape (n_points, 3)
    triangles : int array, shape (n_triangles, 3)
    weights, owners : arrays, shape (n_points, 4)
        By how much each point follows which joints.
    joints : dict
        Where each joint is, by name, in the order of `owners`.
    """

    points: Doubles
    triangles: npt.NDArray[np.int64]
    weights: Doubles
    owners: npt.NDArray[np.int64]
    joints: dict[str, Doubles]

    def outline(self, count: int, rng: np.random.Generator) -> list[Doubles]:
        """Draw a hand that shows a count: polygons of (x, y), its middle near the origin."""
        points = self._posed(_UP[count][int(rng.integers(len(_UP[count])))], rng)
        tilt = _rotation(np.array([1.0, 0.0, 0.0]), rng.normal(0.0, 10.0))
        tilt = tilt @ _rotation(np.array([0.0, 1.0, 0.0]), rng.normal(0.0, 10.0))
        flat = (points @ tilt.T)[:, :2]
        arm_mm = float(rng.choice([0.0, 40.0, 90.0, 230.0]))
        lean = np.radians(rng.normal(0.0, 8.0))
        across = np.array([np.cos(lean), np.sin(lean)])
        end = arm_mm * np.array([np.sin(lean), -np.cos(lean)])
        wide = (_WRIST_MM + 0.04 * arm_mm) * across
        wrist, base = 0.95 * _WRIST_MM * across, np.array([0.0, 8.0])
        arm = np.array([base - wrist, base + wrist, end + wide, end - wide])
        middle = (np.array([0.0, 90.0]), (flat.max(axis=0) + flat.min(axis=0)) / 2.0)
        about = middle[int(rng.integers(2))]
        size = float(rng.uniform(0.87, 1.12))
        mirror = np.array([rng.choice([-1.0, 1.0]), 1.0])
        turn = _rotation(np.array([0.0, 0.0, 1.0]), rng.normal(0.0, 10.0))[:2, :2]
        shift = rng.normal(0.0, 7.0, 2)
        polygons = [*flat[self.triangles], arm]
        return [((each - about) * size * mirror) @ turn.T + shift for each in polygons]

    def _posed(self, up: tuple[int, ...], rng: np.random.Generator) -> Doubles:
        """Return the skin with some fingers straight, by linear blend skinning."""
        fan = rng.uniform(5.0, 13.0)
        moved = {name: (np.eye(3), np.zeros(3)) for name in self.joints}
        for finger in range(1, 5):
            if up[finger]:
                bends, aside = rng.normal(0.0, 5.0, 3), (2.3 - finger) * fan + rng.normal(0.0, 3.0)
            else:
                bends = rng.uniform([55.0, 85.0, 30.0], [80.0, 105.0, 60.0])
                aside = (2.3 - finger) * 3.0 + rng.normal(0.0, 2.0)
            self._bend(moved, finger, bends, aside)
        if up[0]:
            turns, front = rng.normal([10.0, -5.0, -5.0], [10.0, 6.0, 6.0]), rng.normal(0.0, 8.0)
        else:
            turns = -rng.uniform([25.0, 0.0, 0.0], [50.0, 35.0, 40.0])
            front = rng.uniform(0.0, 20.0)
        self._turn_thumb(moved, turns, front)
        turned = np.stack([moved[name][0] for name in self.joints])[self.owners]
        shifted = np.stack([moved[name][1] for name in self.joints])[self.owners]
        placed = (turned @ self.points[:, None, :, None])[..., 0] + shifted
        return np.asarray((self.weights[..., None] * placed).sum(axis=1))

    @property
    def _palm(self) -> Doubles:
        """Direction out of the palm: to the side on which the thumb lies."""
        return np.array([0.0, 0.0, np.sign(self.joints["thumb-tip"][2])])

    def _bend(
        self, moved: dict[str, tuple[Doubles, Doubles]], finger: int, bends: Doubles, aside: float
    ) -> None:
        turns = []
        for bone in range(3):
            along = self._along(finger, bone)
            turns.append(_rotation(np.cross(along, self._palm), bends[bone]))
            if bone == 0:
                now = np.degrees(np.arctan2(along[0], along[1]))
                turns[0] = _rotation(np.array([0.0, 0.0, 1.0]), now - aside) @ turns[0]
        self._chain(moved, finger, turns)

    def _turn_thumb(
        self, moved: dict[str, tuple[Doubles, Doubles]], turns: Doubles, front: float
    ) -> None:
        made = [_rotation(np.array([0.0, 0.0, 1.0]), -turn) for turn in turns]
        made[0] = _rotation(np.cross(self._along(0, 0), self._palm), front) @ made[0]
        self._chain(moved, 0, made)

    def _names(self, finger: int) -> list[str]:
        bones = _BONES if finger else _THUMB_BONES
        return [f"{_FINGERS[finger]}-{bone}" for bone in bones]

    def _along(self, finger: int, bone: int) -> Doubles:
        names = self._names(finger)
        return self.joints[names[bone + 1]] - self.joints[names[bone]]

    def _chain(
        self, moved: dict[str, tuple[Doubles, Doubles]], finger: int, turns: list[Doubles]
    ) -> None:
        turn, shift = np.eye(3), np.zeros(3)
        names = self._names(finger)
        for name, own in zip(names, turns, strict=False):
            joint = self.joints[name]
            shift = turn @ (joint - own @ joint) + shift
            turn = turn @ own
            moved[name] = (turn, shift)
        moved[names[-1]] = (turn, shift)


def read_mesh(path: Path) -> MeshHand:
    """Read a rigged hand from a binary glTF file."""
    content = path.read_bytes()
    (length,) = struct.unpack_from("<I", content, 12)
    scene, binary = json.loads(content[20 : 20 + length]), content[28 + length :]

    def values(index: int) -> npt.NDArray[np.generic]:
        accessor = scene["accessors"][index]
        view = scene["bufferViews"][accessor["bufferView"]]
        dtype, size = np.dtype(_DTYPES[accessor["componentType"]]), _SIZES[accessor["type"]]
        offset = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
        step = view.get("byteStride", dtype.itemsize * size)
        places = [offset + step * k for k in range(accessor["count"])]
        return np.stack([np.frombuffer(binary, dtype, size, place) for place in places])

    part = scene["meshes"][0]["primitives"][0]
    skin = scene["skins"][0]
    names = [scene["nodes"][node]["name"] for node in skin["joints"]]
    inverse = values(skin["inverseBindMatrices"]).astype(np.float64).reshape(-1, 4, 4)
    places = np.linalg.inv(inverse.transpose(0, 2, 1))[:, :3, 3]
    where = dict(zip(names, places, strict=True))
    wrist = where["wrist"]
    y = where["middle-finger-phalanx-proximal"] - wrist
    y /= np.linalg.norm(y)
    x = where["index-finger-phalanx-proximal"] - where["pinky-finger-phalanx-proximal"]
    x -= y * (x @ y)
    x /= np.linalg.norm(x)
    frame = np.stack([x, y, np.cross(x, y)])
    length_mm = _LENGTH_MM / float((where["middle-finger-tip"] - wrist) @ y)
    weights = values(part["attributes"]["WEIGHTS_0"]).astype(np.float64)
    points = values(part["attributes"]["POSITION"]).astype(np.float64)
    return MeshHand(
        (points - wrist) @ frame.T * length_mm,
        values(part["indices"]).astype(np.int64).reshape(-1, 3),
        weights / weights.sum(axis=1, keepdims=True),
        values(part["attributes"]["JOINTS_0"]).astype(np.int64),
        {name: frame @ (place - wrist) * length_mm for name, place in where.items()},
    )


def polygon_coverage(polygons: list[Doubles], distance_mm: float, grid: AngularGrid) -> Doubles:
    """Return how much of each cell flat polygons at a distance fill, float64 (n_angles,)."""
    side = grid.n_across * _SUBCELLS
    picture = Image.new("1", (side, side))
    draw = ImageDraw.Draw(picture)
    for corners in polygons:
        away = np.sqrt((corners**2).sum(axis=1) + distance_mm**2)
        onto = np.sqrt(2.0 / (1.0 + distance_mm / away)) / away  # equal areas, as the grid's cells
        at = (corners * onto[:, None] + grid.radius) / grid.cell * _SUBCELLS
        draw.polygon([(float(x), float(y)) for x, y in at], fill=1, outline=1)
    filled = np.asarray(picture, np.float64)
    cells = filled.reshape(grid.n_across, _SUBCELLS, grid.n_across, _SUBCELLS).mean(axis=(1, 3))
    return np.asarray(cells[grid.inside])
