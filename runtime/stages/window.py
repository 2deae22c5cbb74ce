"""Window: sliding sums over consecutive segments of the last frames."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.fixedpoint import round_shift, saturate, symmetric_limit
from runtime.stages.contract.c_text import CStage, CState, fill, smallest_ctype
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
from runtime.stages.kernels.vectors import load_4, saturated_4, store_4

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Window"]

_C_TEXT = """\
/* Each segment's sum gains the value that enters it and loses the one that leaves: a value leaving
 * one segment enters the older one before it. The ring's oldest frame is overwritten. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    const uint32_t position = (uint32_t)s->@PREFIX@_position[0];
    uint32_t slot = position;
    for (uint32_t segment = 0u; segment < @N_SEGMENTS@u; segment++) {
        const @X_TYPE@ *leaving = &s->@PREFIX@_history[slot * @N_VALUES@u];
        const @X_TYPE@ *entering = x;
        slot += @SEGMENT_LENGTH@u;
        if (slot >= @N_FRAMES@u) {
            slot -= @N_FRAMES@u;
        }
        if (segment + 1u < @N_SEGMENTS@u) {
            entering = &s->@PREFIX@_history[slot * @N_VALUES@u];
        }
        @SUM_TYPE@ *sums = &s->@PREFIX@_sums[segment * @N_VALUES@u];
        @Y_TYPE@ *out = &y[segment * @N_VALUES@u];
#if defined(PW_VECTOR)
        for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
            const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
            const int32x4_t enters = @ENTERING@;
            const int32x4_t change = vsubq_s32(enters, @LEAVING@);
            int32x4_t value = vaddq_s32(change, @SUMS@);
            @STORE_SUM@
@OUTPUT_4@            @STORE_OUT@
        }
#else
        PW_UNROLL
        for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
            const int32_t sum = sums[i] + entering[i] - leaving[i];
            sums[i] = (@SUM_TYPE@)sum;
            out[i] = (@Y_TYPE@)@OUTPUT@;
        }
#endif
    }
    @X_TYPE@ *oldest = &s->@PREFIX@_history[position * @N_VALUES@u];
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        oldest[i] = x[i];
    }
    s->@PREFIX@_position[0] = (int32_t)((position + 1u < @N_FRAMES@u) ? position + 1u : 0u);
}
"""

_C_BESIDES = """\
    for (uint32_t segment = 0u; segment < @N_SEGMENTS@u; segment++) {
        for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
            s->@PREFIX@_sums[(segment * @N_VALUES@u) + i] =
                (@SUM_TYPE@)(@SEGMENT_LENGTH@ * (int32_t)x[i]);
        }
    }
"""


@dataclass(frozen=True, eq=False)
class Window(Stage):
    """Sums of the last ``n_segments`` runs of ``segment_length`` frames, updated every frame.

    ``y[segment * n_values + i] = saturate(round_shift(sum of x[i] over the segment, shift))``;
    segment 0 is the oldest. Before the first frame everything was zero. Cost per frame:
    n_segments * n_values additions and subtractions, whatever the length.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096.
    n_segments, segment_length : int
        1 to 64 segments of 1 to 1024 frames.
    shift : int
        Rounding shift of each sum, 0 to 16.
    n_bits : int
        8 or 16 bits per output.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "window"
    n_values: int
    n_segments: int
    segment_length: int
    shift: int = 0
    n_bits: int = 16

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "n_segments", self.n_segments, 1, 64)
        require(self.kind, "segment_length", self.segment_length, 1, 1024)
        require(self.kind, "shift", self.shift, 0, 16)
        require_one_of(self.kind, "n_bits", self.n_bits, (8, 16))
        require(self.kind, "values kept", self.n_frames * self.n_values, 1, 1 << 20)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """Segments times values."""
        return self.n_segments * self.n_values

    @property
    def n_operations(self) -> int:
        """An addition and a subtraction for each output."""
        return 2 * self.n_out

    @property
    def n_frames(self) -> int:
        """Frames remembered."""
        return self.n_segments * self.segment_length

    @property
    def limit(self) -> int:
        """Largest magnitude of an output."""
        return symmetric_limit(self.n_bits)

    def initial_state(self) -> State:
        """Ring of frames, the place of its oldest one, and the segments' sums: all zero."""
        sums = np.zeros((self.n_segments, self.n_values), dtype=np.int32)
        return empty_ring(self.n_frames, self.n_values) | {"sums": sums}

    def settled_state(self, x: Int32) -> State:
        """Return a ring full of the values, and their sums."""
        sums = np.tile(np.int32(self.segment_length) * x.astype(np.int32), (self.n_segments, 1))
        return full_ring(self.n_frames, x) | {"sums": sums}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Take differences of cumulative sums; only the last frames make the new state."""
        frames = unrolled(state, x)
        sums = self._segment_sums(frames.astype(np.int64))
        last = sums[-1] if len(x) else state["sums"].astype(np.int64)
        kept = last.reshape(self.n_segments, self.n_values).astype(np.int32)
        new_state = ring_after(state, frames) | {"sums": kept}
        return saturate(round_shift(sums, self.shift), -self.limit, self.limit), new_state

    def run_float(self, x: Float64) -> Float64:
        """Sum the same segments of real values."""
        frames = np.vstack([np.zeros((self.n_frames, self.n_values)), x])
        length = self.segment_length
        windows = np.lib.stride_tricks.sliding_window_view(frames[1:], self.n_frames, axis=0)
        segments = windows.reshape(len(x), self.n_values, self.n_segments, length).sum(axis=3)
        sums: Float64 = segments.transpose(0, 2, 1).reshape(len(x), self.n_out)
        return sums / 2.0**self.shift

    def _segment_sums(self, frames: Int64) -> Int64:
        """Return (n_new, n_out) sums, given ``n_frames`` earlier frames and the new ones."""
        total = np.vstack([np.zeros((1, self.n_values), dtype=np.int64), frames.cumsum(axis=0)])
        n_new = len(frames) - self.n_frames
        starts = [1 + segment * self.segment_length for segment in range(self.n_segments + 1)]
        ends = [total[start : start + n_new] for start in starts]
        return np.hstack([b - a for a, b in pairwise(ends)])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the sums within 32 bits, with zeros before the first frame."""
        ends = np.minimum(low, 0) * self.segment_length, np.maximum(high, 0) * self.segment_length
        # An update adds and subtracts one value on the way.
        prove_int32(self.kind, "sum of value", 2 * ends[0] - ends[1], 2 * ends[1] - ends[0])
        scaled = (saturate(round_shift(end, self.shift), -self.limit, self.limit) for end in ends)
        out_low, out_high = (np.tile(end.astype(np.int64), self.n_segments) for end in scaled)
        return out_low, out_high

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Gather the values that leave, scatter the new frame into the ring."""
        starts = range(0, self.n_frames, self.segment_length)
        leaving = onnx_leaving(nodes, state, starts, self.n_frames)
        row = nodes.reshape(x, 1, self.n_values)
        entering = row
        if self.n_segments > 1:
            older = nodes.slice(leaving, 1, self.n_segments)
            entering = nodes.op("Concat", older, row, axis=0)
        change = nodes.op("Sub", entering, leaving)
        sums = nodes.op("Add", state["sums"], change)
        ring = onnx_ring(nodes, state, row, self.n_frames)
        y = nodes.scale(nodes.reshape(sums, self.n_out), 1, self.shift, self.limit)
        return y, ring | {"sums": sums}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Update in place; the ring keeps the input's own type."""
        low = min(x.lo, 0) * self.segment_length
        high = max(x.hi, 0) * self.segment_length
        sum_type = smallest_ctype(low, high)
        output, output_4, indent = "sum", "", 12 * " "
        if self.shift:
            output = f"pw_asr32(sum + {1 << (self.shift - 1)}, {self.shift})"
            output_4 = f"{indent}value = vrshrq_n_s32(value, {self.shift});\n"
        if max(-low, high) >> self.shift >= self.limit:
            output = f"pw_sat({output}, -{self.limit}, {self.limit})"
            output_4 += saturated_4(-self.limit, self.limit, indent)
        functions = fill(
            C_SETTLE + _C_TEXT,
            BESIDES=_C_BESIDES,
            N_KEPT=self.n_frames,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            SUM_TYPE=sum_type,
            N_SEGMENTS=self.n_segments,
            N_VALUES=self.n_values,
            N_FRAMES=self.n_frames,
            SEGMENT_LENGTH=self.segment_length,
            OUTPUT=output,
            OUTPUT_4=output_4,
            ENTERING=load_4(x.ctype, "&entering[i]"),
            LEAVING=load_4(x.ctype, "&leaving[i]"),
            SUMS=load_4(sum_type, "&sums[i]"),
            STORE_SUM=store_4(sum_type, "&sums[i]", "value"),
            STORE_OUT=store_4(y.ctype, "&out[i]", "value"),
        )
        frames = f"({self.n_frames}, {self.n_values}) ring of frames, Q0"
        sums = f"({self.n_segments}, {self.n_values}) sum of each segment, Q0"
        state = (
            CState("history", x.ctype, self.n_frames * self.n_values, frames),
            CState("position", "int32_t", 1, "place of the oldest frame in the ring"),
            CState("sums", sum_type, self.n_out, sums),
        )
        return CStage(tables="", state=state, init="", functions=functions, settles=True)
