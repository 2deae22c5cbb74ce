"""Hold: the last frame that was not full of light, for a while, in the place of one that is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.fixedpoint import INT32_MAX
from runtime.stages.contract.c_text import CStage, CState, fill
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

__all__ = ["Hold"]

_C_TEXT = """\
/* The values as they are; where they sum to more than @LIMIT@, those given last, for at most
 * @LONGEST@ frames on end, or @BRIEF@ if those summed to more than @NEAR@. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    int32_t total = 0;
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
        total = vaddvaq_s32(total, @LOAD@);
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        total += x[i];
    }
#endif
    if (total <= @LIMIT@) {
        s->@PREFIX@_left[0] = (total <= @NEAR@) ? @LONGEST@ : @BRIEF@;
    } else if (s->@PREFIX@_left[0] > 0) {
        s->@PREFIX@_left[0] -= 1;
        return;
    }
#if defined(PW_VECTOR)
    for (uint32_t i = 0u; i < @N_VALUES@u; i += 4u) {
        const mve_pred16_t left = vctp32q(@N_VALUES@u - i);
        @STORE@
    }
#else
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        y[i] = (@Y_TYPE@)x[i];
    }
#endif
}
"""


@dataclass(frozen=True, eq=False)
class Hold(Stage):
    """Give the values as they are, but those given last where their sum is above `limit`.

    After `longest` such frames on end the values pass as they are, until a sum is within the limit
    again: a glare that lasts is the scene. Behind a frame above `near`, where something may have
    come closer by degrees, they pass after `brief` ones. So they do before the first frame within
    the limit. Cost per frame: an addition, two loads and a store a value; on a frame that is not
    taken, no store.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096; as many are given.
    limit : int
        Largest sum of the values of a frame that is not full, 0 to ``2**31 - 1``.
    near : int
        Largest sum of a frame that stands for `longest` ones behind it, 0 to `limit`.
    longest : int
        Most frames on end in whose place the last one stands, 1 to 65,535.
    brief : int
        Most of them in whose place one above `near` stands, 0 to `longest`.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "hold"
    n_values: int
    limit: int
    near: int
    longest: int
    brief: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "limit", self.limit, 0, INT32_MAX)
        require(self.kind, "near", self.near, 0, self.limit)
        require(self.kind, "longest", self.longest, 1, 65535)
        require(self.kind, "brief", self.brief, 0, self.longest)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return self.n_values

    @property
    def n_out(self) -> int:
        """As many."""
        return self.n_values

    @property
    def n_operations(self) -> int:
        """All but one addition into the sum, and two comparisons."""
        return self.n_values + 1

    def initial_state(self) -> State:
        """Frames that may yet be held, and the values given last: nothing is, before the first.

        A frame that has been so all along is given from here as from the state that it would have
        left, so that this is the settled state as well.
        """
        held = np.zeros(self.n_values, dtype=np.int32)
        return {"left": np.zeros(1, dtype=np.int32), "held": held}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Look up for each frame which one is given in its place."""
        given, left = self._given(x.sum(axis=1, dtype=np.int64), int(state["left"][0]))
        y = np.vstack([state["held"], x]).astype(np.int32)[given]
        held = y[-1] if len(x) else state["held"]
        return y, {"left": np.array([left], dtype=np.int32), "held": held}

    def run_float(self, x: Float64) -> Float64:
        """Hold real values."""
        given, _ = self._given(x.sum(axis=1), 0)
        return x[given - 1]

    def _given(self, total: NDArray[Any], left: int) -> tuple[Int64, int]:
        """Return for each frame the one given, the first being 1, 0 the one held; and what is left.

        Parameters
        ----------
        total : int64 or float64 (n_frames,)
            Sums of the values.
        left : int
            Frames that the one before the first may yet be held for.
        """
        number = np.arange(1, len(total) + 1)
        last = np.maximum.accumulate(np.where(total <= self.limit, number, 0))
        stands = np.concatenate([[left], np.where(total <= self.near, self.longest, self.brief)])
        remaining = stands[last] - (number - last)
        given = np.where(remaining >= 0, last, number)
        return given, max(0, int(remaining[-1])) if len(total) else left

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Give what is taken, and prove its sum within 32 bits, in whatever order it is added."""
        ends = np.minimum(low, 0).sum(), np.maximum(high, 0).sum()
        prove_int32(self.kind, "sum of values", np.atleast_1d(ends[0]), np.atleast_1d(ends[1]))
        return low, high

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Choose between the values and those given last."""
        total = nodes.sum(nodes.cast(x, "int64"), 0)
        full = nodes.op("Greater", total, nodes.int64(self.limit))
        close = nodes.op("Greater", total, nodes.int64(self.near))
        held = nodes.op("And", full, nodes.op("Greater", state["left"], nodes.int32(0)))
        y = nodes.op("Where", held, state["held"], x)
        one_less = nodes.op("Sub", state["left"], nodes.int32(1))
        stands = nodes.op("Where", close, nodes.int32(self.brief), nodes.int32(self.longest))
        passed = nodes.op("Where", full, nodes.int32(0), stands)
        return y, {"left": nodes.op("Where", held, one_less, passed), "held": y}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Let the output stand in the state; the count before it puts it on a word boundary."""
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            N_VALUES=self.n_values,
            LIMIT=self.limit,
            NEAR=self.near,
            LONGEST=self.longest,
            BRIEF=self.brief,
            LOAD=load_4(x.ctype, "&x[i]"),
            STORE=store_4(y.ctype, "&y[i]", load_4(x.ctype, "&x[i]")),
        )
        state = (
            CState("left", "int32_t", 1, "frames that may yet be held"),
            CState("held", y.ctype, self.n_values, f"({self.n_values},) values given last"),
        )
        return CStage(tables="", state=state, init="", functions=functions, output="held")
