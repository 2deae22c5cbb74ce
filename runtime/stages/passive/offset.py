"""Offset: half of how far each value is above what it holds without a source.

A frame pair by the light that is there anyway is two exposures added up (`Ambient`); what they hold
without a source, black levels and what stands behind everything, was measured while none was on.
Half of what is left is what one exposure as long as their mean would hold, of no more bits than one
has. Offsets are means rounded down: odd differences are then rounded down by a half, even ones by
none, and the fraction that was left off the mean makes up for it.

What is there anyway changes: the day, lamps, warmth. While no more light comes than the dimmest
source would bring, offsets follow it, a part of them with each frame. While more comes, they stay,
but not for ever: light that was switched on, or a source that stands, becomes what is there anyway.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from runtime.fixedpoint import round_shift
from runtime.stages.contract.c_text import CStage, CState, Edge, fill, smallest_ctype, table
from runtime.stages.contract.stage import (
    Float64,
    Int32,
    Int64,
    Stage,
    State,
    frozen_array,
    prove_int32,
    require,
)

if TYPE_CHECKING:
    from runtime.stages.contract.onnx_nodes import Nodes

__all__ = ["MOST_PARTS", "SLOWEST", "Offset"]

_MEAN_BITS = 8
"""Fraction bits of a mean: at the slowest shift it comes within half a count of what stands."""
SLOWEST = _MEAN_BITS
"""The largest shift: with each more a mean would stop twice as far from what stands."""
MOST_PARTS = 256
"""The most parts whose means move in turn."""

_HALF = 1 << (_MEAN_BITS - 1)
"""What an offset was rounded down by, as far as is known."""
_C_TEXT = """\
/* Half of how far each value is above its offset, which follows while next to nothing is. */
PW_STAGE void @P@_run(pw_state *s, const @X@ *x, @Y@ *y)
{
    int32_t much = 0;
    uint32_t i = 0u;
@PACKED@    for (; i < @N@u; i++) {
        const int32_t half = pw_asr32((int32_t)x[i] - (int32_t)s->@P@_now[i], 1);
        much += half;
        y[i] = (@Y@)half;
    }
    const int32_t is_near = (much <= @LIMIT@) ? 1 : 0;
    int32_t left = s->@P@_left[0];
    left = (is_near != 0) ? @LONGEST@ : ((left > 0) ? (left - 1) : 0);
    s->@P@_left[0] = left;
    const int32_t part = s->@P@_turn[0];
    s->@P@_turn[0] = ((part + 1) < @PARTS@) ? (part + 1) : 0;
    if ((is_near == 0) && (left > 0)) {
        return;
    }
    const uint32_t first = (uint32_t)part * @SIZE@u;
    const uint32_t end = ((first + @SIZE@u) < @N@u) ? (first + @SIZE@u) : @N@u;
    for (i = first; i < end; i++) {
        const int32_t off = ((int32_t)x[i] * @UNIT@) - s->@P@_mean[i];
        const int32_t mean = s->@P@_mean[i] + pw_asr32(off + @HALF_STEP@, @SHIFT@);
        s->@P@_mean[i] = mean;
        s->@P@_now[i] = (@NOW@)pw_asr32(mean, @MEAN_BITS@);
    }
}
"""
_PACKED = """\
#if defined(__GNUC__) && !defined(PW_VECTOR) /* which compilers make vectors of */
    if ((((uintptr_t)x | (uintptr_t)y | (uintptr_t)s->@P@_now) & 3u) == 0u) { /* two at a time */
        const pw_pair *values = (const pw_pair *)(const void *)x;
        const pw_pair *offsets = (const pw_pair *)(const void *)s->@P@_now;
        pw_pair *both = (pw_pair *)(void *)y;
        PW_UNROLL
        for (uint32_t k = 0u; k < @HALF@u; k++) { /* no half borrows from the other */
#if defined(PW_DUAL_MAC) /* an extension that halves two differences at once, and adds two up */
            uint32_t half;
            __asm__("shsub16 %0, %2, %3\\n\\tsmlad %1, %0, %4, %1"
                : "=&r"(half), "+r"(much)
                : "r"(values[k]), "r"(offsets[k]), "r"(0x00010001u));
            both[k] = half;
#else
            const uint32_t above = (values[k] + 0x40004000u) - offsets[k];
            const uint32_t raised = (above >> 1) & 0x7FFF7FFFu; /* by 2^13 each */
            much += (int32_t)((raised & 0xFFFFu) + (raised >> 16)) - 16384;
            both[k] = (raised + 0x60006000u) ^ 0x80008000u;
#endif
        }
        i = @N@u;
    }
