"""The ring of frames that stages with a memory of many frames keep, and how it goes on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from runtime.stages.contract.stage import Int32, State

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = [
    "C_SETTLE",
    "empty_ring",
    "full_ring",
    "onnx_leaving",
    "onnx_ring",
    "ring_after",
    "unrolled",
]

C_SETTLE = """\
/* As if the frames before had all been this one. */
PW_STAGE void @PREFIX@_settle(pw_state *s, const @X_TYPE@ *x)
{
    for (uint32_t place = 0u; place < @N_KEPT@u; place++) {
        for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
            s->@PREFIX@_history[(place * @N_VALUES@u) + i] = x[i];
        }
    }
@BESIDES@}
"""
"""Fills a ring; ``BESIDES`` is what follows from it, whole lines or nothing."""


def empty_ring(n_frames: int, n_values: int) -> State:
    """Return ``history``, a ring of frames, and ``position``, the place of its oldest: all zero."""
    return {
        "history": np.zeros((n_frames, n_values), dtype=np.int32),
        "position": np.zeros(1, dtype=np.int32),
    }


def full_ring(n_frames: int, x: Int32) -> State:
    """Return a ring in which every frame is `x`, int32 (n_values,)."""
    return {
        "history": np.tile(x.astype(np.int32), (n_frames, 1)),
        "position": np.zeros(1, dtype=np.int32),
    }


def unrolled(state: State, x: Int32) -> Int32:
    """Return the ring's frames, the oldest first, and the new ones behind them.

    Parameters
    ----------
    x : int32 (n_new, n_values)

    Returns
    -------
    int32 (n_frames + n_new, n_values)
    """
    return np.vstack([np.roll(state["history"], -int(state["position"][0]), axis=0), x])


def ring_after(state: State, frames: Int32) -> State:
    """Return the ring after the frames that :func:`unrolled` gave, whose last ones it keeps."""
    n_frames = len(state["history"])
    n_new = len(frames) - n_frames
    position = (int(state["position"][0]) + n_new) % n_frames
    return {
        "history": np.roll(frames[n_new:], position, axis=0),
        "position": np.array([position], dtype=np.int32),
    }


def onnx_leaving(nodes: Nodes, state: dict[str, str], starts: Sequence[int], n_frames: int) -> str:
    """Write the nodes that gather the frames `starts` places behind the oldest one."""
    offsets = nodes.constant(np.array(starts, dtype=np.int32))
    slots = nodes.op("Add", offsets, state["position"])
    slots = nodes.op("Mod", slots, nodes.int32(n_frames))
    return nodes.op("Gather", state["history"], slots, axis=0)


def onnx_ring(nodes: Nodes, state: dict[str, str], row: str, n_frames: int) -> dict[str, str]:
    """Write the nodes that put a new frame, ``(1, n_values)``, in the place of the oldest."""
    index = nodes.cast(nodes.reshape(state["position"], 1, 1), "int64")
    history = nodes.op("ScatterND", state["history"], index, row)
    moved = nodes.op("Add", state["position"], nodes.int32(1))
    position = nodes.op("Mod", moved, nodes.int32(n_frames))
    return {"history": history, "position": position}
