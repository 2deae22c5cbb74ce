"""Fixed variants of every kind of stage, and frames for them; the same on every run."""

from __future__ import annotations

from typing import Any

import numpy as np
from drawn_alignment import (
    drawn_pair,
    drawn_registration,
    drawn_triangulation,
    seen_by_pair,
)

from runtime.stages.bins import Bins
from runtime.stages.closing.decision import Decision
from runtime.stages.closing.presence import Presence
from runtime.stages.closing.quantity import Quantity
from runtime.stages.contract.stage import Stage
from runtime.stages.dense import Dense
from runtime.stages.filters import Filters
from runtime.stages.kernels.filters import PatchGrid
from runtime.stages.lamps.hold import Hold
from runtime.stages.lamps.steady import Steady
from runtime.stages.level import Level
from runtime.stages.motion import Motion
from runtime.stages.pair.bearings import Bearings
from runtime.stages.pair.pair import Pair
from runtime.stages.passive.ambient import Ambient
from runtime.stages.passive.background import Background
from runtime.stages.passive.offset import Offset
from runtime.stages.pixels import Pixels
from runtime.stages.prototypes import Prototypes
from runtime.stages.root import Root
from runtime.stages.skip import Skip
from runtime.stages.swing import Swing
from runtime.stages.trees import Trees
from runtime.stages.window import Window


def int32(*values: object) -> np.ndarray:
    return np.array(values, dtype=np.int32)


def layer(
    weights: Any, out_bits: int = 8, multiplier: int = 77, shift: int = 12, **more: Any
) -> Dense:
    """Return a layer whose real-valued twin has the same weights."""
    w = np.array(weights, dtype=more.pop("dtype", np.int8))
    bias = np.arange(len(w), dtype=np.int32) * 50 - 60
    raw = (1, 0) if out_bits == 32 else (multiplier, shift)
    return Dense(
        w, bias, *raw, more.pop("relu", False), out_bits, w.astype(float), bias.astype(float)
    )


def filters(
    grid: tuple[int, int, int], size: int, step: int, more: int = 0, **of_layer: Any
) -> Filters:
    """Return five filters of fixed weights over a grid of rows, columns and channels."""
    n = size * size * grid[2]
    weights = ((np.arange(5 * n) * 53) % 241 - 120).reshape(5, n)
    n_values = grid[0] * grid[1] * grid[2] + more
    return Filters.of(layer(weights, **of_layer), n_values, PatchGrid(*grid, size, step))


def forest(n_trees: int, classes: int = 3, at: int = 0) -> Trees:
    """Return trees of three nodes each, with thresholds around `at`."""
    n = 3 * n_trees
    first = np.arange(0, n, 3)
    left, right = np.zeros((2, n), dtype=np.int32)
    leaf = -1 - (np.arange(4 * n_trees) % 5)
    left[first], right[first] = first + 1, first + 2
    left[first + 1], right[first + 1] = leaf[0::4], leaf[1::4]
    left[first + 2], right[first + 2] = leaf[2::4], leaf[3::4]
    leaves = (np.arange(5 * classes, dtype=np.int32) * 37 % 101 - 50).reshape(5, classes)
    feature, threshold = np.arange(n) % 4, at + np.arange(n) % 11 - 5
    return Trees(4, first.astype(np.int32), int32(*feature), int32(*threshold), left, right, leaves)


def prototypes(n: int, squared: bool, dtype: Any = np.int8) -> Prototypes:
    centres = ((np.arange(n * 4) * 31) % 121 - 60).reshape(n, 4).astype(dtype)
    owners = int32(*(np.arange(n) % 2))
    return Prototypes(centres, owners, 2, squared, centres.astype(float))


