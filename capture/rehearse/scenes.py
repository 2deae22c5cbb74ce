"""The table of scenes: whose shape, of what label, how large and how far, and its file."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.bring.archives import load_array
from capture.bring.columns import unread_columns
from capture.bring.tables import read_any_table
from capture.tsv_tables import Row
from runtime.errors import FormatError, UsageError
from runtime.tomlfile import WORD, WORD_TEXT

__all__ = ["ARMS", "KINDS", "MIDDLES", "Scene", "load_scene", "participants_of", "read_scenes"]

KINDS = ("silhouette", "depth", "joints", "path")
"""A flat mask; distances in millimetres; points of a hand over time; where a hand's centre goes."""
ARMS = ("none", "up", "down", "left", "right")
MIDDLES = ("hand", "shape")
"""What is brought to a place: a hand's middle, wherever its arm ends, or that of all seen."""
_IMAGES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff")
_FORMATS = ("PNG", "JPEG", "BMP", "TIFF")
_MAX_SIDE = 4096
_MAX_FRAMES = 36_000
"""Ten minutes at 60 frames a second."""
_MOST_BORDER = 0.75
"""A shape that is photographed with its arm touches one side, or two at a corner."""
_NEAREST_MM, _FARTHEST_MM = 10.0, 2000.0
_LEAST_SHAPE_MM, _MOST_SHAPE_MM = 10.0, 1000.0
"""A finger's end is 15 mm wide; an arm with its hand is 0.7 m long (from memory)."""
_SKIN = 0.45
"""Of skin at 940 nm; the middle of 0.15 to 0.68, as for the invented people."""


@dataclass(frozen=True, slots=True)
class Scene:
    """One row of the table.

    Parameters
    ----------
    where : str
        The row, as errors begin.
    file : Path
    participant, label : str
        Whose shape it is, and what it shows.
    kind : str
        One of :data:`KINDS`.
    mm_per_pixel : float
        Of an image; of joints and paths, millimetres of one unit of the file. Above 0.
    distance_mm : float
        From the sensor to the shape; 0 where the file says it (depth, joints), which is then kept.
    reflectance : float
        Of its surface at the LED's wavelength, above 0 to 1.
    arm : str
        Which way a silhouette's edge is carried on out of view: one of :data:`ARMS`.
    middle : str
        What of a silhouette or depth map is brought there: one of :data:`MIDDLES`.
    x_mm, y_mm : float
        Where that middle is, from the sensor's axis; of joints and paths the mean of all points.
    rate_hz : float
        Frames a second of a sequence; 0 for those of the sensor.
    radius_mm : float
        Of the balls about joints.
    """

    where: str
    file: Path
    participant: str
    label: str
    kind: str
    mm_per_pixel: float
    distance_mm: float
    reflectance: float = _SKIN
    arm: str = "none"
    middle: str = "hand"
    x_mm: float = 0.0
    y_mm: float = 0.0
    rate_hz: float = 0.0
    radius_mm: float = 9.0


_WORDS = ("file", "participant", "label", "kind", "arm", "middle")
_NUMBERS = {
    "mm_per_pixel": (1e-3, 1e4),
    "distance_mm": (0.0, _FARTHEST_MM),
    "reflectance": (1e-3, 1.0),
    "x_mm": (-1000.0, 1000.0),
    "y_mm": (-1000.0, 1000.0),
    "rate_hz": (0.0, 10_000.0),
    "radius_mm": (0.5, 200.0),
}


def read_scenes(table: Path, tell: Callable[[str], None] = lambda _: None) -> list[Scene]:
    """Read the table of scenes: CSV, TSV or Parquet; tell of columns that are not read.

    Columns ``file`` (its place, from the table's folder), ``participant``, ``label``,
    ``mm_per_pixel`` and ``distance_mm``; where wanted ``kind``, ``reflectance``, ``arm``,
    ``middle``, ``x_mm``, ``y_mm``, ``rate_hz`` and ``radius_mm``.

    Raises
    ------
    UsageError, FormatError
        The table cannot be read, or a value is wrong; the message names the row.
    """
    needed = ("file", "participant", "label", "mm_per_pixel", "distance_mm")
    rows = read_any_table(table, needed)
    if not rows:
        raise FormatError(str(table), "number of scenes", 0, "at least 1")
    unread = unread_columns(table, tuple(rows[0][1]), (*_WORDS, *_NUMBERS))
    if unread:
        tell(f"caution: {table}: not read: {', '.join(unread)[:200]}")
    return [_scene(f"{table} row {number}", row, table.parent) for number, row in rows]