#endif
"""
_MOST_PACKED = 1 << 14
"""Of an offset: so much is added to a value, that it may be taken off without a borrow."""


@dataclass(frozen=True, eq=False)
class Offset(Stage):
    """``y[i] = (x[i] - (m[i] >> 8)) >> 1``, rounded down, and means m that follow in turn.

    Before the first frame ``m = (offsets << 8) + 128``. A frame is near where the sum of y is at
    most `limit`: light that is missing is no source's. `longest` frames after the last near one
    all are followed until one is near again. A frame that is followed moves the means of its part
    of the values, one of `n_parts` in turn: ``m[i] += round_shift((x[i] << 8) - m[i], shift)``.
    Cost per frame: two loads, a subtraction, a shift, an addition and a store a value; six bytes
    of memory, eight where offsets or inputs pass 16 bits.

    Parameters
    ----------
    offsets : int32 (n_values,)
        In the unit of x.
    limit : int
        0 to 2^30.
    shift : int
        Base-2 logarithm of the steps that a mean is taken over, 0 to 8.
    n_parts : int
        1 to 256: as many frames pass between two steps of a mean.
    longest : int
        1 to 2^30.

    Raises
    ------
    FormatError
        A value is out of range.
    """

    kind: ClassVar[str] = "offset"
    offsets: Int32
    limit: int
    shift: int
    n_parts: int
    longest: int

    def __post_init__(self) -> None:
        offsets = frozen_array(self.kind, "offsets", self.offsets, "int32", (None,))
        object.__setattr__(self, "offsets", offsets)
        require(self.kind, "limit", self.limit, 0, 1 << 30)
        require(self.kind, "shift", self.shift, 0, SLOWEST)
        require(self.kind, "n_parts", self.n_parts, 1, MOST_PARTS)
        require(self.kind, "longest", self.longest, 1, 1 << 30)

    @property
    def n_in(self) -> int:
        """Values taken per frame."""
        return len(self.offsets)

    @property
    def n_out(self) -> int:
        """As many."""
        return len(self.offsets)

    @property
    def n_operations(self) -> int:
        """A subtraction and an addition a value, and the steps of some means."""
        return 2 * self.n_in + 3 * self._size

    @property
    def _size(self) -> int:
        """Values of a part; the last one may have fewer, or none."""
        return -(-self.n_in // self.n_parts)

    def above(self, x: Int32) -> Int32:
        """Return the output of frames int32 (n, n_values) by the offsets as they were measured."""
        return ((x.astype(np.int64) - self.offsets) >> 1).astype(np.int32)

    def initial_state(self) -> State:
        """Return means that are the offsets, as no frame was seen."""
        return {
            "mean": ((self.offsets.astype(np.int64) << _MEAN_BITS) + _HALF).astype(np.int32),
            "now": self.offsets.copy(),
            "turn": np.zeros(1, dtype=np.int32),
            "left": np.full(1, self.longest, dtype=np.int32),
        }

    def run(self, x: Int32, state: State) -> tuple[Int32, State]:
        """Walk the frames."""
        mean, now = state["mean"].astype(np.int64), state["now"].astype(np.int64)
        turn, left = int(state["turn"][0]), int(state["left"][0])
        y = np.empty_like(x, dtype=np.int32)
        for frame, values in enumerate(x.astype(np.int64)):
            half = (values - now) >> 1
            y[frame] = half
            near = int(half.sum()) <= self.limit
            left = self.longest if near else max(left - 1, 0)
            if near or not left:
                part = slice(turn * self._size, (turn + 1) * self._size)
                mean[part] += round_shift((values[part] << _MEAN_BITS) - mean[part], self.shift)
                now[part] = mean[part] >> _MEAN_BITS
            turn = (turn + 1) % self.n_parts
        singles = {"turn": turn, "left": left}
        return y, {"mean": mean.astype(np.int32), "now": now.astype(np.int32)} | {
            key: np.array([value], dtype=np.int32) for key, value in singles.items()
        }

    def run_float(self, x: Float64) -> Float64:
        """Take the same means of real values."""
        mean, left = self.offsets.astype(np.float64) + 0.5, self.longest
        y = np.empty_like(x)
        for frame, values in enumerate(x):
            y[frame] = (values - mean) / 2.0
            near = y[frame].sum() <= self.limit
            left = self.longest if near else max(left - 1, 0)
            if near or not left:
                turn = frame % self.n_parts
                part = slice(turn * self._size, (turn + 1) * self._size)
                mean[part] += (values[part] - mean[part]) / 2.0**self.shift
        return y

    def bounds(self, low: Int64, high: Int64) -> tuple[Int64, Int64]:
        """Prove differences, their sum and steps within 32 bits; means lie within what was seen."""
        ends = np.minimum(low, self.offsets), np.maximum(high, self.offsets)
        reach = np.maximum(np.abs(ends[0]), np.abs(ends[1])) << (_MEAN_BITS + 1)
        prove_int32(self.kind, "step of a mean of value", -reach - (1 << 16), reach + (1 << 16))
        bottom, top = (low - ends[1]) >> 1, (high - ends[0]) >> 1
        sums = np.minimum(bottom, 0).sum(), np.maximum(top, 0).sum()
        prove_int32(self.kind, "sum of values", np.atleast_1d(sums[0]), np.atleast_1d(sums[1]))
        return bottom, top

    def onnx(self, nodes: Nodes, x: str, state: dict[str, str]) -> tuple[str, dict[str, str]]:
        """Step all means, and keep those of the part whose turn it is."""
        op, zero, one = nodes.op, nodes.int64(0), nodes.int64(1)
        wide = {key: nodes.cast(name, "int64") for key, name in state.items()}
        values = nodes.cast(x, "int64")
        half = nodes.floor_divide(op("Sub", values, wide["now"]), nodes.int64(2))
        much = nodes.reshape(nodes.sum(half, 0), 1)
        near = op("LessOrEqual", much, nodes.int64(self.limit))
        left = op("Max", op("Sub", wide["left"], one), zero)
        left = op("Where", near, nodes.int64(self.longest), left)
        followed = op("Or", near, op("Equal", left, zero))
        parts = nodes.constant(np.arange(self.n_in, dtype=np.int64) // self._size)
        moved = op("And", op("Equal", parts, wide["turn"]), followed)
        off = op("Sub", op("Mul", values, nodes.int64(1 << _MEAN_BITS)), wide["mean"])
        stepped = op("Add", wide["mean"], nodes.round_shift(off, self.shift))
        mean = op("Where", moved, stepped, wide["mean"])
        now = op(
            "Where", moved, nodes.floor_divide(mean, nodes.int64(1 << _MEAN_BITS)), wide["now"]
        )
        turn = op("Mod", op("Add", wide["turn"], one), nodes.int64(self.n_parts))
        new = {"mean": mean, "now": now, "turn": turn, "left": left}
        return nodes.cast(half, "int32"), {k: nodes.cast(v, "int32") for k, v in new.items()}

    def c(self, prefix: str, x: Edge, y: Edge) -> CStage:
        """Walk the values, two at a time where both are words of counts; then a part of them."""
        low, high = int(self.offsets.min()), int(self.offsets.max())
        ctype = smallest_ctype(min(x.lo, low), max(x.hi, high))
        packed = (
            {x.ctype, y.ctype, ctype} == {"int16_t"} and min(x.lo, low) >= 0
            and max(x.hi, high) <= _MOST_PACKED and self.n_in % 2 == 0
        )  # fmt: skip
        text = fill(
            _C_TEXT, NOW=ctype,
            PACKED=_PACKED if packed else "", P=prefix, X=x.ctype, Y=y.ctype,
            N=self.n_in, HALF=self.n_in // 2, LIMIT=self.limit, LONGEST=self.longest,
            PARTS=self.n_parts, SIZE=self._size, SHIFT=self.shift, UNIT=1 << _MEAN_BITS,
            HALF_STEP=(1 << self.shift) >> 1, MEAN_BITS=_MEAN_BITS,
        )  # fmt: skip
        n = self.n_in
        state = (
            CState("mean", "int32_t", n, f"({n},) means that offsets follow, Q{_MEAN_BITS}"),
            CState("turn", "int32_t", 1, "part of the values whose means move next"),
            CState("left", "int32_t", 1, "frames until all are followed"),
            CState("now", ctype, n, f"({n},) offsets, Q0"),
        )
        init = fill(
            "    for (uint32_t i = 0u; i < @N@u; i++) {\n"
            "        s->@P@_mean[i] = ((int32_t)@P@_offset[i] * @UNIT@) + @START@;\n"
            "        s->@P@_now[i] = @P@_offset[i];\n"
            "    }\n"
            "    s->@P@_left[0] = @LONGEST@;\n",
            N=n, P=prefix, UNIT=1 << _MEAN_BITS, START=_HALF, LONGEST=self.longest,
        )  # fmt: skip
        offsets = table(f"{prefix}_offset", self.offsets, ctype, f"({n},) offsets as measured, Q0")
        return CStage(tables=offsets, state=state, init=init, functions=text)