MIXED = (np.arange(6 * 5) * 53 % 241 - 120).reshape(6, 5)
SIGNS = (np.arange(5 * 7) * 5 % 3 - 1).reshape(5, 7)
Variant = tuple[Stage, int] | tuple[Stage, int, int]
"""A stage, and the largest of its inputs; the least where that is not as far below zero."""
VARIANTS: dict[str, Variant] = {
    "bins 2 by 2 of 8 by 8": (Bins(8, 8, 2, 2), 4095),
    "bins of odd width": (Bins(6, 9, 2, 3, 1, 5, 0, 9), 1023),
    "bins of a region, 16 bits": (Bins(8, 10, 2, 2, 2, 6, 2, 10), 65535),
    "bins of one pixel": (Bins(3, 4, 3, 4), 255),
    "bins of one pixel in pairs": (Bins(3, 8, 2, 6, 1, 3, 2, 8), 4095),
    "bins of many rows": (Bins(64, 8, 1, 2), 4095),
    "bins of 16 rows": (Bins(32, 4, 2, 1), 4095),
    "bins of 17 rows": (Bins(34, 4, 2, 1), 4095),
    "bins of 33 rows": (Bins(33, 4, 1, 2), 2047),
    "bins of 65 rows": (Bins(65, 4, 1, 1), 1023),
    "bins of 15 bits": (Bins(4, 4, 2, 2), 32767),
    "bins of a half word and one": (Bins(4, 4, 2, 2), 32768),
    "bins of 3 rows": (Bins(9, 12, 3, 3), 4095),
    "bins of 5 rows": (Bins(10, 4, 2, 1), 1023),
    "bins of 7 rows": (Bins(14, 4, 2, 2), 4095),
    "bins of 16 columns": (Bins(4, 32, 2, 2), 1023),
    "bins of 18 columns": (Bins(4, 36, 2, 2), 1023),
    "bins of 34 columns": (Bins(2, 34, 1, 1), 4095),
    "pixels": (Pixels(5, 6, int32(3, 7, 8, 29)), 1023),
    "level, one multiplication": (Level(5, 8, 7, 16, 3, 40), 4095),
    "level, two multiplications": (Level(5, 16, 15, 64, 12, 9000), 2**24),
    "level, short shift": (Level(3, 16, 24, 1024, 2, 0), 2**20),
    "roots": (Root(6, 4, 15, 8), 127),
    "roots of wide values": (Root(6, 6, 7, 16), 32767),
    "dense 8 bits": (layer(MIXED), 127),
    "dense 8 bits, relu": (layer(MIXED, relu=True), 127),
    "dense 16 bits": (layer(MIXED, 16, 9, 7), 32767),
    "dense of wide inputs": (layer(MIXED, 8, 32767, 36), 2**20),
    "dense scores": (layer(MIXED[:, :4], 32), 127),
    "dense of wide weights": (layer(MIXED * 250, 16, 5, 11, dtype=np.int16), 127),
    "ternary": (layer(SIGNS, 8, 1, 3), 127),
    "ternary scores": (layer(SIGNS[:3], 32), 32767),
    "filters": (filters((5, 6, 1), 3, 1, relu=True), 127),
    "filters of several channels": (filters((5, 4, 3), 2, 2, 2), 127),
    "filters of 16 bits": (filters((4, 4, 2), 3, 1, 1, out_bits=16, multiplier=9, shift=7), 32767),
    "window": (Window(3, 4, 5, 0, 16), 127),
    "window, shifted and saturated": (Window(3, 2, 3, 2, 8), 1000),
    "window of one segment": (Window(2, 1, 4, 1, 16), 32767),
    "motion": (Motion(4, 3, 8), 127),
    "motion without shift": (Motion(4, 0, 32), 32767),
    "skip of every third frame": (Skip(5, 3), 127),
    "skip of no frame": (Skip(2, 1), 40000),
    "swing": (Swing(3, 2, 4, 16), 127),
    "swing without shift": (Swing(2, 1, 0, 32), 32767),
    "ambient bins": (Ambient(8, 8, 2, 2, 64), 4095),
    "ambient bins of odd width": (Ambient(6, 9, 2, 3, 10), 1023),
    "ambient bins of 16 bits": (Ambient(4, 4, 2, 2, 0), 65535),
    "background": (Background(3, 2, 3, 6, 1, 2, 9, 0, (2, 4, 7), 16), 32767),
    "background at once": (Background(2, 0, 0, 1, 8, 0, 0, 0, (0, 0, 15), 8), 127),
    "background under switched light": (
        Background(3, 2, 3, 6, 1, 2, 1 << 24, 6, (2, 4, 7), 16), 32767
    ),
    "ambient pixels": (Ambient(3, 4, 3, 4, 0), 4095),
    "offset": (Offset(int32(1, 257, 0, 8190), 2000, 2, 1, 2), 8190),
    "offset of pairs": (Offset(int32(1, 256, 0, 4095), 9000, 0, 2, 3), 8190, 0),
    "offset of wide values": (Offset(int32(-3, 2**20 + 1, 5), 1 << 20, 3, 5, 1), 2**20),
    "hold": (Hold(5, 4000, 2000, 3, 0), 4095),
    "hold for a frame": (Hold(3, 0, 0, 1, 1), 127),
    "hold of wide values": (Hold(6, 2**19, 2**18, 4, 1), 2**20),
    "steady": (Steady(4, (1, 1, 1)), 2**20),
    "steady of two frames": (Steady(2, (1, 1)), 127),
    "steady, weighed and shifted": (Steady(3, (3, 0, -5, 2, 300), 4), 2**20),
    "small trees": (forest(1), 127),
    "many trees": (forest(40, at=300), 32767),
    "prototypes by squares": (prototypes(5, True), 127),
    "prototypes by differences": (prototypes(5, False, np.int16), 32767),
    "registration": (drawn_registration(np.random.default_rng(3)), 4095),
    "registration of two apertures": (drawn_registration(np.random.default_rng(4), 2), 1023),
    "pair": (drawn_pair(np.random.default_rng(48)), 4095),
    "bearings": (Bearings(20, 300), 400),
    "triangulation of one aperture": (drawn_triangulation(1), 2**19),
    "triangulation": (drawn_triangulation(2), 2**19),
    "decision": (Decision((False, False, True), 20, 7, 2, 3, (0, 5, 0)), 127),
    "presence": (Presence("hands", (-5, 30), 4, 2), 127),
    "quantity": (
        Quantity(("a", "b"), ("mm", "mm"), (1, 3), (4, 8), (9, 0), (-9, -2), (50, 90), 2), 99,
    ),
}  # fmt: skip


INPUTS_SEED = 47
"""Of inputs, however many variants there are: what is committed of the others stays."""


def inputs(stage: Stage, most: int, least: int | None = None) -> Any:
    """Return 40 frames that hold extremes, zeros, slow and fast changes; the same on every run."""
    rng = np.random.default_rng(INPUTS_SEED)
    scale = np.geomspace(1, most, 40)[:, None]
    x = np.rint(scale * rng.uniform(-1, 1, (40, stage.n_in))).astype(np.int64)
    x[3], x[11], x[12], x[20:24] = 0, most, -most, x[20]
    if least is not None:
        x = np.where(x == -most, least, np.maximum(np.abs(x), least))
    if isinstance(stage, Pair):
        x[4:18] = seen_by_pair(stage, 14, most, rng)  # found, and followed
    return x