def _scene(where: str, row: Row, folder: Path) -> Scene:
    texts = {}
    for column in ("file", "participant", "label"):
        text = row[column]
        if text is None:
            raise FormatError(where, column, "n/a", "a value")
        texts[column] = text
    if re.fullmatch(WORD, texts["label"]) is None:
        raise FormatError(where, "label", repr(texts["label"][:40]), WORD_TEXT)
    numbers = {}
    for column, (low, high) in _NUMBERS.items():
        text = row.get(column)
        if text is not None:
            numbers[column] = _number(where, column, text, low, high)
    kind, arm = row.get("kind") or "silhouette", row.get("arm") or "none"
    middle = row.get("middle") or "hand"
    words = (("kind", kind, KINDS), ("arm", arm, ARMS), ("middle", middle, MIDDLES))
    for name, value, allowed in words:
        if value not in allowed:
            raise FormatError(where, name, repr(value[:40]), f"one of {', '.join(allowed)}")
    numbers.setdefault("mm_per_pixel", 1.0)
    numbers.setdefault("distance_mm", 0.0)
    if kind in ("silhouette", "path") and numbers["distance_mm"] < _NEAREST_MM:
        raise FormatError(
            where, "distance_mm", f"{numbers['distance_mm']:g}",
            f"{_NEAREST_MM:g} to {_FARTHEST_MM:g}: a {kind} has none of its own",
        )  # fmt: skip
    return Scene(
        where,
        folder / texts["file"],
        texts["participant"].removeprefix("sub-"),
        texts["label"],
        kind,
        arm=arm,
        middle=middle,
        **numbers,
    )


