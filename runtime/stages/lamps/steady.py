"""Steady: a short weighted mean over frames, through which the flicker of lamps does not come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.errors import FormatError
from runtime.fixedpoint import round_shift
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
)
from runtime.stages.kernels.vectors import load_4, store_4

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Steady"]

MOST_TAPS = 32
MOST_TAP = 32767

_C_TEXT = """\
/* Each value's last @N_TAPS@ frames, weighted and summed, in units of 2^@SHIFT@. The frame that
 * comes takes the place of the oldest, which is read before. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    const uint32_t position = (uint32_t)s->@PREFIX@_position[0];
    @X_TYPE@ *oldest = &s->@PREFIX@_history[position * @N_VALUES@u];
@PLACES@#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
        const int32x4_t newest = @LOAD_X@;
        int32x4_t value = vmulq_n_s32(newest, @NEWEST@);
@ADDS_4@        @STORE_RING@
        @STORE@
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        const int32_t sum = @SUM@;
        oldest[i] = x[i];
        y[i] = (@Y_TYPE@)@OUTPUT@;
    }
#endif
    s->@PREFIX@_position[0] = (int32_t)((position + 1u < @N_KEPT@u) ? position + 1u : 0u);
}
"""

_PLACE = """\
    const uint32_t slot@K@ = position + @K@u;
    const @X_TYPE@ *x@K@ = &s->@PREFIX@_history[(slot@K@ - ((slot@K@ < @N_KEPT@u) ? 0u : @N_KEPT@u))
        * @N_VALUES@u];
"""


@dataclass(frozen=True, eq=False)
class Steady(Stage):
    """Weigh each value's last frames: ``y[i] = round_shift(sum of taps[k] x[i], shift)``.

    ``taps[0]`` weighs the oldest frame and ``taps[-1]`` the one that comes. Before the first frame
    all values were zero. Cost per frame: a multiply-add for each value and tap, an addition where a
    tap is 1.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096; as many are given.
    taps : tuple of int
        2 to 32 of them, -32767 to 32767; what they add up to is positive.
    shift : int
        Rounding shift of the sum, 0 to 30.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "steady"
    n_values: int
    taps: tuple[int, ...]
    shift: int = 0

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        if not isinstance(self.taps, tuple):
            raise FormatError(self.kind, "taps", self.taps, "a list of integers")
        require(self.kind, "number of taps", len(self.taps), 2, MOST_TAPS)
        for tap in self.taps:
            require(self.kind, "a tap", tap, -MOST_TAP, MOST_TAP)
        require(self.kind, "sum of taps", sum(self.taps), 1, MOST_TAPS * MOST_TAP)
        require(self.kind, "shift", self.shift, 0, 30)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """A mean for each value."""
        return self.n_values

    @property
    def n_operations(self) -> int:
        """A multiply-add for each value and tap that is not zero."""
        return self.n_values * sum(tap != 0 for tap in self.taps)

    @property
    def n_kept(self) -> int:
        """Frames remembered: all but the one that comes."""
        return len(self.taps) - 1

    def initial_state(self) -> State:
        """Ring of frames and the place of its oldest one: all zero."""
        return empty_ring(self.n_kept, self.n_values)

    def settled_state(self, x: Int32) -> State:
        """Return a ring full of the values."""
        return full_ring(self.n_kept, x)

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Add the frames up, each shifted by its age."""
        frames = unrolled(state, x)
        total = np.zeros(x.shape, dtype=np.int64)
        for age, tap in enumerate(self.taps):
            total += tap * frames[age : age + len(x)].astype(np.int64)
        return round_shift(total, self.shift).astype(np.int32), ring_after(state, frames)

    def run_float(self, x: Float64) -> Float64:
        """Add real values up in the same way."""
        frames = np.vstack([np.zeros((self.n_kept, self.n_values)), x])
        windows = np.lib.stride_tricks.sliding_window_view(frames, len(self.taps), axis=0)
        return np.asarray(windows @ np.array(self.taps, dtype=np.float64) / 2.0**self.shift)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove every partial sum within 32 bits, with zeros before the first frame."""
        least, most = np.minimum(low, 0), np.maximum(high, 0)
        up = sum(tap for tap in self.taps if tap > 0)
        down = sum(tap for tap in self.taps if tap < 0)
        half = (1 << self.shift) >> 1
        ends = up * least + down * most, up * most + down * least
        prove_int32(self.kind, "weighted sum of value", ends[0] - half, ends[1] + half)
        low, high = (round_shift(end, self.shift).astype(np.int64) for end in ends)
        return low, high

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Gather the frames by age, weigh and sum them, scatter the new frame into the ring."""
        row = nodes.reshape(x, 1, self.n_values)
        kept = onnx_leaving(nodes, state, range(self.n_kept), self.n_kept)
        frames = nodes.op("Concat", kept, row, axis=0)
        weights = nodes.constant(np.array(self.taps, dtype=np.int32)[:, None])
        total = nodes.sum(nodes.op("Mul", frames, weights), 0)
        y = nodes.cast(nodes.round_shift(nodes.cast(total, "int64"), self.shift), "int32")
        return y, onnx_ring(nodes, state, row, self.n_kept)

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Name the place of every frame first, then walk the values once."""
        names = ["oldest", *(f"x{age}" for age in range(1, self.n_kept)), "x"]
        weighed = [(name, tap) for name, tap in zip(names, self.taps, strict=True) if tap]
        marks = {
            "PREFIX": prefix, "X_TYPE": x.ctype, "Y_TYPE": y.ctype, "N_VALUES": self.n_values,
            "N_TAPS": len(self.taps), "N_KEPT": self.n_kept, "SHIFT": self.shift,
        }  # fmt: skip
        used = [age for age in range(1, self.n_kept) if self.taps[age]]
        half = (1 << self.shift) >> 1
        output = f"pw_asr32(sum + {half}, {self.shift})" if self.shift else "sum"
        adds = [
            f"        value = vaddq_s32(value, {_weighed_4(x.ctype, name, tap)});\n"
            for name, tap in weighed
            if name != "x"
        ]
        if self.shift:
            adds.append(f"        value = vrshrq_n_s32(value, {self.shift});\n")
        functions = fill(
            C_SETTLE + _C_TEXT,
            BESIDES="",
            PLACES="".join(fill(_PLACE, K=age, **marks) for age in used),
            SUM="\n            + ".join(_weighed(name, tap) for name, tap in weighed),
            OUTPUT=output,
            NEWEST=self.taps[-1],
            ADDS_4="".join(adds),
            LOAD_X=load_4(x.ctype, "&x[i]"),
            STORE_RING=store_4(x.ctype, "&oldest[i]", "newest"),
            STORE=store_4(y.ctype, "&y[i]", "value"),
            **marks,
        )
        frames = f"({self.n_kept}, {self.n_values}) ring of frames, Q0"
        state = (
            CState("history", x.ctype, self.n_kept * self.n_values, frames),
            CState("position", "int32_t", 1, "place of the oldest frame in the ring"),
        )
        return CStage(tables="", state=state, init="", functions=functions, settles=True)


def _weighed(name: str, tap: int) -> str:
    """Return C for a value of one frame times its tap."""
    value = f"(int32_t){name}[i]"
    return value if tap == 1 else f"({tap} * {value})"


def _weighed_4(ctype: str, name: str, tap: int) -> str:
    """Return the same for four values."""
    value = load_4(ctype, f"&{name}[i]")
    return value if tap == 1 else f"vmulq_n_s32({value}, {tap})"
