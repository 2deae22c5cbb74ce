"""Presence: from a level to how many there are, or none, with hysteresis and persistence."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from runtime.errors import FormatError
from runtime.fixedpoint import INT32_MAX, INT32_MIN
from runtime.stages.contract.c_text import CStage, CState, fill, table
from runtime.stages.contract.closing import NO_EVENT, ClosingStage, CWords, Output, Told
from runtime.stages.contract.stage import Float64, Int32, Int64, State, prove_int32, require

if TYPE_CHECKING:
    from runtime.stages.contract.c_text import Edge
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["Presence"]

_NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")

_C_TEXT = """\
/* As many as thresholds are reached; fewer only once the level is well below. */
PW_STAGE void @PREFIX@_run(pw_state *s, const @X_TYPE@ *x, int32_t *y)
{
    int32_t reached = 0;
    int32_t kept = 0;
    PW_UNROLL
    for (uint32_t i = 0u; i < @N_THRESHOLDS@u; i++) {
        if (x[0] >= @PREFIX@_threshold[i]) {
            reached++;
        }
        if (x[0] + @HYSTERESIS@ >= @PREFIX@_threshold[i]) {
            kept++;
        }
    }
    const int32_t count = s->@PREFIX@_count[0];
    int32_t wanted = count;
    if (reached > count) {
        wanted = reached;
    } else if (kept < count) {
        wanted = kept;
    } else {
        /* stays */
    }
    if (wanted == count) {
        s->@PREFIX@_frames[0] = 0;
    } else if (wanted != s->@PREFIX@_candidate[0]) {
        s->@PREFIX@_frames[0] = 1;
    } else {
        s->@PREFIX@_frames[0] += 1;
    }
    s->@PREFIX@_candidate[0] = wanted;
    y[0] = -1;
    if (s->@PREFIX@_frames[0] >= @PERSIST@) {
        s->@PREFIX@_count[0] = wanted;
        s->@PREFIX@_frames[0] = 0;
        y[0] = wanted;
    }
    y[1] = s->@PREFIX@_count[0];
}
"""

_DECLARATIONS = """
/* How many there are, 0 for none; it holds until it changes. */
int32_t pw_presence(const pw_state *s);"""

_ACCESSORS = """
int32_t pw_presence(const pw_state *s)
{
    return @OUTPUTS@[1];
}
"""


@dataclass(frozen=True, eq=False)
class Presence(ClosingStage):
    """Count by a level: none below the first threshold, one more from each threshold on.

    A frame *wants* as many as thresholds are reached where these are more than counted now, and as
    many as the level raised by `hysteresis` reaches where these are fewer. The count becomes what
    was wanted alike for `persist` consecutive frames. The event is the new count on the frame on
    which it changes, else -1; the count itself is the second output. Cost per frame: two
    comparisons per threshold.

    Parameters
    ----------
    counted : str
        What is counted, a lower-case identifier such as ``hands``.
    thresholds : tuple of int
        Rising, 1 to 255 of them, in units of the level.
    hysteresis : int
        How far the level may fall below a threshold before its count is left, at least 0.
    persist : int
        Consecutive frames, 1 to 10000.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "presence"
    tells: ClassVar[Literal["event", "values", "level"]] = "level"
    evidence_name: ClassVar[str] = "level"
    output_name: ClassVar[str] = "presence"
    agreement: ClassVar[str] = "float and fixed point reach as many thresholds"
    counted: str
    thresholds: tuple[int, ...]
    hysteresis: int
    persist: int

    def __post_init__(self) -> None:
        if not isinstance(self.counted, str) or not _NAME.fullmatch(self.counted):
            raise FormatError(self.kind, "counted", repr(self.counted), _NAME.pattern)
        if not isinstance(self.thresholds, tuple):
            raise FormatError(self.kind, "thresholds", repr(self.thresholds), "a list")
        require(self.kind, "number of thresholds", len(self.thresholds), 1, 255)
        for value in self.thresholds:
            require(self.kind, "threshold", value, INT32_MIN + 1, INT32_MAX)
        if any(after <= before for before, after in pairwise(self.thresholds)):
            raise FormatError(self.kind, "thresholds", self.thresholds, "rising")
        require(self.kind, "hysteresis", self.hysteresis, 0, INT32_MAX)
        require(self.kind, "persist", self.persist, 1, 10_000)

    @property
    def n_in(self) -> int:
        """The level."""
        return 1

    @property
    def n_out(self) -> int:
        """The event and the count."""
        return 2

    @property
    def n_operations(self) -> int:
        """Two comparisons for each threshold."""
        return 2 * len(self.thresholds)

    def outputs(self) -> tuple[Output, ...]:
        """Event and count."""
        return Output("event"), Output(self.counted)

    def initial_state(self) -> State:
        """Nobody there, nothing wanted."""
        return {key: np.zeros(1, dtype=np.int32) for key in ("count", "candidate", "frames")}

    def _reached(self, level: NDArray[np.generic]) -> Int64:
        """Return how many thresholds each level reaches."""
        return np.searchsorted(np.array(self.thresholds, dtype=np.float64), level, side="right")

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Count thresholds of all frames at once, then walk the frames."""
        level = x[:, 0].astype(np.float64)
        both = zip(
            self._reached(level).tolist(),
            self._reached(level + self.hysteresis).tolist(),
            strict=True,
        )
        count, candidate, frames = (int(state[key][0]) for key in self.initial_state())
        y = np.full((len(x), 2), NO_EVENT, dtype=np.int32)
        for frame, (reached, kept) in enumerate(both):
            wanted = max(reached, min(kept, count))
            same = wanted == candidate
            frames = 0 if wanted == count else frames + 1 if same else 1
            candidate = wanted
            if frames >= self.persist:
                count, frames = wanted, 0
                y[frame, 0] = wanted
            y[frame, 1] = count
        values = {"count": count, "candidate": candidate, "frames": frames}
        return y, {key: np.array([value], dtype=np.int32) for key, value in values.items()}

    def run_float(self, x: Float64) -> Float64:
        """Return how many thresholds each level reaches, before any memory; without events."""
        reached = self._reached(x[:, 0]).astype(np.float64)
        return np.column_stack([np.full(len(x), float(NO_EVENT)), reached])

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove the raised level within 32 bits."""
        prove_int32(self.kind, "raised level", low, high + self.hysteresis)
        most = len(self.thresholds)
        return np.array([NO_EVENT, 0], dtype=np.int64), np.array([most, most], dtype=np.int64)

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Count with sums of comparisons, walk with Where."""
        zero, one, none = nodes.int32(0), nodes.int32(1), nodes.int32(NO_EVENT)
        thresholds = nodes.constant(np.array(self.thresholds, dtype=np.int32))

        def reached(level: str) -> str:
            flags = nodes.cast(nodes.op("GreaterOrEqual", level, thresholds), "int32")
            return nodes.op("ReduceSum", flags, nodes.indices(0), keepdims=1)

        count = state["count"]
        kept = reached(nodes.op("Add", x, nodes.int32(self.hysteresis)))
        wanted = nodes.op("Max", reached(x), nodes.op("Min", kept, count))
        same = nodes.op("Equal", wanted, state["candidate"])
        longer = nodes.op("Where", same, nodes.op("Add", state["frames"], one), one)
        frames = nodes.op("Where", nodes.op("Equal", wanted, count), zero, longer)
        changed = nodes.op("GreaterOrEqual", frames, nodes.int32(self.persist))
        new_count = nodes.op("Where", changed, wanted, count)
        event = nodes.op("Where", changed, wanted, none)
        new_state = {
            "count": new_count,
            "candidate": wanted,
            "frames": nodes.op("Where", changed, zero, frames),
        }
        return nodes.op("Concat", event, new_count, axis=0), new_state

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk one frame; the thresholds are a table."""
        numbers = np.array(self.thresholds, dtype=np.int64)
        comment = f"({len(numbers)},) level from which there is one more"
        functions = fill(
            _C_TEXT,
            PREFIX=prefix,
            X_TYPE=x.ctype,
            N_THRESHOLDS=len(numbers),
            HYSTERESIS=self.hysteresis,
            PERSIST=self.persist,
        )
        state = (
            CState("count", "int32_t", 1, "how many there are"),
            CState("candidate", "int32_t", 1, "how many the last frame wanted"),
            CState("frames", "int32_t", 1, "consecutive frames that wanted another count"),
        )
        tables = table(f"{prefix}_threshold", numbers, "int32_t", comment)
        return CStage(tables=tables, state=state, init="", functions=functions)

    def agrees(self, real: Float64, whole: Int32) -> NDArray[np.bool_]:
        """Return where both levels reach as many thresholds."""
        return np.asarray(self._reached(real[:, 0]) == self._reached(whole[:, 0]))

    def tell(self, outputs: Int32, evidence: Int32, classes: Sequence[str]) -> Told:
        """Return the count."""
        count = int(outputs[1])
        now = f"{self.counted} {count or 'none'}"
        return Told(now if outputs[0] != NO_EVENT else "", now, {self.counted: count})

    def c_words(self, classes: Sequence[str]) -> CWords:
        """Add the count's function to what every closing stage has."""
        plain = super().c_words(classes)
        return dataclasses.replace(
            plain,
            about=f" * Output: how many {self.counted} there are, 0 to {len(self.thresholds)}; an\n"
            " * event, the new count, on the frame on which it changes, else PW_NONE.",
            constants=f"{plain.constants}\n#define PW_MOST_PRESENT {len(self.thresholds)}",
            declarations=plain.declarations + "\n" + _DECLARATIONS,
            accessors=plain.accessors + _ACCESSORS,
            usage="        int32_t event = pw_step(&state, lit, dark);\n"
            "        if (event != PW_NONE) { /* now there are so many; see pw_presence */ }",
            there="pw_presence(s) > 0",
        )
