"""The frames that a board makes by itself for the self-test, and which of them are worth making.

A scene is eight patterns of light on blocks of pixels, each six frames long and blending into the
next, with noise on every pixel; a pattern is a key of 16 bits. The C in ``selftest.c`` makes the
same counts, so that nothing of the frames is stored but the keys. They are found by trying: a key
is changed at a time and kept where the closing stage comes nearer to an event, until it tells one.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.stage import Counts, State

if TYPE_CHECKING:
    from runtime.model import Model

__all__ = ["EXTREMES", "KEYS", "SCENE_FRAMES", "STEP", "block_shape", "choose_scenes",
           "extreme_frames", "scene_frames"]  # fmt: skip

KEYS, STEP = 8, 6
SCENE_FRAMES = KEYS * STEP
EXTREMES = 16
_MOST_SCENES = 12
_SCENES_WITH_EVENTS = 3
_SEED = 1
_MOST_OPERATIONS = 1 << 28
"""Of one scene's search: some seconds. Only models of a hundred thousand a frame are cut short."""

_MOST_GUESSES = 30
"""Of one scene where the closing stage cannot say how near it comes. Ten times as many found no
frame of a range either, in nine seconds."""

UInt32 = NDArray[np.uint32]


def mixed(word: UInt32) -> UInt32:
    """Return words whose bits hang on all bits of the given ones, modulo 2**32.

    Two rounds of shift and multiplication by odd constants with about as many ones as zeros;
    nothing else was asked of them.
    """
    for factor in (0x7FEB352D, 0x846CA68B):
        word = (word ^ (word >> np.uint32(16))) * np.uint32(factor)
    return word ^ (word >> np.uint32(15))


def block_shape(model: Model) -> tuple[int, int]:
    """Return rows and columns of a block of one level: about what one value of the entry sees."""
    edge = max(1, round((model.entry.n_pixels_read / model.entry.n_out) ** 0.5))
    return min(edge, model.sensor.n_rows), min(edge, model.sensor.n_cols)


def scene_frames(model: Model, keys: Sequence[int], first: int) -> tuple[Counts, Counts]:
    """Return the frames of patterns, uint16 (6 * len(keys), n_rows, n_cols) each.

    Parameters
    ----------
    model : Model
    keys : sequence of int
        Patterns, 1 to 65535; the first blends from that of its own number plus 1.
    first : int
        Number of the first frame, on which the noise hangs.
    """
    sensor, (height, width) = model.sensor, block_shape(model)
    row = np.arange(sensor.n_rows, dtype=np.uint32)[None, :, None]
    col = np.arange(sensor.n_cols, dtype=np.uint32)[None, None, :]
    block = (row // np.uint32(height)) * np.uint32(256) + col // np.uint32(width)
    part = np.arange(STEP, dtype=np.uint32)[:, None, None]
    light = []
    before = (keys[0] + 1) & 0xFFFF
    for key in keys:
        old, new = (
            mixed(np.uint32(k << 16) + block) >> np.uint32(20) for k in (before, key)
        )  # fmt: skip
        light.append((old * (np.uint32(STEP) - part) + new * part) // np.uint32(STEP))
        before = key
    frame = np.arange(first, first + STEP * len(keys), dtype=np.uint32)[:, None, None]
    noise = mixed(frame * np.uint32(0x10001) + row * np.uint32(0x1003F) + col * np.uint32(0x105))
    most = np.uint32(sensor.max_counts)
    counts = (np.concatenate(light) * most) >> np.uint32(12)
    lit = np.minimum(counts + (noise & np.uint32(31)), most)
    dark = np.minimum((noise >> np.uint32(8)) & np.uint32(63), most)
    return lit.astype(np.uint16), dark.astype(np.uint16)


def extreme_frames(model: Model) -> tuple[Counts, Counts]:
    """Return frames at both ends of the range, whole or in stripes, uint16 (16, …) each."""
    sensor = model.sensor
    number = np.arange(EXTREMES)[:, None, None]
    column = np.arange(sensor.n_cols)[None, None, :]
    switched = number + (column & (number >> 2))
    shape = (EXTREMES, sensor.n_rows, sensor.n_cols)
    lit = np.broadcast_to(np.where(switched & 1, 0, sensor.max_counts), shape)
    dark = np.broadcast_to(np.where(switched & 2, sensor.max_counts, 0), shape)
    return lit.astype(np.uint16), dark.astype(np.uint16)


def choose_scenes(model: Model, n_tries: int) -> tuple[int, ...]:
    """Return the keys of all scenes, one after the other, 8 a scene.

    There are as many as fill and wrap the longest ring of the model, and three at least; the first
    three were each changed up to `n_tries` times until an event is told.
    """
    rng = np.random.default_rng(_SEED)
    kept = max((int(getattr(stage, "n_frames", 1)) for stage in model.stages), default=1)
    n_scenes = min(_MOST_SCENES, max(_SCENES_WITH_EVENTS, 2 + kept // SCENE_FRAMES))
    n_tries = min(n_tries, _MOST_OPERATIONS // (SCENE_FRAMES * model.n_operations))
    keys: list[int] = []
    state: State | None = None
    for scene in range(n_scenes):
        own = _climb(
            model, state, scene * SCENE_FRAMES,
            n_tries if scene < _SCENES_WITH_EVENTS else 0, rng,
        )  # fmt: skip
        keys += own
        run = model.run(*scene_frames(model, own, scene * SCENE_FRAMES), state)
        state = run.state
    return tuple(keys)


def _climb(
    model: Model, state: State | None, first: int, n_tries: int, rng: np.random.Generator
) -> list[int]:
    """Return the keys of a scene from this state on which an event is told, or comes nearest.

    Where nobody knows how near one comes, changes of the first keys are guesses, and few.
    """
    keys: list[int] = rng.integers(1, 1 << 16, KEYS).tolist()
    best: float | None = None
    for attempt in range(n_tries + 1):
        tried = list(keys)
        if attempt:
            tried[attempt % KEYS] = int(rng.integers(1, 1 << 16))
        run = model.run(*scene_frames(model, tried, first), state)
        if (run.events >= 0).any():
            return tried
        lack = model.closing.lack(run.evidence)
        if lack is None:
            if attempt == _MOST_GUESSES:
                break
        elif best is None or lack < best:
            best, keys = lack, tried
    return keys
