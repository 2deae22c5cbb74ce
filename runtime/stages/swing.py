"""Swing: how strongly each value goes to and fro, and not how it drifts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.fixedpoint import round_shift, saturate, symmetric_limit
from runtime.stages.contract.c_text import CStage, CState, fill
from runtime.stages.contract.ring import (
    C_SETTLE,
    empty_ring,
    full_ring,
    onnx_leaving,
    onnx_ring,
    ring_after,
    unrolled,
)
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    prove_int32,
    require,
    require_one_of,
)

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Swing"]

_N_RUNS = 5
_EDGE_WEIGHTS = (-1, 5, -10, 10, -5, 1)
"""In the change of the fourth difference of five runs: of the frames at the runs' edges, the oldest
first and the one that comes last. In the fourth difference itself: of sums up to those frames."""

_C_TEXT = """\
/* Fourth difference of the sums of five runs of @RUN@ frames, kept up to date by the frame that
 * comes and the five that leave a run; its magnitude in units of 2^@SHIFT@. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    const uint32_t position = (uint32_t)s->@PREFIX@_position[0];
    const @X_TYPE@ *leaving[5];
    uint32_t slot = position;
    for (uint32_t k = 0u; k < 5u; k++) {
        leaving[k] = &s->@PREFIX@_history[slot * @N_VALUES@u];
        slot += @RUN@u;
        if (slot >= @N_FRAMES@u) {
            slot -= @N_FRAMES@u;
        }
    }
    @X_TYPE@ *oldest = &s->@PREFIX@_history[position * @N_VALUES@u];
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        const int32_t change = (int32_t)x[i] - leaving[0][i] + (5 * ((int32_t)leaving[1][i]
            - leaving[4][i])) + (10 * ((int32_t)leaving[3][i] - leaving[2][i]));
        const int32_t swing = s->@PREFIX@_swing[i] + change;
        const int32_t magnitude = (swing < 0) ? -swing : swing;
        s->@PREFIX@_swing[i] = swing;
        y[i] = (@Y_TYPE@)pw_sat(pw_asr32(magnitude + @HALF@, @SHIFT@), 0, @LIMIT@);
        oldest[i] = x[i];
    }
    s->@PREFIX@_position[0] = (int32_t)((position + 1u < @N_FRAMES@u) ? position + 1u : 0u);
}
"""

_C_BESIDES = """\
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        s->@PREFIX@_swing[i] = 0;
    }
"""


@dataclass(frozen=True, eq=False)
class Swing(Stage):
    """Magnitude of the fourth difference between runs of frames.

    ``y[i] = saturate(round_shift(|a - 4 b + 6 c - 4 d + e|, shift))``, where a to e are the sums of
    x[i] over the last five runs of ``run_frames`` frames. Before the first frame all values were
    zero. It answers most to a movement to and fro whose period is about two runs; to a slow drift
    it answers with the fourth power of the frequency: a value that changes along a straight line,
    or any curve up to the third degree, gives nothing. Cost per frame: six multiply-adds a value,
    whatever the length.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096; as many are given.
    run_frames : int
        Frames of a run, 1 to 64.
    shift : int
        Rounding shift of the magnitude, 0 to 24.
    n_bits : int
        8, 16 or 32: the magnitude saturates at the largest such number.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "swing"
    n_values: int
    run_frames: int
    shift: int
    n_bits: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "run_frames", self.run_frames, 1, 64)
        require(self.kind, "shift", self.shift, 0, 24)
        require_one_of(self.kind, "n_bits", self.n_bits, (8, 16, 32))

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """A magnitude for each value."""
        return self.n_values

    @property
    def n_operations(self) -> int:
        """A multiply-add for the frame that comes and each of the five that leave a run."""
        return 6 * self.n_values

    @property
    def n_frames(self) -> int:
        """Frames remembered."""
        return _N_RUNS * self.run_frames

    def initial_state(self) -> State:
        """Ring of frames, the place of its oldest one, and the fourth differences: all zero."""
        swing = np.zeros(self.n_values, dtype=np.int32)
        return empty_ring(self.n_frames, self.n_values) | {"swing": swing}

    def settled_state(self, x: Int32) -> State:
        """Return a ring full of the values, whose fourth differences are nothing."""
        return full_ring(self.n_frames, x) | {"swing": np.zeros(self.n_values, dtype=np.int32)}

    def signed(self, x: Int32, state: State) -> Int64:
        """Return the fourth differences before magnitude and shift, int64 (n_frames, n_values)."""
        return self._fourth_differences(unrolled(state, x))

    def _fourth_differences(self, frames: Int32) -> Int64:
        """Return (n_new, n_values), given ``n_frames`` earlier frames and the new ones."""
        n_new = len(frames) - self.n_frames
        first = np.zeros((1, self.n_values), dtype=np.int64)
        total = np.vstack([first, frames.astype(np.int64).cumsum(axis=0)])
        swing = np.zeros((n_new, self.n_values), dtype=np.int64)
        for edge, weight in enumerate(_EDGE_WEIGHTS):
            start = 1 + edge * self.run_frames
            swing += weight * total[start : start + n_new]
        return swing

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Take differences of cumulative sums; only the last frames make the new state."""
        frames = unrolled(state, x)
        swing = self._fourth_differences(frames)
        last = (swing[-1] if len(x) else state["swing"]).astype(np.int32)
        new_state = ring_after(state, frames) | {"swing": last}
        y = round_shift(np.abs(swing), self.shift)
        return saturate(y, 0, symmetric_limit(self.n_bits)), new_state

    def run_float(self, x: Float64) -> Float64:
        """Take the same fourth differences of real values."""
        frames = np.vstack([np.zeros((self.n_frames, self.n_values)), x])
        windows = np.lib.stride_tricks.sliding_window_view(frames[1:], self.n_frames, axis=0)
        weights = np.repeat((1, -4, 6, -4, 1), self.run_frames)
        return np.asarray(np.abs(windows @ weights) / 2.0**self.shift)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the fourth difference and its change within 32 bits, zeros before the first."""
        reach = np.maximum(high, 0) - np.minimum(low, 0)
        half = (1 << self.shift) >> 1
        # The weights that are positive add up to eight a frame of a run, in a change to sixteen.
        most = 8 * self.run_frames * reach
        widest = most + 16 * reach + half
        prove_int32(self.kind, "swing of value", -widest, widest)
        top = saturate(round_shift(most, self.shift), 0, symmetric_limit(self.n_bits))
        return np.zeros_like(low), top.astype(np.int64)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Gather the frames that leave the runs, scatter the new frame into the ring."""
        starts = range(0, self.n_frames, self.run_frames)
        leaving = onnx_leaving(nodes, state, starts, self.n_frames)
        weights = nodes.constant(np.array(_EDGE_WEIGHTS[:-1], dtype=np.int32)[:, None])
        change = nodes.op("Add", nodes.sum(nodes.op("Mul", leaving, weights), 0), x)
        swing = nodes.op("Add", state["swing"], change)
        ring = onnx_ring(nodes, state, nodes.reshape(x, 1, self.n_values), self.n_frames)
        y = nodes.scale(nodes.op("Abs", swing), 1, self.shift, symmetric_limit(self.n_bits))
        return y, ring | {"swing": swing}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the values once; the ring keeps the input's own type."""
        functions = fill(
            C_SETTLE + _C_TEXT,
            BESIDES=_C_BESIDES,
            N_KEPT=self.n_frames,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            N_VALUES=self.n_values,
            RUN=self.run_frames,
            N_FRAMES=self.n_frames,
            SHIFT=self.shift,
            HALF=(1 << self.shift) >> 1,
            LIMIT=symmetric_limit(self.n_bits),
        )
        frames = f"({self.n_frames}, {self.n_values}) ring of frames, Q0"
        state = (
            CState("history", x.ctype, self.n_frames * self.n_values, frames),
            CState("position", "int32_t", 1, "place of the oldest frame in the ring"),
            CState("swing", "int32_t", self.n_values, f"({self.n_values},) fourth difference, Q0"),
        )
        return CStage(tables="", state=state, init="", functions=functions, settles=True)
