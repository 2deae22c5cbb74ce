"""Motion: the values as they are, and how much they changed since the last frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.fixedpoint import round_shift, saturate, symmetric_limit
from runtime.stages.contract.c_text import CStage, CState, fill
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

__all__ = ["Motion"]

_C_TEXT = """\
/* As if the frame before had been this one. */
PW_STAGE void @PREFIX@_settle(pw_state *s, const @X_TYPE@ *x)
{
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        s->@PREFIX@_previous[i] = x[i];
    }
}

/* Values pass unchanged; the last output is the sum of absolute changes in units of 2^@SHIFT@. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t change = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        const int32_t step = (int32_t)x[i] - s->@PREFIX@_previous[i];
        change += (step < 0) ? -step : step;
        s->@PREFIX@_previous[i] = x[i];
        y[i] = (@Y_TYPE@)x[i];
    }
    y[@N_VALUES@] = (@Y_TYPE@)pw_sat(pw_asr32(change + @HALF@, @SHIFT@), 0, @LIMIT@);
}
"""


@dataclass(frozen=True, eq=False)
class Motion(Stage):
    """Append ``saturate(round_shift(sum over i of |x[i] - x[i] one frame before|, shift))``.

    Before the first frame all values were zero. Cost per frame: one load, store, subtraction and
    addition per value.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096; one more is given.
    shift : int
        Rounding shift of the sum, 0 to 30.
    n_bits : int
        8, 16 or 32: the sum saturates at the largest such number.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "motion"
    n_values: int
    shift: int
    n_bits: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "shift", self.shift, 0, 30)
        require_one_of(self.kind, "n_bits", self.n_bits, (8, 16, 32))

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """The values and the change."""
        return self.n_values + 1

    @property
    def n_operations(self) -> int:
        """A difference and an addition for each value."""
        return 2 * self.n_values

    def initial_state(self) -> State:
        """Return the values of the frame before: zero."""
        return {"previous": np.zeros(self.n_values, dtype=np.int32)}

    def settled_state(self, x: Int32) -> State:
        """Return the values themselves: nothing has changed."""
        return {"previous": x.astype(np.int32)}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Take differences along the frames."""
        frames = np.vstack([state["previous"], x]).astype(np.int64)
        change = np.abs(np.diff(frames, axis=0)).sum(axis=1)
        top = saturate(round_shift(change, self.shift), 0, symmetric_limit(self.n_bits))
        return np.column_stack([x, top]), {"previous": frames[-1].astype(np.int32)}

    def run_float(self, x: Float64) -> Float64:
        """Append the unrounded sum of changes."""
        before = np.vstack([np.zeros((1, self.n_values)), x[:-1]])[: len(x)]
        change = np.abs(x - before).sum(axis=1) / 2.0**self.shift
        return np.column_stack([x, change])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the sum of changes, with its rounding term, within 32 bits."""
        half = (1 << self.shift) >> 1
        widest = np.atleast_1d((np.maximum(high, 0) - np.minimum(low, 0)).sum() + half)
        prove_int32(self.kind, "sum of changes", np.zeros(1, dtype=np.int64), widest)
        top = min(int(widest[0]) >> self.shift, symmetric_limit(self.n_bits))
        return np.append(low, 0), np.append(high, top)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Subtract, take magnitudes, sum, scale."""
        change = nodes.op("Abs", nodes.op("Sub", x, state["previous"]))
        total = nodes.reshape(nodes.sum(change, 0), 1)
        top = nodes.scale(total, 1, self.shift, symmetric_limit(self.n_bits))
        return nodes.op("Concat", x, top, axis=0), {"previous": x}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the values once."""
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            N_VALUES=self.n_values,
            SHIFT=self.shift,
            HALF=(1 << self.shift) >> 1,
            LIMIT=symmetric_limit(self.n_bits),
        )
        previous = CState("previous", x.ctype, self.n_values, f"({self.n_values},) last frame, Q0")
        return CStage(tables="", state=(previous,), init="", functions=functions, settles=True)
