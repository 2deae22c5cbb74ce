"""Skip: the values of every n-th frame, kept for the frames between."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import NDArray

from runtime.stages.contract.c_text import CStage, CState, fill
from runtime.stages.contract.stage import Float64, Int32, Int64, Stage, State, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Skip"]

_C_TEXT = """\
/* Take the values of a frame, then keep them for @BETWEEN@ more. Returns whether they are new. */
PW_STAGE int32_t @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, @Y_TYPE@ *y)
{
    if (s->@PREFIX@_wait[0] > 0) {
        s->@PREFIX@_wait[0] -= 1;
        return 0;
    }
    s->@PREFIX@_wait[0] = @BETWEEN@;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_VALUES@u; i++) {
        y[i] = (@Y_TYPE@)x[i];
    }
    return 1;
}
"""


@dataclass(frozen=True, eq=False)
class Skip(Stage):
    """Give the values of the first of every `every` frames, on that frame and on those behind it.

    Stages without a memory give the same again for the same values, so that the firmware runs those
    behind this one, up to the next that remembers, only on frames that are taken: a head on every
    second frame is half a head. Stages with a memory (a window, a decision) run on every frame, and
    count in frames as ever. Cost per frame: a comparison; on a frame that is taken, a load and a
    store a value.

    Parameters
    ----------
    n_values : int
        Values taken per frame, 1 to 4096.
    every : int
        Frames from one that is taken to the next, 1 to 255.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "skip"
    n_values: int
    every: int

    def __post_init__(self) -> None:
        require(self.kind, "n_values", self.n_values, 1, 4096)
        require(self.kind, "every", self.every, 1, 255)

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
        """One comparison."""
        return 1

    @property
    def holds_frames(self) -> int:
        """Frames for which the output stays as it is."""
        return self.every

    def initial_state(self) -> State:
        """Frames until one is taken, and the values kept: zero."""
        held = np.zeros(self.n_values, dtype=np.int32)
        return {"wait": np.zeros(1, dtype=np.int32), "held": held}

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Look up for each frame which one was taken last."""
        wait = int(state["wait"][0])
        frames = np.vstack([state["held"], x]).astype(np.int32)
        y = frames[self._taken(len(x), wait)]
        left = np.array([(wait - len(x)) % self.every], dtype=np.int32)
        return y, {"wait": left, "held": y[-1] if len(x) else state["held"]}

    def run_float(self, x: Float64) -> Float64:
        """Keep real values."""
        return x[self._taken(len(x), 0) - 1]

    def _taken(self, n_frames: int, wait: int) -> NDArray[np.int64]:
        """Return for each frame the last one taken, the first frame being 1, 0 the one kept."""
        since = np.arange(n_frames) - wait
        return np.where(since < 0, 0, np.arange(n_frames) - since % self.every + 1)

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Give what is taken."""
        return low, high

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Choose between the values and those kept."""
        taken = nodes.op("Equal", state["wait"], nodes.int32(0))
        y = nodes.op("Where", taken, x, state["held"])
        one_less = nodes.op("Sub", state["wait"], nodes.int32(1))
        wait = nodes.op("Where", taken, nodes.int32(self.every - 1), one_less)
        return y, {"wait": wait, "held": y}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Let the output stand in the state; the count before it puts it on a word boundary."""
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            Y_TYPE=y.ctype,
            N_VALUES=self.n_values,
            BETWEEN=self.every - 1,
        )
        state = (
            CState("wait", "int32_t", 1, "frames until one is taken"),
            CState("held", y.ctype, self.n_values, f"({self.n_values},) values of the last taken"),
        )
        return CStage(tables="", state=state, init="", functions=functions, output="held")