def _number(where: str, column: str, text: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise FormatError(where, column, repr(text[:40]), f"{low:g} to {high:g}")
    return value


def load_scene(scene: Scene) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Read the file of a scene, in its own units.

    Returns
    -------
    values : float64
        Silhouettes and depth maps (n_frames, height, width), masks as 0 or 1, row 0 is highest;
        joints (n_frames, n_joints, 3) and paths (n_frames, 1, 3), x to the right and y up as the
        sensor sees it, z away from it.
    bones : int64 (n_bones, 2)
        Pairs of joints that a finger's or a palm's flesh joins; empty of other kinds.

    Raises
    ------
    UsageError, FormatError
        The file cannot be read, or does not hold what the row says.
    """
    path, bones = scene.file, np.zeros((0, 2), np.int64)
    if path.suffix.lower() in _IMAGES:
        if scene.kind not in ("silhouette", "depth"):
            raise FormatError(scene.where, "kind of an image", scene.kind, "silhouette or depth")
        values = _image(path)
    else:
        values, found = load_array(path, "values", "bones")
        if found is not None:
            bones = np.asarray(found)
    if values.dtype.kind not in "buif":
        raise FormatError(str(path), "dtype", values.dtype, "numbers")
    values = values.astype(np.float64)
    if scene.kind in ("silhouette", "depth"):
        return _pictures(scene, values), bones
    return _points(scene, values), _bones(scene, bones, values.shape[-2])


def _image(path: Path) -> NDArray[Any]:
    from PIL import Image

    try:
        with Image.open(path, formats=_FORMATS) as picture:
            if max(picture.size) > _MAX_SIDE:
                raise FormatError(str(path), "side of the image", max(picture.size), _MAX_SIDE)
            # Sixteen bits are a depth in millimetres; colours and grey become brightness.
            wide = picture.mode.startswith(("I", "F"))
            return np.asarray(picture if wide else picture.convert("L"))
    except FormatError:
        raise
    except Exception as error:  # the decoders raise whatever they meet
        if isinstance(error, OSError) and error.errno is not None:
            raise UsageError(str(path), "the file", f"unreadable ({error.strerror})") from None
        said = " ".join(str(error).split())[:120]
        raise FormatError(str(path), "the image", f"damaged ({said})") from None


def _pictures(scene: Scene, values: NDArray[np.float64]) -> NDArray[np.float64]:
    where = str(scene.file)
    if values.ndim == 2:
        values = values[None]
    if values.ndim != 3 or not 0 < len(values) <= _MAX_FRAMES or max(values.shape[1:]) > _MAX_SIDE:
        expected = "(height, width) or (n_frames, height, width)"
        limits = f"sides up to {_MAX_SIDE} and {_MAX_FRAMES} frames"
        raise FormatError(where, "shape", values.shape, f"{expected}, {limits}")
    if scene.kind == "depth":
        return np.where(np.isfinite(values) & (values > 0), values, 0.0)
    if not np.isfinite(values).all():
        raise FormatError(where, "a value of the mask", "not finite", "0 where nothing is")
    masks = values > 0.5 * max(float(values.max()), 1e-12)
    for mask in masks:
        edge = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
        if edge.mean() > _MOST_BORDER:
            raise FormatError(
                where, "share of the border that reflects", f"{edge.mean():.0%}",
                f"at most {_MOST_BORDER:.0%}", "white is the shape: invert the picture",
            )  # fmt: skip
    _check_size(scene, masks)
    return masks.astype(np.float64)


def _check_size(scene: Scene, masks: NDArray[np.bool_]) -> None:
    """Refuse shapes that are no hand's size: their millimetres per pixel are wrong."""
    sides = (np.flatnonzero(masks.any(axis=axes)) for axes in ((0, 1), (0, 2)))
    if masks.any():
        _check_length(scene, float(max(np.ptp(side) + 1 for side in sides)))


def _check_length(scene: Scene, size: float) -> None:
    size_mm = size * scene.mm_per_pixel
    if not _LEAST_SHAPE_MM <= size_mm <= _MOST_SHAPE_MM:
        raise FormatError(
            scene.where, "size of the shape", f"{round(size_mm, 3):g} mm",
            f"{_LEAST_SHAPE_MM:g} to {_MOST_SHAPE_MM:g} mm",
            "give as mm_per_pixel how many millimetres one pixel covers",
        )  # fmt: skip


def _points(scene: Scene, values: NDArray[np.float64]) -> NDArray[np.float64]:
    where = str(scene.file)
    if scene.kind == "path" and values.ndim == 2:
        values = values[:, None]
    if values.ndim == 3 and values.shape[2] == 2:
        values = np.concatenate([values, np.zeros_like(values[:, :, :1])], axis=2)
    n_joints = values.shape[1] if values.ndim == 3 else 0
    wanted = 1 if scene.kind == "path" else n_joints
    if values.ndim != 3 or values.shape[2] != 3 or n_joints != wanted or not 0 < n_joints <= 200:
        raise FormatError(where, "shape", values.shape, "(n_frames, number of points, 2 or 3)")
    if not 0 < len(values) <= _MAX_FRAMES or not np.isfinite(values).all():
        raise FormatError(where, "points", "none, too many or not finite", "finite points")
    if scene.kind == "joints" and n_joints > 1:
        _check_length(scene, float(np.ptp(values, axis=1).max()))
    return values


def _bones(scene: Scene, bones: NDArray[Any], n_joints: int) -> NDArray[np.int64]:
    whole = bones.dtype.kind in "ui" and bones.ndim == 2 and bones.shape[1:] == (2,)
    if not whole or (len(bones) and not 0 <= bones.min() <= bones.max() < n_joints):
        raise FormatError(
            str(scene.file), "array bones", bones.shape, f"(n_bones, 2) of 0 to {n_joints - 1}"
        )
    return bones.astype(np.int64)


def participants_of(scenes: Sequence[Scene]) -> list[str]:
    """Return the people of the scenes, each once, in order of their pseudonyms."""
    return sorted({scene.participant for scene in scenes})
